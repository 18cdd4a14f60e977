"""Alarms, active and otherwise, for the tests of who is notified of what."""

from potvigil.model.events import AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.notifying.schedule import (
    NoticeKind,
    Recipient,
    Situation,
)

UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC
UNSEEN, SEEN, OVER, ASIDE = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED,
    AlarmState.SHELVED,
)
HIGH, LOW = Priority.HIGH, Priority.LOW
RAISED, AGAIN, CHANGED, TEST = NoticeKind.RAISED, NoticeKind.AGAIN, NoticeKind.CHANGED, NoticeKind.TEST
ANNA = Recipient("Anna", frozenset(Priority))
FLOOR, LEAK = AlarmId.FLOOR_AHEAD, AlarmId.LEAK


def alarm(
    which: AlarmId = FLOOR,
    priority: Priority = HIGH,
    state: AlarmState = UNSEEN,
    since_s: float = 1000.0,
    announced_s: float | None = None,
) -> StandingAlarm:
    return StandingAlarm(which, priority, state, since_s, None, "Why.", announced_s=announced_s)


def at(t_s: float, *alarms: StandingAlarm, utc_s: float | None = None, pot: str = "lantern") -> Situation:
    return Situation(t_s, utc_s, {pot: alarms})
