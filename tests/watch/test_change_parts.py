"""The parts of a change of the gauge, from numbers that no two parts share."""

import pytest

from potvigil.leak.estimator import Leak
from potvigil.model.events import Change, Interval
from potvigil.model.reading import Quality, Reading
from potvigil.watch.pressure_change import change

RATE = Interval(1e-6, 0.9e-6, 1.1e-6)


def reading(t_s: float, gauge_pa: float | None, ambient_pa: float, gas_k: float | None) -> Reading:
    absolute_pa = None if gauge_pa is None else gauge_pa + ambient_pa
    return Reading(t_s, None, gauge_pa, absolute_pa, ambient_pa, gas_k, None, None, Quality.GOOD)


def leak(onset_s: float, lost_pa: float) -> Leak:
    return Leak(RATE, Interval(onset_s, onset_s - 60.0, onset_s + 60.0), lost_pa, True, 9.0)


def assert_adds_up(parts: Change) -> None:
    summed = parts.cooling_pa + parts.barometer_pa + parts.leak_pa + parts.top_up_pa
    assert summed == pytest.approx(parts.total_pa)


def test_with_a_thermometer_cooling_is_measured_and_the_leak_is_the_rest() -> None:
    # 500 kPa absolute at 300 K cool by 3 K: 5 kPa by the gas law, some 1 % more in real air; 20 kPa leak
    start, now = reading(0.0, 400_000.0, 100_000.0, 300.0), reading(9e3, 376_000.0, 99_000.0, 297.0)
    parts = change(start, now, None, 0.0)
    assert parts is not None
    assert parts.total_pa == -24_000.0
    assert parts.barometer_pa == 1_000.0
    assert parts.cooling_pa == pytest.approx(-4_800.0, rel=0.02)
    assert parts.leak_pa == pytest.approx(-20_200.0, rel=0.01)
    assert_adds_up(parts)


def test_a_top_up_hides_no_loss() -> None:
    start, now = reading(0.0, 400_000.0, 100_000.0, 300.0), reading(9e3, 400_000.0, 100_000.0, 300.0)
    parts = change(start, now, None, 7_000.0)
    assert parts is not None
    assert parts.top_up_pa == 7_000.0
    assert parts.cooling_pa == pytest.approx(0.0, abs=0.1)
    assert parts.leak_pa == pytest.approx(-7_000.0)
    assert_adds_up(parts)


def test_without_a_thermometer_the_leak_is_estimated_and_cooling_is_the_rest() -> None:
    start, now = reading(0.0, 400_000.0, 100_000.0, None), reading(9e3, 390_000.0, 99_000.0, None)
    parts = change(start, now, leak(onset_s=1_000.0, lost_pa=8_000.0), 3_000.0)
    assert parts is not None
    assert (parts.total_pa, parts.leak_pa, parts.barometer_pa, parts.top_up_pa) == (
        -10_000.0,
        -8_000.0,
        1_000.0,
        3_000.0,
    )
    assert parts.cooling_pa == -6_000.0
    assert_adds_up(parts)


def test_only_what_a_leak_lost_during_the_hold_counts() -> None:
    start, now = reading(1_000.0, 400_000.0, 100_000.0, None), reading(5_000.0, 390_000.0, 100_000.0, None)
    parts = change(start, now, leak(onset_s=0.0, lost_pa=10_000.0), 0.0)
    assert parts is not None
    assert parts.leak_pa == pytest.approx(-8_000.0)
    assert parts.cooling_pa == pytest.approx(-2_000.0)


def test_an_unestablished_leak_accounts_for_no_loss() -> None:
    start, now = reading(0.0, 400_000.0, 100_000.0, None), reading(9e3, 390_000.0, 100_000.0, None)
    for unknown in (None, Leak(RATE, None, 5_000.0, False, 1.0)):
        parts = change(start, now, unknown, 0.0)
        assert parts is not None
        assert (parts.leak_pa, parts.cooling_pa) == (0.0, -10_000.0)


def test_an_unknown_pressure_gives_no_change() -> None:
    known, unknown = reading(0.0, 1.0, 100_000.0, None), reading(9.0, None, 100_000.0, None)
    assert change(known, unknown, None, 0.0) is None
    assert change(unknown, known, None, 0.0) is None


def test_the_share_lost_before_the_hold_is_counted_from_the_onset() -> None:
    start, now = reading(3_000.0, 400_000.0, 100_000.0, None), reading(7_000.0, 390_000.0, 100_000.0, None)
    parts = change(start, now, leak(onset_s=2_000.0, lost_pa=10_000.0), 0.0)
    assert parts is not None
    assert parts.leak_pa == pytest.approx(-8_000.0)  # 1000 s of 5000 s
