"""An alarm in words: what to do and by when, then why."""

from potvigil.model.events import AlarmEvent, AlarmId, StandingAlarm
from potvigil.wording.quantities import TimeTeller

# What an alarm that brings no words of its own asks for.
_DO = {
    AlarmId.OVER_PRESSURE: "Shut the supply and stay clear",
    AlarmId.RAPID_LOSS: "Stay clear and shut the supply",
    AlarmId.VENTED_EARLY: "Stay clear and shut the supply",
    AlarmId.BELOW_FLOOR: "Look at the pot now",
    AlarmId.FLOOR_AHEAD: "Top up",
    AlarmId.SLOW_TO_PRESSURE: "Find what holds the fill up",
    AlarmId.PRESSURE_SENSOR: "Read the pot's own gauge",
    AlarmId.READINGS_STOPPED: "Compare the pot's own gauge",
    AlarmId.RECORD_FAILING: "Make room for the record",
    AlarmId.LEAK: "Look at seal and valves after venting",
    AlarmId.SUPPLY_MASKING: "Keep the supply going",
    AlarmId.THERMOMETER: "Check the thermometer's plug and cable",
    AlarmId.CLOCK_UNSET: "Set the clock",
    AlarmId.SIGNALS_FAILING: "Check lamp and buzzer",
    AlarmId.TEST: "Acknowledge this test",
}


def headline(alarm: StandingAlarm | AlarmEvent, teller: TimeTeller) -> str:
    """Return what to do and by when, e.g. 'Top up to 60.0 psi by 05:48 tomorrow'; no full stop."""
    return _DO[alarm.alarm]


def in_words(alarm: StandingAlarm | AlarmEvent, teller: TimeTeller) -> str:
    """Return what to do, by when, and why."""
    return f"{headline(alarm, teller)}. {alarm.text}"
