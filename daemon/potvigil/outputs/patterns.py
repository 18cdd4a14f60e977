"""What the lamp and the buzzer show: active alarms in, rhythms out. Pure; nothing here has a wire.

The lamp always moves. Dark, or lit without a wink, means that no watch is running:

    calm        a short flash every 4 s          no alarm
    lit         lit, with a short wink           an alarm is active but acknowledged or shelved
    twice       two short flashes every 4 s      an alarm came and went, and is not acknowledged yet
    slow        half a second on, once in 2 s    a medium or low alarm, not acknowledged
    quick       twice a second                   a high alarm, not acknowledged

Flashing only while unacknowledged, quicker for more urgent alarms, as in IEC 60073 (slow 24 to 48 a minute,
quick 84 to 168); the colours of the lamps are from there too: green calm, yellow note, red alarm. The buzzer
sounds when an alarm is announced and at every repeat, in bursts that differ in their number of pulses. That
idea (three and two for high, three for medium, two for low) is from IEC 60601-1-8; the pace is slower, for
somebody asleep.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from potvigil.model.events import AlarmId, AlarmState, Priority

Seconds: TypeAlias = tuple[float, float]


class Lamp(StrEnum):
    """What a lamp is for. IEC 60073 gives the colours: green, yellow, red."""

    CALM = "calm"
    NOTE = "note"
    ALARM = "alarm"


@dataclass(frozen=True, slots=True)
class Rhythm:
    """On from `on[i][0]` to `on[i][1]`, s, in each period. says: its words on a console."""

    says: str
    period_s: float
    on: tuple[Seconds, ...]

    def is_on(self, t_s: float) -> bool:
        phase_s = t_s % self.period_s
        return any(begin_s <= phase_s < end_s for begin_s, end_s in self.on)

    def next_edge_s(self, t_s: float) -> float:
        """Return how long it stays unchanged from t_s; more than zero."""
        phase_s = t_s % self.period_s
        edges_s = [edge_s for pulse in self.on for edge_s in pulse] + [self.period_s]
        return min(edge_s for edge_s in edges_s if edge_s > phase_s) - phase_s


CALM = Rhythm("calm", 4.0, ((0.0, 0.15),))
LIT = Rhythm("lit", 4.0, ((0.3, 4.0),))
TWICE = Rhythm("two flashes", 4.0, ((0.0, 0.2), (0.6, 0.8)))
SLOW = Rhythm("slow flashing", 2.0, ((0.0, 0.5),))
QUICK = Rhythm("quick flashing", 0.5, ((0.0, 0.25),))
# Where several share a lamp, the first of these is shown.
_PRESSING = (QUICK, SLOW, TWICE, LIT, CALM)

# While the button is held: pressed; held for long enough, release it.
PRESSED = Rhythm("pressed", 1.0, ((0.0, 1.0),))
HELD = Rhythm("held", 0.25, ((0.0, 0.125),))


@dataclass(frozen=True, slots=True)
class Call:
    """How the buzzer announces an alarm: repeated bursts of pulses, for so long."""

    priority: Priority
    burst: Rhythm
    lasts_s: float


CALLS = {
    Priority.HIGH: Call(
        Priority.HIGH,
        Rhythm(
            "three and two pulses every 10 s for 3 min",
            10.0,
            ((0.0, 0.2), (0.4, 0.6), (0.8, 1.0), (1.8, 2.0), (2.2, 2.4)),
        ),
        180.0,
    ),
    Priority.MEDIUM: Call(
        Priority.MEDIUM,
        Rhythm("three pulses every 20 s for 1 min", 20.0, ((0.0, 0.25), (0.6, 0.85), (1.2, 1.45))),
        60.0,
    ),
    Priority.LOW: Call(Priority.LOW, Rhythm("two pulses", 30.0, ((0.0, 0.25), (0.8, 1.05))), 2.0),
}


@dataclass(frozen=True, slots=True)
class Standing:
    """One alarm that is not normal. announced_s: when it was last announced, None while silent."""

    alarm: AlarmId
    priority: Priority
    state: AlarmState
    announced_s: float | None = None


@dataclass(frozen=True, slots=True)
class Show:
    """What lamps and buzzer do. lamps: those not named are dark. called_s: when the announcement started."""

    lamps: dict[Lamp, Rhythm]
    call: Call | None = None
    called_s: float = 0.0

    def is_lit(self, lamp: Lamp, t_s: float) -> bool:
        return lamp in self.lamps and self.lamps[lamp].is_on(t_s)

    def sounds(self, t_s: float) -> bool:
        since_s = t_s - self.called_s
        return self.call is not None and 0.0 <= since_s < self.call.lasts_s and self.call.burst.is_on(since_s)

    def next_edge_s(self, t_s: float) -> float | None:
        """Return how long everything stays unchanged from t_s; None for ever."""
        edges_s = [rhythm.next_edge_s(t_s) for rhythm in self.lamps.values()]
        if self.call is not None and 0.0 <= (since_s := t_s - self.called_s) < self.call.lasts_s:
            edges_s.append(self.call.burst.next_edge_s(since_s))
        return min(edges_s, default=None)


def show(standing: Iterable[Standing], fitted: Collection[Lamp], quiet: bool, t_s: float) -> Show:
    """Return what lamps and buzzer should do at t_s.

    fitted: the lamps there are. A meaning without its own lamp is shown by the next more urgent one, else by
    the next below, so that a single lamp shows the most urgent alarm. quiet: only a high alarm sounds, and a
    test, which somebody there has asked for.
    """
    alarms = [each for each in standing if each.state is not AlarmState.NORMAL]
    wanted = [(_lamp_of(each), _rhythm_of(each)) for each in alarms] or [(Lamp.CALM, CALM)]
    lamps: dict[Lamp, Rhythm] = {}
    for lamp, rhythm in sorted(wanted, key=lambda pair: _PRESSING.index(pair[1])):
        if (there := _stand_in(lamp, fitted)) is not None:
            lamps.setdefault(there, rhythm)
    calling = [
        (CALLS[each.priority], each.announced_s)
        for each in alarms
        if each.state is AlarmState.UNACKNOWLEDGED
        and each.announced_s is not None
        and t_s - each.announced_s < CALLS[each.priority].lasts_s
        and (not quiet or each.priority is Priority.HIGH or each.alarm is AlarmId.TEST)
    ]
    if not calling:
        return Show(lamps)
    # the most urgent; of two equal ones the older, so that its rhythm is not broken
    call, called_s = min(calling, key=lambda pair: (list(Priority).index(pair[0].priority), pair[1]))
    return Show(lamps, call, called_s)


def _lamp_of(alarm: Standing) -> Lamp:
    return Lamp.ALARM if alarm.priority is Priority.HIGH else Lamp.NOTE


def _rhythm_of(alarm: Standing) -> Rhythm:
    match alarm.state:
        case AlarmState.UNACKNOWLEDGED:
            return QUICK if alarm.priority is Priority.HIGH else SLOW
        case AlarmState.RETURNED:
            return TWICE
        case _:
            return LIT


def _stand_in(lamp: Lamp, fitted: Collection[Lamp]) -> Lamp | None:
    lamps = list(Lamp)
    at = lamps.index(lamp)
    return next((each for each in (*lamps[at:], *reversed(lamps[:at])) if each in fitted), None)
