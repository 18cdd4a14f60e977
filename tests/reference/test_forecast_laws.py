"""The two leak laws: closed forms from handbooks, and the differential equations solved by scipy."""

from math import inf, log

import pytest
from scipy.integrate import solve_ivp

from potvigil.leak.forecast import forecast_floor
from potvigil.model.events import Interval
from potvigil.physics.leak_laws import choked_time_s, laminar_time_s

PSI = 6894.757293168361  # NIST SP 811, Appendix B.8
ATMOSPHERE_PA = 101_325.0
FROM_PA, TO_PA = 60 * PSI + ATMOSPHERE_PA, 40 * PSI + ATMOSPHERE_PA
HOUR = 3600.0


def test_choked_hole_of_twenty_micrometres_empties_twenty_litres_from_60_to_40_psi() -> None:
    # V/(A 0.68473 sqrt(R T)) = 89.029 h at 20 C (White, Fluid Mechanics, ch. 9); 60 to 40 psig in 27.745 h
    assert choked_time_s(FROM_PA, TO_PA, 1.0 / (89.029 * HOUR)) == pytest.approx(27.745 * HOUR, rel=1e-4)


def test_choked_fall_begins_at_the_rate_of_the_absolute_pressure() -> None:
    # 0.8390 psi/h for the same hole: the absolute 74.7 psi over 89.029 h, not the gauge 60
    fall_pa_per_s = FROM_PA / (89.029 * HOUR)
    assert fall_pa_per_s == pytest.approx(0.8390 * PSI / HOUR, rel=1e-3)
    # and a hundredth of an hour later a hundredth of that is gone
    after_s = choked_time_s(FROM_PA, FROM_PA - 0.8390 * PSI / 100, 1.0 / (89.029 * HOUR))
    assert after_s == pytest.approx(36.0, rel=1e-3)


def test_capillary_of_twenty_micrometres_empties_twenty_litres_from_60_to_40_psi() -> None:
    # compressible Poiseuille flow, 5 mm long, k = 1.07884e-12 1/(Pa s): 60 to 40 psig in 193.38 h
    rate_per_s = 1.07884e-12 * (FROM_PA**2 - ATMOSPHERE_PA**2) / FROM_PA
    assert laminar_time_s(FROM_PA, TO_PA, ATMOSPHERE_PA, rate_per_s) == pytest.approx(193.38 * HOUR, rel=1e-4)


@pytest.mark.parametrize("floor_psi", [50.0, 40.0, 20.0, 3.0])
@pytest.mark.parametrize("rate_per_s", [2e-7, 5.5e-6])
def test_both_laws_agree_with_their_differential_equations(floor_psi: float, rate_per_s: float) -> None:
    floor_pa = floor_psi * PSI + ATMOSPHERE_PA
    k = rate_per_s * FROM_PA / (FROM_PA**2 - ATMOSPHERE_PA**2)

    def passes(t_s: float, p: list[float]) -> float:
        return p[0] - floor_pa

    passes.terminal = True  # type: ignore[attr-defined]
    for law, time_s in (
        (lambda p: -rate_per_s * p, choked_time_s(FROM_PA, floor_pa, rate_per_s)),
        (
            lambda p: -k * (p * p - ATMOSPHERE_PA**2),
            laminar_time_s(FROM_PA, floor_pa, ATMOSPHERE_PA, rate_per_s),
        ),
    ):
        solved = solve_ivp(
            lambda t_s, p, law=law: [law(p[0])],
            (0.0, 40.0 / rate_per_s),
            [FROM_PA],
            events=passes,
            rtol=1e-10,
            atol=1e-3,
        )
        assert time_s == pytest.approx(float(solved.t_events[0][0]), rel=1e-6)


def test_a_laminar_gap_never_empties_a_pot_below_the_pressure_outside() -> None:
    assert laminar_time_s(FROM_PA, ATMOSPHERE_PA, ATMOSPHERE_PA, 1e-6) == inf


