"""When the queue is written: every minute, after a refusal every ten seconds; and what it may hold."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from potvigil.record.errors import UnwritableRecordError
from potvigil.record.store import Store
from potvigil.record.tables import ledger
from record_night import POT, sample


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "record.db") as store:
        yield store


@pytest.fixture
def flushes(store: Store, monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Record every flush; refuse it while the last entry of the list says so."""
    tried: list[bool] = []
    flush = store.flush

    def counted() -> None:
        tried.append(refuse[0])
        if refuse[0]:
            store._failure = UnwritableRecordError("disk full")
            raise store._failure
        flush()

    monkeypatch.setattr(store, "flush", counted)
    refuse = [False]
    store.refuse = refuse  # type: ignore[attr-defined]
    yield tried
    refuse[0] = False


def ticks(store: Store, from_s: int, to_s: int) -> list[int]:
    """Commit once a second; return the seconds in which the record reports a failure."""
    failing = []
    for t_s in range(from_s, to_s):
        try:
            store.commit_due(float(t_s))
        except UnwritableRecordError:
            failing.append(t_s)
    return failing


def test_samples_are_written_once_a_minute(store: Store, flushes: list[bool]) -> None:
    assert ticks(store, 0, 59) == []
    assert len(flushes) == 1  # the first at once
    ticks(store, 59, 60)
    assert len(flushes) == 1
    ticks(store, 60, 61)
    assert len(flushes) == 2
    ticks(store, 61, 180)
    assert len(flushes) == 3


def test_a_refused_write_is_retried_every_ten_seconds_and_reported_every_tick(
    store: Store, flushes: list[bool]
) -> None:
    store.refuse[0] = True  # type: ignore[attr-defined]
    assert ticks(store, 0, 35) == list(range(35))
    assert len(flushes) == 4  # at 0, 10, 20 and 30
    store.refuse[0] = False  # type: ignore[attr-defined]
    assert ticks(store, 35, 101) == [35, 36, 37, 38, 39]
    assert len(flushes) == 6  # at 40, and a minute later


def test_the_queue_holds_twelve_hours_of_one_pot() -> None:
    assert ledger.BUFFER_SAMPLES == 12 * 3600
    assert ledger.BUFFER_TRACES == 12 * 60 * 6
    assert ledger.TRACE_PERIOD_S == 60.0


def test_the_oldest_samples_are_dropped_once_the_disk_refuses_for_too_long(
    store: Store, flushes: list[bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    for t_s in range(ledger.BUFFER_SAMPLES + 3):
        store._samples.append((POT, sample(float(t_s))))
    assert store._samples[0][1].t_s == 3.0
