"""How soon a leak is seen, and how often a sound pot is accused, by where the thermometer sits.

    .venv/bin/python tests/bench/bench_detection.py --nights 30 --jobs 2

Nights are simulated in the recorded weather of ../shared/data (workshop at half the outdoor swing), one in
three with resin heat; 5 s between samples. Each night is simulated once with a probe in every place and
watched once per place. Delays count from the onset (or the end of the fill) to `leak` or `floor-ahead`.
"""

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from statistics import median, quantiles

from rich.progress import track

from potvigil.clock import ManualClock
from potvigil.core.event import AlarmEvent, AlarmId, LeakEstimate
from potvigil.core.pot import Pot
from potvigil.core.reading import Place, Sample
from potvigil.core.watch import PotWatch
from potvigil.inputs.ds18b20 import InlineExecutor
from potvigil.service import open_inputs
from potvigil.settings import load_text
from potvigil.sim.nights import GAS_PROBE, NIGHTS, ROOM_PROBE, WALL_PROBE, Night, World, weather_nights
from potvigil.sim.pot import CureHeat, Leak, LeakLaw
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

WEATHER = Path(__file__).parents[3] / "shared/data/house_and_outdoor_weather_138d.csv"
PROBES = (GAS_PROBE, WALL_PROBE, ROOM_PROBE)
PLACES: tuple[Place | None, ...] = (Place.GAS, Place.WALL, Place.ROOM, None)
STEP_S, FILLED_S, END_S = 5.0, 220.0, 36_000.0
CLASSES = {"sound": None, "1.5 psi/h in mid-hold": 1.5, "0.3 psi/h from the start": 0.3}
WAKING = (AlarmId.LEAK, AlarmId.FLOOR_AHEAD, AlarmId.BELOW_FLOOR, AlarmId.RAPID_LOSS)


@dataclass(frozen=True)
class Result:
    """delay_s: to the first waking alarm, None if there was none. true_rate: psi/h at the end."""

    kind: str
    place: str
    delay_s: float | None
    leak: LeakEstimate | None
    true_rate: float


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--nights", type=int, default=30, help="of each class")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    tasks = [(kind, number) for kind in CLASSES for number in range(args.nights)]
    results: dict[tuple[str, str], list[Result]] = defaultdict(list)
    with ProcessPoolExecutor(args.jobs) as pool:
        for night in track(pool.map(_run, tasks), "nights", total=len(tasks)):
            for result in night:
                results[result.kind, result.place].append(result)
    for (kind, place), all_of in results.items():
        print(f"{kind:26} {place:5} {_told(kind, all_of)}")


def _told(kind: str, results: list[Result]) -> str:
    n = len(results)
    inside = sum(
        r.leak is not None and r.leak.rate_pa_per_s.low <= r.true_rate <= r.leak.rate_pa_per_s.high
        for r in results
    )
    covered = f"95 % interval holds the truth in {inside} of {n}"
    if kind == "sound":
        false = sum(r.delay_s is not None for r in results)
        return f"false alarms {false} of {n} (95 % bound {_upper_bound(false, n):.1%}); {covered}"
    delays = [r.delay_s / 60.0 for r in results if r.delay_s is not None and r.delay_s > 0.0]
    early = sum(r.delay_s is not None and r.delay_s <= 0.0 for r in results)
    spread = (
        f"median {median(delays):.0f} min, 95 % {quantiles(delays, n=20)[-1]:.0f} min"
        if len(delays) > 1
        else "-"
    )
    return f"seen {len(delays)} of {n}, before onset {early}; {spread}; {covered}"


def _upper_bound(found: int, n: int) -> float:
    """One-sided 95 % Clopper-Pearson bound."""
    from scipy.stats import beta

    return float(beta.ppf(0.95, found + 1, n - found)) if found < n else 1.0


def _run(task: tuple[str, int]) -> list[Result]:
    kind, number = task
    random = Random(f"{kind} {number}")
    weather = weather_nights(WEATHER, probes=PROBES)
    night = weather[random.choice(sorted(weather))]
    if number % 3 == 0:
        warm = NIGHTS["cure-heat"]
        heat = CureHeat(random.uniform(0.7, 3.0) * 3600, random.uniform(900, 2400), random.uniform(1e4, 5e4))
        night = replace(night, cure=heat, parameters=warm.parameters)
    onset_s, rate = 0.0, CLASSES[kind]
    if rate is not None:
        onset_s = random.uniform(3, 6) * 3600 if kind.endswith("mid-hold") else 0.0
        law = random.choice(list(LeakLaw))
        at_pa = None if onset_s else 60 * PA_PER_PSI
        size = Leak(onset_s, law, rate_pa_per_s=rate * PA_PER_PSI / SECONDS_PER_HOUR, at_gauge_pa=at_pa)
        night = replace(night, leaks=(size,))
    samples, pot, true_rate = _simulate(night, seed=number)
    return [_watch(kind, place, samples, pot, max(onset_s, FILLED_S), true_rate) for place in PLACES]


def _simulate(night: Night, seed: int) -> tuple[list[Sample], Pot, float]:
    settings = load_text(night.settings_yaml, night.name)
    with tempfile.TemporaryDirectory() as folder:
        world = World(night, Path(folder), seed=seed)
        clock = ManualClock(utc_s=night.start_utc_s, on_advance=world.advance)
        station = open_inputs(
            settings,
            bus_opener=world.open_bus,
            one_wire_root=world.one_wire_root,
            executor=InlineExecutor(),
            sleep=lambda seconds: None,
        )
        samples = []
        for tick in range(int(END_S / STEP_S)):
            clock.sleep_until(tick * STEP_S)
            samples.append(station.read(tick * STEP_S, clock.now())[0][1])
        station.close()
        return samples, settings.core_pots()["lantern"], world.pot.leak_pa_per_s


def _watch(
    kind: str, place: Place | None, samples: list[Sample], pot: Pot, onset_s: float, true_rate: float
) -> Result:
    hidden = {f"{other}_c": None for other in Place if other is not place}
    watch = PotWatch(replace(pot, thermometers=frozenset(() if place is None else (place,))))
    told = list(_first_waking(watch, [replace(sample, **hidden) for sample in samples]))
    snapshot = watch.snapshot()
    return Result(kind, place or "none", told[0] - onset_s if told else None, snapshot.leak, true_rate)


def _first_waking(watch: PotWatch, samples: list[Sample]) -> Iterator[float]:
    for sample in samples:
        for event in watch.feed(sample):
            if isinstance(event, AlarmEvent) and event.alarm in WAKING:
                yield event.t_s


if __name__ == "__main__":
    main()
