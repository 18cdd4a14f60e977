"""The record gives back exactly what it was given, and its time axis never runs backwards."""

import itertools
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from potvigil.model.events import (
    Action,
    AlarmId,
    AlarmState,
    BatchOpened,
    Command,
    Detail,
    EditEvent,
    NoteEvent,
    NoteId,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.reading import Fault, Place, Sample, Sensor
from potvigil.record.errors import UnknownBatchError
from potvigil.record.rows import EditRow
from potvigil.record.store import Store
from potvigil.record.tables.ledger import SAMPLE_COMMIT_PERIOD_S
from record_night import CLOSED, POT, SUMMARY, UTC_S, alarm, night, sample

FINITE = st.floats(allow_nan=False, allow_infinity=False)
MAYBE = st.none() | FINITE
FAULTS = st.lists(
    st.builds(Fault, st.sampled_from(Sensor), st.text(), st.none() | st.sampled_from(Place)), max_size=3
).map(tuple)
SAMPLES = st.builds(Sample, FINITE, *[MAYBE] * 10, FAULTS)


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "record.db") as store:
        yield store


# --- samples


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(SAMPLES, min_size=1, max_size=20, unique_by=lambda s: s.t_s), st.integers(0, 10**9))
def test_samples_come_back_as_appended(store, samples, pot_number):
    pot = f"pot-{pot_number}-{next(_fresh)}"
    for one in samples:
        store.append(pot, one)
    store.flush()
    assert list(store.samples(pot, float("-inf"))) == sorted(samples, key=lambda s: s.t_s)


_fresh = itertools.count()


def test_samples_are_selected_by_pot_between_inclusive_times(store):
    lantern, buoy = night(9000), night(9000, seed=2)
    for a, b in zip(lantern, buoy, strict=True):
        store.append("lantern", a)
        store.append("buoy", b)
    store.flush()
    assert list(store.samples("lantern", lantern[10].t_s, lantern[8990].t_s)) == lantern[10:8991]
    assert list(store.samples("buoy", buoy[5000].t_s)) == buoy[5000:]
    assert store.last_sample("buoy") == buoy[-1]
    assert list(store.samples("beacon", 0.0)) == []
    assert store.last_sample("beacon") is None
    assert set(store.pots()) == {"lantern", "buoy"}


def test_a_repeated_instant_loses_no_other_sample(store):
    for t_s in (1.0, 2.0, 2.0, 3.0):
        store.append(POT, sample(t_s))
    store.flush()
    assert [s.t_s for s in store.samples(POT, 0.0)] == [1.0, 2.0, 3.0]


def test_samples_are_committed_once_a_period(tmp_path, store):
    with Store.open_read_only(store.path) as other:
        written = []
        for second in range(200):
            store.append(POT, sample(float(second)))
            store.commit_due(float(second))
            last = other.last_sample(POT)
            written.append(None if last is None else last.t_s)
    changes = [second for second in range(1, 200) if written[second] != written[second - 1]]
    assert written[0] == 0.0
    assert changes == [SAMPLE_COMMIT_PERIOD_S, 2 * SAMPLE_COMMIT_PERIOD_S, 3 * SAMPLE_COMMIT_PERIOD_S]


def test_an_event_is_written_with_the_samples_before_it(store):
    store.append(POT, sample(1.0))
    store.commit_due(1.0)
    store.append(POT, sample(2.0))
    batch_id = store.open_batch(POT, BatchOpened(1.0, None))
    store.add_event(POT, batch_id, StageEvent(2.0, None, Stage.FILLING))
    with Store.open_read_only(store.path) as other:
        assert [s.t_s for s in other.samples(POT, 0.0)] == [1.0, 2.0]
        assert other.events(batch_id) == [StageEvent(2.0, None, Stage.FILLING)]


def test_closing_writes_the_queue(tmp_path):
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.append(POT, sample(5.0))
    with Store.open_read_only(path) as store:
        assert list(store.samples(POT, 0.0)) == [sample(5.0)]


