"""Why a command cannot be carried out."""

from potvigil.model.events import Action, AlarmId, Command, Priority
from potvigil.watch.alarm_states import AlarmBook

UNDER_PRESSURE = (
    "The pot is under pressure, so its batch stays open and watched. "
    "It closes by itself once the pot is vented."
)


def refusal(command: Command, alarms: AlarmBook, *, batch_open: bool, under_pressure: bool) -> str | None:
    """Return why not, None where it can be done; of a detail's text batch_edits.py says so."""
    alarm = command.alarm
    match command.action:
        case Action.ACKNOWLEDGE if alarm is not None and not alarms.stands(alarm):
            return f"{alarm} does not stand: there is nothing to acknowledge"
        case Action.SHELVE if alarm is None:
            return "say which alarm is to be put aside"
        case Action.SHELVE if alarm is not None and not alarms.may_be_shelved(alarm):
            return f"{alarm} does not stand; an alarm of high priority is put aside only while it does"
        case Action.UNSHELVE if alarm is not None and not alarms.is_shelved(alarm):
            return f"{alarm} is not put aside: there is nothing to take back"
        case Action.EDIT if command.field is None:
            return "say which detail is to be changed"
        case Action.OPEN if batch_open:
            return "a batch is open; change that one, or close it first"
        case Action.CLOSE if not batch_open:
            return "no batch is open"
        case Action.CLOSE if under_pressure:
            return UNDER_PRESSURE
        case Action.TEST_ALARM if command.text not in ("", *Priority):
            return f"there is no priority {command.text!r}; give {', '.join(Priority)}"
        case Action.TEST_ALARM if alarms.is_shelved(AlarmId.TEST):
            return "the test alarm is put aside, so nobody would hear it; take that back first"
    return None
