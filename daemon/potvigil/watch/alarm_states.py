"""The states an alarm goes through; alarm_rules.py lists the alarms.

    condition true for the on-delay     -> unacknowledged (announced; announced again after 10, 20, 40,
                                           then every 60 min)
    acknowledged                        -> acknowledged (silent; the condition is still true)
    condition false for the off-delay,
    or over for good                    -> from acknowledged: normal
                                           from unacknowledged: returned-unacknowledged, shown until seen
    true again while returned           -> unacknowledged
    shelved                             -> silent until it ends or is unshelved; then as the condition
                                           is. A high alarm only while it is true, for 15 min at most

A condition may also be unknown (the transducer is dead). The alarm then stays as it is and neither delay
runs: a condition that was true for a second, then unknown for an hour, has not been true for an hour. The
off-delay is at least ten minutes, so that noise round a limit, or an intermittent fault, raises at most one
alarm in ten minutes (EEMUA 191). States and words as in IEC 62682 / ISA-18.2.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.watch.alarm_rules import LEAST_SHELVED_S, RULES, SENSOR_ROOTS, most_shelved_s

FIRST_REPEAT_S, LAST_REPEAT_S = 600.0, 3600.0


@dataclass(frozen=True, slots=True)
class ConditionWords:
    """The words for a condition that is true: what to do, why, and by when (by_s).

    Words that changed with every figure would be read out again and again, so they stay until their meaning
    changes. says: that meaning, None for the text without its figures. figure: a value that renews the words
    once it has moved by a step.
    """

    do: str
    text: str
    by_s: float | None = None
    says: str | None = None
    figure: float = 0.0
    step: float = 0.0

    def is_as_good_as(self, newer: "ConditionWords") -> bool:
        """Return whether the newer words mean the same."""
        return (
            self.do == newer.do
            and self._says() == newer._says()
            and (self.by_s is None) == (newer.by_s is None)
            and abs(newer.figure - self.figure) <= self.step
        )

    def _says(self) -> str:
        return _FIGURES.sub("", self.text) if self.says is None else self.says


_FIGURES = re.compile(r"[\d.:]+")


@dataclass(frozen=True, slots=True)
class Over:
    """A condition that is over for good, as after the cure; text: what is left to say about it."""

    text: str


Condition = ConditionWords | Over | None
NO_WORDS = ConditionWords("", "")


@dataclass(slots=True)
class _Alarm:
    priority: Priority
    state: AlarmState = AlarmState.NORMAL
    announced: ConditionWords = NO_WORDS
    newest: ConditionWords = NO_WORDS
    since_s: float = 0.0
    since_utc_s: float | None = None
    true_since_s: float | None = None
    false_since_s: float | None = None
    announced_s: float = 0.0
    repeat_at_s: float = 0.0
    repeat_s: float = FIRST_REPEAT_S
    shelved_until_s: float = 0.0
    shelved_until_utc_s: float | None = None
    by_whom: str = ""

    def hear(self, newest: ConditionWords) -> None:
        """Take the current words, and show them where they say something new."""
        self.newest = newest
        if not self.announced.is_as_good_as(newest):
            self.announced = newest

    @property
    def until_utc_s(self) -> float | None:
        return self.shelved_until_utc_s if self.state is AlarmState.SHELVED else None


class AlarmBook:
    """The alarms of one pot."""

    def __init__(self) -> None:
        self._alarms = {alarm: _Alarm(rule.priority) for alarm, rule in RULES.items()}
        self._not_normal: set[AlarmId] = set()
        self._rising: set[AlarmId] = set()  # true, but not yet for the on-delay
        self._last_s: float | None = None

    def update(
        self, t_s: float, utc_s: float | None, conditions: Mapping[AlarmId, Condition]
    ) -> list[AlarmEvent]:
        """Take the current conditions; return the alarms that changed or are announced again.

        conditions: the words to show where the alarm's condition is true, None or Over where it is false;
        an alarm that is missing is unknown and stays as it is.
        """
        events: list[AlarmEvent] = []
        self._stand_still(0.0 if self._last_s is None else t_s - self._last_s, conditions)
        self._last_s = t_s
        for alarm, condition in conditions.items():
            words = None if isinstance(condition, Over) else condition
            if words is None and alarm not in self._not_normal and alarm not in self._rising:
                continue  # normal, as nearly all of them nearly always are
            entry = self._alarms[alarm]
            if words is None:
                if entry.state is AlarmState.NORMAL:
                    entry.true_since_s = None
                    self._rising.discard(alarm)
                else:
                    if isinstance(condition, Over):
                        entry.announced = entry.newest = ConditionWords("", condition.text)
                    off_delay_s = 0.0 if isinstance(condition, Over) else RULES[alarm].off_delay_s
                    self._clear(alarm, entry, off_delay_s, t_s, utc_s, events)
            elif not any(map(self._is_root, RULES[alarm].hidden_by & (self._not_normal | self._rising))):
                self._set(alarm, entry, words, t_s, utc_s, events)
            elif alarm in self._not_normal and entry.true_since_s is not None:
                entry.hear(words)  # it was raised first; keep its text true
                entry.false_since_s = None
        for alarm in self._shown():
            entry = self._alarms[alarm]
            if entry.state is AlarmState.SHELVED and t_s >= entry.shelved_until_s:
                self._unshelve(alarm, entry, t_s, utc_s, events)
            elif (
                entry.state is AlarmState.UNACKNOWLEDGED
                and entry.false_since_s is None  # about to return: its next event is that
                and t_s >= entry.repeat_at_s
                and not any(map(self._is_announced, RULES[alarm].hidden_by - SENSOR_ROOTS))
            ):
                entry.announced_s = t_s
                entry.announced = entry.newest
                entry.repeat_s = min(2.0 * entry.repeat_s, LAST_REPEAT_S)
                entry.repeat_at_s = t_s + entry.repeat_s
                events.append(self._event(alarm, entry, t_s, utc_s, repeat=True))
        return events

    def acknowledge(
        self, t_s: float, utc_s: float | None, alarm: AlarmId | None, by_whom: str = ""
    ) -> list[AlarmEvent]:
        """Acknowledge one alarm, or all with None; the condition itself does not change."""
        events: list[AlarmEvent] = []
        for each in RULES if alarm is None else (alarm,):
            entry = self._alarms[each]
            if entry.state is AlarmState.UNACKNOWLEDGED:
                self._move(each, entry, AlarmState.ACKNOWLEDGED, t_s, utc_s, events, by_whom)
            elif entry.state is AlarmState.RETURNED:
                self._move(each, entry, AlarmState.NORMAL, t_s, utc_s, events, by_whom)
        return events

    def prioritise_test(self, priority: Priority) -> None:
        """Give the test alarm a priority, so that it reaches everything an alarm of that priority reaches."""
        self._alarms[AlarmId.TEST].priority = priority

    def stands(self, alarm: AlarmId) -> bool:
        """Return whether an alarm is anything but normal."""
        return alarm in self._not_normal

    def is_shelved(self, alarm: AlarmId) -> bool:
        return self._alarms[alarm].state is AlarmState.SHELVED

    def may_be_shelved(self, alarm: AlarmId) -> bool:
        """Return whether an alarm can be shelved now: a high one only while its condition is true."""
        return self._alarms[alarm].priority is not Priority.HIGH or alarm in self.true_now

    def shelve(self, t_s: float, utc_s: float | None, alarm: AlarmId, duration_s: float) -> list[AlarmEvent]:
        """Silence an alarm for `duration_s`, where it may be shelved; a shelving always ends."""
        events: list[AlarmEvent] = []
        if not self.may_be_shelved(alarm):
            return events
        entry = self._alarms[alarm]
        if entry.state is AlarmState.NORMAL:
            entry.since_s, entry.since_utc_s = t_s, utc_s
        lasts_s = min(max(duration_s, LEAST_SHELVED_S), most_shelved_s(alarm))
        entry.shelved_until_s = t_s + lasts_s
        entry.shelved_until_utc_s = None if utc_s is None else utc_s + lasts_s
        self._move(alarm, entry, AlarmState.SHELVED, t_s, utc_s, events)
        return events

    def unshelve(self, t_s: float, utc_s: float | None, alarm: AlarmId | None) -> list[AlarmEvent]:
        """Unshelve one alarm, or all with None; each returns to the state of its condition."""
        events: list[AlarmEvent] = []
        for each in RULES if alarm is None else (alarm,):
            if self.is_shelved(each):
                self._unshelve(each, self._alarms[each], t_s, utc_s, events)
        return events

    def standing(self) -> tuple[StandingAlarm, ...]:
        """Return all alarms that are not normal: high before low, then in the order of the rules."""
        shown = []
        for alarm in self._shown():
            entry = self._alarms[alarm]
            shown.append(
                StandingAlarm(
                    alarm,
                    entry.priority,
                    entry.state,
                    entry.since_s,
                    entry.since_utc_s,
                    entry.announced.text,
                    entry.until_utc_s,
                    entry.announced.do,
                    entry.announced.by_s,
                    entry.announced_s,
                    entry.by_whom,
                )
            )
        shown.sort(key=lambda each: list(Priority).index(each.priority))
        return tuple(shown)

    def _shown(self) -> list[AlarmId]:
        return [alarm for alarm in RULES if alarm in self._not_normal] if self._not_normal else []

    @property
    def true_now(self) -> frozenset[AlarmId]:
        """The alarms whose condition is true (raised, and not yet returned)."""
        return frozenset(each for each in self._not_normal if self._alarms[each].true_since_s is not None)

    def _stand_still(self, elapsed_s: float, known: Mapping[AlarmId, Condition]) -> None:
        """Pause the delays of unknown conditions for the time since the last update."""
        for alarm in self._rising | self._not_normal:
            if alarm in known:
                continue
            entry = self._alarms[alarm]
            if entry.true_since_s is not None and alarm in self._rising:
                entry.true_since_s += elapsed_s
            if entry.false_since_s is not None:
                entry.false_since_s += elapsed_s

    def _is_announced(self, alarm: AlarmId) -> bool:
        """Return whether the alarm itself is being repeated, and so speaks for its consequences."""
        return self._alarms[alarm].state is AlarmState.UNACKNOWLEDGED

    def _is_root(self, alarm: AlarmId) -> bool:
        """Return whether an alarm's condition is true, so that it hides its consequences."""
        entry = self._alarms[alarm]
        if entry.true_since_s is None or entry.state is AlarmState.RETURNED:
            return False
        # once the readings are good again they count, though the alarm has not returned yet
        return alarm not in SENSOR_ROOTS or entry.false_since_s is None

    def _set(
        self,
        alarm: AlarmId,
        entry: _Alarm,
        words: ConditionWords,
        t_s: float,
        utc_s: float | None,
        events: list[AlarmEvent],
    ) -> None:
        entry.false_since_s = None
        if entry.true_since_s is None:
            entry.true_since_s = t_s
            self._rising.add(alarm)
        if entry.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SHELVED):
            entry.hear(words)
        elif t_s - entry.true_since_s >= RULES[alarm].on_delay_s:
            entry.newest = words
            self._raise(alarm, entry, t_s, utc_s, events)

    def _clear(
        self,
        alarm: AlarmId,
        entry: _Alarm,
        off_delay_s: float,
        t_s: float,
        utc_s: float | None,
        events: list[AlarmEvent],
    ) -> None:
        if entry.true_since_s is None:
            return  # already returned or shelved
        if entry.false_since_s is None:
            entry.false_since_s = t_s
        if t_s - entry.false_since_s < off_delay_s:
            return
        entry.true_since_s = entry.false_since_s = None
        if entry.state is AlarmState.UNACKNOWLEDGED:
            self._move(alarm, entry, AlarmState.RETURNED, t_s, utc_s, events)
        elif entry.state is AlarmState.ACKNOWLEDGED or (
            # the next occurrence is a new event, and was not shelved
            entry.state is AlarmState.SHELVED and entry.priority is Priority.HIGH
        ):
            self._move(alarm, entry, AlarmState.NORMAL, t_s, utc_s, events)

    def _raise(
        self, alarm: AlarmId, entry: _Alarm, t_s: float, utc_s: float | None, events: list[AlarmEvent]
    ) -> None:
        entry.since_s, entry.since_utc_s = t_s, utc_s
        entry.announced_s = t_s
        entry.announced = entry.newest
        entry.repeat_s = FIRST_REPEAT_S
        entry.repeat_at_s = t_s + FIRST_REPEAT_S
        self._move(alarm, entry, AlarmState.UNACKNOWLEDGED, t_s, utc_s, events)

    def _unshelve(
        self, alarm: AlarmId, entry: _Alarm, t_s: float, utc_s: float | None, events: list[AlarmEvent]
    ) -> None:
        if entry.true_since_s is not None:
            self._raise(alarm, entry, t_s, utc_s, events)
        else:
            self._move(alarm, entry, AlarmState.NORMAL, t_s, utc_s, events)

    def _move(
        self,
        alarm: AlarmId,
        entry: _Alarm,
        state: AlarmState,
        t_s: float,
        utc_s: float | None,
        events: list[AlarmEvent],
        by_whom: str = "",
    ) -> None:
        entry.state, entry.by_whom = state, by_whom
        self._rising.discard(alarm)
        if state is AlarmState.NORMAL:
            self._not_normal.discard(alarm)
        else:
            self._not_normal.add(alarm)
        events.append(self._event(alarm, entry, t_s, utc_s))

    def _event(
        self, alarm: AlarmId, entry: _Alarm, t_s: float, utc_s: float | None, repeat: bool = False
    ) -> AlarmEvent:
        return AlarmEvent(
            t_s,
            utc_s,
            alarm,
            entry.state,
            entry.priority,
            entry.announced.text,
            repeat=repeat,
            until_utc_s=entry.until_utc_s,
            do=entry.announced.do,
            by_s=entry.announced.by_s,
            by_whom=entry.by_whom,
        )
