"""How the loop handles events, what it reports to every watch, and how it corrects wall times."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from potvigil.model.events import (
    LAST_BATCH,
    Action,
    AlarmId,
    BatchClosed,
    BatchOpened,
    Command,
    Detail,
    EditEvent,
    NoteEvent,
    NoteId,
)
from potvigil.record.errors import LockedRecordError
from potvigil.watch.alarm_states import ConditionWords
from record_night import CLOSED, UTC_S
from stepped_loop import Steps, refuse

# --- events


OPENED, EDIT = BatchOpened(105.0, UTC_S + 5.0), EditEvent(105.0, None, Detail.LABEL, "", "x", "anna")


def test_events_are_announced_in_order_with_their_batch(steps: Steps) -> None:
    closed = replace(CLOSED, t_s=110.0)
    steps.events = {"mast": [OPENED, EDIT]}
    steps.tick()
    steps.events = {"mast": [closed]}
    assert [line for line in steps.tick() if line.startswith("past")] == [
        "past of mast hears BatchClosed of None",
        "past of mast keeps 1",
    ]
    assert [(pot, batch, type(event)) for pot, batch, event in steps.told] == [
        ("mast", 1, BatchOpened),
        ("mast", 1, EditEvent),
        ("mast", 1, BatchClosed),  # named by the batch it ends
    ]
    assert steps.service.batch_ids == {"lantern": None, "mast": None}
    assert steps.store.batch(1).end_t_s == 110.0


def test_due_care_is_noted_after_the_opening_is_announced(steps: Steps) -> None:
    steps.store.add_care("mast", UTC_S - 9e6, "seal", "greased", "anna", UTC_S, due_utc_s=UTC_S - 1e6)
    steps.events = {"mast": [OPENED], "lantern": [OPENED]}
    steps.tick()
    opened, due = (event for pot, _, event in steps.told if pot == "mast")
    assert opened == OPENED
    assert isinstance(due, NoteEvent)
    assert (due.t_s, due.utc_s, due.note) == (105.0, UTC_S + 5.0, NoteId.CARE_DUE)
    assert [event for pot, _, event in steps.told if pot == "lantern"] == [OPENED]


@pytest.mark.parametrize("why", ["no wall time", "the record cannot be read"])
def test_care_is_not_noted_if_it_cannot_be_read(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, why: str
) -> None:
    steps.store.add_care("mast", UTC_S - 9e6, "seal", "greased", "anna", UTC_S, due_utc_s=UTC_S - 1e6)
    if why != "no wall time":
        refuse(monkeypatch, steps, "cares")
    opened = replace(OPENED, utc_s=None) if why == "no wall time" else OPENED
    steps.events = {"mast": [opened]}
    steps.tick()
    assert [event for _, _, event in steps.told] == [opened]


def test_a_batch_carries_over_details_of_the_last_one_of_its_pot(steps: Steps) -> None:
    steps.events = {"mast": [OPENED]}
    steps.tick()
    assert steps.tick()[0] == "read at 110"  # the first batch has nothing to carry over
    steps.events = {"mast": [CLOSED]}
    steps.tick()
    made_of = {Detail.RESIN: "clear", Detail.COLOUR: "blue", Detail.LABEL: "lenses"}
    steps.store.edit(1, made_of, "anna", None)
    steps.events = {"lantern": [OPENED]}
    steps.tick()
    assert steps.tick()[0] == "read at 125"  # nothing is carried over from another pot
    steps.events = {"mast": [OPENED]}
    steps.tick()
    assert steps.tick()[:2] == ["mast asked to edit", "mast asked to edit"]
    assert [(each.field, each.text, each.by) for each in steps.handled] == [
        (Detail.RESIN, "clear", LAST_BATCH),
        (Detail.COLOUR, "blue", LAST_BATCH),
    ]


def test_the_last_batch_is_the_previous_one_even_when_the_new_row_is_already_written(steps: Steps) -> None:
    for _ in range(2):
        steps.events = {"mast": [OPENED, CLOSED]}
        steps.tick()
    steps.store.edit(1, {Detail.RESIN: "clear"}, "anna", None)
    steps.service._take_over("mast", 2, None)
    steps.tick()
    assert [each.text for each in steps.handled] == ["clear"]


@pytest.mark.parametrize(
    ("last", "now", "takes_over"),
    [(None, None, True), ("sound", "leak", True), ("sound", None, False), (None, "sound", False)],
)
def test_real_and_rehearsed_batches_carry_nothing_over_from_each_other(
    tmp_path: Path, last: str | None, now: str | None, takes_over: bool
) -> None:
    before = Steps(tmp_path, rehearsed=last)
    before.start()
    before.events = {"mast": [OPENED]}
    before.tick()
    before.events = {"mast": [CLOSED]}
    before.tick()
    before.store.edit(1, {Detail.RESIN: "clear"}, "anna", None)
    before.service.stop()
    after = Steps(tmp_path, rehearsed=now)
    after.start()
    after.events = {"mast": [OPENED]}
    after.tick()
    after.tick()
    assert [each.field for each in after.handled] == ([Detail.RESIN] if takes_over else [])
    after.service.stop()


@pytest.mark.parametrize(
    ("refused", "asked"),
    [
        ("batches", []),
        ("add_edits", [Command(Action.EDIT, 120.0, None, "clear", None, LAST_BATCH, Detail.RESIN)]),
    ],
)
def test_an_unreadable_batch_is_not_carried_over_and_a_failed_request_is_retried(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, refused: str, asked: list[Command]
) -> None:
    steps.events = {"mast": [OPENED]}
    steps.tick()
    steps.events = {"mast": [CLOSED]}
    steps.tick()
    steps.store.edit(1, {Detail.RESIN: "clear"}, "anna", None)
    with monkeypatch.context() as refusing:
        refuse(refusing, steps, refused)
        steps.events = {"mast": [OPENED]}
        steps.tick()
    assert steps.handled == []
    steps.tick()
    assert [replace(each, row=None) for each in steps.handled] == asked


@pytest.mark.parametrize(
    ("known_utc_s", "start_s", "less_t_s", "dated_utc_s"),
    [
        (None, 105.0, UTC_S, UTC_S + 105.0),
        (
            UTC_S + 104.0,
            105.0,
            UTC_S,
            UTC_S + 104.0,
        ),  # within a second: the two clocks are read one after the other
        (UTC_S + 103.9, 105.0, UTC_S, UTC_S + 105.0),
        (UTC_S + 106.1, 105.0, UTC_S, UTC_S + 105.0),
        (None, 50.0, UTC_S, None),  # in an earlier boot
        (None, 60.0, UTC_S, UTC_S + 60.0),
        (None, 105.0, None, None),  # never set
    ],
)
def test_a_closing_gives_its_start_in_the_wall_time_known_by_then(
    steps: Steps,
    known_utc_s: float | None,
    start_s: float,
    less_t_s: float | None,
    dated_utc_s: float | None,
) -> None:
    steps.service._axis_offset_s, steps.service._utc_less_t_s = 60.0, less_t_s
    closed = replace(CLOSED, summary=replace(CLOSED.summary, start_s=start_s, start_utc_s=known_utc_s))
    dated = steps.service._dated(closed)
    assert dated == replace(closed, summary=replace(closed.summary, start_utc_s=dated_utc_s))
    assert steps.service._dated(OPENED) is OPENED


# --- faults that all pots share


def test_an_unwritable_record_raises_its_alarm_and_the_losses_are_noted_later(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) is None
    with monkeypatch.context() as refusing:
        refuse(refusing, steps, "commit_due")
        steps.tick()
        told = steps.last_report(AlarmId.RECORD_FAILING)
        assert told == ConditionWords(
            "Find out why the record cannot be written",
            "Nothing is being recorded: no room on the disk. The pot is still monitored, and alarms still "
            "work.",
        )
        steps.store.dropped_samples = 7
        steps.tick()
        told = steps.last_report(AlarmId.RECORD_FAILING)
        assert told is not None and told.text.endswith("Memory is full: 7 readings could not be kept.")
    assert steps.told == []
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) is None
    lost = [(pot, event.note, event.text.count("7 readings")) for pot, _, event in steps.told]  # type: ignore[union-attr]
    assert lost == [("lantern", NoteId.READINGS_LOST, 1), ("mast", NoteId.READINGS_LOST, 1)]
    assert {(event.t_s, event.utc_s) for _, _, event in steps.told} == {(120.0, UTC_S + 20.0)}
    steps.tick()
    assert len(steps.told) == 2  # once
    steps.store.dropped_samples = 8
    steps.tick()
    assert "1 reading could" in steps.told[-1][2].text  # type: ignore[union-attr]


def test_a_replaced_record_raises_an_alarm_for_ten_minutes(steps: Steps) -> None:
    steps.store.begun_anew = "The record was damaged."
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) == ConditionWords(
        "Check the record", "The record was damaged."
    )
    steps.tick(594.9)
    assert steps.last_report(AlarmId.RECORD_FAILING) is not None
    steps.tick(0.1)
    assert steps.last_report(AlarmId.RECORD_FAILING) is None


def test_an_unset_clock_raises_an_alarm_until_it_is_set(steps: Steps) -> None:
    steps.clock.set_utc(None)
    steps.tick()
    told = steps.last_report(AlarmId.CLOCK_UNSET)
    assert told is not None and told.do == "Set this machine's clock"
    steps.clock.set_utc(UTC_S)
    steps.tick()
    assert steps.last_report(AlarmId.CLOCK_UNSET) is None


def test_failing_lamp_and_buzzer_raise_an_alarm(steps: Steps) -> None:
    signals = SimpleNamespace(fault=None, show=lambda *_: None)
    steps.tick()
    assert AlarmId.SIGNALS_FAILING not in steps.reports  # with no signals fitted
    assert AlarmId.NOTIFY_FAILING not in steps.reports
    steps.service._signals = signals  # type: ignore[assignment]
    steps.tick()
    assert steps.last_report(AlarmId.SIGNALS_FAILING) is None
    signals.fault = "lamp alarm does not respond"
    steps.tick()
    assert steps.last_report(AlarmId.SIGNALS_FAILING) == ConditionWords(
        "Check the wires of lamp and buzzer, then try `potvigil alarm test`",
        "Lamp alarm does not respond. An alarm may not be seen or heard there.",
    )


def test_a_failing_notifier_raises_an_alarm_in_its_words(steps: Steps) -> None:
    words = ConditionWords("Start the notifier", "")
    steps.service._notified = SimpleNamespace(fault_words=lambda: words)  # type: ignore[assignment]
    steps.tick()
    assert steps.last_report(AlarmId.NOTIFY_FAILING) is words


# --- corrected wall times


def test_times_are_corrected_each_time_the_clock_is_set(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[tuple[str, float, float, bool]] = []
    done: list[int] = []

    def mend_times(boot_id: str, t_s: float, ahead_s: float, *, was_set: bool) -> Iterator[None]:
        begun.append((boot_id, t_s, ahead_s - UTC_S, was_set))
        for number in range(3):
            done.append(number)
            yield

    monkeypatch.setattr(steps.store, "mend_times", mend_times)
    steps.clock.set_utc(None)
    steps.tick()
    assert begun == []  # no clock to correct by
    steps.clock.set_utc(UTC_S + 105.0)
    for _ in range(5):
        steps.tick()
    assert begun == [("boot-1", 110.0, 0.0, False)]
    assert done == [0, 1, 2]  # one with each tick
    steps.clock.set_utc(steps.clock.now().utc_s + 1.0)  # type: ignore[operator]
    steps.tick()
    assert len(begun) == 1  # the two clocks are read one after the other
    steps.clock.set_utc(steps.clock.now().utc_s + 0.1)  # type: ignore[operator]
    steps.tick()
    assert begun[1:] == [("boot-1", 140.0, pytest.approx(1.1), True)]
    steps.clock.set_utc(steps.clock.now().utc_s - 3600.0)  # type: ignore[operator]
    steps.tick()
    assert begun[2:] == [("boot-1", 145.0, pytest.approx(-3598.9), True)]


def test_a_refused_correction_of_times_is_started_again(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[float] = []

    def mend_times(boot_id: str, t_s: float, *_: object, **__: object) -> Iterator[None]:
        begun.append(t_s)
        if len(begun) == 1:
            raise LockedRecordError("held by another")
        yield

    monkeypatch.setattr(steps.store, "mend_times", mend_times)
    steps.tick()
    told = steps.last_report(AlarmId.RECORD_FAILING)
    assert told is not None and "held by another" in told.text
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) is None
    steps.tick()
    assert begun == [105.0, 110.0]
