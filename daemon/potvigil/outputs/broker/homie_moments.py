"""Messages published once without retain, to whoever is listening. Pure.

Non-retained properties go with QoS 0 (Homie 5.0.0, "QoS and retained messages"): an announcement that comes
late would be a false one. Lasting states are in the retained properties and `$alert`.
"""

from collections.abc import Iterable

from potvigil.model.events import AlarmEvent, AlarmState, Command, Event, NoteEvent, NoteId, StandingAlarm
from potvigil.model.pot import Pot
from potvigil.outputs.broker.homie import alarm_text, datetime_text
from potvigil.outputs.broker.homie_set import path_of
from potvigil.outputs.broker.homie_tree import Message, topic_base
from potvigil.wording.quantities import TimeTeller


def of_event(workshop: str, pot: Pot, event: Event, rehearsed: bool = False) -> Message | None:
    """Return the announcement of an alarm (the first and each repeat), a note or a refusal; else None."""
    base = topic_base(workshop, pot.pot_id, rehearsed)
    match event:
        case AlarmEvent(state=AlarmState.UNACKNOWLEDGED):
            teller = TimeTeller(event.t_s, event.utc_s, pot.tz)
            return _moment(f"{base}/alarms/announced", alarm_text(event, teller, pot, rehearsed))
        case NoteEvent(note=NoteId.REFUSED):
            return _warning(base, f"Refused: {event.text}.")
        case NoteEvent():
            return _moment(f"{base}/notes/last", f"{'REHEARSAL: ' if rehearsed else ''}{event.text}")
    return None


def done(workshop: str, pot_id: str, command: Command, rehearsed: bool = False) -> Message | None:
    """Return the message for a carried-out command; None for a detail, which is a state."""
    path = path_of(command)
    if path is None or command.field is not None:
        return None
    return _moment(f"{topic_base(workshop, pot_id, rehearsed)}/{path}", command.alarm or "all")


def refused_set(topic: str, reason: str) -> Message:
    """Return the log line that says why a `/set` message on one of our topics was not obeyed."""
    *base, node, name, _ = topic.split("/")
    return _warning("/".join(base), f"{node}/{name} was not set: {reason}.")


def missed(
    workshop: str, gone: Iterable[tuple[str, StandingAlarm]], rehearsed: bool = False
) -> Message | None:
    """Return the one warning about alarms (pot id, alarm) that came and went unheard; None without any."""
    parts = []
    for pot_id, alarm in gone:
        since = None if alarm.since_utc_s is None else datetime_text(alarm.since_utc_s)
        parts.append(f"pot {pot_id}: {alarm.alarm}" + (f", raised {since}" if since else ""))
    if not parts:
        return None
    text = f"While the broker was away, alarms came and went: {'; '.join(parts)}. The record has the rest."
    return _warning(topic_base(workshop, None, rehearsed), text)


def shared(workshop: str, text: str, rehearsed: bool = False) -> Message:
    """Return the warning that another machine publishes as this workshop too."""
    return _warning(topic_base(workshop, None, rehearsed), f"{text[:1].upper()}{text[1:]}.")


def _moment(topic: str, text: str) -> Message:
    return Message(topic, text.encode("utf-8", "replace"), retained=False, qos=0)


def _warning(base: str, text: str) -> Message:
    return Message(f"{base}/$log/warn", text.encode("utf-8", "replace"), retained=False)
