"""The cure clock against published age factors, and its sums against scipy's."""

from math import pi, sin

import pytest
from scipy.constants import R
from scipy.integrate import quad

from potvigil.model.pot import Resin
from potvigil.physics.cure import CureClock, age_factor, halving_q_k, pace

HOUR = 3600.0


def kelvin(celsius: float) -> float:
    return celsius + 273.15


# ASTM C1074, appendix X1: Q = 5000 K (from memory); the factors recomputed from its equation
@pytest.mark.parametrize(
    ("celsius", "at_20", "at_23"),
    [
        (5, 0.399, 0.335),
        (10, 0.548, 0.461),
        (15, 0.744, 0.626),
        (20, 1.0, 0.841),
        (25, 1.331, 1.120),
        (30, 1.755, 1.477),
        (35, 2.294, 1.930),
        (40, 2.972, 2.501),
    ],
)
def test_age_factors(celsius: float, at_20: float, at_23: float) -> None:
    assert age_factor(kelvin(celsius), kelvin(20), 5000.0) == pytest.approx(at_20, abs=6e-4)
    assert age_factor(kelvin(celsius), kelvin(23), 5000.0) == pytest.approx(at_23, abs=6e-4)


def test_four_hours_at_ten_degrees_and_eight_at_thirty() -> None:
    # worked by hand: 4 x 0.548 + 8 x 1.755 = 16.23 h at 20 C
    age_h = 4 * age_factor(kelvin(10), kelvin(20), 5000.0) + 8 * age_factor(kelvin(30), kelvin(20), 5000.0)
    assert age_h == pytest.approx(16.23, abs=0.01)


# "every 18 F ... in half" is common practice of epoxy makers; as an activation energy it depends on where
@pytest.mark.parametrize(("celsius", "kj_per_mol"), [(10, 47.837), (20, 51.216), (25, 52.949), (30, 54.710)])
def test_halving_with_ten_degrees_as_an_activation_energy(celsius: float, kj_per_mol: float) -> None:
    assert halving_q_k(kelvin(celsius)) * R / 1000.0 == pytest.approx(kj_per_mol, abs=1e-3)
    assert pace(kelvin(celsius + 10), kelvin(celsius)) == pytest.approx(2.0)
    assert pace(kelvin(celsius), kelvin(celsius)) == pytest.approx(1.0)


def test_a_night_of_cooling_adds_up_as_the_integral_does() -> None:
    def room_k(t_s: float) -> float:
        return kelvin(17.0 + 5.0 * sin(2.0 * pi * t_s / (24 * HOUR)))

    age_s, _ = quad(lambda t_s: pace(room_k(t_s), kelvin(23)), 0.0, 9 * HOUR, epsabs=1e-3)
    clock = CureClock(0.0, Resin(24 * HOUR, at_k=kelvin(23)))
    for second in range(0, int(9 * HOUR) + 1, 5):
        clock.take(float(second), room_k(second - 2.5))
    assert clock.cure().progress * 24 * HOUR == pytest.approx(age_s, rel=1e-5)


def test_at_the_given_temperature_and_without_one_the_times_are_plain() -> None:
    for given_for_k in (None, kelvin(21)):
        clock = CureClock(1000.0, Resin(10 * HOUR, 2 * HOUR, at_k=given_for_k))
        clock.take(1000.0 + 2 * HOUR - 1.0, kelvin(21))
        assert not clock.gelled
        clock.take(1000.0 + 2 * HOUR, kelvin(21))
        assert clock.gelled
        assert clock.cure().done_s == pytest.approx(1000.0 + 10 * HOUR)
        clock.take(1000.0 + 11 * HOUR, kelvin(21))
        assert clock.cure().progress == 1.0
        assert clock.cure().done_s == pytest.approx(1000.0 + 10 * HOUR)


def test_a_cold_workshop_holds_longer_and_the_end_has_its_interval() -> None:
    clock = CureClock(0.0, Resin(10 * HOUR, at_k=kelvin(22)))
    clock.take(HOUR, kelvin(12))
    cure = clock.cure()
    # by the rule of the shop 10 K less is a little over twice as long (the energy is that of 22 to 32 C)
    assert 2.0 < cure.done_s / (10 * HOUR) < 2.2
    assert cure.early_s is not None and cure.late_s is not None
    assert cure.early_s < cure.done_s < cure.late_s
    assert cure.late_s - cure.early_s < 0.5 * cure.done_s


def test_mixing_before_the_fill_makes_the_resin_older_by_as_much() -> None:
    clock = CureClock(1000.0, Resin(10 * HOUR, HOUR))
    clock.take(1600.0, None)
    clock.mixed(400.0)
    assert clock.cure().done_s == pytest.approx(400.0 + 10 * HOUR)
    assert clock.seconds_to(HOUR) == pytest.approx(400.0 + HOUR - 1600.0)
    clock.mixed(700.0)
    assert clock.cure().done_s == pytest.approx(700.0 + 10 * HOUR)


def test_another_resin_has_its_own_times_from_the_start() -> None:
    clock = CureClock(0.0, Resin(10 * HOUR, at_k=kelvin(23)))
    for minute in range(61):
        clock.take(60.0 * minute, kelvin(13))
    clock.retime(Resin(4 * HOUR, HOUR, at_k=kelvin(13)))
    assert clock.cure().progress == pytest.approx(0.25)
    assert clock.gelled
    clock.retime(Resin(4 * HOUR))
    assert clock.cure().done_s == pytest.approx(4 * HOUR)
