"""Sound nights of other workshops than the detection bench draws: every alarm is one too many.

    .venv/bin/python tests/bench/odd --nights 10
    .venv/bin/python tests/bench/odd --kinds "10-bit converter" --thermometers wall --say

For every kind of night (kinds.py, kinds_inside.py) and place of the thermometers: nights with a false alarm,
of how many; and with a leak that begins in mid-hold, median and longest delay to the first alarm, minutes.
"""

import argparse
import os
from collections import Counter, defaultdict
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from random import Random
from statistics import median
from typing import NamedTuple

os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

from kinds_inside import KINDS
from night import HOUR, PSI, Hand, Night, fill, usual
from play import Truth, play
from seen import pot_of, samples_of

from potvigil.leak.known import Known
from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, Event
from potvigil.model.reading import Place
from potvigil.watch.pot_watch import PotWatch

PLACES: dict[str, tuple[Place, ...]] = {
    "gas": (Place.GAS,),
    "wall": (Place.WALL,),
    "room": (Place.ROOM,),
    "wall+room": (Place.WALL, Place.ROOM),
    "none": (),
}
AHEAD = {AlarmId.LEAK, AlarmId.FLOOR_AHEAD, AlarmId.RAPID_LOSS}


class Raised(NamedTuple):
    alarm: AlarmId
    t_s: float
    text: str


@dataclass(frozen=True)
class Told:
    """What one watch said of one night. due: the alarms that say nothing but the truth."""

    kind: str
    number: int
    places: str
    leak_at_s: float | None
    raised: tuple[Raised, ...]
    due: tuple[Raised, ...]

    @property
    def false(self) -> tuple[Raised, ...]:
        return tuple(each for each in self.raised if each not in self.due)

    @property
    def delay_min(self) -> float | None:
        ahead = [each.t_s for each in self.due if each.alarm in AHEAD]
        return None if not ahead or self.leak_at_s is None else (min(ahead) - self.leak_at_s) / 60.0


def draw(kind: str, number: int, leak_psi_per_h: float) -> Night:
    random = Random(f"{kind}/{number}")
    night = usual(random)
    KINDS[kind](night)
    if leak_psi_per_h:
        night.leak_psi_per_h, night.leak_at_s = leak_psi_per_h, random.uniform(3.0, 7.0) * HOUR
    return night


def watch_all(task: tuple[str, int, float, tuple[str, ...]]) -> list[Told]:
    """Play one night and watch it once for each place."""
    kind, number, leak, places = task
    night = draw(kind, number, leak)
    truth = play(night)
    return [watch(kind, number, night, truth, place) for place in places]


def watch(kind: str, number: int, night: Night, truth: Truth, places: str) -> Told:
    potwatch = PotWatch(pot_of(night, PLACES[places]), _taught(kind, number, night, places))
    commands = sorted(night.commands, key=lambda command: command.t_s)
    raised: list[Raised] = []
    for sample in samples_of(night, truth, PLACES[places], number):
        while commands and commands[0].t_s <= sample.t_s:
            potwatch.handle(commands.pop(0))
        raised += raised_in(potwatch.feed(sample))
    leak_at_s = night.leak_at_s if night.leak_psi_per_h else None
    due = tuple(each for each in raised if is_due(each, night, truth))
    return Told(kind, number, places, leak_at_s, tuple(raised), due)


def _taught(kind: str, number: int, night: Night, places: str) -> Known | None:
    """Return what earlier nights taught: of this pot and its sensors, with other moulds in other rooms."""
    known = None
    for batch in range(night.taught):
        other = usual(Random(f"{kind}/{number}/taught/{batch}"))
        share = other.contents_m3 / other.volume_m3
        for same in (
            "volume_m3",
            "steel_j",
            "along_w",
            "emissivity",
            "wall_sees_room",
            "wall_on_base",
            "step_s",
        ):
            setattr(other, same, getattr(night, same))
        other.contents_m3, other.castings[0].joules = share * night.volume_m3, 20e3 * share
        other.hands = [fill(other, 100.0), Hand(10.3 * HOUR, 11 * HOUR, None, None, 15.0)]
        other.end_s = 10.6 * HOUR
        potwatch = PotWatch(pot_of(night, PLACES[places]), known)
        for sample in samples_of(other, play(other), PLACES[places], batch):
            potwatch.feed(sample)
        known = potwatch.learnt()
    return known


