"""Wall times are corrected once the clock is set; the axis continues where it was."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from potvigil.model.events import AlarmId, BatchClosed, BatchOpened, Detail, EditEvent, Stage, StageEvent
from potvigil.model.reading import Sample
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store
from potvigil.record.tables import runs
from record_night import CLOSED, POT, UTC_S

WRONG_S = UTC_S - 5000.0  # Unix time less the axis, by a clock that was not set


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "record.db") as store:
        yield store


def keep(store: Store, t_s: float, utc_s: float | None) -> int:
    """Keep one of everything that has a wall time, at an instant; return the number of its batch."""
    store.append(POT, Sample(t_s, utc_s))
    number = store.open_batch(POT, BatchOpened(t_s, utc_s))
    store.add_event(POT, number, StageEvent(t_s, utc_s, Stage.FILLING))
    store.add_edit(number, EditEvent(t_s, utc_s, Detail.LABEL, "", "lens", "anna"))
    store.add_deliveries([DeliveryRow(t_s, utc_s, POT, AlarmId.LEAK, "Anna", "raised", None)])
    summary = replace(CLOSED.summary, start_s=t_s, start_utc_s=utc_s)
    closed = BatchClosed(t_s + 1.0, None if utc_s is None else utc_s + 1.0, summary)
    store.add_event(POT, number, closed)
    store.close_batch(number, closed)
    return number


def dated(store: Store, number: int) -> dict[str, float | None]:
    """Return every wall time written by `keep`, less its instant on the axis."""
    batch = store.batch(number)
    t_s = batch.start_t_s
    assert batch.summary is not None
    (sample,) = store.samples(POT, t_s, t_s)
    filling, closed = store.events(number)
    assert isinstance(closed, BatchClosed)
    (told,) = store.deliveries(POT, t_s, t_s)
    (edit,) = store.edits(number)
    columns = store._db.rows("SELECT t_s, utc_s FROM event WHERE batch = ? ORDER BY id", (number,))

    def ahead(utc_s: float | None, at_s: float = t_s) -> float | None:
        return None if utc_s is None else utc_s - at_s

    return {
        "sample": ahead(sample.utc_s),
        "event": ahead(filling.utc_s),
        "event's row": ahead(columns[0][1]),
        "closing": ahead(closed.utc_s, t_s + 1.0),
        "closing's row": ahead(columns[1][1], t_s + 1.0),
        "closing's begin": ahead(closed.summary.start_utc_s),
        "edit": ahead(edit.utc_s),
        "delivery": ahead(told.utc_s),
        "batch's begin": ahead(batch.start_utc_s),
        "batch's end": ahead(batch.end_utc_s, t_s + 1.0),
        "summary's begin": ahead(batch.summary.start_utc_s),
    }


def mend(store: Store, to_s: float, *, was_set: bool = False, boot: str = "boot-b") -> int:
    """Correct all times; return the number of steps."""
    return sum(1 for _ in store.mend_times(boot, to_s, UTC_S, was_set=was_set))


@pytest.mark.parametrize("known", [None, WRONG_S])
def test_everything_kept_with_a_wrong_wall_time_is_corrected(store: Store, known: float | None) -> None:
    def at(t_s: float) -> float | None:
        return None if known is None else known + t_s

    store.begin_run("{}", "boot-b", 1000.0, at(1000.0), None)
    first = keep(store, 1000.0, at(1000.0))
    last = keep(store, 2998.0, at(2998.0))
    later = keep(store, 3000.0, at(3000.0))
    assert mend(store, 3000.0) == 4  # 2000 s in steps of 600 s
    assert set(dated(store, first).values()) == set(dated(store, last).values()) == {UTC_S}
    # later times are unchanged
    untouched = dated(store, later)
    assert set(untouched.values()) == {known}
    assert store.runs()[0].start_utc_s == UTC_S + 1000.0
    assert mend(store, 3000.0) == 0  # nothing left to correct


def test_times_right_within_a_second_are_left_alone(store: Store) -> None:
    store.begin_run("{}", "boot-b", 1000.0, None, None)
    near = keep(store, 1000.0, UTC_S + 1000.0 + 0.9)
    far = keep(store, 2000.0, UTC_S + 2000.0 - 1.1)
    mend(store, 3000.0)
    assert all(ahead == pytest.approx(UTC_S + 0.9, abs=1e-3) for ahead in dated(store, near).values())
    assert set(dated(store, far).values()) == {UTC_S}


@pytest.mark.parametrize(("ahead_s", "steps"), [(0.9, 0), (-0.9, 0), (1.1, 2), (-1.1, 2)])
def test_a_run_that_started_with_the_right_time_needs_no_correction(
    store: Store, ahead_s: float, steps: int
) -> None:
    store.begin_run("{}", "boot-b", 1000.0, UTC_S + 1000.0 + ahead_s, None)
    keep(store, 1000.0, None)
    assert mend(store, 2000.0) == steps
    if not steps:  # unless the clock was set while it ran
        assert mend(store, 2000.0, was_set=True) == 2


def test_only_this_boot_is_corrected_from_its_first_wrong_run(store: Store) -> None:
    store.begin_run("{}", "boot-a", 0.0, None, None)
    before = keep(store, 500.0, None)
    store.begin_run("{}", "boot-b", 2000.0, UTC_S + 2000.0, None)
    right = keep(store, 2100.0, None)
    store.begin_run("{}", "boot-b", 3000.0, None, None)
    wrong = keep(store, 3100.0, None)
    mend(store, 4000.0)
    offset_s = store.runs()[1].axis_offset_s
    assert offset_s < 0.0  # the second boot continues where the first ended
    assert set(dated(store, before).values()) == {None}
    assert [run.start_utc_s is None for run in store.runs()] == [True, False, False]
    assert set(dated(store, wrong).values()) == {UTC_S}
    assert right


def test_an_interrupted_correction_is_finished_by_the_next_watch(store: Store) -> None:
    store.begin_run("{}", "boot-b", 1000.0, WRONG_S + 1000.0, None)
    first, last = keep(store, 1000.0, WRONG_S + 1000.0), keep(store, 2500.0, WRONG_S + 2500.0)
    steps = store.mend_times("boot-b", 3000.0, UTC_S, was_set=False)
    next(steps)
    assert store.runs()[0].start_utc_s is None  # so that the next watch knows
    (sample,) = store.samples(POT, 1000.0, 1000.0)
    assert sample.utc_s == UTC_S + 1000.0
    (sample,) = store.samples(POT, 2500.0, 2500.0)
    assert sample.utc_s == WRONG_S + 2500.0
    assert mend(store, 3000.0) == 4
    assert set(dated(store, first).values()) == set(dated(store, last).values()) == {UTC_S}


def test_a_correction_step_is_ten_minutes_of_the_axis() -> None:
    assert (runs.MEND_STEP_S, runs.CLOCK_STEP_S) == (600.0, 1.0)


# --- the axis


@pytest.mark.parametrize(
    ("boot", "boot_s", "utc_s", "starts_s", "gap_known"),
    [
        ("boot-a", 900.0, None, 900.0, True),  # the same boot, at the last instant
        ("boot-a", 899.9, None, 901.0, False),  # before it: impossible, so it continues after it
        ("boot-b", 20.0, UTC_S + 1000.0, 1000.0, True),
        ("boot-b", 20.0, UTC_S + 901.0, 901.0, True),
        ("boot-b", 20.0, UTC_S + 900.0, 901.0, True),  # no machine starts in less than a second
        ("boot-b", 20.0, UTC_S + 899.0, 901.0, False),  # a clock that ran backwards
        ("boot-b", 20.0, None, 901.0, False),
    ],
)
def test_the_axis_continues_from_the_last_instant(
    store: Store, boot: str, boot_s: float, utc_s: float | None, starts_s: float, gap_known: bool
) -> None:
    store.begin_run("{}", "boot-a", 100.0, UTC_S + 100.0, None)
    store.append(POT, Sample(900.0))
    store.flush()
    offset_s = store.begin_run("{}", boot, boot_s, utc_s, None)
    run = store.last_run()
    assert run is not None
    assert (run.start_t_s, run.axis_offset_s, run.gap_known) == (
        pytest.approx(starts_s),
        offset_s,
        gap_known,
    )
    assert boot_s + offset_s == pytest.approx(starts_s)


@pytest.mark.parametrize("what", ["sample", "of another pot", "event", "command", "run"])
def test_the_last_instant_is_that_of_the_newest_row_of_any_kind(store: Store, what: str) -> None:
    store.begin_run("{}", "boot-a", 100.0, None, None)
    store.append(POT, Sample(500.0))
    keepers: dict[str, Any] = {
        "sample": lambda: store.append(POT, Sample(700.0)),
        "of another pot": lambda: store.append("buoy", Sample(700.0)),
        "event": lambda: store.add_event(POT, None, StageEvent(700.0, None, Stage.OPEN)),
        "command": lambda: (store.add_edits(POT, {Detail.LABEL: ""}, "", None), store.take_commands(700.0)),
        "run": lambda: store.begin_run("{}", "boot-a", 700.0, None, None),
    }
    keepers[what]()
    store.flush()
    assert store.begin_run("{}", "boot-b", 0.0, None, None) == 701.0


def test_a_gap_is_computed_from_the_newest_dated_instant_of_the_run(store: Store) -> None:
    store.begin_run("{}", "boot-a", 0.0, 5.0, None)  # of another run: does not count for this one
    store.begin_run("{}", "boot-a", 100.0, None, None)
    store.append(POT, Sample(200.0, UTC_S))
    store.append("buoy", Sample(300.0, UTC_S + 150.0))
    store.append("mast", Sample(400.0, None))
    store.flush()
    # 300 s is UTC_S + 150, so 400 s is UTC_S + 250, and the machine was off for 50 s
    assert store.begin_run("{}", "boot-b", 0.0, UTC_S + 300.0, None) == pytest.approx(450.0)
