"""Breaks lines of the code, one at a time, and says which of them no test noticed.

    .venv/bin/python tests/mutants                              # the lines changed since main~1
    .venv/bin/python tests/mutants watch sensing --sample 40    # rooms, or files, a sample of each
    .venv/bin/python tests/mutants daemon/potvigil/watch/stages.py --lines 190-220

Ends with 1 where a mutant survived that tests/mutants/accepted.tsv does not list.
"""

import argparse
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from itertools import groupby
from multiprocessing import Queue, get_context
from pathlib import Path
from random import Random

from mutations import Mutant, Site, make, sites_of
from rooms import ROOMS, files_of, room_of
from trial import copy_tree, load_libraries, passes

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
ACCEPTED = HERE / "accepted.tsv"
# the tests alone take so long at the least, and a mutant may take so many times as long as they do
LEAST_LIMIT_S, LIMIT_TIMES = 20.0, 5.0

_tree: Path  # of this worker


def main() -> int:
    """Run what the command line asks for; return the exit status."""
    asked = _arguments()
    wanted = _wanted(asked)
    sites = {room: _chosen(room, lines, asked) for room, lines in wanted.items()}
    load_libraries()
    results = {}
    with ExitStack() as stack:
        trees: Queue[Path] = get_context("fork").Queue()
        for _ in range(asked.processes):
            tree = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="mutants-")))
            copy_tree(ROOT, tree)
            trees.put(tree)
        pool = stack.enter_context(
            ProcessPoolExecutor(asked.processes, get_context("fork"), initializer=_begin, initargs=(trees,))
        )
        for room, chosen in sites.items():
            took_s = pool.submit(_sound, room).result()
            limit_s = max(LEAST_LIMIT_S, LIMIT_TIMES * took_s)
            made = [mutant for mutant in (make(ROOT, site) for site in chosen) if mutant is not None]
            print(f"{room}: {len(made)} mutants, tests take {took_s:.0f} s", file=sys.stderr, flush=True)
            tried = [(mutant, pool.submit(_survives, room, mutant, limit_s)) for mutant in made]
            results[room] = []
            for mutant, future in tried:
                results[room].append((mutant, future.result()))
                if future.result():
                    print(f"survived: {_said(mutant)}", file=sys.stderr, flush=True)
    return _print_table(results)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="tests/mutants", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "what", nargs="*", help=f"rooms ({', '.join(ROOMS)}) or files; without, changed lines"
    )
    parser.add_argument("--since", default="main~1", help="changed since this commit (%(default)s)")
    parser.add_argument("--sample", type=int, help="so many places a room, one change at each")
    parser.add_argument("--seed", default="1", help="of the sample (%(default)s)")
    parser.add_argument("--lines", help="of a file, as 190-220")
    parser.add_argument("--processes", type=int, choices=(1, 2), default=2)
    return parser.parse_args()


def _wanted(asked: argparse.Namespace) -> dict[str, dict[str, range | set[int] | None]]:
    """Return the files to break by room, each with the lines that may be broken, None for all."""
    lines = None
    if asked.lines:
        first, _, last = asked.lines.partition("-")
        lines = range(int(first), int(last or first) + 1)
    wanted: dict[str, dict[str, range | set[int] | None]] = {}
    changed = {} if asked.what else _changed_since(asked.since)
    for path in changed:
        room = room_of(path)
        if room is not None:
            wanted.setdefault(room, {})[path] = changed[path]
    for each in asked.what:
        if each in ROOMS:
            wanted.setdefault(each, {}).update(dict.fromkeys(files_of(ROOT, each)))
            continue
        path = Path(each).resolve()
        room = room_of(str(path.relative_to(ROOT))) if path.is_relative_to(ROOT) else None
        if room is None or not path.is_file():
            sys.exit(f"tests/mutants: {each} is neither a room ({', '.join(ROOMS)}) nor a file of one")
        wanted.setdefault(room, {})[str(path.relative_to(ROOT))] = lines
    return wanted


def _changed_since(commit: str) -> dict[str, set[int]]:
    diff = subprocess.run(
        ["git", "-C", str(ROOT), "diff", "--unified=0", "--no-color", commit, "--", "daemon/potvigil/*.py"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    changed: dict[str, set[int]] = {}
    path = ""
    for line in diff.splitlines():
        if line.startswith("+++ "):
            path = line.removeprefix("+++ b/")
        elif hunk := re.match(r"@@ -\S+ \+(\d+)(?:,(\d+))? @@", line):
            first, count = int(hunk[1]), int(hunk[2] or 1)
            changed.setdefault(path, set()).update(range(first, first + count))
    return {path: lines for path, lines in changed.items() if (ROOT / path).is_file()}


def _chosen(room: str, files: dict[str, range | set[int] | None], asked: argparse.Namespace) -> list[Site]:
    sites = [
        site
        for path, lines in files.items()
        for site in sites_of(ROOT, path)
        if lines is None or site.span[0][0] in lines
    ]
    if asked.sample is None:
        return sites
    # by place, so that what can be changed in many ways does not crowd out the rest
    random = Random(f"{asked.seed} {room}")
    places = [list(group) for _, group in groupby(sites, key=lambda site: (site.path, site.span))]
    taken = random.sample(range(len(places)), min(asked.sample, len(places)))
    return [random.choice(places[i]) for i in sorted(taken)]


def _begin(trees: "Queue[Path]") -> None:
    global _tree
    _tree = trees.get()


def _sound(room: str) -> float:
    """Run a room's tests on the code as it is; return what they take, s."""
    began = time.monotonic()
    if not passes(_tree, [*ROOMS[room]], 600.0):
        raise SystemExit(
            f"tests/mutants: the tests of {room} fail without any mutant: {' '.join(ROOMS[room])}"
        )
    return time.monotonic() - began


def _survives(room: str, mutant: Mutant, limit_s: float) -> bool:
    file = _tree / mutant.path
    sound = file.read_text()
    try:
        file.write_text(mutant.code)
        return passes(_tree, [*ROOMS[room]], limit_s) is True
    finally:
        file.write_text(sound)


def _print_table(results: dict[str, list[tuple[Mutant, bool]]]) -> int:
    accepted = {
        tuple(line.split("\t")[:3])
        for line in ACCEPTED.read_text().splitlines()
        if line and not line.startswith("#")
    }
    print("| room | mutants | killed | accepted | survived | killed, % |")
    print("|---|---|---|---|---|---|")
    left = []
    for room, tried in results.items():
        survived = [mutant for mutant, survives in tried if survives]
        new = [each for each in survived if (each.path, each.before, each.after) not in accepted]
        killed, known = len(tried) - len(survived), len(survived) - len(new)
        share = f"{100.0 * killed / len(tried):.0f}" if tried else "-"
        print(f"| {room} | {len(tried)} | {killed} | {known} | {len(new)} | {share} |")
        left += new
    for each in left:
        print(_said(each))
    return 1 if left else 0


def _said(mutant: Mutant) -> str:
    return f"{mutant.path}:{mutant.line}: {mutant.before}  ->  {mutant.after}"


if __name__ == "__main__":
    sys.exit(main())
