"""What can be set over MQTT: the topics, and how a message is read."""

from collections.abc import Iterable
from dataclasses import dataclass

from potvigil.model import batch_details
from potvigil.model.events import Action, AlarmId, Command, Detail
from potvigil.model.pot import Pot
from potvigil.model.who import check_name
from potvigil.outputs.broker.homie_tree import DETAILS, EMPTY_STRING, ID, domain, topic_base

LONGEST_SET_BYTES = 4 * max(batch_details.LONGEST.values())  # UTF-8 takes at most four bytes a character


@dataclass(frozen=True, slots=True)
class SetCommand:
    """What somebody set over MQTT. alarm: None for all active ones; field, text: which detail, and to what.

    by: the name that was given with it, None for none.
    """

    pot_id: str
    action: Action
    alarm: AlarmId | None = None
    text: str = ""
    field: Detail | None = None
    by: str | None = None


@dataclass(frozen=True, slots=True)
class Refusal:
    """A `/set` message that is not obeyed, and why, in one line."""

    reason: str


_OF_ALARMS = {"alarms/acknowledge": Action.ACKNOWLEDGE, "alarms/unshelve": Action.UNSHELVE}
_SETTABLE = (*_OF_ALARMS, *DETAILS)
_BY = " by "  # between an alarm and a person's name


def set_payload(alarm: AlarmId, by: str) -> bytes:
    """Return the payload that acts on an alarm in somebody's name."""
    return f"{alarm}{_BY}{by}".encode()


def set_topics(workshop: str, pots: Iterable[Pot], rehearsed: bool = False) -> list[str]:
    """Return the `/set` topics to subscribe to."""
    return [f"{topic_base(workshop, pot.pot_id, rehearsed)}/{path}/set" for pot in pots for path in _SETTABLE]


def parse_set(
    workshop: str, topic: str, payload: bytes, rehearsed: bool = False
) -> SetCommand | Refusal | None:
    """Return what a `/set` message asks for, or a Refusal; None for a topic not ours. Never raises."""
    levels = topic.split("/")
    if len(levels) != 6 or levels[:2] != [domain(rehearsed), "5"] or levels[5] != "set":
        return None
    path = f"{levels[3]}/{levels[4]}"
    pot_id = levels[2].removeprefix(f"{workshop}-")
    if path not in _SETTABLE or pot_id == levels[2] or not ID.fullmatch(pot_id):
        return None
    text = _set_text(payload)
    if isinstance(text, Refusal):
        return text
    if path in DETAILS:
        try:
            return SetCommand(
                pot_id, Action.EDIT, text=batch_details.read(DETAILS[path], text), field=DETAILS[path]
            )
        except batch_details.DetailError as error:
            return Refusal(str(error))
    alarm, is_signed, by = text.partition(_BY)
    if alarm != "all" and alarm not in set(AlarmId):
        return Refusal(f"{alarm[:40]!r} is not an alarm; send all or one of {', '.join(AlarmId)}")
    try:
        if is_signed:
            check_name(by)
    except ValueError as error:
        return Refusal(str(error))
    named = None if alarm == "all" else AlarmId(alarm)
    return SetCommand(pot_id, _OF_ALARMS[path], named, by=by or None)


def path_of(command: Command) -> str | None:
    """Return the property that a command sets, node/property; None for what cannot be set over MQTT."""
    if command.action is Action.EDIT:
        return next((path for path, detail in DETAILS.items() if detail is command.field), None)
    return next((path for path, action in _OF_ALARMS.items() if action is command.action), None)


def _set_text(payload: bytes) -> str | Refusal:
    """Return the text of a payload, trimmed; refuse invalid text, or text longer than any detail."""
    if not payload:
        return Refusal("no payload; an empty text is the one byte 0x00")
    if len(payload) > LONGEST_SET_BYTES:
        return Refusal(f"{len(payload)} bytes; at most {LONGEST_SET_BYTES} are allowed")
    if payload == EMPTY_STRING:
        return ""
    try:
        return payload.decode("utf-8").strip(" \t\n\r")
    except UnicodeDecodeError:
        return Refusal("not UTF-8")
