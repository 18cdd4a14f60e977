"""What an alarm says first: what to do, and by when as a person says it."""

import re
from dataclasses import replace
from datetime import UTC, timedelta, timezone

import pytest

from potvigil.model.events import AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.wording.alarm import headline, in_words
from potvigil.wording.quantities import TimeTeller

EVENING_UTC_S = 1_767_304_800.0  # Thursday 2026-01-01 22:00 UTC
HOUR = 3600.0


def alarm(do: str, by_s: float | None = None, text: str = "Losing 1.50 psi/h.") -> StandingAlarm:
    state = AlarmState.UNACKNOWLEDGED
    return StandingAlarm(AlarmId.FLOOR_AHEAD, Priority.HIGH, state, 0.0, None, text, do=do, by_s=by_s)


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (0.05, "Top up now"),
        (-3.0, "Top up now"),  # it was to be done by then, and is still to be done
        (0.1, "Top up by 22:06"),
        (1.5, "Top up by 23:30"),
        (7.8, "Top up by 05:48 tomorrow"),
        (25.0, "Top up by 23:00 tomorrow"),
        (50.0, "Top up by 00:00 on Sunday"),
        (240.0, "Top up by 22:00 on 11 January"),
    ],
)
def test_a_deadline_names_its_day_unless_today(hours: float, said: str) -> None:
    teller = TimeTeller(1000.0, EVENING_UTC_S, UTC)
    assert headline(alarm("Top up", 1000.0 + hours * HOUR), teller) == said


def test_the_day_is_in_the_workshops_time_zone() -> None:
    there = TimeTeller(0.0, EVENING_UTC_S, timezone(timedelta(hours=3)))  # 01:00 already
    assert headline(alarm("Top up", 4.0 * HOUR), there) == "Top up by 05:00"


def test_without_a_wall_clock_a_deadline_is_counted_from_now() -> None:
    teller = TimeTeller(0.0, None, UTC)
    assert headline(alarm("Top up", 2.5 * HOUR), teller) == "Top up within 2 h 30 min"
    assert headline(alarm("Top up", 60.0), teller) == "Top up now"


def test_without_a_wall_clock_the_time_left_is_rounded_down_in_steps() -> None:
    """A text that ran down minute by minute was a message a minute, by every way that alarms are told."""
    told: set[str] = set()
    for left_s in range(10 * 3600, 300, -5):
        text = TimeTeller(0.0, None, None).by(float(left_s))
        match = re.fullmatch(r"within (?:(\d+) h)? ?(?:(\d+) min)?", text)
        assert match is not None, text
        said_s = 3600 * int(match[1] or 0) + 60 * int(match[2] or 0)
        assert 0 <= left_s - said_s < (1800 if left_s >= 3 * HOUR else 900 if left_s >= HOUR else 300)
        told.add(text)
    assert len(told) < 40


def test_the_instruction_comes_first_and_nothing_is_added() -> None:
    teller = TimeTeller(0.0, EVENING_UTC_S, UTC)
    assert in_words(alarm("Top up", 2 * HOUR), teller) == "Top up by 00:00 tomorrow. Losing 1.50 psi/h."
    assert in_words(alarm("Shut the supply"), teller) == "Shut the supply. Losing 1.50 psi/h."
    assert in_words(alarm(""), teller) == "Losing 1.50 psi/h."  # a record of an earlier version
    assert in_words(alarm("Read the gauge", text=""), teller) == "Read the gauge"


@pytest.mark.parametrize(
    ("hours", "clock"),
    [(0.0, "22:00"), (7.8, "05:48"), (19.0, "17:00"), (21.0, "19:00 tomorrow"), (50.0, "00:00 on Sunday")],
)
def test_a_forecast_names_the_day_only_if_its_time_is_ambiguous(hours: float, clock: str) -> None:
    at_s = hours * HOUR
    said = TimeTeller(0.0, EVENING_UTC_S, UTC).ahead(at_s, at_s, at_s)
    assert said == f"about {clock} ({clock}-{clock})"


@pytest.mark.parametrize("state", AlarmState)
def test_a_returned_alarm_asks_for_nothing(state: AlarmState) -> None:
    told = in_words(replace(alarm("Top up", 2 * HOUR), state=state), TimeTeller(0.0, EVENING_UTC_S, UTC))
    is_over = state in (AlarmState.RETURNED, AlarmState.NORMAL)
    assert told == ("Losing 1.50 psi/h." if is_over else "Top up by 00:00 tomorrow. Losing 1.50 psi/h.")
