"""Which commands are refused, in what words, and what an edit of the mixing time does to the cure."""

import pytest

from potvigil.model.batch_details import DetailError
from potvigil.model.events import LAST_BATCH, Action, AlarmId, Command, Detail, EditEvent, Stage
from potvigil.model.reading import Quality, Reading
from potvigil.watch.alarm_states import AlarmBook, ConditionWords
from potvigil.watch.batch import Batch
from potvigil.watch.batch_edits import edit
from potvigil.watch.refusals import refusal
from shut_pot import pot

WORDS = ConditionWords("do", "why")


def book() -> AlarmBook:
    """Two alarms are active, one high and one low; a third is shelved."""
    alarms = AlarmBook()
    for t_s in (0.0, 1000.0):
        alarms.update(t_s, None, {AlarmId.OVER_PRESSURE: WORDS, AlarmId.THERMOMETER: WORDS})
    alarms.shelve(1000.0, None, AlarmId.LEAK, 600.0)
    return alarms


def refused(action: Action, *, batch_open: bool = True, under_pressure: bool = True, **fields: object) -> str:
    """Why a command is refused, "" where it is not."""
    command = Command(action, 1000.0, **fields)  # type: ignore[arg-type]
    return refusal(command, book(), batch_open=batch_open, under_pressure=under_pressure) or ""


@pytest.mark.parametrize(
    ("action", "alarm", "why"),
    [
        (Action.ACKNOWLEDGE, None, ""),
        (Action.ACKNOWLEDGE, AlarmId.OVER_PRESSURE, ""),
        (Action.ACKNOWLEDGE, AlarmId.LEAK, ""),  # shelved is not normal
        (
            Action.ACKNOWLEDGE,
            AlarmId.BELOW_FLOOR,
            "below-floor is not active: there is nothing to acknowledge",
        ),
        (Action.SHELVE, None, "give the alarm to shelve"),
        (Action.SHELVE, AlarmId.OVER_PRESSURE, ""),
        (Action.SHELVE, AlarmId.CLOCK_UNSET, ""),
        (
            Action.SHELVE,
            AlarmId.BELOW_FLOOR,
            "below-floor is not active; a high-priority alarm can be shelved only while it is",
        ),
        (Action.UNSHELVE, None, ""),
        (Action.UNSHELVE, AlarmId.LEAK, ""),
        (Action.UNSHELVE, AlarmId.THERMOMETER, "thermometer is not shelved: there is nothing to unshelve"),
    ],
)
def test_an_alarm_must_be_in_a_state_the_command_can_change(
    action: Action, alarm: AlarmId | None, why: str
) -> None:
    assert refused(action, alarm=alarm) == why


@pytest.mark.parametrize(
    ("action", "batch_open", "under_pressure", "begins"),
    [
        (Action.OPEN, False, False, ""),
        (Action.OPEN, False, True, ""),
        (Action.OPEN, True, False, "a batch is already open"),
        (Action.CLOSE, True, False, ""),
        (Action.CLOSE, True, True, "The pot is under pressure"),
        (Action.CLOSE, False, False, "no batch is open"),
        (Action.CLOSE, False, True, "no batch is open"),
    ],
)
def test_one_batch_is_open_at_a_time_and_closes_only_without_pressure(
    action: Action, batch_open: bool, under_pressure: bool, begins: str
) -> None:
    why = refused(action, batch_open=batch_open, under_pressure=under_pressure)
    assert why.startswith(begins)
    assert bool(why) is bool(begins)


def test_an_edit_names_its_detail() -> None:
    assert refused(Action.EDIT) == "give the detail to change"
    assert refused(Action.EDIT, field=Detail.LABEL) == ""


@pytest.mark.parametrize("priority", ["", "high", "medium", "low"])
def test_a_test_alarm_has_a_known_priority_and_is_not_shelved(priority: str) -> None:
    command = Command(Action.TEST_ALARM, 1000.0, text=priority)
    alarms = book()
    assert refusal(command, alarms, batch_open=False, under_pressure=False) is None
    alarms.shelve(1000.0, None, AlarmId.TEST, 600.0)
    why = refusal(command, alarms, batch_open=False, under_pressure=False)
    assert why == "the test alarm is shelved, so nobody would hear it; unshelve it first"


