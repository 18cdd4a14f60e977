"""Runs tests against a copy of the tree, in a process forked from one that has loaded the libraries."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

# loaded once, not for every mutant; nothing of the project
_LIBRARIES = (
    "pytest",
    "numpy",
    "pydantic",
    "yaml",
    "hypothesis",
    "paho.mqtt.client",
    "rich.console",
    "sqlite3",
)

_TEAR_DOWN_S = 10.0


def load_libraries() -> None:
    """Load what the tests will import, before the forks."""
    for name in _LIBRARIES:
        __import__(name)


def copy_tree(root: Path, to: Path) -> None:
    """Copy what git knows of, and what it would add, as it stands on the disk."""
    listed = ["git", "-C", str(root), "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    for name in set(subprocess.run(listed, check=True, capture_output=True, text=True).stdout.split("\0")):
        if name and (root / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(root / name, to / name)


def passes(tree: Path, tests: list[str], limit_s: float) -> bool | None:
    """Return whether the tests pass in a tree, None where they took longer than limit_s."""
    child = os.fork()
    if child == 0:
        _run(tree, tests)
    status = _status_within(child, limit_s)
    if status is not None:
        _end(child)  # what the tests left running
        return status == 0
    # their fixtures stop what is in no group of theirs, such as a database
    os.kill(child, signal.SIGINT)
    has_ended = _status_within(child, _TEAR_DOWN_S) is not None
    _end(child)
    if not has_ended:
        os.waitpid(child, 0)
    return None


def _status_within(child: int, limit_s: float) -> int | None:
    """Return how a process ended, None where it still runs after limit_s."""
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        time.sleep(0.02)
    return None


def _end(group: int) -> None:
    try:
        os.killpg(group, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):
        return


def _run(tree: Path, tests: list[str]) -> None:
    code = 70
    try:
        os.setsid()
        os.chdir(tree)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        sys.dont_write_bytecode = True
        # the copy's own package before an installed one, here and in what the tests start
        sys.path[:0] = [str(tree / "daemon"), str(tree / "tests")]
        os.environ |= {"PYTHONPATH": str(tree / "daemon"), "PYTHONDONTWRITEBYTECODE": "1"}
        import pytest

        quiet = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--hypothesis-seed=0", "--tb=no"]
        code = int(pytest.main([*quiet, *tests]))
    finally:
        os._exit(code)
