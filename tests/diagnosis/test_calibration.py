"""Zero and slope: the fits against certified values, and every set that must be refused."""

from dataclasses import replace
from random import Random

import numpy as np
import pytest
from scipy import stats

from demo_pot import LANTERN, PSI
from potvigil.diagnosis.calibration import (
    Anchor,
    CalibrationError,
    CalibrationPoint,
    VentZero,
    anchored_fit,
    calibrate,
    drift,
    is_steady,
    line_fit,
    steady,
    zero_alone,
    zero_at_vent,
    zero_of,
)
from potvigil.model.pot import Pot, Reference, Transducer
from potvigil.model.reading import Sample
from potvigil.sensing.conversion import convert

COUNT_V = 187.5e-6  # ADS1115 at 6.144 V
ATMOSPHERE_PA = 101_325.0
POT = replace(LANTERN, transducer=Transducer(COUNT_V, 100 * PSI))
ABSOLUTE = replace(POT, transducer=Transducer(COUNT_V, 150 * PSI, reference=Reference.ABSOLUTE))
GAUGE_ERROR_PA = 2.5 * PSI  # class 2.5 of 100 psi: EN 837-1

# NIST StRD, Norris and NoInt1: data and certified values (Norris also in scipy's own tests)
NORRIS_X = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5
11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"""
NORRIS_Y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9
10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"""


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.split()]


def test_the_line_matches_the_certified_norris_data() -> None:
    fit = line_fit(numbers(NORRIS_X), numbers(NORRIS_Y))
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.slope_sd == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert fit.intercept_sd == pytest.approx(0.232818234301152, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_the_line_through_the_origin_matches_the_certified_noint1_data() -> None:
    fit = anchored_fit([float(x) for x in range(60, 71)], [float(y) for y in range(130, 141)])
    assert fit.slope == pytest.approx(2.07438016528926, rel=1e-12)
    assert fit.slope_sd == pytest.approx(0.165289256198347e-1, rel=1e-9)
    assert fit.residual_sd == pytest.approx(3.56753034006338, rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_the_line_matches_scipy(seed: int) -> None:
    random = Random(seed)
    xs = [random.uniform(0.0, 4e5) for _ in range(3 + seed)]
    ys = [0.97 * x - 2000.0 + random.gauss(0.0, 3000.0) for x in xs]
    theirs = stats.linregress(xs, ys)
    fit = line_fit(xs, ys)
    assert (fit.slope, fit.intercept) == pytest.approx((theirs.slope, theirs.intercept), rel=1e-9)
    assert (fit.slope_sd, fit.intercept_sd) == pytest.approx(
        (theirs.stderr, theirs.intercept_stderr), rel=1e-9
    )


# -- zero ------------------------------------------------------------------------------------------


def readings(
    psi: float, noise_psi: float = 0.01, drift_psi: float = 0.0, n: int = 20
) -> list[tuple[float, float]]:
    random = Random(1)
    return [
        (float(i), (psi + drift_psi * i / (n - 1) + random.gauss(0.0, noise_psi)) * PSI) for i in range(n)
    ]


def test_summaries_of_readings_match_numpy() -> None:
    given = readings(0.4, noise_psi=0.05, drift_psi=0.3)
    times, values = np.array(given).T
    slope, intercept = np.polyfit(times, values, 1)
    judged = steady(given)
    assert judged.mean_pa == pytest.approx(values.mean())
    assert judged.drift_pa == pytest.approx(19.0 * slope)
    rest = values - (intercept + slope * times)
    assert judged.spread_pa == pytest.approx(np.sqrt((rest**2).sum() / 18.0))


def test_the_zero_of_an_open_pot_is_its_reading() -> None:
    anchor = zero_of(steady(readings(0.4)), 0.0, POT)
    found = zero_alone(anchor, POT)
    assert found.zero_pa == pytest.approx(0.4 * PSI, abs=0.01 * PSI)
    assert found.slope == 1.0


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (readings(5.0), "that is not an open pot"),
        (readings(-4.0), "that is not an open pot"),
        (readings(0.4, noise_psi=0.6), "too noisy"),
        (readings(0.0, drift_psi=-1.0), "still moves"),
    ],
)
def test_a_pot_that_is_not_open_and_quiet_is_refused(given: list[tuple[float, float]], said: str) -> None:
    with pytest.raises(CalibrationError, match=said):
        zero_of(steady(given), 0.0, POT)


def test_a_moving_reading_is_not_steady() -> None:
    span_pa = 100 * PSI
    assert is_steady(steady(readings(40.0)), span_pa)
    assert not is_steady(steady(readings(40.0, drift_psi=0.5)), span_pa)
    assert not is_steady(steady(readings(40.0, noise_psi=0.5)), span_pa)


def test_an_absolute_transducers_zero_keeps_the_atmosphere() -> None:
    said_pa = ATMOSPHERE_PA + 0.5 * PSI
    anchor = zero_of(steady([(float(i), said_pa) for i in range(20)]), ATMOSPHERE_PA, ABSOLUTE)
    assert zero_alone(anchor, ABSOLUTE).zero_pa == pytest.approx(0.5 * PSI)


# -- slope -----------------------------------------------------------------------------------------


def points(*pairs: tuple[float, float]) -> list[CalibrationPoint]:
    """Points of (gauge, transducer), psi."""
    return [CalibrationPoint(gauge * PSI, gauge * PSI, said * PSI) for gauge, said in pairs]


ANCHOR = Anchor(0.4 * PSI, 0.0)


