"""An alarm in words: first what to do and by when, then why. Every output uses these words."""

from potvigil.model.events import AlarmEvent, AlarmState, StandingAlarm
from potvigil.wording.quantities import TimeTeller


def headline(alarm: AlarmEvent | StandingAlarm, teller: TimeTeller) -> str:
    """Return what to do and by when, e.g. 'Top up to 60.0 psi by 05:48 tomorrow'.

    '' if there is nothing to do, or where the condition is over: nobody has to get up for that.
    """
    if alarm.state in (AlarmState.RETURNED, AlarmState.NORMAL):
        return ""
    if not alarm.do or alarm.by_s is None:
        return alarm.do
    return f"{alarm.do} {teller.by(alarm.by_s)}"


def in_words(alarm: AlarmEvent | StandingAlarm, teller: TimeTeller) -> str:
    """Return the full text, headline first."""
    do = headline(alarm, teller)
    return ". ".join(part for part in (do, alarm.text) if part)
