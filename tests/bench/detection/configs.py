"""Sound nights on real settings, through the real drivers: every alarm is one too many.

    .venv/bin/python tests/bench/detection/configs.py --seeds 10

Every pot of every config/*.yaml as it stands, and of the settings below, plays the named night as
`potvigil rehearse sound --config FILE --pot ID` does: simulated wires, drivers, core; there is no record.
"""

import argparse
import os
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

import cells
import yaml
from rich.progress import Progress
from watched import Raised, raised_in

from potvigil.clock import ManualClock
from potvigil.commands.rehearsal.own_wiring import on_own_wiring, one_pot, simulated_station
from potvigil.settings.loading import load, load_text
from potvigil.settings.schema import Settings
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import World
from potvigil.watch.pot_watch import PotWatch

CONFIG = Path(__file__).parents[3] / "config"
SOUND_NIGHTS = tuple(name for name, night in NIGHTS.items() if not night.leaks and not night.truth.alarms)

_POT = """\
workshop: own
pots:
  own:
    internal_volume: {internal}
    contents_volume: {contents}
    maximum_pressure: 80 psi
    working_pressure: {working}
    floor_pressure: {floor}
    thermometer: {thermometer}
    supply: shut
    cure: {{{cure}}}
sample_period: {period}
barometer: {barometer}
"""
_OVERNIGHT = "hold: 10 h, gel: 40 min, working_time: 12 min, at: 23 C"
_PLAIN = {
    "contents": "3 L",
    "working": "60 psi",
    "floor": "45 psi",
    "cure": _OVERNIGHT,
    "period": "1 s",
    "barometer": "{device: bmp280}",
}
_GAS, _WALL, _ROOM = (
    f"{{place: {place}, id: 28-00000000000{at}}}" for at, place in enumerate(("gas", "wall", "room"))
)
OWN = {
    "5 gal, gas": {"internal": "5 gal", "contents": "1 gal", "thermometer": _GAS},
    "5 gal, wall": {"internal": "5 gal", "contents": "1 gal", "thermometer": _WALL},
    "2.5 gal, wall and room, 40 psi": {
        "internal": "2.5 gal",
        "contents": "2 L",
        "thermometer": f"[{_WALL}, {_ROOM}]",
        "working": "40 psi",
        "floor": "30 psi",
    },
    "50 L, gas, 10 s": {"internal": "50 L", "contents": "12 L", "thermometer": _GAS, "period": "10 s"},
    "10 L, room, 5 s": {"internal": "10 L", "contents": "1.5 L", "thermometer": _ROOM, "period": "5 s"},
    "20 L, nothing but a transducer": {
        "internal": "20 L",
        "thermometer": "{place: none}",
        "barometer": "{altitude: 40 m}",
    },
}


@dataclass(frozen=True)
class Task:
    """config: a file of CONFIG, or a name of OWN."""

    config: str
    pot: str
    night: str
    seed: int


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=4, help="nights of each pot (default %(default)s)")
    parser.add_argument("--first", type=int, default=0, help="the first seed (default %(default)s)")
    parser.add_argument("--nights", nargs="+", choices=SOUND_NIGHTS, default=["sound"])
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.seeds)
    pots = [(name, pot) for name in (*_files(), *OWN) for pot in settings_of(name).pots]
    tasks = [Task(*pot, night, seed) for pot in pots for night in args.nights for seed in seeds]
    told: dict[tuple[str, str], list[tuple[Raised, ...]]] = {}
    with Progress() as progress, ProcessPoolExecutor(args.jobs) as pool:
        bar = progress.add_task("nights", total=len(tasks))
        for task, raised in zip(tasks, pool.map(play, tasks), strict=True):
            told.setdefault((f"{task.config}: {task.pot}", task.night), []).append(raised)
            progress.advance(bar)
    print("\n| pot | night | any alarm | which |\n|---|---|---|---|")
    for (pot, night), alarms in told.items():
        which = cells.told_by_alarm(alarms) or "-"
        print(f"| {pot} | {night} | {sum(map(bool, alarms))} of {len(alarms)} | {which} |")
    every = [raised for alarms in told.values() for raised in alarms]
    false = sum(map(bool, every))
    print(f"\nAny alarm: {false} of {len(every)} nights (< {cells.upper_bound(false, len(every)):.1%})")
    for text in sorted({raised.text for alarms in every for raised in alarms}):
        print(f"- {text}")


def _files() -> Iterator[str]:
    """Return the names of the files with pots in them; there is a list of resins beside them."""
    for path in sorted(CONFIG.glob("*.yaml")):
        if "pots" in yaml.safe_load(path.read_text(encoding="utf-8")):
            yield path.name


@cache
def settings_of(name: str) -> Settings:
    """Return the settings of that name."""
    if name in OWN:
        return load_text(_POT.format(**_PLAIN | OWN[name]), name)
    return load(CONFIG / name)


def play(task: Task) -> tuple[Raised, ...]:
    """Play one night until it is over; return every alarm that was raised."""
    settings = one_pot(settings_of(task.config), task.pot)
    night = on_own_wiring(NIGHTS[task.night], settings)
    watch = PotWatch(settings.core_pots()[task.pot])
    alarms: list[Raised] = []
    with tempfile.TemporaryDirectory(prefix="potvigil-") as folder:
        world = World(night, Path(folder), seed=task.seed)
        clock = ManualClock(utc_s=night.start_utc_s, on_advance=world.advance)
        station = simulated_station(settings, world)
        ticks = int(night.duration_s / settings.sample_period_s)
        for t_s in (tick * settings.sample_period_s for tick in range(ticks + 1)):
            clock.sleep_until(t_s)
            for _, sample in station.read(t_s, clock.now()):
                alarms += raised_in(watch.feed(sample))
        station.close()
    return tuple(alarms)


if __name__ == "__main__":
    main()
