"""The verdict on a batch, and how times and pressures are worded."""

from dataclasses import replace
from datetime import UTC, timedelta, timezone

import pytest

from potvigil.model.events import Interval, Verdict
from potvigil.units import span
from potvigil.watch.verdict import Facts, judge
from potvigil.wording.quantities import TimeTeller, pressure, rate
from shut_pot import PSI, UTC_S

HOUR = 3600.0
SOUND = Facts(
    end_s=10.2 * HOUR,
    vented=True,
    pressurised=True,
    hold_s=10 * HOUR,
    gelled=True,
    floor_crossed_s=None,
    leak_established=False,
    unseen_s=0.0,
    longest_gap_s=0.0,
)


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({}, Verdict.HELD),
        ({"leak_established": True}, Verdict.LEAKED),
        ({"floor_crossed_s": 5 * HOUR, "leak_established": True}, Verdict.FELL_BELOW_FLOOR),
        ({"floor_crossed_s": 5 * HOUR, "longest_gap_s": 3 * HOUR}, Verdict.FELL_BELOW_FLOOR),
        ({"end_s": 3 * HOUR, "gelled": False}, Verdict.VENTED_EARLY),
        ({"end_s": 3 * HOUR, "gelled": False, "leak_established": True}, Verdict.VENTED_EARLY),
        ({"end_s": 6 * HOUR}, Verdict.HELD),
        ({"end_s": 6 * HOUR, "gelled": False}, Verdict.VENTED_EARLY),
        ({"vented": False, "end_s": 6 * HOUR}, Verdict.INCOMPLETE),
        ({"vented": False}, Verdict.HELD),
        ({"longest_gap_s": 1.1 * HOUR, "unseen_s": 1.1 * HOUR}, Verdict.INCOMPLETE),
        ({"longest_gap_s": 0.4 * HOUR, "unseen_s": 1.1 * HOUR}, Verdict.INCOMPLETE),
        ({"longest_gap_s": 0.4 * HOUR, "unseen_s": 0.9 * HOUR}, Verdict.HELD),
        ({"pressurised": False}, Verdict.INCOMPLETE),
        ({"longest_gap_s": 2 * HOUR, "leak_established": True}, Verdict.INCOMPLETE),
    ],
)
def test_each_outcome_has_its_verdict(changes: dict[str, object], verdict: Verdict) -> None:
    judged, reason = judge(replace(SOUND, **changes))
    assert judged is verdict
    assert reason


def test_the_reason_gives_the_time_the_floor_was_passed() -> None:
    assert "5 h 30 min" in judge(replace(SOUND, floor_crossed_s=5.5 * HOUR))[1]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, "pressure held until the cure was done"),
        ({"end_s": 10 * HOUR}, "pressure held until the cure was done"),
        (
            {"end_s": 9.5 * HOUR},
            "pressure held; vented 30 min before the end of the hold, after gel",
        ),
        ({"pressurised": False}, "the pot never reached pressure"),
        ({"floor_crossed_s": 5 * HOUR}, "below the floor 5 h into a cure of 10 h"),
        (
            {"end_s": 3 * HOUR, "gelled": False},
            "vented after 3 h, before the resin had gelled",
        ),
        (
            {"end_s": 3 * HOUR, "gelled": False, "gel_known": False},
            "vented after 3 h, before the end of the hold",
        ),
        ({"longest_gap_s": 2 * HOUR, "unseen_s": 2 * HOUR}, "no good reading for 2 h"),
        (
            {"longest_gap_s": 2 * HOUR, "unseen_s": 3 * HOUR},
            "no good reading for 3 h, the longest gap 2 h",
        ),
        (
            {"vented": False, "end_s": 9.5 * HOUR},
            "the record ends 30 min before the cure is done",
        ),
        (
            {"above_maximum": True},
            "pressure held until the cure was done; it had gone above the marked maximum",
        ),
    ],
)
def test_the_reason_names_what_decided_the_verdict(changes: dict[str, object], reason: str) -> None:
    assert judge(replace(SOUND, **changes))[1] == reason


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-5.0, "0 s"),
        (20.4, "20 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (240.0, "4 min"),
        (3599.0, "1 h"),
        (3600.0, "1 h"),
        (7800.0, "2 h 10 min"),
        (36_000.0, "10 h"),
    ],
)
def test_durations_are_rounded_and_worded(seconds: float, words: str) -> None:
    assert span(seconds) == words


@pytest.mark.parametrize(
    ("unit", "as_pressure", "as_rate"),
    [("psi", "45.3 psi", "1.50 psi/h"), ("bar", "3.12 bar", "0.103 bar/h"), ("kPa", "312 kPa", "10.3 kPa/h")],
)
def test_pressures_use_the_unit_of_the_pot(unit: str, as_pressure: str, as_rate: str) -> None:
    assert pressure(45.3 * PSI, unit) == as_pressure
    assert rate(1.5 * PSI / HOUR, unit) == as_rate


def test_times_are_given_by_the_wall_clock() -> None:
    teller = TimeTeller(1000.0, UTC_S, UTC)  # 22:00
    assert teller.ahead(1000.0 + HOUR, 1000.0 + HOUR / 2, 1000.0 + 5 * HOUR) == "about 23:00 (22:30-03:00)"
    assert "never" in teller.ahead(1000.0 + HOUR, 1000.0 + HOUR / 2, None)
    assert teller.since(Interval(-2600.0, -3200.0, -2000.0)) == "since about 21:00 (20:50-21:10)"
    assert teller.until(1000.0 + 8.5 * HOUR) == "until 06:30"


def test_times_are_in_the_time_zone_of_the_pot() -> None:
    east = timezone(timedelta(hours=5, minutes=45))
    assert TimeTeller(0.0, UTC_S, east).until(HOUR) == "until 04:45"


def test_times_without_a_wall_clock_are_counted_from_now() -> None:
    teller = TimeTeller(1000.0, None, UTC)
    assert teller.ahead(1000.0 + 1140.0, 1780.0, 2980.0) == "in about 19 min (13 min to 33 min)"
    assert teller.ahead(1000.0 + 1140.0, 1780.0, None) == "in about 19 min (13 min to never)"
    assert teller.since(Interval(1000.0 - 2 * HOUR, 0.0, 0.0)) == "for about 2 h"
    assert teller.until(1000.0 + 10_200.0) == "for 2 h 50 min"
