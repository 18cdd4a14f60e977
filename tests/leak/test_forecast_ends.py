"""The interval of a forecast by both leak laws, by hand: hole p' = -r p; gap p' = -k (p^2 - pa^2)."""

from math import hypot, log, sqrt

import pytest

from potvigil.leak.forecast import forecast_floor
from potvigil.model.events import Interval

AMBIENT, GAUGE, FLOOR, WORKING = 100_000.0, 390_000.0, 310_000.0, 410_000.0
NOW_S, DONE_S = 1000.0, 1e6
LOW = FLOOR + AMBIENT


def times_s(from_pa: float, rate: float) -> tuple[float, float]:
    """Time to the floor from an absolute pressure by each law; rate: share of air lost per second, now."""
    now_pa = GAUGE + AMBIENT
    k = rate * now_pa / (now_pa**2 - AMBIENT**2)
    of_gap_s = log((from_pa - AMBIENT) * (LOW + AMBIENT) / ((from_pa + AMBIENT) * (LOW - AMBIENT)))
    return log(from_pa / LOW) / rate, of_gap_s / (2.0 * AMBIENT * k)


@pytest.mark.parametrize("hours", [1.0, 4.0, 8.5, 20.0])
def test_the_forecast_interval_allows_for_up_to_nine_hours_of_weather_and_drift(
    hours: float,
) -> None:
    rate = log((GAUGE + AMBIENT) / LOW) / (hours * 3600.0)
    interval = Interval(rate, 0.8 * rate, 1.3 * rate)
    found = forecast_floor(NOW_S, GAUGE, AMBIENT, FLOOR, WORKING, interval, DONE_S)
    assert found is not None
    ahead_s = sum(times_s(GAUGE + AMBIENT, rate)) / 2.0
    assert found.crossing_s == pytest.approx(NOW_S + ahead_s)

    sqrt_h = sqrt(min(ahead_s / 3600.0, 9.0))
    # 0.4 % of the pressure and 3.4 % of the rate, by the root of the hours
    share, drift = 0.004 * sqrt_h, 0.034 * sqrt_h * rate
    fastest, slowest = rate + hypot(0.3 * rate, drift), rate - hypot(0.2 * rate, drift)
    early_s = min(times_s((GAUGE + AMBIENT) * (1.0 - share), fastest))
    late_s = max(times_s((GAUGE + AMBIENT) * (1.0 + share), slowest))
    assert found.earliest_s == pytest.approx(NOW_S + early_s)
    assert found.latest_s == pytest.approx(NOW_S + late_s)

    topped_pa = WORKING + AMBIENT
    sqrt_h = sqrt(min(max(times_s(topped_pa, rate)) / 3600.0, 9.0))
    fastest = rate + hypot(0.3 * rate, 0.034 * sqrt_h * rate)
    until_s = min(times_s(topped_pa * (1.0 - 0.004 * sqrt_h), fastest))
    assert found.top_up_until_s == pytest.approx(NOW_S + until_s)


@pytest.mark.parametrize("done_after_s", [-1.0, 1.0])
def test_the_forecast_says_whether_the_floor_comes_before_the_end_of_the_cure(done_after_s: float) -> None:
    rate = Interval(1e-5, 0.9e-5, 1.1e-5)
    crossing = forecast_floor(NOW_S, GAUGE, AMBIENT, FLOOR, WORKING, rate, DONE_S)
    assert crossing is not None
    done_s = crossing.crossing_s + done_after_s
    again = forecast_floor(NOW_S, GAUGE, AMBIENT, FLOOR, WORKING, rate, done_s)
    assert again is not None
    assert again.before_cure_done is (done_after_s > 0.0)


@pytest.mark.parametrize(("done_s", "before"), [(NOW_S + 1.0, True), (NOW_S, False)])
@pytest.mark.parametrize("gauge_pa", [FLOOR, FLOOR - 5000.0])
def test_a_floor_already_passed_is_forecast_for_now(gauge_pa: float, done_s: float, before: bool) -> None:
    found = forecast_floor(NOW_S, gauge_pa, AMBIENT, FLOOR, WORKING, Interval(1e-5, 0.0, 2e-5), done_s)
    assert found is not None
    assert (found.crossing_s, found.earliest_s, found.latest_s) == (NOW_S, NOW_S, NOW_S)
    assert found.top_up_until_s is None
    assert found.before_cure_done is before


def test_no_loss_gives_no_forecast_and_a_doubtful_loss_no_late_end() -> None:
    assert forecast_floor(NOW_S, GAUGE, AMBIENT, FLOOR, WORKING, Interval(0.0, -1e-6, 1e-6), DONE_S) is None
    found = forecast_floor(NOW_S, GAUGE, AMBIENT, FLOOR, WORKING, Interval(1e-6, 0.0, 2e-6), DONE_S)
    assert found is not None
    assert found.latest_s is None
    assert found.earliest_s < found.crossing_s


def test_just_above_the_floor_weather_alone_makes_the_early_end_now() -> None:
    found = forecast_floor(
        NOW_S, FLOOR + 100.0, AMBIENT, FLOOR, WORKING, Interval(1e-8, 0.5e-8, 2e-8), DONE_S
    )
    assert found is not None
    assert found.earliest_s == NOW_S