# --- batches and events


def test_a_batch_from_opening_to_verdict(store):
    store.begin_run("{}", "boot-a", 50.0, UTC_S, None)
    batch_id = store.open_batch(POT, BatchOpened(100.0, UTC_S + 50.0))
    row = store.open_batch_of(POT)
    assert row is not None and (row.id, row.pot_id, row.start_t_s) == (batch_id, POT, 100.0)
    assert (row.end_t_s, row.verdict, row.summary, row.rehearsed) == (None, None, None, None)
    events = [
        StageEvent(110.0, UTC_S, Stage.FILLING),
        NoteEvent(120.0, None, NoteId.TOP_UP, "topped up by 3 psi"),
        alarm(4900.0, AlarmState.UNACKNOWLEDGED, leak_rate_pa_per_s=0.9444, floor_forecast_s=40_210.0),
        alarm(5000.0, AlarmState.NORMAL),
    ]
    for event in events:
        store.add_event(POT, batch_id, event)
    store.close_batch(batch_id, CLOSED)
    assert store.events(batch_id) == events
    assert store.open_batch_of(POT) is None
    closed = store.batch(batch_id)
    assert (closed.verdict, closed.end_t_s, closed.end_utc_s) == (Verdict.LEAKED, CLOSED.t_s, CLOSED.utc_s)
    assert closed.summary is not None
    assert (closed.summary.leak, closed.summary.stages) == (SUMMARY.leak, SUMMARY.stages)
    assert closed.summary.alarms == SUMMARY.alarms and closed.summary.change == SUMMARY.change


def test_a_label_given_later_is_in_row_and_summary_with_its_author(store):
    batch_id = store.open_batch(POT, BatchOpened(100.0, None))
    store.add_edit(batch_id, EditEvent(130.0, None, Detail.LABEL, "", "lenses, blue", "button"))
    store.close_batch(batch_id, CLOSED)
    store.edit(batch_id, {Detail.LABEL: "lenses, green", Detail.NOTE: "two bubbles"}, "anna", UTC_S)
    store.edit(batch_id, {Detail.LABEL: "lenses, green"}, "page", UTC_S)  # already set
    row = store.batch(batch_id)
    assert row.summary is not None
    assert (row.label, row.note) == (row.summary.label, row.summary.note) == ("lenses, green", "two bubbles")
    assert store.edits(batch_id) == [
        EditRow(Detail.LABEL, "", "lenses, blue", "button", 130.0, None),
        EditRow(Detail.LABEL, "lenses, blue", "lenses, green", "anna", None, UTC_S),
        EditRow(Detail.NOTE, "", "two bubbles", "anna", None, UTC_S),
    ]


def test_a_summary_older_than_details_is_readable(store):
    batch_id = store.open_batch(POT, BatchOpened(100.0, None))
    store.close_batch(batch_id, CLOSED)
    with sqlite3.connect(store.path) as db:
        (text,) = db.execute("SELECT summary FROM batch").fetchone()
        old = {"label": "as it was", "note": ""} | json.loads(text)
        del old["details"]
        db.execute("UPDATE batch SET summary = ?", (json.dumps(old),))
    db.close()
    assert store.batch(batch_id).summary == replace(SUMMARY, details={})


def test_batches_are_returned_newest_first(store):
    ids = [store.open_batch(pot, BatchOpened(float(i), None)) for i, pot in enumerate(["a", "b", "a", "a"])]
    assert [b.id for b in store.batches()] == ids[::-1]
    assert [b.id for b in store.batches("a", limit=2)] == [ids[3], ids[2]]
    assert store.batches("c") == []


