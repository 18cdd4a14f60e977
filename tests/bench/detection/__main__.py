"""How well a leak is told from everything else, by place of the thermometer: the figures of DEVELOPERS.md.

    .venv/bin/pip install -e '.[test,bench]'
    .venv/bin/python tests/bench/detection                             # short form, some minutes
    .venv/bin/python tests/bench/detection --nights 300 --sound 1000   # long form, over an hour on two cores

Every night is drawn at random (draw.py), simulated once with a probe at every place, and watched once for
each place by the whole core. The same nights go to the rules a person would otherwise use, each tuned to as
many false alarms as the watch had, and to the limit of a test that knows all but the leak.
"""

import argparse
import pickle
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import peers
from draw import END_RATE, FLOOR, FROM_START, KINDS, MID_HOLD, SOUND, draw
from limit import delay_min, reading_noise_pa
from rich.progress import Progress
from simulate import CONVERTER_STEP_PA, STEP_S, simulate
from table import print_table
from watched import Outcome, watch

from potvigil.core.reading import Place

PLACES: tuple[Place | None, ...] = (Place.GAS, Place.WALL, Place.ROOM, None)
# without a thermometer the goals speak only of these
WITHOUT = frozenset({SOUND, MID_HOLD, END_RATE, FLOOR})


@dataclass(frozen=True)
class Task:
    kind: str
    number: int
    campaign: str
    places: tuple[Place | None, ...]


@dataclass(frozen=True)
class NightResult:
    """outcomes: of the watch, by place. scores: of each peer, by name. limit_min: None for a sound night."""

    kind: str
    onset_s: float | None
    outcomes: list[Outcome]
    scores: dict[str, peers.Scores]
    limit_min: float | None


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--nights", type=int, default=12, help="of each class of leak (default %(default)s)")
    parser.add_argument("--sound", type=int, default=40, help="sound nights (default %(default)s)")
    parser.add_argument("--sound-none", type=int, help="of these without a thermometer (default: the same)")
    parser.add_argument("--only", nargs="+", choices=KINDS, default=KINDS, help="these classes of nights")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--campaign", default="bench", help="a word that names another set of nights")
    parser.add_argument("--keep", type=Path, help="write all results to this file as well")
    parser.add_argument("--tell", type=Path, nargs="+", help="only print the table, of results kept before")
    args = parser.parse_args()
    if args.tell:
        print_table([result for kept in args.tell for result in pickle.loads(kept.read_bytes())])
        return
    peers.check()
    without = args.sound if args.sound_none is None else args.sound_none
    tasks = [
        Task(kind, number, args.campaign, _places(kind, number, without))
        for kind in args.only
        for number in range(args.sound if kind == SOUND else args.nights)
    ]
    results = []
    with Progress() as progress, ProcessPoolExecutor(args.jobs) as pool:
        bar = progress.add_task("nights", total=len(tasks))
        for result in pool.map(_run, tasks, chunksize=2):
            results.append(result)
            progress.advance(bar)
            if args.keep and len(results) % 100 == 0:
                args.keep.write_bytes(pickle.dumps(results))
    if args.keep:
        args.keep.write_bytes(pickle.dumps(results))
    if args.only == KINDS:
        print_table(results)


def _places(kind: str, number: int, without: int) -> tuple[Place | None, ...]:
    if kind in WITHOUT and (kind != SOUND or number < without):
        return PLACES
    return PLACES[:-1]


def _run(task: Task) -> NightResult:
    night = simulate(draw(task.kind, task.number, task.campaign))
    rate = {MID_HOLD: 1.5, FROM_START: 0.3}.get(task.kind)
    noise_pa = reading_noise_pa(night.night.sensing.noise_pa, round(STEP_S), CONVERTER_STEP_PA / STEP_S)
    return NightResult(
        task.kind,
        night.onset_s,
        [watch(night, place) for place in task.places],
        {peer.name: peer.scores(night) for peer in peers.PEERS},
        None if rate is None else delay_min(rate, noise_pa, STEP_S),
    )


if __name__ == "__main__":
    main()
