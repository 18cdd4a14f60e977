"""What a row of each table must hold, column by column, and the report on an unreadable one."""

import json
import sys
from dataclasses import asdict
from typing import Any

import pytest

from potvigil.model.events import AlarmState, NoteEvent, NoteId
from potvigil.record.codec import to_text
from potvigil.record.errors import RefusedError
from potvigil.record.validation import refuse, wrong_with
from record_night import SUMMARY, UTC_S, alarm

NOTE = NoteEvent(5.0, UTC_S, NoteId.TOP_UP, "by 3 psi")
LEAK = {"leak_pa_per_s": 0.01, "leak_low_pa_per_s": 0.005, "leak_high_pa_per_s": 0.02}
NO_LEAK = dict.fromkeys(LEAK)
ALARM = alarm(5.0, AlarmState.UNACKNOWLEDGED)

# A readable row of each kind.
SOUND: dict[str, dict[str, Any]] = {
    "run": {"start_t_s": 1.0, "start_utc_s": None, "settings": '{"workshop":"harbour"}'},
    "batch": {"start_t_s": 1.0, "end_t_s": 9.0, "verdict": "leaked", "summary": to_text(SUMMARY)},
    "edit": {"field": "mixed-at", "old": "", "new": "2026-01-01T21:40:00Z", "by": "anna"},
    "event": {"t_s": 5.0, "kind": "alarm", "alarm": "leak", "line": to_text(ALARM)},
    "command": {"action": "edit", "alarm": None, "field": "label", "text": "x", "outcome": "done"},
    "delivery": {"t_s": 1.0, "utc_s": None, "alarm": "leak", "target": "Anna", "fault": None},
    "care": {
        "utc_s": UTC_S,
        "part": "seal",
        "text": "",
        **LEAK,
        "readings": "[[0,413685,20,null,null,null]]",
    },
    "taught": {"batch": 1, "batches": 1, "found": '{"uptake":[0.5,0.1]}'},
    "trace": {"t_s": 1.0, "stage": "holding", "floor_s": 1e300, **LEAK},
    "fault": {"id": 1, "faults": '[["thermometer","none on the bus","room"]]'},
    "sample": {
        "t_s": 1.0,
        "utc_s": None,
        "wall_c": 20.0,
        "faults": "7",
        "spread": '{"n":3,"wall_c":[19,21]}',
    },
    "pot": {"id": 1, "name": "lantern"},
}
# More readable rows: None where allowed, older formats, limits of what is allowed.
ALSO = [
    ("batch", {"verdict": None, "summary": None}),
    ("edit", {"field": "label", "new": "21:40", "old": "yesterday"}),  # a time is required only of mixed-at
    ("edit", {"new": ""}),
    ("event", {"kind": "note", "alarm": None, "line": to_text(NOTE)}),
    ("command", {"alarm": "leak", "field": None, "outcome": None}),
    ("delivery", {"utc_s": UTC_S}),
    ("care", {"readings": None, **NO_LEAK}),
    ("care", {"readings": "[[0,1,2,3,4,5],[1.5,1,2,3,4,5,6]]"}),
    ("care", {"readings": "[]"}),
    ("trace", NO_LEAK),
    ("fault", {"faults": '[["barometer","no answer"],["transducer","x"]]'}),
    ("sample", {"faults": None, "spread": None}),
    ("sample", {"faults": '[["barometer","no answer"]]'}),  # as before there was a fault table
    ("sample", {"spread": '{"n":1}'}),
    ("sample", {"t_s": 2e10, "utc_s": 1e10}),
    ("sample", {"t_s": -2e10, "utc_s": -1e10, "wall_c": sys.float_info.max}),
    ("trace", {"floor_s": sys.float_info.max, "cure_done_s": 2e10}),
    ("pot", {"id": 2**62}),
]
SURROGATE = "half \ud800"


@pytest.mark.parametrize(("table", "changes"), [*((table, {}) for table in SOUND), *ALSO])
def test_a_readable_row_passes(table: str, changes: dict[str, Any]) -> None:
    assert wrong_with(table, SOUND[table] | changes) is None
    refuse(table, SOUND[table] | changes)


def summary(**changes: Any) -> str:
    return json.dumps(asdict(SUMMARY) | changes)


