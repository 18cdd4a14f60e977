"""What is published once: announcements, notes, refusals."""

from dataclasses import replace

from demo_pot import LANTERN, T_S, UTC_S, WORKSHOP
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    NoteEvent,
    NoteId,
    Priority,
    Stage,
    StageEvent,
)
from potvigil.outputs.broker.homie_moments import of_event, refused_set
from potvigil.outputs.broker.homie_tree import Message

BASE = "homie/5/harbour-models-lantern"
LEAK = AlarmEvent(
    *(T_S, UTC_S, AlarmId.FLOOR_AHEAD, AlarmState.UNACKNOWLEDGED, Priority.HIGH, "Losing 1.5 psi/h."),
    do="Top up to 60.0 psi",
    by_s=T_S + 3600.0,
)


def test_an_alarm_is_announced_when_raised_and_at_every_repeat():
    told = "high alarm, not acknowledged: Top up to 60.0 psi by 23:00. Losing 1.5 psi/h."
    pot = replace(LANTERN, tz=None)
    for repeat in (False, True):
        message = of_event(WORKSHOP, pot, replace(LEAK, repeat=repeat))
        assert message is not None
        # Homie 5.0.0, "QoS and retained messages": of a non-retained property not retained, QoS 0
        assert (message.topic, message.retained, message.qos) == (f"{BASE}/alarms/announced", False, 0)
        assert message.payload.decode() == told
    rehearsed = of_event(WORKSHOP, pot, LEAK, rehearsed=True)
    assert rehearsed is not None and rehearsed.payload.decode() == f"REHEARSAL: {told}"


def test_an_event_that_needs_no_action_is_not_announced():
    for state in AlarmState:
        if state is not AlarmState.UNACKNOWLEDGED:
            assert of_event(WORKSHOP, LANTERN, replace(LEAK, state=state)) is None
    assert of_event(WORKSHOP, LANTERN, StageEvent(T_S, UTC_S, Stage.HOLDING)) is None


def test_every_note_is_published_and_a_refusal_goes_to_the_log():
    for note in NoteId:
        message = of_event(WORKSHOP, LANTERN, NoteEvent(T_S, UTC_S, note, "no batch is open"))
        if note is NoteId.REFUSED:
            told = Message(f"{BASE}/$log/warn", b"Refused: no batch is open.", retained=False)
        else:
            told = Message(f"{BASE}/notes/last", b"no batch is open", retained=False, qos=0)
        assert message == told


def test_an_invalid_set_is_answered_with_the_reason():
    assert refused_set(f"{BASE}/batch/mass/set", "250 has no unit") == Message(
        f"{BASE}/$log/warn", b"batch/mass was not set: 250 has no unit.", retained=False
    )
