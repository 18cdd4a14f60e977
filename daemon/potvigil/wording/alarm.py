"""An alarm in words: first what to do and by when, then why. Every way of telling uses these words."""

from potvigil.model.events import AlarmEvent, AlarmState, StandingAlarm
from potvigil.wording.quantities import TimeTeller


def headline(alarm: AlarmEvent | StandingAlarm, teller: TimeTeller) -> str:
    """Return what to do and by when, e.g. 'Top up to 60.0 psi by 05:48 tomorrow'.

    '' if nothing is said, or where the condition is over: nobody gets up for that any more.
    """
    if alarm.state in (AlarmState.RETURNED, AlarmState.NORMAL):
        return ""
    if not alarm.do or alarm.by_s is None:
        return alarm.do
    return f"{alarm.do} {teller.by(alarm.by_s)}"


def in_words(alarm: AlarmEvent | StandingAlarm, teller: TimeTeller) -> str:
    """Return all there is to say, the headline first."""
    do = headline(alarm, teller)
    return ". ".join(part for part in (do, alarm.text) if part)
