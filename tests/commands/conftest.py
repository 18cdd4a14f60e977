"""A verb that must end with a status, and what it printed."""

from collections.abc import Callable

import pytest

from program import run as run_program

Run = Callable[..., str]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Return a function that runs a verb and returns its output; an error is one line, and nothing else."""

    def call(*words: object, status: int = 0) -> str:
        ended, out, err = run_program(capsys, *words)
        assert ended == status, err
        assert status != 2 or (out == "" and err.count("\n") == 1)
        return err if status == 2 else out

    return call
