"""Names of alarms, in a few words."""

from potvigil.model.events import AlarmId

ALARM_WORDS = {
    AlarmId.OVER_PRESSURE: "above the maximum",
    AlarmId.RAPID_LOSS: "losing pressure fast",
    AlarmId.VENTED_EARLY: "no pressure before gel",
    AlarmId.BELOW_FLOOR: "below the floor",
    AlarmId.FLOOR_AHEAD: "leak: floor ahead",
    AlarmId.SLOW_TO_PRESSURE: "slow to pressure",
    AlarmId.PRESSURE_SENSOR: "pressure unknown",
    AlarmId.READINGS_STOPPED: "readings stopped",
    AlarmId.WATCH_FAILING: "watch failing",
    AlarmId.RECORD_FAILING: "not recording",
    AlarmId.LEAK: "leak",
    AlarmId.SUPPLY_MASKING: "top-ups hide a leak",
    AlarmId.THERMOMETER: "thermometer failed",
    AlarmId.CLOCK_UNSET: "clock not set",
    AlarmId.SIGNALS_FAILING: "lamp or buzzer failing",
    AlarmId.NOTIFY_FAILING: "notification failing",
    AlarmId.TEST: "test alarm",
}
