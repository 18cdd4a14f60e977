"""The fuzzing of campaign_fuzz.py led by coverage: an input that reaches a new branch is built upon.

    .venv/bin/pip install -e '.[test,bench]'
    .venv/bin/python tests/bench/campaign_guided.py --minutes 30
    .venv/bin/python tests/bench/campaign_guided.py --minutes 5 --only settings-text log

A table: inputs run, branches of the program that the first thousand reached and all of them, the slowest, the
most memory. What broke is printed; then the exit status is 1. Each input has a process of its own (atheris,
which is libFuzzer for Python, ends its own).
"""

import argparse
import logging
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1]))

SLOWEST_S, MOST_MB, SEEDS = 10, 500, 300


def fuzz(name: str, seconds: int, seed: int) -> None:
    """Fuzz one input in this process; does not return."""
    import atheris

    with atheris.instrument_imports(include=["potvigil"]):
        import fuzz_targets
    from hypothesis import HealthCheck, given, settings

    logging.getLogger("potvigil").setLevel(logging.ERROR)
    (target,) = (each for each in fuzz_targets.targets() if each.name == name)

    @settings(database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(target.inputs)
    def act(value: object) -> None:
        target.act(value)

    fuzz_targets.night()  # made once, before the clock runs
    corpus, random = Path("corpus"), Random(seed)  # from nothing at all it would take an hour to get anywhere
    corpus.mkdir()
    for number in range(SEEDS):
        (corpus / str(number)).write_bytes(random.randbytes(2 ** random.randrange(4, 12)))
    limits = [f"-max_total_time={seconds}", f"-timeout={SLOWEST_S}", f"-rss_limit_mb={MOST_MB}"]
    options = [f"-seed={seed}", "-len_control=0", "-max_len=4096", "-print_final_stats=1"]
    atheris.Setup([sys.argv[0], *limits, *options, str(corpus)], act.hypothesis.fuzz_one_input)
    atheris.Fuzz()


def row(name: str, said: str) -> str:
    branches = [(int(at), int(n)) for at, n in re.findall(r"#(\d+)\s+\w+\s+cov: (\d+)", said)]
    early = max((n for at, n in branches if at <= 1000), default=0)
    last = max((n for _, n in branches), default=0)
    run, slowest_s, most_mb = (
        int(found[1]) if (found := re.search(rf"stat::{stat}:\s+(\d+)", said)) else 0
        for stat in ("number_of_executed_units", "slowest_unit_time_sec", "peak_rss_mb")
    )
    return f"{name:<16} {run:>8} {early:>9} {last:>9} {slowest_s:>10} {most_mb:>8}"


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=10.0, help="for all of them together")
    parser.add_argument("--only", nargs="*", default=None, metavar="TARGET")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--in-this-process", nargs=2, metavar=("TARGET", "SECONDS"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.in_this_process:
        name, seconds = args.in_this_process
        fuzz(name, int(seconds), args.seed)
    from fuzz_targets import targets

    names = [each.name for each in targets() if args.only is None or each.name in args.only]
    print(f"{'input':<16} {'run':>8} {'at first':>9} {'branches':>9} {'slowest s':>10} {'most MB':>8}")
    failed = False
    for name in names:
        seconds = max(1, int(60.0 * args.minutes / len(names)))
        command = [
            sys.executable,
            __file__,
            "--in-this-process",
            name,
            str(seconds),
            "--seed",
            str(args.seed),
        ]
        with tempfile.TemporaryDirectory() as folder:  # it tidies up nothing when it ends
            surroundings = os.environ | {"TMPDIR": folder}
            ran = subprocess.run(command, cwd=folder, env=surroundings, capture_output=True, check=False)
        said = ran.stderr.decode(errors="replace") + ran.stdout.decode(errors="replace")
        print(row(name, said), flush=True)
        if ran.returncode:
            failed = True
            print(f"  broke: {said[said.find('=== Uncaught') :][:3000]}", flush=True)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
