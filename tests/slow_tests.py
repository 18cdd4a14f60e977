"""Which tests `bash tests/run --quick` leaves out: those that took longest when all were run.

    bash tests/run --durations=0 --durations-min=0.05 | tee durations.txt
    .venv/bin/python tests/slow_tests.py durations.txt     # rewrites slow_tests.txt

A file whose fixtures take long is left out entirely, as another of its tests would need them.
"""

import re
import sys
from collections import Counter
from pathlib import Path

LIST = Path(__file__).with_suffix(".txt")
_LINE = re.compile(r"([0-9.]+)s (call|setup|teardown) +([^:\s]+)::([^\[\s]+)")
_OF_FIXTURES_S, _OF_A_TEST_S = 0.6, 0.3


def slow() -> frozenset[str]:
    """Return the tests left out: files, and tests as file::name."""
    return frozenset(LIST.read_text(encoding="utf-8").split())


def found_slow(durations: str) -> list[str]:
    """Return the slow tests by pytest's own list of durations."""
    fixtures_s: Counter[str] = Counter()
    calls_s: Counter[tuple[str, str]] = Counter()
    for seconds, phase, file, name in _LINE.findall(durations):
        if phase == "call":
            calls_s[file, name] += float(seconds)
        else:
            fixtures_s[file] += float(seconds)
    files = {file for file, seconds in fixtures_s.items() if seconds > _OF_FIXTURES_S}
    tests = [
        f"{file}::{name}" for (file, name), s in calls_s.items() if s > _OF_A_TEST_S and file not in files
    ]
    return sorted([*files, *tests])


if __name__ == "__main__":
    LIST.write_text(
        "\n".join(found_slow(Path(sys.argv[1]).read_text(encoding="utf-8"))) + "\n", encoding="utf-8"
    )
