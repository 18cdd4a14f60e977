"""The states an alarm goes through; which alarms there are stands in alarm_rules.py.

    condition true for the on-delay     -> unacknowledged (announced; announced again after 10, 20, 40,
                                           then every 60 min)
    acknowledged                        -> acknowledged (silent; the condition stands)
    condition false for the off-delay,
    or over for good                    -> from acknowledged: normal
                                           from unacknowledged: returned-unacknowledged, shown until seen
    true again while returned           -> unacknowledged
    shelved                             -> silent until its end, or until it is taken back; then as the
                                           condition is. A high alarm only while it stands, 15 min at most

A condition may also be unknown (the transducer is dead): then the alarm stays as it is, and neither delay
runs: what was true for a moment before an hour of nothing has not been true for an hour. The off-delay is
at least ten minutes, so that noise round a limit, or a fault that comes and goes, makes one alarm in ten
minutes and no more (EEMUA 191). States and words as in IEC 62682 / ISA-18.2.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.watch.alarm_rules import LEAST_SHELVED_S, RULES, SENSOR_ROOTS, most_shelved_s

FIRST_REPEAT_S, LAST_REPEAT_S = 600.0, 3600.0


@dataclass(frozen=True, slots=True)
class ConditionWords:
    """What is to be said of a condition that is true: what to do, why, and by when (by_s).

    Words that change with every figure in them would be read out again and again: they stay until they say
    something else. says: what that is, None for the text without its figures. figure: one that counts for
    itself, once it has moved by a step.
    """

    do: str
    text: str
    by_s: float | None = None
    says: str | None = None
    figure: float = 0.0
    step: float = 0.0

    def is_as_good_as(self, newer: "ConditionWords") -> bool:
        """Say whether the newer words would say nothing else."""
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
    """A condition that is over for good, as by the end of the cure; text: what is left to say of it."""

    text: str


Condition = ConditionWords | Over | None
NOTHING_TOLD = ConditionWords("", "")


@dataclass(slots=True)
class _Alarm:
    priority: Priority
    state: AlarmState = AlarmState.NORMAL
    told: ConditionWords = NOTHING_TOLD
    newest: ConditionWords = NOTHING_TOLD
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
        """Take what could be said now, and say it where it is news."""
        self.newest = newest
        if not self.told.is_as_good_as(newest):
            self.told = newest

    @property
    def until_utc_s(self) -> float | None:
        return self.shelved_until_utc_s if self.state is AlarmState.SHELVED else None


class AlarmBook:
    """The alarms of one pot."""

    def __init__(self) -> None:
        self._alarms = {alarm: _Alarm(rule.priority) for alarm, rule in RULES.items()}
        self._not_normal: set[AlarmId] = set()
        self._rising: set[AlarmId] = set()  # true, but not for its on-delay yet
        self._last_s: float | None = None

    def update(
        self, t_s: float, utc_s: float | None, conditions: Mapping[AlarmId, Condition]
    ) -> list[AlarmEvent]:
        """Take what is true now and return what changed or is announced again.

        conditions: the words for a person where the alarm's condition is true, None or Over where it is
        false; an alarm that is missing is unknown and stays as it is.
        """
        events: list[AlarmEvent] = []
        self._stand_still(0.0 if self._last_s is None else t_s - self._last_s, conditions)
        self._last_s = t_s
        for alarm, condition in conditions.items():
            told = None if isinstance(condition, Over) else condition
            if told is None and alarm not in self._not_normal and alarm not in self._rising:
                continue  # at rest, as nearly all of them nearly always are
            entry = self._alarms[alarm]
            if told is None:
                if entry.state is AlarmState.NORMAL:
                    entry.true_since_s = None
                    self._rising.discard(alarm)
                else:
                    if isinstance(condition, Over):
                        entry.told = entry.newest = ConditionWords("", condition.text)
                    off_delay_s = 0.0 if isinstance(condition, Over) else RULES[alarm].off_delay_s
                    self._clear(alarm, entry, off_delay_s, t_s, utc_s, events)
            elif not any(map(self._is_root, RULES[alarm].hidden_by & (self._not_normal | self._rising))):
                self._set(alarm, entry, told, t_s, utc_s, events)
            elif alarm in self._not_normal and entry.true_since_s is not None:
                entry.hear(told)  # it stood first; what it says stays true
                entry.false_since_s = None
        for alarm in self._shown():
            entry = self._alarms[alarm]
            if entry.state is AlarmState.SHELVED and t_s >= entry.shelved_until_s:
                self._unshelve(alarm, entry, t_s, utc_s, events)
            elif (
                entry.state is AlarmState.UNACKNOWLEDGED
                and entry.false_since_s is None  # on its way back: returned is what is said next
                and t_s >= entry.repeat_at_s
                and not any(map(self._is_announced, RULES[alarm].hidden_by - SENSOR_ROOTS))
            ):
                entry.announced_s = t_s
                entry.told = entry.newest
                entry.repeat_s = min(2.0 * entry.repeat_s, LAST_REPEAT_S)
                entry.repeat_at_s = t_s + entry.repeat_s
                events.append(self._event(alarm, entry, t_s, utc_s, repeat=True))
        return events

    def acknowledge(
        self, t_s: float, utc_s: float | None, alarm: AlarmId | None, by_whom: str = ""
    ) -> list[AlarmEvent]:
        """Acknowledge one alarm, or all with None; the condition itself stays as it is."""
        events: list[AlarmEvent] = []
        for each in RULES if alarm is None else (alarm,):
            entry = self._alarms[each]
            if entry.state is AlarmState.UNACKNOWLEDGED:
                self._move(each, entry, AlarmState.ACKNOWLEDGED, t_s, utc_s, events, by_whom)
            elif entry.state is AlarmState.RETURNED:
                self._move(each, entry, AlarmState.NORMAL, t_s, utc_s, events, by_whom)
        return events

    def prioritise_test(self, priority: Priority) -> None:
        """Give the test alarm a priority, so that it goes every way that an alarm of that priority goes."""
        self._alarms[AlarmId.TEST].priority = priority

    def stands(self, alarm: AlarmId) -> bool:
        """Say whether an alarm is anything but normal."""
        return alarm in self._not_normal

    def is_shelved(self, alarm: AlarmId) -> bool:
        return self._alarms[alarm].state is AlarmState.SHELVED

    def may_be_shelved(self, alarm: AlarmId) -> bool:
        """Say whether an alarm can be put aside now: nobody silences a high one that may yet come (again)."""
        return self._alarms[alarm].priority is not Priority.HIGH or alarm in self.true_now

    def shelve(self, t_s: float, utc_s: float | None, alarm: AlarmId, duration_s: float) -> list[AlarmEvent]:
        """Silence an alarm until `duration_s` from now, where it may be; it always has an end."""
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
        """Take a shelving back, or all with None: each alarm is then as its condition is."""
        events: list[AlarmEvent] = []
        for each in RULES if alarm is None else (alarm,):
            if self.is_shelved(each):
                self._unshelve(each, self._alarms[each], t_s, utc_s, events)
        return events

    def standing(self) -> tuple[StandingAlarm, ...]:
        """Return all alarms that are not normal: high before low, and in the order of the rules."""
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
                    entry.told.text,
                    entry.until_utc_s,
                    entry.told.do,
                    entry.told.by_s,
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
        """The alarms whose condition stands (raised, and not yet returned)."""
        return frozenset(each for each in self._not_normal if self._alarms[each].true_since_s is not None)

    def _stand_still(self, elapsed_s: float, known: Mapping[AlarmId, Condition]) -> None:
        """Let the delays of what is unknown stand still for the time since the last update."""
        for alarm in self._rising | self._not_normal:
            if alarm in known:
                continue
            entry = self._alarms[alarm]
            if entry.true_since_s is not None and alarm in self._rising:
                entry.true_since_s += elapsed_s
            if entry.false_since_s is not None:
                entry.false_since_s += elapsed_s

    def _is_announced(self, alarm: AlarmId) -> bool:
        """Say whether it is told again and again itself, and so speaks for its consequences."""
        return self._alarms[alarm].state is AlarmState.UNACKNOWLEDGED

    def _is_root(self, alarm: AlarmId) -> bool:
        """Say whether an alarm's condition stands, so that it hides its consequences."""
        entry = self._alarms[alarm]
        if entry.true_since_s is None or entry.state is AlarmState.RETURNED:
            return False
        # once the readings are good again, what they say counts, though the alarm has not returned yet
        return alarm not in SENSOR_ROOTS or entry.false_since_s is None

    def _set(
        self,
        alarm: AlarmId,
        entry: _Alarm,
        told: ConditionWords,
        t_s: float,
        utc_s: float | None,
        events: list[AlarmEvent],
    ) -> None:
        entry.false_since_s = None
        if entry.true_since_s is None:
            entry.true_since_s = t_s
            self._rising.add(alarm)
        if entry.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SHELVED):
            entry.hear(told)
        elif t_s - entry.true_since_s >= RULES[alarm].on_delay_s:
            entry.newest = told
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
            return  # returned or shelved already
        if entry.false_since_s is None:
            entry.false_since_s = t_s
        if t_s - entry.false_since_s < off_delay_s:
            return
        entry.true_since_s = entry.false_since_s = None
        if entry.state is AlarmState.UNACKNOWLEDGED:
            self._move(alarm, entry, AlarmState.RETURNED, t_s, utc_s, events)
        elif entry.state is AlarmState.ACKNOWLEDGED or (
            # what comes after it is another event, and was not put aside
            entry.state is AlarmState.SHELVED and entry.priority is Priority.HIGH
        ):
            self._move(alarm, entry, AlarmState.NORMAL, t_s, utc_s, events)

    def _raise(
        self, alarm: AlarmId, entry: _Alarm, t_s: float, utc_s: float | None, events: list[AlarmEvent]
    ) -> None:
        entry.since_s, entry.since_utc_s = t_s, utc_s
        entry.announced_s = t_s
        entry.told = entry.newest
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
            entry.told.text,
            repeat=repeat,
            until_utc_s=entry.until_utc_s,
            do=entry.told.do,
            by_s=entry.told.by_s,
            by_whom=entry.by_whom,
        )
