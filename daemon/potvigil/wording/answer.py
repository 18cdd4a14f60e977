"""The result of a command, in words, for whoever gave it."""

from collections.abc import Iterable
from datetime import tzinfo

from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmState,
    Answer,
    BatchClosed,
    Command,
    EditEvent,
    Event,
    NoteEvent,
    NoteId,
    Outcome,
)
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import alarm_state


def answer(command: Command, events: Iterable[Event], tz: tzinfo | None) -> Answer:
    """Return the result of a command, by the watch's events."""
    said: list[str] = []
    for event in events:
        match event:
            case NoteEvent(note=NoteId.REFUSED):
                return Answer(Outcome.REFUSED, event.text)
            case AlarmEvent():
                over = command.action is Action.UNSHELVE and event.state is AlarmState.NORMAL
                state = "no longer shelved" if over else alarm_state(event, tz)
                said.append(f"{ALARM_WORDS[event.alarm]}: {state}")
            case EditEvent():
                said.append(f"{event.field}: {event.new or 'cleared'}")
            case BatchClosed():
                said.append(f"batch closed: {event.summary.verdict}")
    return Answer(Outcome.DONE, ", ".join(said) or _NOTHING_NEW[command.action])


_NOTHING_NEW = {
    Action.ACKNOWLEDGE: "nothing to acknowledge",
    Action.SHELVE: "shelved",
    Action.UNSHELVE: "nothing was shelved",
    Action.EDIT: "it says that already",
    Action.OPEN: "batch opened",
    Action.CLOSE: "batch closed",
    Action.TEST_ALARM: "the test alarm is active for a minute",
}