def raised_in(events: Iterable[Event]) -> list[Raised]:
    told = [each for each in events if isinstance(each, AlarmEvent) and not each.repeat]
    return [
        Raised(each.alarm, each.t_s, each.text) for each in told if each.state is AlarmState.UNACKNOWLEDGED
    ]


def is_due(raised: Raised, night: Night, truth: Truth) -> bool:
    """Say whether an alarm says no more than what is so."""
    at = min(int(raised.t_s / night.step_s), len(truth.t_s) - 1)
    gauge_pa = float(truth.absolute_pa[at] - truth.outside_pa[at])
    if raised.alarm in AHEAD:
        return bool(night.leak_psi_per_h) and raised.t_s > night.leak_at_s
    if raised.alarm is AlarmId.BELOW_FLOOR:
        return gauge_pa < 0.75 * night.working_pa + 0.5 * PSI
    if raised.alarm is AlarmId.READINGS_STOPPED:
        return bool(night.pauses)
    if raised.alarm is AlarmId.VENTED_EARLY:  # nothing gels in an hour and a half that takes all night
        return raised.t_s < 1.5 * HOUR
    return raised.alarm is AlarmId.SLOW_TO_PRESSURE and gauge_pa < 0.95 * night.working_pa


def print_table(told: list[Told], places: tuple[str, ...]) -> None:
    cells: dict[tuple[str, str], list[Told]] = defaultdict(list)
    for each in told:
        cells[each.kind, each.places].append(each)
    print(f"| night | {' | '.join(places)} | which |\n|---|{'---|' * (len(places) + 1)}")
    for kind in dict.fromkeys(each.kind for each in told):
        row = [_cell(cells[kind, place]) for place in places]
        which = Counter(
            str(alarm)
            for place in places
            for each in cells[kind, place]
            for alarm in {raised.alarm for raised in each.false}
        )
        print(f"| {kind} | {' | '.join(row)} | {', '.join(f'{a} {n}' for a, n in which.items()) or '-'} |")


def _cell(told: list[Told]) -> str:
    sound = [each for each in told if each.leak_at_s is None]
    leaky = [each for each in told if each.leak_at_s is not None]
    cell = f"{sum(bool(each.false) for each in sound)} of {len(sound)}" if sound else ""
    if leaky:
        delays = [each.delay_min for each in leaky if each.delay_min is not None]
        early = sum(bool(each.false) for each in leaky)
        never = len(leaky) - len(delays)
        cell += f" {median(delays):.0f} ({max(delays):.0f})" if delays else " never"
        cell += f", {never} never" if never and delays else ""
        cell += f", {early} early" if early else ""
    return cell.strip()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=KINDS, metavar="KIND")
    parser.add_argument("--thermometers", nargs="+", default=list(PLACES), choices=PLACES)
    parser.add_argument("--nights", type=int, default=4, help="sound nights of each kind (default 4)")
    parser.add_argument("--leaky", type=int, default=0, help="nights with a leak of each kind (default 0)")
    parser.add_argument("--rate", type=float, default=1.5, help="of the leak, psi/h (default 1.5)")
    parser.add_argument("--first", type=int, default=0, help="number of the first night")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--say", action="store_true", help="print every false alarm")
    args = parser.parse_args()
    places = tuple(args.thermometers)
    tasks = [
        (kind, args.first + number, leak, places)
        for kind in args.kinds
        for leak, count in ((0.0, args.nights), (args.rate, args.leaky))
        for number in range(count)
    ]
    told: list[Told] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for group in pool.map(watch_all, tasks):
            told += group
            if args.say:
                for each in group:
                    for raised in each.false:
                        print(
                            f"{each.kind} {each.number} {each.places}: {raised.alarm} at "
                            f"{raised.t_s / HOUR:.2f} h: {raised.text}",
                            flush=True,
                        )
    print_table(told, places)


if __name__ == "__main__":
    main()
