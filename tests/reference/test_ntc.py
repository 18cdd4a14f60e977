"""Thermistors against makers' tables and published coefficients."""

from math import exp, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.drivers.thermometers.ntc import (
    BETA_OFF_K,
    BETA_WITHIN_C,
    Coefficients,
    celsius,
    of_beta,
    read_divider,
)

# Coefficients of a 10 kohm thermistor as widely published, with the resistances that go with them
WIDELY = Coefficients(1.129148e-3, 2.34125e-4, 8.76741e-8)


@pytest.mark.parametrize(
    ("ohm", "t"),
    [(10000, 25.0), (32650, 0.0), (19900, 10.003), (12490, 20.006), (8057, 29.997), (5327, 39.99)],
)
def test_published_coefficients(ohm: float, t: float) -> None:
    assert celsius(ohm, WIDELY) == pytest.approx(t, abs=0.01)


# A laser driver's manual, appendix A: ohm and C. Its row of 40 C, 5331 ohm, misses by half a degree whatever
# one puts through the others, presumably a misprint for 5231, and is left out.
LASER = {0: 32128, 10: 19549, 20: 12262, 25: 9814, 30: 7908, 50: 3542}


def test_three_rows_of_a_makers_table_predict_the_others() -> None:
    # three equations for a, b and c, by elimination in x = ln R
    (x1, y1), (x2, y2), (x3, y3) = ((log(LASER[t]), 1.0 / (t + 273.15)) for t in (0, 25, 50))
    g2, g3 = (y2 - y1) / (x2 - x1), (y3 - y1) / (x3 - x1)
    c = (g3 - g2) / (x3 - x2) / (x1 + x2 + x3)
    b = g2 - c * (x1 * x1 + x1 * x2 + x2 * x2)
    of = Coefficients(y1 - (b + x1 * x1 * c) * x1, b, c)
    for t, ohm in LASER.items():
        assert celsius(ohm, of) == pytest.approx(t, abs=0.01)


def makers_ohm(t: float) -> float:
    """The 10 kohm, 3977 K material by its maker's polynomial (Vishay 29049; from memory, see below)."""
    k = t + 273.15
    return 10_000.0 * exp(-14.6337 + 4791.842 / k - 115334.0 / k**2 - 3.730535e6 / k**3)


def test_the_makers_two_polynomials_agree_so_they_were_remembered_right() -> None:
    for t in (0.0, 10.0, 25.0, 40.0, 85.0):
        x = log(makers_ohm(t) / 10_000.0)
        k = 1.0 / (3.354016e-3 + 2.569850e-4 * x + 2.620131e-6 * x**2 + 6.383091e-8 * x**3)
        assert k - 273.15 == pytest.approx(t, abs=0.01)


def test_the_error_of_beta_is_within_its_stated_bound() -> None:
    of = of_beta(3977.0, 10_000.0)
    low, high = map(int, BETA_WITHIN_C)
    off = [abs(celsius(makers_ohm(float(t)), of) - t) for t in range(low, high + 1)]
    assert 0.7 < max(off) <= BETA_OFF_K
    assert off[25] < 0.01


# R25 exp(B (1/T - 1/298.15)), recomputed
@pytest.mark.parametrize(("ohm", "beta", "t"), [(33620.6, 3950, 0), (12535.3, 3950, 20), (5758.8, 3435, 40)])
def test_beta(ohm: float, beta: float, t: float) -> None:
    assert celsius(ohm, of_beta(beta, 10_000.0)) == pytest.approx(t, abs=0.001)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(t=st.floats(-39.0, 124.0), resistor_ohm=st.floats(2e3, 5e4), to_ground=st.booleans())
def test_through_a_divider_and_back(t: float, resistor_ohm: float, to_ground: bool) -> None:
    ohm = 10_000.0 * exp(3435.0 * (1.0 / (t + 273.15) - 1.0 / 298.15))
    part = ohm / (ohm + resistor_ohm)
    share = part if to_ground else 1.0 - part
    if 0.006 < part < 0.994:
        found_c = read_divider(share, resistor_ohm, to_ground, of_beta(3435.0, 10_000.0))
        assert found_c == pytest.approx(t, abs=1e-6)