def test_an_unknown_batch_is_an_error_listing_the_existing_ones(store):
    with pytest.raises(UnknownBatchError, match=r"no batch 7.*no batch yet"):
        store.batch(7)
    store.open_batch(POT, BatchOpened(0.0, None))
    store.open_batch(POT, BatchOpened(1.0, None))
    with pytest.raises(LookupError, match=r"no batch 7.*batches 1 to 2"):
        store.edit(7, {Detail.LABEL: "x"}, "anna", None)
    assert store.batch(2).label == ""


def test_active_alarms_come_from_the_latest_event_of_each(store):
    floor = AlarmId.FLOOR_AHEAD
    for pot, event in [
        ("a", alarm(1.0, AlarmState.UNACKNOWLEDGED)),
        ("a", alarm(2.0, AlarmState.UNACKNOWLEDGED, floor)),
        ("b", alarm(2.5, AlarmState.UNACKNOWLEDGED)),
        ("a", alarm(3.0, AlarmState.ACKNOWLEDGED)),
        ("b", alarm(4.0, AlarmState.NORMAL)),
        ("a", alarm(5.0, AlarmState.RETURNED, floor)),
        ("a", alarm(6.0, AlarmState.SHELVED)),
    ]:
        store.add_event(pot, None, event)
    assert store.standing_alarms() == [
        ("a", alarm(5.0, AlarmState.RETURNED, floor)),
        ("a", alarm(6.0, AlarmState.SHELVED)),
    ]


@pytest.mark.parametrize(
    ("states", "is_unseen"),
    [
        ([], False),
        ([AlarmState.UNACKNOWLEDGED], True),
        ([AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED], True),
        ([AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED], False),
        ([AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.NORMAL], False),
    ],
)
def test_a_closed_batch_is_replayed_only_while_an_alarm_is_unacknowledged(store, states, is_unseen):
    store.add_event(
        POT, None, alarm(5.0, AlarmState.UNACKNOWLEDGED, AlarmId.TEST)
    )  # before the batch: not part of it
    batch_id = store.open_batch(POT, BatchOpened(100.0, None))
    assert store.latest_unseen_batch(POT) == store.batch(batch_id)
    for i, state in enumerate(states):
        store.add_event(POT, batch_id, alarm(200.0 + i, state))
    store.add_event("buoy", None, alarm(300.0, AlarmState.UNACKNOWLEDGED))
    store.close_batch(batch_id, CLOSED)
    unseen = store.latest_unseen_batch(POT)
    assert (unseen is not None) is is_unseen
    assert store.latest_unseen_batch("beacon") is None


# --- commands


def test_commands_are_taken_once_in_order_and_can_be_replayed(store):
    with Store.open(store.path) as page:
        page.add_command(POT, Action.EDIT, UTC_S, text="lenses", by="page", field=Detail.LABEL)
        page.add_command("buoy", Action.ACKNOWLEDGE, UTC_S, alarm=AlarmId.LEAK, by="anna")
        page.add_command(POT, Action.SHELVE, None, alarm=AlarmId.THERMOMETER, duration_s=3600.0)
    label = Command(Action.EDIT, 10.0, None, "lenses", None, "page", Detail.LABEL)
    shelve = Command(Action.SHELVE, 10.0, AlarmId.THERMOMETER, "", 3600.0, "")
    assert store.take_commands(10.0) == [
        (POT, label),
        ("buoy", Command(Action.ACKNOWLEDGE, 10.0, AlarmId.LEAK, "", None, "anna")),
        (POT, shelve),
    ]
    assert store.take_commands(11.0) == []
    store.add_command(POT, Action.CLOSE, UTC_S)
    close = Command(Action.CLOSE, 12.0)
    assert store.take_commands(12.0) == [(POT, close)]
    assert store.commands(POT, 10.0, 12.0) == [label, shelve, close]
    assert store.commands(POT, 10.5) == [close]


# --- the axis


def last_run(store):
    return store.runs()[-1]


