"""An alarm as a person is told it: what to do first, then why."""

from potvigil.model.events import AlarmEvent, StandingAlarm
from potvigil.wording.quantities import TimeTeller


def headline(alarm: AlarmEvent | StandingAlarm, teller: TimeTeller) -> str:
    """Return what to do and by when, without a full stop."""
    return alarm.text.partition(". ")[0].removesuffix(".")


def in_words(alarm: AlarmEvent | StandingAlarm, teller: TimeTeller) -> str:
    """Return what to do and by when, then the reasons."""
    return alarm.text
