"""The alarms: their priorities and delays, what hides them, how long each may be shelved."""

from dataclasses import dataclass

from potvigil.model.events import AlarmId, Priority

OFF_DELAY_S = 600.0


@dataclass(frozen=True, slots=True)
class Rule:
    """on_delay_s: how long the condition must hold first. hidden_by: root causes that silence this alarm."""

    priority: Priority
    on_delay_s: float
    hidden_by: frozenset[AlarmId] = frozenset()
    off_delay_s: float = OFF_DELAY_S


SENSOR_ROOTS = frozenset({AlarmId.PRESSURE_SENSOR, AlarmId.READINGS_STOPPED})
_LOSS_ROOTS = SENSOR_ROOTS | {AlarmId.RAPID_LOSS, AlarmId.VENTED_EARLY}
# each of these already says that air is lost, and what that means
_LEAK_TOLD = frozenset({AlarmId.FLOOR_AHEAD, AlarmId.BELOW_FLOOR, AlarmId.SUPPLY_MASKING})

# Most urgent first.
RULES: dict[AlarmId, Rule] = {
    AlarmId.OVER_PRESSURE: Rule(Priority.HIGH, 2.0),  # raised whatever else is wrong
    AlarmId.RAPID_LOSS: Rule(Priority.HIGH, 5.0, SENSOR_ROOTS | {AlarmId.VENTED_EARLY}),
    AlarmId.VENTED_EARLY: Rule(Priority.HIGH, 0.0, SENSOR_ROOTS),
    AlarmId.BELOW_FLOOR: Rule(Priority.HIGH, 30.0, _LOSS_ROOTS),
    AlarmId.FLOOR_AHEAD: Rule(Priority.HIGH, 30.0, _LOSS_ROOTS | {AlarmId.BELOW_FLOOR}),
    AlarmId.SLOW_TO_PRESSURE: Rule(Priority.HIGH, 10.0, SENSOR_ROOTS),
    AlarmId.PRESSURE_SENSOR: Rule(Priority.HIGH, 15.0),
    AlarmId.READINGS_STOPPED: Rule(Priority.HIGH, 0.0, frozenset({AlarmId.PRESSURE_SENSOR})),
    AlarmId.WATCH_FAILING: Rule(Priority.HIGH, 0.0),
    AlarmId.RECORD_FAILING: Rule(Priority.HIGH, 30.0),
    AlarmId.LEAK: Rule(Priority.LOW, 60.0, _LOSS_ROOTS | _LEAK_TOLD),
    AlarmId.SUPPLY_MASKING: Rule(Priority.LOW, 60.0, _LOSS_ROOTS),
    AlarmId.THERMOMETER: Rule(Priority.LOW, 120.0),
    AlarmId.CLOCK_UNSET: Rule(Priority.LOW, 300.0),
    # low: it endangers no cast by itself, and only the other ways can tell it
    AlarmId.SIGNALS_FAILING: Rule(Priority.LOW, 30.0),
    # long enough for a notifier to start, and for one that fails to be tried again
    AlarmId.NOTIFY_FAILING: Rule(Priority.LOW, 120.0),
    AlarmId.TEST: Rule(Priority.LOW, 0.0, off_delay_s=0.0),
}


# Used where no duration is given.
LEAST_SHELVED_S, USUAL_SHELVED_S = 60.0, 3600.0
_MOST_SHELVED_S = {Priority.HIGH: 900.0, Priority.MEDIUM: 86_400.0, Priority.LOW: 86_400.0}


def most_shelved_s(alarm: AlarmId) -> float:
    """Return how long an alarm can be shelved at most, s."""
    return _MOST_SHELVED_S[RULES[alarm].priority]


def shelving_fault(alarm: AlarmId, duration_s: float) -> str | None:
    """Return why an alarm cannot be shelved for so long, None where it can."""
    most_s = most_shelved_s(alarm)
    if LEAST_SHELVED_S <= duration_s <= most_s:
        return None
    return f"{alarm} can be shelved for {LEAST_SHELVED_S / 60.0:.0f} to {most_s / 60.0:.0f} minutes"