def test_the_first_run_starts_the_axis_at_boot(store):
    assert store.begin_run('{"a": 1}', "boot-a", 37.5, UTC_S, "slow-leak") == 0.0
    run = last_run(store)
    assert (run.boot_id, run.start_t_s, run.start_utc_s, run.settings_json) == (
        "boot-a",
        37.5,
        UTC_S,
        '{"a": 1}',
    )
    assert (run.rehearsed, run.gap_known) == ("slow-leak", True)
    batch_id = store.open_batch(POT, BatchOpened(40.0, UTC_S))
    assert store.rehearsed(batch_id) == "slow-leak"


def begin_with_last_sample(store, t_s, utc_s):
    store.begin_run("{}", "boot-a", 30.0, None if utc_s is None else utc_s - (t_s - 30.0), None)
    store.append(POT, Sample(t_s, utc_s, transducer_count=1.0))
    store.flush()


def test_the_offset_is_constant_within_a_boot(store):
    begin_with_last_sample(store, 500.0, UTC_S)
    assert store.begin_run("{}", "boot-a", 503.0, UTC_S + 9999.0, None) == 0.0
    assert last_run(store).gap_known


def test_after_a_reboot_the_gap_is_taken_from_utc(store):
    begin_with_last_sample(store, 500.0, UTC_S)
    offset_s = store.begin_run("{}", "boot-b", 20.0, UTC_S + 300.0, None)
    assert 20.0 + offset_s == pytest.approx(800.0)
    assert last_run(store).gap_known


def test_a_sample_without_utc_is_dated_by_its_run(store):
    store.begin_run("{}", "boot-a", 30.0, None, None)
    store.add_event(POT, None, StageEvent(400.0, UTC_S, Stage.OPEN))
    store.append(POT, Sample(500.0, None))
    store.flush()
    offset_s = store.begin_run("{}", "boot-b", 20.0, UTC_S + 300.0, None)
    assert 20.0 + offset_s == pytest.approx(700.0)  # 100 s after the event plus 200 s off


@pytest.mark.parametrize(
    ("stored_utc_s", "now_utc_s"), [(None, UTC_S), (UTC_S, None), (None, None), (UTC_S, UTC_S - 86_400.0)]
)
def test_after_an_unknown_gap_the_axis_continues_at_once_and_says_so(store, stored_utc_s, now_utc_s):
    begin_with_last_sample(store, 500.0, stored_utc_s)
    offset_s = store.begin_run("{}", "boot-b", 20.0, now_utc_s, None)
    assert 500.0 < 20.0 + offset_s <= 502.0
    assert not last_run(store).gap_known


def test_the_axis_continues_after_a_command_taken_after_the_last_sample(store):
    begin_with_last_sample(store, 500.0, UTC_S)
    store.add_command(POT, Action.CLOSE, UTC_S)
    store.take_commands(540.0)
    assert 20.0 + store.begin_run("{}", "boot-b", 20.0, None, None) > 540.0


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["boot-a", "boot-b"]),
            st.floats(0.0, 1e6),
            st.none() | st.floats(UTC_S - 1e6, UTC_S + 1e6),
            st.floats(0.0, 1e5),
        ),
        min_size=2,
        max_size=6,
    )
)
def test_the_axis_never_runs_backwards(tmp_path, starts):
    with Store.open(tmp_path / f"{next(_fresh)}.db") as store:
        last_t_s = float("-inf")
        for boot_id, boot_s, utc_s, lasted_s in starts:
            t_s = boot_s + store.begin_run("{}", boot_id, boot_s, utc_s, None)
            assert t_s >= last_t_s
            last_t_s = t_s + lasted_s
            store.append(POT, Sample(last_t_s, None if utc_s is None else utc_s + lasted_s))
            store.flush()


def test_a_path_with_odd_characters_is_not_read_as_a_uri(tmp_path):
    path = Path(tmp_path / "a?mode=memory #1%20.db")
    with Store.open(path) as store:
        store.append(POT, sample(1.0))
    assert path.stat().st_size > 0
