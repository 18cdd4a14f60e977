"""A rehearsed night, frozen at one moment."""

import os
from collections.abc import Iterator

import pytest

from paged import Watched, copied, shown
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench


@pytest.fixture(scope="session", autouse=True)
def not_nice(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A page renders its reports at the priority of the tests: niced, they would wait for all other tests."""
    program = tmp_path_factory.mktemp("not-nice") / "nice"
    program.write_text('#!/bin/sh\nshift 2\nexec "$@"\n', encoding="utf-8")  # after -n 10
    program.chmod(0o755)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PATH", str(program.parent), prepend=os.pathsep)
        yield


@pytest.fixture(scope="session")
def half_past_three(tmp_path_factory) -> Watched:
    """A fitting has leaked since two, and `floor-ahead` stands: half past three in the morning."""
    bench = Bench(NIGHTS["two-in-the-morning"], tmp_path_factory.mktemp("night"))
    bench.begin()
    bench.run_until(5.5 * 3600.0)
    bench.store.flush()
    return Watched(bench, bench.folder / "live.json", bench.record)


@pytest.fixture
def watched(half_past_three, tmp_path) -> Watched:
    """The same night with its own copy of the record and a fresh live file."""
    return copied(half_past_three, tmp_path)


@pytest.fixture
def client(watched, tmp_path):
    with shown(watched, tmp_path / "reports") as client:
        yield client