def forecast(rate: Interval, gauge_psi: float = 58.0, floor_psi: float = 45.0, cure_done_s: float = 1e6):
    return forecast_floor(
        1000.0, gauge_psi * PSI, ATMOSPHERE_PA, floor_psi * PSI, 60 * PSI, rate, cure_done_s
    )


def test_the_forecast_lies_between_the_laws_and_its_ends_lie_outside_them() -> None:
    rate = Interval(5.5e-6, 5.0e-6, 6.0e-6)
    told = forecast(rate)
    now_pa, low_pa = 58 * PSI + ATMOSPHERE_PA, 45 * PSI + ATMOSPHERE_PA
    quick_s = 1000.0 + log(now_pa / low_pa) / rate.value
    slow_s = 1000.0 + laminar_time_s(now_pa, low_pa, ATMOSPHERE_PA, rate.value)
    assert told is not None and told.latest_s is not None and told.top_up_until_s is not None
    assert told.earliest_s < quick_s < told.crossing_s < slow_s < told.latest_s
    assert told.top_up_until_s > told.earliest_s


@pytest.mark.parametrize("law", ["hole", "gap"])
@pytest.mark.parametrize("gauge_psi", [48.0, 52.0, 58.0])
def test_a_top_up_lasts_no_shorter_than_promised_by_either_law(law: str, gauge_psi: float) -> None:
    """The loss integrated by scipy from working pressure down, at the rate the leak has there by its law."""
    rate_per_s = 5.5e-6
    told = forecast(Interval(rate_per_s, rate_per_s, rate_per_s), gauge_psi=gauge_psi)
    assert told is not None and told.top_up_until_s is not None
    now_pa, floor_pa = gauge_psi * PSI + ATMOSPHERE_PA, 45 * PSI + ATMOSPHERE_PA
    k = (
        rate_per_s * now_pa / (now_pa**2 - ATMOSPHERE_PA**2)
    )  # what the gap is does not change with the top-up
    falls = {"hole": lambda p: -rate_per_s * p, "gap": lambda p: -k * (p**2 - ATMOSPHERE_PA**2)}[law]

    def passes(t_s, p):
        return p[0] - floor_pa

    passes.terminal = True
    solved = solve_ivp(
        lambda t_s, p: [falls(p[0])],
        (0.0, 1e6),
        [60 * PSI + ATMOSPHERE_PA],
        events=passes,
        rtol=1e-10,
        atol=1.0,
    )
    lasts_s = float(solved.t_events[0][0])
    promised_s = told.top_up_until_s - 1000.0
    assert promised_s < lasts_s
    # it leaves the weather of those hours (0.4 % in a root hour) and the leak's change, and no more
    assert promised_s > 0.6 * lasts_s


def test_a_rate_that_may_be_zero_has_no_latest_time() -> None:
    told = forecast(Interval(1e-6, -1e-7, 2e-6))
    assert told is not None
    assert told.latest_s is None
    assert forecast(Interval(0.0, -1e-6, 1e-6)) is None
    assert forecast(Interval(-1e-6, -2e-6, 1e-6)) is None


def test_below_the_floor_the_floor_is_passed_now() -> None:
    told = forecast(Interval(5e-6, 4e-6, 6e-6), gauge_psi=44.0)
    assert told is not None
    assert (told.crossing_s, told.earliest_s, told.latest_s) == (1000.0, 1000.0, 1000.0)


@pytest.mark.parametrize("off_s", [-60.0, 60.0])
def test_the_forecast_says_whether_it_matters_for_the_cure(off_s: float) -> None:
    rate = Interval(5.5e-6, 5.0e-6, 6.0e-6)
    first = forecast(rate)
    assert first is not None
    again = forecast(rate, cure_done_s=first.crossing_s + off_s)
    assert again is not None
    assert again.before_cure_done is (off_s > 0.0)
