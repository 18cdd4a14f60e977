"""How well a leak is told from everything else, by combination of thermometers: for FIGURES.md.

    .venv/bin/pip install -e '.[test,bench]'
    .venv/bin/python tests/bench/detection                             # short form
    .venv/bin/python tests/bench/detection --nights 100 --sound 350    # long form
    .venv/bin/python tests/bench/detection --simulators lumps --only sound --thermometers gas+wall
    .venv/bin/python tests/bench/detection --only "0.3 psi/h from the start" --batches 8

Every night is drawn at random (draw.py), played by a simulator with a probe at every place, and watched once
for each combination of thermometers by the whole core. The same nights go to the rules a person would
otherwise use, each tuned to as many false leak alarms as the watch had, and to the limits of limit.py.
"""

import argparse
import os
import sys
from pathlib import Path

# each worker has a core; numpy reads this when it is first imported
os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

import peers
from campaign import Plan, kept, run_all
from draw import FROM_START, KINDS, SIMULATORS, SOUND
from said import COMBINATIONS, Combination, combination_of, name_of
from table import print_tables
from weather import RECORDED


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--simulators", nargs="+", choices=SIMULATORS, default=SIMULATORS)
    parser.add_argument(
        "--thermometers",
        nargs="+",
        type=_combination,
        default=COMBINATIONS,
        metavar="PLACE[+PLACE]",
        help=f"combinations to watch with (default {' '.join(map(name_of, COMBINATIONS))})",
    )
    parser.add_argument("--nights", type=int, default=12, help="of each class of leak (default %(default)s)")
    parser.add_argument("--sound", type=int, default=40, help="sound nights (default %(default)s)")
    parser.add_argument("--sound-none", type=int, help="of these without a thermometer (default: the same)")
    parser.add_argument("--only", nargs="+", choices=KINDS, default=KINDS, help="these classes of nights")
    parser.add_argument(
        "--batches",
        type=int,
        default=0,
        metavar="N",
        help=f"watch the nights of {FROM_START!r} once more, after N sound batches of the same pot",
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--campaign", default="bench", help="a word that names another set of nights")
    parser.add_argument("--keep", type=Path, help="write each result to this file as soon as it is there")
    parser.add_argument("--tell", type=Path, nargs="+", help="only print the tables, of results kept before")
    args = parser.parse_args()
    if args.tell:
        print_tables(kept(args.tell))
        return
    peers.check()
    if not RECORDED.exists():
        print(
            f"without {RECORDED}: weather of typical years alone, so other nights than with it",
            file=sys.stderr,
        )
    plan = Plan(
        simulators=args.simulators,
        counts={kind: args.sound if kind == SOUND else args.nights for kind in args.only},
        without=args.sound if args.sound_none is None else args.sound_none,
        combinations=tuple(args.thermometers),
        campaign=args.campaign,
        batches=args.batches,
    )
    print_tables(run_all(plan.tasks(), args.jobs, args.keep))


def _combination(name: str) -> Combination:
    try:
        return combination_of(name)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{error}; join places with +, or give none") from None


if __name__ == "__main__":
    main()
