"""Each row comes back complete: every column from its own field, without rows of other pots or batches."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil import __version__
from potvigil.model.events import (
    LAST_BATCH,
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    Answer,
    BatchClosed,
    BatchOpened,
    Command,
    Detail,
    EditEvent,
    Interval,
    NoteEvent,
    Outcome,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.maintenance import Care, Part
from potvigil.model.reading import Fault, Place, Sample, Sensor
from potvigil.record.codec import (
    KINDS,
    event_from_text,
    faults_from_text,
    faults_to_text,
    found_to_text,
    readings_from_text,
    readings_to_text,
    summary_from_text,
    to_text,
)
from potvigil.record.errors import RefusedError, UnknownBatchError
from potvigil.record.requests.detail_input import given_details, habits_of
from potvigil.record.rows import (
    AskedRow,
    BatchRow,
    CareRow,
    DeliveryRow,
    EditRow,
    LeakRow,
    ListedBatch,
    RunRow,
    TaughtRow,
    TraceRow,
)
from potvigil.record.store import Store
from potvigil.record.tables import commands, samples
from record_night import CLOSED, POT, SUMMARY, UTC_S, sample

LEAK = Interval(0.01, 0.005, 0.02)


@pytest.fixture
def store(tmp_path: Path) -> Any:
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run('{"workshop":"harbour"}', "boot-a", 50.0, UTC_S, "slow-leak")
        yield store


# --- texts


EVENTS = st.one_of(
    *(st.from_type(kind) for kind in (StageEvent, AlarmEvent, NoteEvent, EditEvent, BatchOpened, BatchClosed))
)


def of_numbers(value: Any) -> bool:
    """Return whether it has neither NaN nor infinity, which no event of ours has."""
    return not any(word in json.dumps(to_text(value)) for word in ("NaN", "Infinity"))


@settings(max_examples=150, derandomize=True, deadline=None, database=None)
@given(event=EVENTS.filter(of_numbers))
def test_an_event_survives_a_round_trip_through_text(event: Any) -> None:
    assert event_from_text(KINDS[type(event)], to_text(event)) == event
    if isinstance(event, BatchClosed):
        assert summary_from_text(to_text(event.summary)) == event.summary


def test_unknown_fields_of_a_later_version_are_ignored() -> None:
    text = json.dumps(json.loads(to_text(SUMMARY)) | {"colour": "red"})
    assert summary_from_text(text) == SUMMARY
    closed = json.loads(to_text(CLOSED))
    closed["summary"]["leak"]["sigma"] = 0.1
    assert event_from_text("batch-closed", json.dumps(closed)) == CLOSED


def test_a_missing_field_takes_its_default_and_a_missing_required_one_is_an_error() -> None:
    text = json.loads(to_text(SUMMARY))
    del text["known_from"], text["details"]
    assert summary_from_text(json.dumps(text)) == replace(SUMMARY, details={}, known_from=0)
    del text["cure"]
    with pytest.raises(TypeError):
        summary_from_text(json.dumps(text))


def test_faults_are_written_with_their_place_if_any() -> None:
    faults = Fault(Sensor.THERMOMETER, "lost", Place.WALL), Fault(Sensor.BAROMETER, "käputt")
    text = '[["thermometer","lost","wall"],["barometer","käputt"]]'
    assert (faults_to_text(faults), faults_from_text(text)) == (text, faults)
    assert (faults_to_text(()), faults_from_text(None)) == (None, ())


def test_readings_of_a_test_are_rounded_to_what_a_wire_resolves() -> None:
    first = Sample(
        *(1000.06, UTC_S),
        gauge_pa=413_685.6,
        gas_c=20.12349,
        wall_c=21.98765,
        room_c=19.00049,
        ambient_pa=101_325.4,
    )
    then = Sample(1010.2, gauge_pa=None, gas_c=-3.14159, contents_c=24.55555)
    text = "[[0.0,413686.0,20.123,21.988,19.0,101325.0],[10.1,null,-3.142,null,null,null,24.556]]"
    assert readings_to_text([first, then]) == text
    assert readings_from_text(text) == [
        Sample(0.0, gauge_pa=413_686.0, gas_c=20.123, wall_c=21.988, room_c=19.0, ambient_pa=101_325.0),
        Sample(10.1, gas_c=-3.142, contents_c=24.556),
    ]
    assert readings_to_text([]) == "[]" and readings_from_text("[]") == []


# --- runs, batches, events


def test_a_run_comes_back_complete(store: Store) -> None:
    assert store.runs() == [
        RunRow(1, "boot-a", 50.0, 0.0, UTC_S, '{"workshop":"harbour"}', "slow-leak", __version__, True)
    ]
    store.begin_run("{}", "boot-b", 20.0, None, None)
    assert store.last_run() == RunRow(2, "boot-b", 51.0, 31.0, None, "{}", None, __version__, False)
    assert [run.id for run in store.runs()] == [1, 2]


def test_a_batch_comes_back_complete_open_or_closed(store: Store) -> None:
    assert store.open_batch(POT, BatchOpened(100.0, UTC_S + 50.0)) == 1
    store.add_edit(1, EditEvent(101.0, None, Detail.LABEL, "", "lenses", "anna"))
    details = {Detail.LABEL: "lenses"}
    opened = (1, POT, 1, 100.0, UTC_S + 50.0)
    assert store.batches() == [BatchRow(*opened, None, None, details, "slow-leak", None, None)]
    assert store.listed() == [
        ListedBatch(
            *(1, POT, 100.0, UTC_S + 50.0, None, None, "slow-leak", None, details),
            *(None, None, False, 0, False),
        )
    ]
    assert store.leaks(POT) == []
    store.close_batch(1, CLOSED)
    summary = replace(SUMMARY, details=details)
    ends = (CLOSED.t_s, CLOSED.utc_s)
    assert store.batches(POT) == [BatchRow(*opened, *ends, details, "slow-leak", Verdict.LEAKED, summary)]
    leak = SUMMARY.leak
    assert leak is not None
    assert store.listed() == [
        ListedBatch(
            *(1, POT, 100.0, UTC_S + 50.0, *ends, "slow-leak", Verdict.LEAKED, details),
            *(leak.rate_pa_per_s, leak.t_s, True, 1, False),
        )
    ]
    assert store.leaks(POT) == [
        LeakRow(1, leak.t_s, UTC_S + 50.0, leak.rate_pa_per_s, True, Verdict.LEAKED, "slow-leak")
    ]


def test_a_batch_without_an_estimate_has_no_leak(store: Store) -> None:
    store.open_batch(POT, BatchOpened(100.0, None))
    summary = replace(SUMMARY, leak=None, alarms=(), verdict=Verdict.INCOMPLETE)
    store.close_batch(1, replace(CLOSED, summary=summary))
    (row,) = store.listed()
    assert (row.leak_pa_per_s, row.leak_t_s, row.leak_established, row.alarms) == (None, None, False, 0)
    assert store.leaks(POT) == [LeakRow(1, CLOSED.t_s, None, None, False, Verdict.INCOMPLETE, "slow-leak")]


def test_over_pressure_is_listed_only_for_its_own_batch(store: Store) -> None:
    for number in (1, 2):
        store.open_batch(POT, BatchOpened(100.0 * number, None))
    event = AlarmEvent(150.0, None, AlarmId.OVER_PRESSURE, AlarmState.NORMAL, "high", "")  # type: ignore[arg-type]
    store.add_event(POT, 1, event)
    store.add_event(POT, 2, replace(event, alarm=AlarmId.LEAK))
    assert [(row.id, row.above_maximum) for row in store.listed()] == [(2, False), (1, True)]


def test_an_edit_comes_back_complete(store: Store) -> None:
    store.open_batch(POT, BatchOpened(100.0, None))
    store.add_edit(1, EditEvent(101.0, UTC_S, Detail.RESIN, "", "clear", LAST_BATCH))
    store.edit(1, {Detail.RESIN: "clear"}, "anna", None)  # entered by her: no longer carried over
    store.edit(1, {Detail.RESIN: "clear"}, "ben", None)
    assert store.edits(1) == [
        EditRow(Detail.RESIN, "", "clear", LAST_BATCH, 101.0, UTC_S),
        EditRow(Detail.RESIN, "clear", "clear", "anna", None, None),
    ]
    with pytest.raises(RefusedError):
        store.edit(1, {Detail.LABEL: "x", Detail.NOTE: "half \ud800"}, "anna", None)
    assert len(store.edits(1)) == 2


def test_batch_numbers_continue_while_the_record_cannot_be_read(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.open_batch(POT, BatchOpened(100.0, None))

    def refused() -> int:
        raise UnknownBatchError("not to be read")

    with monkeypatch.context() as failing:
        failing.setattr(store, "_newest_batch_id", refused)
        assert store.open_batch(POT, BatchOpened(200.0, None)) == 2
    with Store.open(store.path) as other:
        assert other.open_batch(POT, BatchOpened(300.0, None)) == 3
    assert store.open_batch(POT, BatchOpened(400.0, None)) == 4


def test_learnt_constants_come_back_complete(store: Store) -> None:
    store.open_batch(POT, BatchOpened(100.0, None))
    store.add_taught(1, 3, {"uptake": (0.5, 0.25)})
    found = found_to_text({"uptake": (0.5, 0.25)})
    assert found == '{"uptake":[0.5,0.25]}'
    assert store.taught(POT, rehearsed=True) == [TaughtRow(1, 100.0, "", 3, found)]
    store.add_edit(1, EditEvent(101.0, None, Detail.MOULD, "", "lens", "anna"))
    store.close_batch(1, CLOSED)
    assert store.taught(POT, rehearsed=True) == [TaughtRow(1, CLOSED.t_s, "lens", 3, found)]


def test_deliveries_come_back_complete_including_both_ends(store: Store) -> None:
    rows = [
        DeliveryRow(10.0 * n, UTC_S + n, POT, AlarmId.LEAK, f"Anna {n}", "raised", None if n % 2 else "no")
        for n in range(5)
    ]
    store.add_deliveries(rows)
    assert store.deliveries(POT, 0.0) == rows
    assert store.deliveries(POT, 10.0, 30.0) == rows[1:4]


def test_moments_cover_the_pot_and_the_whole_watch(store: Store) -> None:
    store.add_event(POT, None, StageEvent(60.0, None, Stage.OPEN))
    store.add_event("buoy", None, StageEvent(61.0, None, Stage.OPEN))
    store.add_command(POT, Action.CLOSE, None)
    store.take_commands(70.0)
    assert store.moments(POT, 0.0) == [50.0, 60.0, 70.0]
    assert store.moments(POT, 60.0) == [60.0, 70.0]
    assert store.moments("buoy", 50.0) == [50.0, 61.0]


# --- commands


FULL = Command(Action.EDIT, 70.0, AlarmId.LEAK, "lens", 600.0, "anna", Detail.MOULD)
BARE = Command(Action.CLOSE, 70.0)


def test_a_command_comes_back_complete_with_its_row_number(store: Store) -> None:
    asked = store.add_commands([(POT, FULL), ("buoy", BARE), (POT, BARE)], UTC_S)
    assert asked == range(1, 4)
    taken = store.take_commands(70.0)
    assert taken == [(POT, FULL), ("buoy", BARE), (POT, BARE)]
    assert [command.row for _, command in taken] == [1, 2, 3]
    assert store.commands(POT, 70.0, 70.0) == [FULL, BARE]
    assert [command.row for command in store.commands(POT, 0.0)] == [1, 3]
    assert store.asked(asked) == [
        *(AskedRow(POT, True, None), AskedRow("buoy", True, None), AskedRow(POT, True, None))
    ]
    store.answer(taken[1][1], Answer(Outcome.DONE, "so be it"))
    store.answer(BARE, Answer(Outcome.DONE, "nobody asked"))
    assert store.asked(range(2, 3)) == [AskedRow("buoy", True, Answer(Outcome.DONE, "so be it"))]
    assert store.add_command(POT, Action.CLOSE, None) == range(4, 5)
    assert store.asked(range(4, 9)) == [AskedRow(POT, False, None)]


def test_a_batch_opens_with_its_details_at_once(store: Store) -> None:
    details = {Detail.RESIN: "clear", Detail.MOULD: "lens"}
    assert store.add_edits(POT, details, "anna", UTC_S) == range(1, 3)
    edits = [Command(Action.EDIT, 70.0, None, text, None, "anna", field) for field, text in details.items()]
    assert [command for _, command in store.take_commands(70.0)] == edits
    assert len(store.add_edits(POT, details, "anna", UTC_S, opening=True)) == 3
    opening = Command(Action.OPEN, 70.0, by="anna")
    assert [command for _, command in store.take_commands(70.0)] == [opening, *edits]


def test_a_command_no_reader_accepts_is_refused(store: Store) -> None:
    for bad in (replace(FULL, text="half \ud800"), replace(FULL, duration_s=float("nan"))):
        with pytest.raises(RefusedError):
            store.add_commands([(POT, BARE), (POT, bad)], None)
    assert store.take_commands(70.0) == []


def test_a_tick_takes_a_hundred_and_the_next_the_rest(store: Store) -> None:
    with Store.open(store.path) as page:
        page.add_commands([(POT, replace(BARE, by=f"{n}")) for n in range(150)], None)
        with store.held():
            assert [command.by for _, command in store.take_commands(70.0)] == [f"{n}" for n in range(100)]
            assert [command.by for _, command in store.take_commands(71.0)] == [
                *(f"{n}" for n in range(100, 150))
            ]
            assert store.take_commands(72.0) == []
        store.flush()
        assert store.take_commands(73.0) == []
        assert [command.t_s for command in store.commands(POT, 0.0)] == [70.0] * 100 + [71.0] * 50


def test_a_command_the_watch_gave_itself_survives_a_restart(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.add_edits(POT, {Detail.RESIN: "clear"}, LAST_BATCH, None)
    store.add_edits(POT, {Detail.RESIN: "blue"}, "anna", None)
    store.begin_run("{}", "boot-a", 60.0, None, None)
    boot_s = commands._boot_s()
    monkeypatch.setattr(commands, "_boot_s", lambda: boot_s + 500.0)
    assert [command.text for _, command in store.take_commands(70.0)] == ["clear"]


def test_a_command_of_a_clock_that_ran_backwards_is_late(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = store.add_command(POT, Action.CLOSE, None)
    boot_s = commands._boot_s()
    monkeypatch.setattr(commands, "_boot_s", lambda: boot_s - 10.0)
    assert store.take_commands(70.0) == []
    assert store.asked(asked) == [AskedRow(POT, False, Answer(Outcome.REFUSED, commands.LATE))]


# --- care


def test_care_comes_back_complete_after_the_batch_before_it(store: Store) -> None:
    read = [Sample(5.0, gauge_pa=400_000.0), Sample(25.0, gauge_pa=399_000.0, contents_c=30.0)]
    store.open_batch(POT, BatchOpened(100.0, UTC_S))
    store.close_batch(1, CLOSED)
    store.open_batch(POT, BatchOpened(50_000.0, UTC_S + 50_000.0))
    store.add_care(POT, UTC_S + 60_000.0, "seal", "greased", "anna", UTC_S + 60_001.0, UTC_S + 9e6)
    store.add_care(POT, UTC_S + 100.0, "tightness-test", "", "ben", UTC_S, None, LEAK, read)
    store.add_care(POT, UTC_S - 1.0, "valve", "new", "", UTC_S)
    store.add_care("buoy", UTC_S, "valve", "new", "", UTC_S)
    third, second, first = rows = store.cares(POT)
    assert rows == [
        CareRow(3, UTC_S - 1.0, -1e300, "valve", "new", "", None, None),
        CareRow(2, UTC_S + 100.0, CLOSED.t_s, "tightness-test", "", "ben", None, LEAK),
        CareRow(1, UTC_S + 60_000.0, 50_000.0, "seal", "greased", "anna", UTC_S + 9e6, None),
    ]
    assert second.care == Care(UTC_S + 100.0, CLOSED.t_s, Part.TIGHTNESS_TEST, "", "ben", None, LEAK)
    assert first.care.due_utc_s == UTC_S + 9e6 and third.care.text == "new"
    assert store.readings(2) == [
        Sample(0.0, gauge_pa=400_000.0),
        Sample(20.0, gauge_pa=399_000.0, contents_c=30.0),
    ]
    assert store.readings(1) == store.readings(99) == []
    assert not store.remove_care("buoy", 2) and not store.remove_care(POT, 99)
    assert store.remove_care(POT, 2)
    assert [row.id for row in store.cares(POT)] == [3, 1]


@pytest.mark.parametrize(
    "bad",
    [
        {"part": "lamp"},
        {"utc_s": float("inf")},
        {"text": "\ud800"},
        {"due_utc_s": 1e11},
        {"leak_pa_per_s": Interval(float("nan"), 0.0, 0.0)},
    ],
)
def test_care_no_reader_accepts_is_refused(store: Store, bad: dict[str, Any]) -> None:
    sound = {"utc_s": UTC_S, "part": "seal", "text": "", "by": "", "now_utc_s": UTC_S}
    with pytest.raises(RefusedError):
        store.add_care(POT, **(sound | bad))
    assert store.cares(POT) == []


# --- traces


TRACE = TraceRow(*(300.0, Stage.HOLDING, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, LEAK, True, 7.0, 8.0, 9.0, 0.5, 10.0))
NOTHING = TraceRow(360.0, Stage.OPEN, *[None] * 7, False, *[None] * 5)  # type: ignore[arg-type]


def test_traces_come_back_complete_or_thinned_for_a_drawing(store: Store) -> None:
    rows = [TRACE, NOTHING, *(replace(NOTHING, t_s=60.0 * n) for n in range(7, 15))]
    assert [store.trace_due(POT, t_s) for t_s in (0.0, 1e9)] == [True, True]
    for pot in (POT, "buoy"):
        store.append(pot, sample(300.0))
    for row in rows:
        store.append_trace(POT, row)
    assert [store.trace_due(POT, t_s) for t_s in (899.9, 900.0)] == [False, True]
    assert store.trace_due("buoy", 0.0)
    store.append_trace("buoy", NOTHING)
    store.flush()
    assert store.traces(POT, 0.0) == rows
    assert store.traces(POT, 360.0, 480.0) == rows[1:4]
    assert [len(store.traces(POT, 0.0, about=about)) for about in (100, 11, 10, 9, 5, 3)] == [
        *(10, 10, 5, 5, 4, 3)
    ]


def snapshot(**changes: Any) -> Any:
    reading = SimpleNamespace(gauge_pa=1.0, gas_k=3.0, wall_k=4.0, room_k=5.0, contents_k=6.0)
    leak = SimpleNamespace(t_s=300.0, rate_pa_per_s=LEAK, established=True)
    forecast = SimpleNamespace(crossing_s=7.0, earliest_s=8.0, latest_s=9.0)
    cure = SimpleNamespace(progress=0.5, done_s=10.0)
    known = {"stage": Stage.HOLDING, "t_s": 300.0, "corrected_gauge_pa": 2.0, "reading": reading}
    return SimpleNamespace(**(known | {"leak": leak, "forecast": forecast, "cure": cure} | changes))


NO_LEAK = {"leak_pa_per_s": None, "leak_established": False}


@pytest.mark.parametrize(
    ("known", "kept"),
    [
        ({}, {}),
        ({"stage": Stage.SETTLING}, {"stage": Stage.SETTLING}),
        # only for a shut pot
        ({"stage": Stage.VENTING}, {"stage": Stage.VENTING, "corrected_gauge_pa": None, **NO_LEAK}),
        ({"stage": Stage.FILLING}, {"stage": Stage.FILLING, "corrected_gauge_pa": None, **NO_LEAK}),
        # only while it is fresh
        ({"t_s": 419.9}, {"t_s": 419.9}),
        ({"t_s": 420.0}, {"t_s": 420.0, **NO_LEAK}),
        ({"leak": None}, NO_LEAK),
        (
            {"leak": SimpleNamespace(t_s=300.0, rate_pa_per_s=LEAK, established=False)},
            {"leak_established": False},
        ),
        ({"forecast": None}, {"floor_s": None, "floor_earliest_s": None, "floor_latest_s": None}),
        ({"cure": None}, {"cure_progress": None, "cure_done_s": None}),
    ],
)
def test_a_trace_keeps_these_parts_of_a_snapshot(known: dict[str, Any], kept: dict[str, Any]) -> None:
    assert TraceRow.of(snapshot(**known)) == replace(TRACE, **kept)


# --- samples by the chunk


def test_reading_in_chunks_skips_and_repeats_no_sample(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(samples, "_CHUNK_ROWS", 4)
    for count in (3, 4, 5, 8):
        pot = f"pot-{count}"
        for n in range(count):
            store.append(pot, sample(float(n)))
        store.flush()
        assert [each.t_s for each in store.samples(pot, 0.0)] == [float(n) for n in range(count)]


# --- details entered by a person


def test_unit_and_time_zone_are_those_of_the_last_run(tmp_path: Path) -> None:
    with Store.open(tmp_path / "new.db") as store:
        assert habits_of(store) == ("psi", None)
        store.begin_run('{"units":{"pressure":"bar"},"timezone":"Europe/Paris"}', "boot-a", 1.0, None, None)
        unit, zone = habits_of(store)
        assert (unit, str(zone)) == ("bar", "Europe/Paris")
        store.begin_run("{}", "boot-a", 2.0, None, None)
        assert habits_of(store) == ("psi", None)


PARIS, TOKYO = '{"timezone":"Europe/Paris"}', '{"timezone":"Asia/Tokyo"}'


def mixed_at(store: Store, row: BatchRow | None, text: str) -> str:
    return given_details(store, row, {Detail.MIXED_AT: text}, UTC_S)[Detail.MIXED_AT]


def test_a_time_of_day_is_the_nearest_to_the_fill_in_that_runs_zone(tmp_path: Path) -> None:
    fill_utc_s = UTC_S - 400_000.0  # 2025-12-28 06:53 UTC
    with Store.open(tmp_path / "new.db") as store:
        store.begin_run(TOKYO, "boot-a", 1.0, None, None)
        number = store.open_batch(POT, BatchOpened(5.0, fill_utc_s - 3600.0))
        assert (
            mixed_at(store, store.batch(number), "06:50") == "2026-01-01T21:50:00Z"
        )  # before it is filled: now
        store.close_batch(number, CLOSED)
        # never filled: its start, 5:53 UTC
        assert mixed_at(store, store.batch(number), "14:50") == "2025-12-28T05:50:00Z"
        store.add_event(POT, number, StageEvent(7.0, fill_utc_s, Stage.FILLING))
        store.add_event(POT, number, StageEvent(8.0, fill_utc_s + 9000.0, Stage.FILLING))
        store.begin_run(PARIS, "boot-a", 10.0, None, None)
        assert mixed_at(store, store.batch(number), "15:50") == "2025-12-28T06:50:00Z"
        assert (
            mixed_at(store, None, "22:50") == "2026-01-01T21:50:00Z"
        )  # one not yet open: now, in the present zone
        assert mixed_at(store, None, "") == ""
        assert given_details(store, None, {Detail.LABEL: " lens "}, UTC_S) == {Detail.LABEL: "lens"}


@pytest.mark.parametrize(
    ("text", "since"), [("2026-01-02T21:00:00Z", "now"), ("2026-01-02T21:00:00Z", "the fill")]
)
def test_an_impossible_mixing_time_is_refused_naming_its_reference(
    store: Store, text: str, since: str
) -> None:
    row = None
    if since == "the fill":
        number = store.open_batch(POT, BatchOpened(5.0, UTC_S))
        store.add_event(POT, number, StageEvent(7.0, UTC_S, Stage.FILLING))
        row = store.batch(number)
    with pytest.raises(ValueError, match=f"after {since}, at most"):
        mixed_at(store, row, text)


def test_a_fill_without_a_wall_time_sets_no_limit(store: Store) -> None:
    number = store.open_batch(POT, BatchOpened(5.0, UTC_S))
    store.add_event(POT, number, StageEvent(7.0, None, Stage.FILLING))
    assert mixed_at(store, store.batch(number), "2030-01-01T00:00:00Z") == "2030-01-01T00:00:00Z"
