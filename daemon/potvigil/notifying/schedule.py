"""What is due to whom: takes active alarms and what a recipient knows of them, returns what to send.

An alarm is sent when it is raised, again whenever the watch repeats it, and a last time when it is
acknowledged, shelved or over, but then only to those who got it. Nothing is sent here: what could not be
delivered is not marked, so it is due again, in up-to-date words.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from potvigil.model.events import AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.model.quiet_hours import QuietHours
from potvigil.watch.alarm_rules import RULES

# In place of a pot: the watch itself, when it is silent.
THE_WATCH = ""
# Whoever was notified this shortly before a repeat needs no reminder.
REMINDED_S = 300.0
# Notices that an alarm was acknowledged or is over: at most one in this time, per pot.
NOTICE_EVERY_S = 600.0
# The present time may lag by a slow reading; a mark further ahead than this is of another axis.
_SLACK_S = 60.0


class NoticeKind(StrEnum):
    RAISED = "raised"
    AGAIN = "again"
    CHANGED = "changed"  # acknowledged, shelved, or over
    TEST = "test"


@dataclass(frozen=True, slots=True)
class Recipient:
    """Who is notified of what. after_s: only of alarms unacknowledged for that long."""

    name: str
    priorities: frozenset[Priority]
    quiet_hours: QuietHours | None = None
    after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Situation:
    """The active alarms at a time on the record's axis, by pot; a pot that is missing is unknown.

    rehearsed: whether the alarms are a rehearsal's.
    """

    t_s: float
    utc_s: float | None
    standing: Mapping[str, Sequence[StandingAlarm]]
    rehearsed: bool = False


@dataclass(frozen=True, slots=True)
class Due:
    """An alarm to send now, and why."""

    pot_id: str
    alarm: StandingAlarm
    kind: NoticeKind

    @property
    def is_urgent(self) -> bool:
        return self.alarm.priority is Priority.HIGH and self.kind is not NoticeKind.CHANGED


@dataclass(frozen=True, slots=True)
class AlarmMark:
    """An alarm that a recipient was sent: since when it is active, and when it was last sent."""

    since_s: float
    sent_s: float


Key = tuple[str, AlarmId]  # pot, alarm


@dataclass(frozen=True, slots=True)
class Book:
    """What a recipient knows. marks: of alarms not over yet. noticed: time of each pot's last notice, s."""

    marks: Mapping[Key, AlarmMark] = field(default_factory=dict)
    noticed: Mapping[str, float] = field(default_factory=dict)

    def with_sent(self, sent: Iterable[Due], t_s: float) -> "Book":
        """Return the book after these were sent at `t_s`."""
        marks, noticed = dict(self.marks), dict(self.noticed)
        for due in sent:
            key = due.pot_id, due.alarm.alarm
            if due.kind is NoticeKind.CHANGED:
                marks.pop(key, None)
                noticed[due.pot_id] = t_s
            else:
                marks[key] = AlarmMark(due.alarm.since_s, t_s)
        return Book(marks, noticed)

    def at(self, now: Situation) -> "Book":
        """Return the part still valid: no finished tests, nothing from before the axis restarted."""
        tests = {(pot_id, AlarmId.TEST) for pot_id in now.standing} - {
            (pot_id, each.alarm) for pot_id, alarms in now.standing.items() for each in alarms
        }
        last_s = now.t_s + _SLACK_S
        marks = {key: mark for key, mark in self.marks.items() if key not in tests and mark.sent_s <= last_s}
        noticed = {pot_id: sent_s for pot_id, sent_s in self.noticed.items() if sent_s <= last_s}
        return self if (len(marks), len(noticed)) == self._size else Book(marks, noticed)

    @property
    def _size(self) -> tuple[int, int]:
        return len(self.marks), len(self.noticed)


def due(recipient: Recipient, book: Book, now: Situation) -> tuple[Due, ...]:
    """Return everything due to a recipient now, most urgent first, to go into one message."""
    found = [*_alarms(recipient, book, now), *_notices(recipient, book, now)]
    found.sort(key=lambda each: (not each.is_urgent, each.kind is NoticeKind.CHANGED))
    return tuple(found)


def _alarms(recipient: Recipient, book: Book, now: Situation) -> Iterator[Due]:
    for pot_id, alarms in now.standing.items():
        for alarm in alarms:
            mark = book.marks.get((pot_id, alarm.alarm))
            kind = _kind(alarm, mark)
            if kind is not None and _is_for(recipient, alarm, now):
                yield Due(pot_id, alarm, kind)


def _kind(alarm: StandingAlarm, mark: AlarmMark | None) -> NoticeKind | None:
    """Return the kind of notice due for an alarm, None where none is."""
    if alarm.state is not AlarmState.UNACKNOWLEDGED:
        return None
    if alarm.alarm is AlarmId.TEST:
        return NoticeKind.TEST if mark is None or mark.since_s != alarm.since_s else None
    # since_s differs if a restarted watch found the same alarm again
    if mark is None or alarm.since_s - mark.sent_s >= REMINDED_S:
        return NoticeKind.RAISED
    announced_s = alarm.since_s if alarm.announced_s is None else alarm.announced_s
    return NoticeKind.AGAIN if announced_s - mark.sent_s >= REMINDED_S else None


def _is_for(recipient: Recipient, alarm: StandingAlarm, now: Situation) -> bool:
    if alarm.alarm is AlarmId.TEST:
        return True
    return (
        alarm.priority in recipient.priorities
        and now.t_s - alarm.since_s >= recipient.after_s
        and not _is_held_back(recipient, alarm, now)
    )


def _is_held_back(recipient: Recipient, alarm: StandingAlarm, now: Situation) -> bool:
    quiet = recipient.quiet_hours
    return alarm.priority is not Priority.HIGH and quiet is not None and quiet.hold(now.utc_s)


def _notices(recipient: Recipient, book: Book, now: Situation) -> Iterator[Due]:
    for (pot_id, alarm_id), mark in book.marks.items():
        alarms = now.standing.get(pot_id)
        if alarms is None or alarm_id is AlarmId.TEST:
            continue  # unknown, or nothing to send
        alarm = next((each for each in alarms if each.alarm is alarm_id), None) or _over(alarm_id, mark)
        is_due = now.t_s - book.noticed.get(pot_id, float("-inf")) >= NOTICE_EVERY_S
        if (
            alarm.state is not AlarmState.UNACKNOWLEDGED
            and is_due
            and not _is_held_back(recipient, alarm, now)
        ):
            yield Due(pot_id, alarm, NoticeKind.CHANGED)


def _over(alarm: AlarmId, mark: AlarmMark) -> StandingAlarm:
    return StandingAlarm(alarm, RULES[alarm].priority, AlarmState.NORMAL, mark.since_s, None, "")