def test_an_unknown_priority_is_refused_with_the_known_ones() -> None:
    assert refused(Action.TEST_ALARM, text="loud") == "there is no priority 'loud'; give high, medium, low"


# -- the mixing time ---------------------------------------------------------------------------------

# the record's axis runs since 10:00:00 UTC; it is 10:30:00, and the fill began at 10:10:00
START_S, FILL_S, NOW_S = 500.0, 600.0, 1800.0
UTC_S = 1_767_261_600.0  # 2026-01-01 10:00 UTC


def now(utc_s: float | None = UTC_S + NOW_S) -> Reading:
    return Reading(NOW_S, utc_s, None, None, 101_325.0, None, None, None, Quality.BAD)


def mixing(*, filled: bool = True, age_to_s: float = NOW_S) -> Batch:
    batch = Batch(pot(hold_s=36_000.0), START_S, UTC_S + START_S)
    batch.stages = {Stage.OPEN: START_S} | ({Stage.FILLING: FILL_S} if filled else {})
    batch.clock.take(age_to_s, None)
    return batch


def mixed(
    batch: Batch | None, text: str, reading: Reading | None = None, by: str = "anna"
) -> EditEvent | None:
    command = Command(Action.EDIT, 1801.0, text=text, by=by, field=Detail.MIXED_AT)
    return edit(command, Detail.MIXED_AT, batch, now() if reading is None else reading)


def test_the_cure_begins_at_the_mixing_time() -> None:
    batch = mixing()
    event = mixed(batch, "2026-01-01T10:05:00Z")
    assert event == EditEvent(1801.0, UTC_S + NOW_S, Detail.MIXED_AT, "", "2026-01-01T10:05:00Z", "anna")
    assert (batch.clock.start_s, batch.clock.age_s) == (300.0, 1500.0)


def test_without_a_mixing_time_the_cure_begins_with_the_batch_again() -> None:
    batch = mixing()
    mixed(batch, "2026-01-01T10:05:00Z")
    event = mixed(batch, "")
    assert event is not None
    assert (event.old, event.new) == ("2026-01-01T10:05:00Z", "")
    assert (batch.clock.start_s, batch.clock.age_s) == (START_S, 1300.0)


def test_without_a_wall_clock_a_mixing_time_is_kept_and_changes_no_cure() -> None:
    batch = mixing()
    event = mixed(batch, "2026-01-01T10:05:00Z", now(utc_s=None))
    assert event is not None
    assert event.utc_s is None
    assert (batch.clock.start_s, batch.clock.age_s) == (START_S, 1300.0)


def test_a_detail_that_is_no_time_changes_no_cure() -> None:
    batch = mixing()
    event = edit(Command(Action.EDIT, 1801.0, text="harbour"), Detail.LABEL, batch, now())
    assert event is not None
    assert (batch.clock.start_s, batch.clock.age_s) == (START_S, 1300.0)


@pytest.mark.parametrize(
    ("filled", "text", "why"),
    [
        # at most five minutes after the fill of 10:10, or after now, 10:30; at most a day before
        (True, "2026-01-01T10:15:00Z", None),
        (True, "2026-01-01T10:15:01Z", "after the fill"),
        (True, "2025-12-31T10:10:00Z", None),
        (True, "2025-12-31T10:09:59Z", "before the fill"),
        (False, "2026-01-01T10:35:00Z", None),
        (False, "2026-01-01T10:35:01Z", "after now"),
        (False, "2025-12-31T10:30:00Z", None),
        (False, "2025-12-31T10:29:59Z", "before now"),
    ],
)
def test_the_mixing_time_lies_near_the_fill(filled: bool, text: str, why: str | None) -> None:
    batch = mixing(filled=filled)
    if why is None:
        assert mixed(batch, text) is not None
        return
    with pytest.raises(DetailError, match=why):
        mixed(batch, text)
    assert batch.details == {}
    assert batch.clock.start_s == START_S


def test_a_mixing_time_carried_over_never_replaces_one_that_was_entered() -> None:
    batch = mixing()
    mixed(batch, "2026-01-01T10:05:00Z")
    assert mixed(batch, "2026-01-01T10:00:00Z", by=LAST_BATCH) is None
    assert batch.clock.start_s == 300.0


def test_without_a_batch_there_is_nothing_to_edit() -> None:
    with pytest.raises(DetailError, match="no batch is open"):
        mixed(None, "2026-01-01T10:05:00Z")