@pytest.mark.parametrize("anchor", [None, ANCHOR])
def test_the_resulting_settings_make_the_transducer_match_the_gauge(anchor: Anchor | None) -> None:
    """Through the conversion itself: a transducer with 0.4 psi and a slope of 1/0.96, corrected."""
    found = calibrate(points(*((g, 0.4 + g * 0.96) for g in (20, 40, 60))), anchor, GAUGE_ERROR_PA, POT)
    assert POT.transducer is not None
    pot = replace(POT, transducer=replace(POT.transducer, zero_pa=found.zero_pa, slope=found.slope))
    for gauge in (0.0, 33.0, 60.0):
        volts = 5.0 * (0.1 + 0.8 * (0.4 + gauge * 0.96) / 100.0)
        reading = convert(Sample(0.0, transducer_count=volts / COUNT_V), pot)
        assert reading.gauge_pa == pytest.approx(gauge * PSI, abs=1.0)


def test_an_absolute_transducer_is_calibrated_too() -> None:
    def said(gauge_psi: float) -> float:
        return 900.0 + 1.03 * (gauge_psi * PSI + ATMOSPHERE_PA)

    given = [CalibrationPoint(g * PSI, g * PSI + ATMOSPHERE_PA, said(g)) for g in (20, 40, 60)]
    for anchor in (None, Anchor(said(0.0), ATMOSPHERE_PA)):
        found = calibrate(given, anchor, GAUGE_ERROR_PA, ABSOLUTE)
        assert found.slope == pytest.approx(1.0 / 1.03)
        assert found.slope * (said(50.0) - found.zero_pa) == pytest.approx(50.0 * PSI + ATMOSPHERE_PA)


def test_the_interval_of_the_slope_has_its_stated_coverage() -> None:
    random = Random(7)
    held = 0
    for _ in range(1000):
        pairs = [(g + random.gauss(0.0, 0.4), 0.4 + 0.96 * g) for g in (15, 30, 45, 60)]
        interval = calibrate(points(*pairs), ANCHOR, GAUGE_ERROR_PA, POT).slope_interval
        assert interval is not None
        held += interval.low <= 1.0 / 0.96 <= interval.high
    low, high = stats.binom.interval(0.999, 1000, 0.95)
    assert low <= held <= high


@pytest.mark.parametrize(
    ("given", "anchor", "said"),
    [
        (points((40, 40)), ANCHOR, "at least two points"),
        (points((50, 50), (60, 60)), None, "within 10.0 psi"),
        (points((5, 5), (10, 10)), ANCHOR, "within 10.0 psi"),
        (points((40, 40), (40, 40.1)), ANCHOR, "farther apart"),
        (points((20, 20), (40, 19), (60, 60)), ANCHOR, "port blocked"),
        (points((20, 25), (40, 50), (60, 75)), ANCHOR, "too far from 1"),
        (points((20, 20), (40, 47), (60, 60)), ANCHOR, "point 2, 40.0 psi on the gauge, is .* off the line"),
        (points((20, 27), (40, 47), (60, 67)), None, "zero of 7.0 psi"),
    ],
)
def test_a_bad_set_is_refused_with_its_reason(
    given: list[CalibrationPoint], anchor: Anchor | None, said: str
) -> None:
    with pytest.raises(CalibrationError, match=said):
        calibrate(given, anchor, GAUGE_ERROR_PA, POT)


# -- drift -----------------------------------------------------------------------------------------


def samples(psi: float, n: int = 30, **changes: float) -> list[Sample]:
    volts = 5.0 * (0.1 + 0.8 * psi / 100.0)
    return [Sample(float(i), 1e9 + i, transducer_count=volts / COUNT_V, **changes) for i in range(n)]


def test_the_zero_at_a_vent_does_not_depend_on_the_settings_then() -> None:
    assert POT.transducer is not None
    calibrated = replace(POT, transducer=replace(POT.transducer, zero_pa=0.3 * PSI, slope=0.9))
    for pot in (POT, calibrated):
        found = zero_at_vent(samples(0.4), pot)
        assert found is not None
        assert found.zero_pa == pytest.approx(0.4 * PSI, abs=0.001 * PSI)
        assert (found.t_s, found.utc_s) == (0.0, 1e9)


@pytest.mark.parametrize("psi", [20.0, -5.5])
def test_a_pot_that_is_not_open_has_no_zero(psi: float) -> None:
    assert zero_at_vent(samples(psi), POT) is None


def test_a_few_samples_or_none_have_no_zero() -> None:
    assert zero_at_vent(samples(0.4, n=5), POT) is None
    assert zero_at_vent([], POT) is None
    assert zero_at_vent([Sample(float(i)) for i in range(30)], POT) is None


def test_an_absolute_transducers_zero_at_a_vent_uses_the_barometer() -> None:
    pot: Pot = ABSOLUTE
    for outside_pa in (97_000.0, 103_000.0):
        said_psi = (outside_pa + 700.0) / PSI
        volts = 5.0 * (0.1 + 0.8 * said_psi / 150.0)
        given = [Sample(float(i), transducer_count=volts / COUNT_V, ambient_pa=outside_pa) for i in range(30)]
        found = zero_at_vent(given, pot)
        assert found is not None and found.zero_pa == pytest.approx(700.0, abs=1.0)


def test_a_drift_matches_scipys_slope_and_interval() -> None:
    zeros = [VentZero(86_400.0 * i, None, 100.0 + 5.0 * i + (-1) ** i * 3.0) for i in range(12)]
    theirs = stats.linregress([zero.t_s for zero in zeros], [zero.zero_pa for zero in zeros])
    found = drift(zeros)
    assert found is not None
    assert found.value == pytest.approx(theirs.slope)
    half = stats.t.ppf(0.975, 10) * theirs.stderr
    assert (found.low, found.high) == pytest.approx((theirs.slope - half, theirs.slope + half), rel=1e-6)
    assert drift(zeros[:2]) is None
