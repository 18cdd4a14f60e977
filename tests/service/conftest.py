"""A started service that only records what it is given; see stepped_loop.py."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from stepped_loop import Steps


@pytest.fixture
def steps(tmp_path: Path) -> Iterator[Steps]:
    steps = Steps(tmp_path)
    steps.start()
    yield steps
    steps.store.close()
