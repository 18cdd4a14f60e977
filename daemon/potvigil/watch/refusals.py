"""Why a command cannot be carried out."""

from potvigil.model.events import Action, AlarmId, Command, Priority
from potvigil.watch.alarm_states import AlarmBook

UNDER_PRESSURE = (
    "The pot is under pressure, so its batch stays open and monitored. "
    "It closes by itself once the pot is vented."
)


def refusal(command: Command, alarms: AlarmBook, *, batch_open: bool, under_pressure: bool) -> str | None:
    """Return why not, None where it can be done; batch_edits.py judges the text of a detail."""
    alarm = command.alarm
    match command.action:
        case Action.ACKNOWLEDGE if alarm is not None and not alarms.stands(alarm):
            return f"{alarm} is not active: there is nothing to acknowledge"
        case Action.SHELVE if alarm is None:
            return "give the alarm to shelve"
        case Action.SHELVE if alarm is not None and not alarms.may_be_shelved(alarm):
            return f"{alarm} is not active; a high-priority alarm can be shelved only while it is"
        case Action.UNSHELVE if alarm is not None and not alarms.is_shelved(alarm):
            return f"{alarm} is not shelved: there is nothing to unshelve"
        case Action.EDIT if command.field is None:
            return "give the detail to change"
        case Action.OPEN if batch_open:
            return "a batch is already open; change that one, or close it first"
        case Action.CLOSE if not batch_open:
            return "no batch is open"
        case Action.CLOSE if under_pressure:
            return UNDER_PRESSURE
        case Action.TEST_ALARM if command.text not in ("", *Priority):
            return f"there is no priority {command.text!r}; give {', '.join(Priority)}"
        case Action.TEST_ALARM if alarms.is_shelved(AlarmId.TEST):
            return "the test alarm is shelved, so nobody would hear it; unshelve it first"
    return None
