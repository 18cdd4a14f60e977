"""The table of alarms written out a second time: change a priority or a delay in both places."""

import pytest

from potvigil.model.events import AlarmId, AlarmState, Priority
from potvigil.watch import alarm_states
from potvigil.watch.alarm_rules import (
    LEAST_SHELVED_S,
    RULES,
    SENSOR_ROOTS,
    USUAL_SHELVED_S,
    most_shelved_s,
    shelving_fault,
)
from potvigil.watch.alarm_states import AlarmBook, ConditionWords

SENSOR = {"pressure-sensor", "readings-stopped"}
LOSS = SENSOR | {"rapid-loss", "vented-early"}

# alarm, priority, on-delay s, off-delay s, hidden by; most urgent first
TABLE: list[tuple[str, str, float, float, set[str]]] = [
    ("over-pressure", "high", 2.0, 600.0, set()),
    ("rapid-loss", "high", 5.0, 600.0, SENSOR | {"vented-early"}),
    ("vented-early", "high", 0.0, 600.0, SENSOR),
    ("below-floor", "high", 30.0, 600.0, LOSS),
    ("floor-ahead", "high", 30.0, 600.0, LOSS | {"below-floor"}),
    ("slow-to-pressure", "high", 10.0, 600.0, SENSOR),
    ("pressure-sensor", "high", 15.0, 600.0, set()),
    ("readings-stopped", "high", 0.0, 600.0, {"pressure-sensor"}),
    ("watch-failing", "high", 0.0, 600.0, set()),
    ("record-failing", "high", 30.0, 600.0, set()),
    ("leak", "low", 60.0, 600.0, LOSS | {"floor-ahead", "below-floor", "supply-masking"}),
    ("supply-masking", "low", 60.0, 600.0, LOSS),
    ("thermometer", "low", 120.0, 600.0, set()),
    ("clock-unset", "low", 300.0, 600.0, set()),
    ("signals-failing", "low", 30.0, 600.0, set()),
    ("notify-failing", "low", 120.0, 600.0, set()),
    ("test", "low", 0.0, 0.0, set()),
]


def test_every_alarm_has_its_row_most_urgent_first() -> None:
    assert [str(alarm) for alarm in RULES] == [row[0] for row in TABLE]
    assert set(RULES) == set(AlarmId)


@pytest.mark.parametrize(("alarm", "priority", "on_delay_s", "off_delay_s", "hidden_by"), TABLE)
def test_each_alarm_has_its_priority_delays_and_root_causes(
    alarm: str, priority: str, on_delay_s: float, off_delay_s: float, hidden_by: set[str]
) -> None:
    rule = RULES[AlarmId(alarm)]
    assert str(rule.priority) == priority
    assert (rule.on_delay_s, rule.off_delay_s) == (on_delay_s, off_delay_s)
    assert {str(each) for each in rule.hidden_by} == hidden_by


def test_the_root_causes_that_blind_the_watch() -> None:
    assert {str(each) for each in SENSOR_ROOTS} == SENSOR


def test_repeats_begin_after_ten_minutes_and_end_at_an_hour() -> None:
    assert (alarm_states.FIRST_REPEAT_S, alarm_states.LAST_REPEAT_S) == (600.0, 3600.0)


def test_shelving_lasts_one_minute_to_a_day_and_at_most_15_minutes_for_a_high_alarm() -> None:
    assert (LEAST_SHELVED_S, USUAL_SHELVED_S) == (60.0, 3600.0)
    for alarm, rule in RULES.items():
        most_s = 900.0 if rule.priority is Priority.HIGH else 86_400.0
        assert most_shelved_s(alarm) == most_s
        assert shelving_fault(alarm, most_s) is None
        assert shelving_fault(alarm, 60.0) is None
        assert shelving_fault(alarm, 59.0) is not None
        assert shelving_fault(alarm, most_s + 1.0) is not None


def test_a_refused_shelving_gives_the_bounds_in_minutes() -> None:
    fault = shelving_fault(AlarmId.LEAK, 1.0)
    assert fault is not None
    assert "leak" in fault
    assert "1 " in fault
    assert "1440" in fault


def raised(*seconds: tuple[float, dict[AlarmId, ConditionWords | None]]) -> list[tuple[float, str]]:
    """Update once a second, each set of conditions for its seconds; return when each alarm was raised."""
    book, t_s, events = AlarmBook(), 0.0, []
    for lasts_s, conditions in seconds:
        for _ in range(int(lasts_s)):
            events += book.update(t_s, None, conditions)
            t_s += 1.0
    return [
        (event.t_s, str(event.alarm))
        for event in events
        if event.state is AlarmState.UNACKNOWLEDGED and not event.repeat
    ]


TRUE = ConditionWords("do", "why")
SENSOR_ALARM, FLOOR, RAPID = AlarmId.PRESSURE_SENSOR, AlarmId.BELOW_FLOOR, AlarmId.RAPID_LOSS


def test_a_recovered_sensor_hides_nothing_before_its_alarm_returns() -> None:
    # its alarm returns only ten minutes later, but hides nothing meanwhile
    assert raised((60, {SENSOR_ALARM: TRUE, FLOOR: TRUE}), (60, {SENSOR_ALARM: None, FLOOR: TRUE})) == [
        (15.0, "pressure-sensor"),
        (90.0, "below-floor"),
    ]


def test_a_rapid_loss_hides_its_consequences_until_its_alarm_returns() -> None:
    assert raised((60, {RAPID: TRUE, FLOOR: TRUE}), (500, {RAPID: None, FLOOR: TRUE})) == [
        (5.0, "rapid-loss")
    ]


def test_a_root_cause_hides_its_consequences_even_before_its_on_delay_ends() -> None:
    # the sensor's delay is longer than that of a loss
    assert raised((14, {SENSOR_ALARM: TRUE, RAPID: TRUE})) == []