MISFIT = "a value in it is missing or of the wrong type"
WRONG = [
    ("run", {"settings": "[]"}, "settings: not a JSON object"),
    ("run", {"settings": "{"}, "settings: Expecting property name"),
    ("run", {"settings": '{"a":1,"a":2}'}, "settings: a name appears twice in an object"),
    ("run", {"settings": '{"a":NaN}'}, "settings: NaN is not JSON"),
    ("run", {"settings": '{"a":-Infinity}'}, "settings: -Infinity is not JSON"),
    ("run", {"settings": '{"a":[1e999]}'}, "a: inf is out of range"),
    ("run", {"settings": '{"a":{"b_utc_s":1e99}}'}, "b_utc_s: 1e+99 is out of range"),
    ("run", {"settings": '["\\ud800"]'}, "'utf-8' codec can't encode"),
    ("run", {"settings": '{"\\ud800":1}'}, "'utf-8' codec can't encode"),
    ("run", {"settings": "[" * 100_000}, "nested too deeply"),
    ("run", {"start_t_s": 2.5e10}, "start_t_s: 25000000000.0 is out of range"),
    ("run", {"start_t_s": float("nan")}, "start_t_s: nan is out of range"),
    ("run", {"start_t_s": 10**20}, "start_t_s: a number is out of range"),
    ("run", {"start_utc_s": 1.1e10}, "start_utc_s: 11000000000.0 is"),
    ("batch", {"verdict": "lost"}, "verdict: 'lost' is not known"),
    ("batch", {"summary": "1"}, f"summary: {MISFIT}"),
    ("batch", {"summary": summary(verdict="lost")}, "'lost' is not a valid Verdict"),
    ("batch", {"summary": summary(top_ups="2")}, f"summary: {MISFIT}"),
    ("batch", {"summary": summary(top_ups=True)}, f"summary: {MISFIT}"),
    ("batch", {"summary": summary(complete=1)}, f"summary: {MISFIT}"),
    ("batch", {"summary": summary(reason=None)}, f"summary: {MISFIT}"),
    ("batch", {"summary": summary(hold_start_gauge_pa="400000")}, None),  # a number all the same
    ("batch", {"summary": summary(stages=[])}, f"summary: {MISFIT}"),
    ("batch", {"summary": summary(stages={"holding": 1e30})}, "t_s: 1e+30 is out of range"),
    ("batch", {"summary": summary(floor_forecast_s=1e30)}, None),
    ("batch", {"summary": summary(hold_end_s=1e30)}, "hold_end_s: 1e+30 is out of range"),
    ("batch", {"summary": summary(details={"mixed-at": "21:40"})}, "mixed-at: '21:40'"),
    ("batch", {"summary": summary(alarms=[{"alarm": "leak", "raised_s": 1.0}])}, f"summary: {MISFIT}"),
    ("batch", {"summary": summary(alarms=[1])}, f"summary: {MISFIT}"),
    ("edit", {"field": "size"}, "field: 'size' is not known"),
    ("edit", {"new": "21:40"}, "mixed-at: '21:40'"),
    ("edit", {"old": "21:40"}, "mixed-at: '21:40'"),
    ("edit", {"new": "0001-01-01T00:00:00Z"}, "mixed_utc_s: -62135596800.0 is out of range"),
    ("edit", {"by": SURROGATE}, "'utf-8' codec can't encode"),
    ("event", {"kind": "fire"}, "kind: 'fire' is not known"),
    ("event", {"kind": "stage"}, f"line: {MISFIT}"),
    ("event", {"alarm": "fire"}, "alarm: 'fire' is not known"),
    ("event", {"alarm": None}, "alarm: None is not what the line says"),
    ("event", {"alarm": "over-pressure"}, "alarm: 'over-pressure' is not what the line says"),
    ("event", {"kind": "note", "line": to_text(NOTE)}, "alarm: 'leak' is not what the line says"),
    ("event", {"line": "nothing"}, "line: Expecting value"),
    ("event", {"line": "{}"}, f"line: {MISFIT}"),
    ("command", {"action": "sing"}, "action: 'sing' is not known"),
    ("command", {"action": "label"}, "action: 'label' is not known"),  # has a field: not of format 1
    ("command", {"alarm": "fire"}, "alarm: 'fire' is not known"),
    ("command", {"field": "size"}, "field: 'size' is not known"),
    ("command", {"outcome": "perhaps"}, "outcome: 'perhaps' is not known"),
    ("delivery", {"alarm": "fire"}, "alarm: 'fire' is not known"),
    ("care", {"part": "lamp"}, "part: 'lamp' is not known"),
    ("care", {"leak_low_pa_per_s": None}, "leak_pa_per_s: without its interval"),
    ("care", {"leak_pa_per_s": None}, "leak_pa_per_s: without its interval"),
    ("care", {"readings": "[[0,1,2,3,4]]"}, "readings: a row of another length"),
    ("care", {"readings": "[[0,1,2,3,4,5,6,7]]"}, "readings: a row of another length"),
    ("care", {"readings": '[[0,"1",2,3,4,5]]'}, f"readings: {MISFIT}"),
    ("care", {"readings": "[[null,1,2,3,4,5]]"}, f"readings: {MISFIT}"),
    ("care", {"readings": "7"}, f"readings: {MISFIT}"),
    ("taught", {"batches": 0}, "batches: none taught it"),
    ("taught", {"found": "[]"}, "no mean and standard deviation by name"),
    ("trace", {"stage": "asleep"}, "stage: 'asleep' is not known"),
    ("trace", {"leak_high_pa_per_s": None}, "leak_pa_per_s: without its interval"),
    ("trace", {"cure_done_s": 2.1e10}, "cure_done_s: 21000000000.0 is"),
    ("trace", {"leak_pa_per_s": float("inf")}, "leak_pa_per_s: inf is out of range"),
    ("fault", {"faults": '[["lamp","out"]]'}, "'lamp' is not a valid Sensor"),
    ("fault", {"faults": '[["barometer",7]]'}, f"faults: {MISFIT}"),
    ("fault", {"faults": '[["barometer"]]'}, "not enough values"),
    ("fault", {"faults": "7"}, f"faults: {MISFIT}"),
    ("sample", {"faults": '[["lamp","out"]]'}, "'lamp' is not a valid Sensor"),
    ("sample", {"faults": "٧"}, "faults: Expecting value"),  # a digit, but not ASCII
    ("sample", {"faults": "none"}, "faults: Expecting value"),
    ("sample", {"spread": "[]"}, "spread: does not say of how many"),
    ("sample", {"spread": '{"wall_c":[19,21]}'}, "spread: does not say of how many"),
    ("sample", {"spread": '{"n":2.0}'}, "spread: does not say of how many"),
    (
        "sample",
        {"spread": '{"n":2,"t_s":[1,2]}'},
        "spread: 't_s' is not a column with its lowest and highest",
    ),
    ("sample", {"spread": '{"n":2,"utc_s":[1,2]}'}, "spread: 'utc_s' is not a column"),
    ("sample", {"spread": '{"n":2,"wall_c":[19]}'}, "spread: 'wall_c' is not a column"),
    ("sample", {"spread": '{"n":2,"wall_c":[19,20,21]}'}, "spread: 'wall_c' is not a column"),
    ("sample", {"spread": '{"n":2,"wall_c":[19,"21"]}'}, "spread: 'wall_c' is not a column"),
    ("sample", {"spread": '{"n":2,"wall_c":[19,true]}'}, "spread: 'wall_c' is not a column"),
    ("pot", {"name": SURROGATE}, "'utf-8' codec can't encode"),
]


