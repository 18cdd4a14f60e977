"""What many pots and long holds cost: how late ticks come, how long one takes, memory.

    .venv/bin/python tests/bench/bench_load.py               # sixteen pots at 4 Hz on one core, two minutes
    .venv/bin/python tests/bench/bench_load.py --days 30     # a hold of 30 days, clock moved by hand

The watch runs on one core (sched_setaffinity) with its simulated wires, record and live file. What is not in
it is the wait for real buses: a conversion of an ADS1115 takes milliseconds.
"""

import argparse
import os
import resource
import tempfile
from dataclasses import replace
from pathlib import Path

from potvigil.clock import Clock, Instant, ManualClock, SystemClock
from potvigil.commands.rehearsal.own_wiring import simulated_station
from potvigil.drivers.station import Station
from potvigil.model.reading import Sample
from potvigil.outputs.live import LiveFile
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import World

NIGHT = NIGHTS["sound"]
FROM_S = 3600.0  # an hour into the hold


class ManyPots:
    """A station that reads one simulated pot for all of them; each has its own reading by as many counts."""

    def __init__(self, station: Station, world: World, pots: list[str]) -> None:
        self._station, self._world, self._pots = station, world, pots

    def read(self, t_s: float, now: Instant) -> list[tuple[str, Sample]]:
        self._world.advance(now.boot_s)
        found: list[tuple[str, Sample]] = []
        for number, pot_id in enumerate(self._pots):
            ((_, sample),) = self._station.read(t_s, now)
            count = sample.transducer_count
            found.append(
                (pot_id, replace(sample, transducer_count=None if count is None else count + number))
            )
        return found

    def close(self) -> None:
        self._station.close()


class FromNow:
    """The machine's clock, at FROM_S now."""

    def __init__(self) -> None:
        self._clock = SystemClock()
        self._ahead_s = FROM_S - self._clock.now().boot_s

    def now(self) -> Instant:
        now = self._clock.now()
        return Instant(now.boot_s + self._ahead_s, now.utc_s)

    def sleep_until(self, boot_s: float) -> None:
        self._clock.sleep_until(boot_s - self._ahead_s)


def settings_of(pots: int, period_s: float) -> Settings:
    """The night's pot so many times over, each on an input of its own as far as settings ask for it."""
    one = load_text(f"{NIGHT.settings_yaml}sample_period: {period_s:g} s\n", "load")
    (pot,) = one.pots.values()
    return one.model_copy(update={"pots": {f"pot-{number + 1}": pot for number in range(pots)}})


def watched(folder: Path, pots: int, period_s: float, clock: Clock, world: World) -> Service:
    """Return a service over so many pots, with its record and live file in a folder; not yet started."""
    settings = settings_of(pots, period_s)
    single = settings.model_copy(update={"pots": {"pot-1": settings.pots["pot-1"]}})
    station = simulated_station(single, world)
    many = ManyPots(station, world, list(settings.pots))
    store = Store.open_for_watch(folder / "record.db", unwritten=folder / "unwritten")
    live = LiveFile(folder / "live.json", settings.workshop, NIGHT.name, period_s)
    return Service(settings, clock, "bench", many, store, None, NIGHT.name, live=live)  # type: ignore[arg-type]


def jitter(folder: Path, pots: int, period_s: float, seconds: float) -> tuple[list[float], list[float]]:
    """Watch in real time; return how late each tick began and how long it took, s, sorted."""
    world = World(NIGHT, folder)
    world.advance(FROM_S)
    clock = FromNow()
    service = watched(folder, pots, period_s, clock, world)
    late_s: list[float] = []
    took_s: list[float] = []
    tick = service.tick

    def timed() -> None:
        begun_s = clock.now().boot_s
        late_s.append(begun_s - service._deadline_s)
        tick()
        took_s.append(clock.now().boot_s - begun_s)

    service.tick = timed  # type: ignore[method-assign]
    service.start()
    service.run(clock.now().boot_s + seconds)
    service.stop()
    return sorted(late_s[1:]), sorted(took_s[1:])


def memory_of_days(folder: Path, days: float, period_s: float) -> list[tuple[float, float]]:
    """Watch a hold of many days on a clock moved by hand; return (day, MB resident) at some moments."""
    night = replace(NIGHT, actions=NIGHT.actions[:1], duration_s=days * 86_400.0)  # filled, and never vented
    world = World(night, folder)
    clock = ManualClock(0.0, on_advance=world.advance)
    service = watched(folder, 1, period_s, clock, world)
    service.start()
    seen = []
    for step in range(1, 11):
        service.run(days * 86_400.0 * step / 10)
        seen.append((days * step / 10, resident_mb()))
    (stage,) = {watch.stage for watch in service.watches.values()}
    assert stage == "holding", stage
    service.stop()
    return seen


def resident_mb() -> float:
    """Memory of this process now, MB: statm(5)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def p99(values: list[float]) -> float:
    return values[int(0.99 * (len(values) - 1))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--pots", type=int, default=16)
    parser.add_argument("--period", type=float, default=0.25, help="seconds a tick")
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--days", type=float, default=None, help="measure the memory of such a hold instead")
    parser.add_argument("--day-period", type=float, default=10.0, help="seconds a tick of that hold")
    args = parser.parse_args()
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory() as folder:
        if args.days is not None:
            for day, mb in memory_of_days(Path(folder), args.days, args.day_period):
                print(f"day {day:5.1f}: {mb:6.1f} MB")
            return
        late_s, took_s = jitter(Path(folder), args.pots, args.period, args.seconds)
    print(f"{args.pots} pots, a tick each {args.period:g} s, {len(took_s)} ticks on one core")
    for words, values in (("begun late by", late_s), ("took", took_s)):
        median_ms, p99_ms, most_ms = (1e3 * v for v in (values[len(values) // 2], p99(values), values[-1]))
        print(f"  {words:14} median {median_ms:6.1f} ms, p99 {p99_ms:6.1f} ms, most {most_ms:6.1f} ms")


if __name__ == "__main__":
    main()
