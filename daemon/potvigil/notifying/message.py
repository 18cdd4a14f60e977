"""A message: everything due to a recipient now, in the words of the alarms."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from potvigil.model.events import AlarmId
from potvigil.notifying.schedule import THE_WATCH, Due, NoticeKind, Situation
from potvigil.units import span
from potvigil.wording.alarm import headline, in_words
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import TimeTeller, alarm_state, shown

# After this a message says for how long the alarm has been unacknowledged.
_LONG_S = 300.0
_NO_MORE = "Nothing more is sent about it unless it comes back."
TEST_TEXT = "This is a test of the notification. Nothing is wrong."


@dataclass(frozen=True, slots=True)
class Notification:
    """What is sent. link: to the page, None where not configured. urgent: should wake somebody.

    pot, alarm: of its first alarm, if that is active and can be acknowledged; else None.
    """

    title: str
    body: str
    link: str | None = None
    urgent: bool = False
    pot: str | None = None
    alarm: AlarmId | None = None

    @property
    def text(self) -> str:
        """The body with the link beneath it."""
        return self.body if self.link is None else f"{self.body}\n\n{self.link}"


class SendError(Exception):
    """A message could not be delivered; the text says why, and holds no secret."""


# Delivers a message or raises; SendError where the reason may be shown.
Send = Callable[[Notification], None]


def test_message(link: str | None) -> Notification:
    return Notification("TEST: Potvigil", TEST_TEXT, link)


def compose(found: Sequence[Due], now: Situation, tz: tzinfo | None, link: str | None) -> Notification:
    """Put what is due into one message. found: at least one. tz: None for the machine's own zone."""
    teller = TimeTeller(now.t_s, now.utc_s, tz)
    first, *others = found
    stamps = ["REHEARSAL"] if now.rehearsed else []
    stamps += ["TEST"] if first.kind is NoticeKind.TEST else []
    title = ": ".join([*stamps, _title(first, teller, tz)])
    if others:
        title += f" (and {len(others)} more)"
        body = "\n".join(_line(each, now, teller, tz) for each in found)
    else:
        body = _body(first, now)
    pot_id = None if first.pot_id == THE_WATCH else first.pot_id
    alarm = None if pot_id is None or first.kind is NoticeKind.CHANGED else first.alarm.alarm
    return Notification(_plain(title), body, link, any(each.is_urgent for each in found), pot_id, alarm)


def _title(due: Due, teller: TimeTeller, tz: tzinfo | None) -> str:
    if due.kind is NoticeKind.CHANGED:
        return f"{_whose(due)}{_change(due, tz)}"
    return f"{_whose(due)}{headline(due.alarm, teller) or ALARM_WORDS[due.alarm.alarm]}"


def _body(due: Due, now: Situation) -> str:
    if due.kind is NoticeKind.CHANGED:  # the reason it was raised no longer matters
        return _NO_MORE
    return _plain(f"{due.alarm.text}{_unseen(due, now)}")


def _line(due: Due, now: Situation, teller: TimeTeller, tz: tzinfo | None) -> str:
    if due.kind is NoticeKind.CHANGED:
        return _plain(f"{_whose(due)}{_change(due, tz)}.")
    return _plain(f"{_whose(due)}{in_words(due.alarm, teller)}{_unseen(due, now)}")


def _change(due: Due, tz: tzinfo | None) -> str:
    if due.pot_id == THE_WATCH:
        return "The watch is back"
    return f"{ALARM_WORDS[due.alarm.alarm]} ({alarm_state(due.alarm, tz)})"


def _unseen(due: Due, now: Situation) -> str:
    stood_s = now.t_s - due.alarm.since_s
    if due.kind is NoticeKind.TEST or due.pot_id == THE_WATCH or stood_s < _LONG_S:
        return ""
    return f" Not acknowledged for {span(stood_s)}."


def _whose(due: Due) -> str:
    return "" if due.pot_id == THE_WATCH else f"{due.pot_id}: "


def _plain(text: str) -> str:
    return " ".join(shown(text).split())
