"""Pt100 against the tables of IEC 60751:2008, as printed in public reference tables."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from potvigil.drivers.thermometers.pt100 import celsius

TABLE = {
    -200: 18.52, -150: 39.72, -100: 60.26, -50: 80.31, -20: 92.16, -10: 96.09, 0: 100.00, 10: 103.90,
    20: 107.79, 30: 111.67, 40: 115.54, 50: 119.40, 60: 123.24, 100: 138.51, 150: 157.33, 200: 175.86,
    400: 247.09, 600: 313.71,
}  # fmt: skip


@pytest.mark.parametrize(("t", "ohm"), TABLE.items())
def test_rows_of_the_standard(t: float, ohm: float) -> None:
    # half of the last printed digit, 0.005 ohm, is 0.0116 to 0.016 C
    assert celsius(ohm, 100.0) == pytest.approx(t, abs=0.016)
    assert celsius(10.0 * ohm, 1000.0) == pytest.approx(t, abs=0.016)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(t=st.floats(-200.0, 850.0))
def test_there_and_back(t: float) -> None:
    c = -4.183e-12 if t < 0.0 else 0.0
    ohm = 100.0 * (1.0 + 3.9083e-3 * t - 5.775e-7 * t**2 + c * (t - 100.0) * t**3)
    assert celsius(ohm, 100.0) == pytest.approx(t, abs=1e-6)


def test_the_lower_branch_against_a_root_finder() -> None:
    def missing(t: float) -> float:
        return 1.0 + 3.9083e-3 * t - 5.775e-7 * t**2 - 4.183e-12 * (t - 100.0) * t**3 - 0.8

    assert celsius(80.0, 100.0) == pytest.approx(brentq(missing, -100.0, 0.0, xtol=1e-10), abs=1e-7)


@pytest.mark.parametrize("ohm", [5.0, 17.0, 395.0, 800.0, 1e6])
def test_an_impossible_resistance_is_refused(ohm: float) -> None:
    with pytest.raises(ValueError, match="850 C"):
        celsius(ohm, 100.0)
