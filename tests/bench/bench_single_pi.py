"""What a Pi without a studio pays for one: its watch, side by side with that of another checkout.

    git worktree add --detach BEFORE f617fe6d        # the last commit before the studio
    .venv/bin/python tests/bench/bench_single_pi.py --before BEFORE --hours 3 --times 9

Each figure is the median over processes that take turns, so that what else the machine does falls on both
alike; time is CPU time. The watch is rehearsed at 1 Hz, with its simulator and record.
"""

import argparse
import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from statistics import median
from typing import Any

HERE = Path(__file__).parents[2]
OF_THE_STUDIO = ("sqlalchemy", "psycopg", "alembic", "potvigil.studio")
_START = """
import json, sys, time
import potvigil.cli, potvigil.commands.watch, potvigil.service.wiring, potvigil.service.loop
import potvigil.commands.arguments
print(json.dumps({"start, ms of CPU": 1e3 * time.process_time(), "modules at the start": len(sys.modules)}))
"""
_NIGHT = """
import json, pathlib, resource, sys, tempfile, time
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench
import potvigil.commands.watch
with tempfile.TemporaryDirectory() as folder:
    bench = Bench(NIGHTS["sound"], pathlib.Path(folder), sample_period_s=1.0)
    bench.begin()
    bench.run_until(3600.0 * {hours})
    rss = int(pathlib.Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()
    bench.service.stop()
    print(json.dumps({{
        "memory of the watch, MB": rss / 1e6,
        "an hour of it, s of CPU": time.process_time() / {hours},
        "its record, kB": bench.record.stat().st_size / 1e3,
        "modules of the watch": len(sys.modules),
        "of the studio": [each for each in {studio} if each in sys.modules],
    }}))
"""


def measured(checkout: Path, source: str) -> dict[str, Any]:
    """Run a piece of Python on a checkout, and return what it prints."""
    paths = os.pathsep.join(map(str, (checkout / "daemon", checkout / "tests")))
    env = os.environ | {"PYTHONPATH": paths}
    done = subprocess.run([sys.executable, "-c", source], env=env, check=True, stdout=subprocess.PIPE)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def dependencies(checkout: Path) -> list[str]:
    """Return what the plain install asks for."""
    project = tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return sorted(project["dependencies"])


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--before", type=Path, required=True, help="the other checkout")
    parser.add_argument("--hours", type=float, default=3.0, help="of the night")
    parser.add_argument("--times", type=int, default=9)
    args = parser.parse_args()
    checkouts = (args.before, HERE)
    night = _NIGHT.format(hours=args.hours, studio=OF_THE_STUDIO)
    for source, times in ((_START, 3 * args.times), (night, args.times)):
        runs: list[list[dict[str, Any]]] = [[], []]
        for number in range(times):
            for which in (0, 1) if number % 2 else (1, 0):
                runs[which].append(measured(checkouts[which], source))
        for name in runs[0][0]:
            if name == "of the studio":
                print(f"{name}: {runs[0][0][name]} before, {runs[1][0][name]} now")
                continue
            was, now = (sorted(each[name] for each in of) for of in runs)
            print(
                f"{name}: {median(was):.1f} ({was[0]:.1f} to {was[-1]:.1f}) before, "
                f"{median(now):.1f} ({now[0]:.1f} to {now[-1]:.1f}) now",
                flush=True,
            )
    same = dependencies(args.before) == dependencies(HERE)
    print(f"dependencies of the plain install: {'the same' if same else 'others'}, {dependencies(HERE)}")


if __name__ == "__main__":
    main()