@pytest.mark.parametrize(("table", "changes", "said"), WRONG)
def test_an_unreadable_row_is_reported_by_its_column(
    table: str, changes: dict[str, Any], said: str | None
) -> None:
    wrong = wrong_with(table, SOUND[table] | changes)
    if said is None:
        assert wrong is None
        return
    assert wrong is not None and wrong.startswith(said)
    with pytest.raises(RefusedError) as refused:
        refuse(table, SOUND[table] | changes)
    assert str(refused.value) == f"not saved: {wrong}; give another value"


def test_a_command_of_format_1_has_no_field_and_two_more_actions() -> None:
    old = {name: value for name, value in SOUND["command"].items() if name not in ("field", "outcome")}
    assert [wrong_with("command", old | {"action": action}) for action in ("label", "note", "close")] == [
        None
    ] * 3
    assert wrong_with("command", old | {"action": "sing"}) == "action: 'sing' is not known"


def test_a_row_without_a_column_is_reported_by_that_column() -> None:
    for table, column in (("run", "settings"), ("event", "kind"), ("trace", "stage"), ("care", "part")):
        assert wrong_with(table, {name: v for name, v in SOUND[table].items() if name != column}) == repr(
            column
        )


def test_a_report_is_one_short_line() -> None:
    long = wrong_with("batch", {"verdict": "x" * 1000, "summary": None})
    assert long is not None and len(long) == 200
    assert wrong_with("batch", {"verdict": "a\nb", "summary": None}) == "verdict: 'a\\nb' is not known"
