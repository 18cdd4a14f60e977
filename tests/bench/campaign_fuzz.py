"""The long form of the fuzzing tests: every input from outside, for as long as it is given.

    .venv/bin/python tests/bench/campaign_fuzz.py --minutes 30
    .venv/bin/python tests/bench/campaign_fuzz.py --minutes 5 --only log archive --seed 7

A table: inputs tried, the slowest, memory gained between the first and the last third. What broke is printed
with the smallest input that breaks it; then the exit status is 1.
"""

import argparse
import gc
import logging
import os
import sys
import time
import traceback
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as seeded

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz_targets import Target, bounded, done, targets

IN_A_ROW = 200


def campaign(target: Target, seconds: float, seed: int) -> tuple[int, float, float, str | None]:
    """Return inputs tried, the slowest in s, kB gained over the later two thirds, and what broke."""
    tried, slowest_s = 0, 0.0
    sizes: list[tuple[float, int]] = []
    until_s = time.monotonic() + seconds

    def act(value: object) -> None:
        nonlocal tried, slowest_s
        begun_s = time.monotonic()
        with bounded():
            target.act(value)
        tried += 1
        slowest_s = max(slowest_s, time.monotonic() - begun_s)

    broke = None
    while time.monotonic() < until_s and broke is None:
        test = settings(
            max_examples=IN_A_ROW,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
            phases=[Phase.generate, Phase.shrink],
        )(given(target.inputs)(act))
        try:
            seeded(seed)(test)()
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            broke = "\n".join(map(said, getattr(error, "exceptions", [error])))
        seed += 1
        gc.collect()
        sizes.append((time.monotonic(), resident_bytes()))
    later = sizes[len(sizes) // 3 :]
    return tried, slowest_s, (later[-1][1] - later[0][1]) / 1e3, broke


def resident_bytes() -> int:
    """Return what this process takes of the machine's memory; tracing it would slow what is timed."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def said(error: BaseException) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    notes = " ".join(getattr(error, "__notes__", ()))
    return (
        f"{type(error).__name__}: {error}"[:400] + f"\n    {last.filename}:{last.lineno}\n    {notes[:600]}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=10.0, help="for all of them together")
    parser.add_argument("--only", nargs="*", default=None, metavar="TARGET")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    logging.getLogger("potvigil").setLevel(logging.ERROR)
    chosen = [each for each in targets() if args.only is None or each.name in args.only]
    print(f"{'input':<16} {'tried':>8} {'slowest s':>10} {'kB gained':>10}")
    failed = False
    for target in chosen:
        tried, slowest_s, gained_kb, broke = campaign(target, 60.0 * args.minutes / len(chosen), args.seed)
        print(f"{target.name:<16} {tried:>8} {slowest_s:>10.2f} {gained_kb:>10.0f}", flush=True)
        if broke is not None:
            failed = True
            print(f"  broke: {broke}", flush=True)
    done()
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
