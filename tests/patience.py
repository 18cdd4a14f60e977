"""How long a test waits for what must happen: one figure for all, as it costs nothing where all is well.

A test that fails because the machine has other work to do says nothing about the program. So no test has a
time limit of its own (tests/test_import_rules.py).
"""

import time
from collections.abc import Callable
from typing import Any

PATIENCE_S = 600.0
PATIENCE_MS = PATIENCE_S * 1000.0


def wait_until(
    done: Callable[[], object],
    failure: str | Callable[[], str],
    pause: Callable[[float], object] = time.sleep,
) -> None:
    """Poll until `done`; after too long fail with the text. `pause` waits for some seconds."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not done():
        if time.monotonic() > deadline_s:
            raise AssertionError(failure() if callable(failure) else failure)
        pause(0.01)


def wait_in(page: Any, done: Callable[[], object], failure: str | Callable[[], str]) -> None:
    """Do the same while a browser's page goes on: its driver works only while it is asked to wait."""
    wait_until(done, failure, lambda seconds: page.wait_for_timeout(seconds * 1000.0))
