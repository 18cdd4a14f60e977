"""Unwritten samples are spooled in memory for the next watch of the same boot."""

import errno
import logging
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from potvigil.model.reading import Fault, Sample, Sensor
from potvigil.record import spool
from potvigil.record.rows import RunRow
from potvigil.record.spool import Unwritten
from potvigil.record.store import Store
from record_night import POT

RUN = RunRow(3, "boot-a", 100.0, 40.0, None, "{}", None, "1", True)
FULL = Sample(*(float(n) for n in range(200, 211)), (Fault(Sensor.BAROMETER, "no änswer"),))


@pytest.fixture
def unwritten(tmp_path: Path) -> Iterator[Unwritten]:
    kept = Unwritten(tmp_path / "unwritten")
    kept.begin(RUN)
    yield kept
    kept.close()


def left(kept: Unwritten, run: RunRow = RUN) -> list[tuple[str, Sample]]:
    return Unwritten(kept.path).left_by(run)


def test_spooled_samples_come_back_complete_until_dropped(unwritten: Unwritten) -> None:
    head = unwritten.path.read_bytes()
    unwritten.add(POT, FULL)
    unwritten.add("buoy", Sample(100.0))
    assert left(unwritten) == [(POT, FULL), ("buoy", Sample(100.0))]
    unwritten.drop()
    assert unwritten.path.read_bytes() == head and left(unwritten) == []
    unwritten.add(POT, FULL)
    assert left(unwritten) == [(POT, FULL)]
    assert stat.S_IMODE(unwritten.path.stat().st_mode) == 0o600
    unwritten.begin(RUN)
    assert left(unwritten) == []


@pytest.mark.parametrize(
    "other",
    [
        (4, "boot-a", 100.0, 40.0),
        (3, "boot-b", 100.0, 40.0),
        (3, "boot-a", 101.0, 40.0),
        (3, "boot-a", 100.0, 41.0),
    ],
)
def test_the_spool_of_another_run_is_ignored(unwritten: Unwritten, other: tuple[Any, ...]) -> None:
    unwritten.add(POT, FULL)
    assert left(unwritten, RunRow(*other, None, "{}", None, "1", True)) == []


@pytest.mark.parametrize(
    "line",
    [
        "{",
        "7",
        '["lantern"]',
        "[7,100,null,null,null,null,null,null,null,null,null,null,null]",
        '["lantern",100,null,null,null,null,null,null,null,null,null,null]',  # one too few
        '["lantern",99.9,null,null,null,null,null,null,null,null,null,null,null]',  # before the run
        '["lantern",null,null,null,null,null,null,null,null,null,null,null,null]',
        '["lantern",Infinity,null,null,null,null,null,null,null,null,null,null,null]',
        '["lantern",100,NaN,null,null,null,null,null,null,null,null,null,null]',
        '["lantern",100,"x",null,null,null,null,null,null,null,null,null,null]',
        '["lantern",100,null,null,null,null,null,null,null,null,null,null,7]',
        '["lantern",100,null,null,null,null,null,null,null,null,null,null,"[[1]]"]',
        "[" * 100_000,
    ],
)
def test_an_invalid_spool_line_is_skipped(unwritten: Unwritten, line: str) -> None:
    with unwritten.path.open("a") as more:
        more.write(f"{line}\n")
    unwritten.add(POT, FULL)
    assert left(unwritten) == [(POT, FULL)]


@pytest.mark.parametrize(
    "text", ["", "{", "[" * 100_000, '{"format": 1, "run": [3, "boot-a", 100.0, 40.0]}\n']
)
def test_a_foreign_file_is_ignored(tmp_path: Path, text: str) -> None:
    (tmp_path / "unwritten").write_text(text)
    assert left(Unwritten(tmp_path / "unwritten")) == []
    assert left(Unwritten(tmp_path / "none")) == []


def test_the_spool_is_bounded_in_size(unwritten: Unwritten, monkeypatch: pytest.MonkeyPatch) -> None:
    assert spool._LARGEST_BYTES == 16_000_000
    unwritten.add(POT, FULL)
    monkeypatch.setattr(spool, "_LARGEST_BYTES", unwritten.path.stat().st_size)
    unwritten.add(POT, FULL)  # the last that fits
    unwritten.add(POT, FULL)
    assert len(left(unwritten)) == 2
    unwritten.drop()
    unwritten.add(POT, FULL)
    assert len(left(unwritten)) == 1
    monkeypatch.setattr(spool, "_LARGEST_BYTES", unwritten.path.stat().st_size // 2 - 1)
    assert left(unwritten) == []  # a file twice the limit is not even read


@pytest.mark.parametrize("fails", ["make_new", "write", "ftruncate"])
def test_a_failing_spool_is_reported_once_and_done_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, fails: str
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    kept = Unwritten(tmp_path / "unwritten")
    if fails != "make_new":
        kept.begin(RUN)
    with caplog.at_level(logging.WARNING), monkeypatch.context() as failing:
        failing.setattr(spool if fails == "make_new" else spool.os, fails, refused)
        if fails == "make_new":
            kept.begin(RUN)
        for _ in range(2):
            kept.add(POT, FULL)
            kept.drop()
    (said,) = caplog.records
    assert "cannot be written (No space left on device): if the watch is killed" in said.getMessage()
    kept.begin(RUN)  # the next run tries again
    kept.add(POT, FULL)
    assert left(kept) == [(POT, FULL)]
    kept.close()
    kept.close()  # may be repeated


@pytest.mark.parametrize(("boot", "is_taken_back"), [("boot-a", True), ("boot-b", False)])
def test_the_next_watch_of_the_same_boot_recovers_unwritten_samples(
    tmp_path: Path, boot: str, is_taken_back: bool
) -> None:
    memory, path = tmp_path / "unwritten", tmp_path / "record.db"
    killed = Store.open_for_watch(path, unwritten=memory)
    killed.begin_run("{}", "boot-a", 100.0, None, None)  # the first run: nothing to recover
    killed.append(POT, FULL)
    killed.let_go()  # as the kernel does
    with Store.open_for_watch(path, unwritten=memory) as store:
        assert list(store.samples(POT, 0.0)) == []
        store.begin_run("{}", boot, 300.0, None, None)
        store.append(POT, Sample(1000.0))
        assert list(store.samples(POT, 0.0)) == ([FULL] if is_taken_back else [])
        last = store.last_run()
        assert last is not None and left(Unwritten(memory), last) == [(POT, Sample(1000.0))]
    assert memory.read_bytes().count(b"\n") == 1
    killed._samples.clear()
    killed.close()


def test_samples_the_disk_refuses_stay_spooled_for_the_next_run(tmp_path: Path) -> None:
    memory, path = tmp_path / "unwritten", tmp_path / "folder" / "record.db"
    with Store.open_for_watch(path, unwritten=memory) as store:
        store.append(POT, FULL)  # before any run: only in memory
        store.begin_run("{}", "boot-a", 100.0, None, None)
        run = RunRow(1, "boot-a", 100.0, 0.0, None, "{}", None, "1", True)
        assert left(Unwritten(memory), run) == [(POT, FULL)]
        path.parent.mkdir()


def test_non_ascii_letters_count_by_their_bytes(unwritten: Unwritten) -> None:
    unwritten.add(POT, FULL)
    assert "no änswer".encode() in unwritten.path.read_bytes()
