"""An alarm in words: first what to do and by when, then why. Every way of telling uses these words."""

from potvigil.model.events import StandingAlarm
from potvigil.wording.quantities import TimeTeller


def headline(alarm: StandingAlarm, teller: TimeTeller) -> str:
    """Return what to do and by when, e.g. 'Top up to 60.0 psi by 05:48 tomorrow'; '' if nothing is said."""
    return alarm.do


def in_words(alarm: StandingAlarm, teller: TimeTeller) -> str:
    """Return all there is to say, the headline first."""
    do = headline(alarm, teller)
    return ". ".join(part for part in (do, alarm.text) if part)
