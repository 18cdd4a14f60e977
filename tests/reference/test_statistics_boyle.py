"""Boyle's own numbers: the bubble law on the table he printed."""

from math import log

import pytest
from scipy.stats import linregress

from potvigil.physics.bubble import diameter_growth

PSI = 6894.757293168361  # NIST SP 811, Appendix B.8
ATMOSPHERE_PA = 101_325.0

# R. Boyle, A Defence of the Doctrine Touching the Spring and Weight of the Air (1662), table of the
# condensation of the air: spaces of air, and total pressure in inches and sixteenths of mercury
SPACES = [48, 46, 44, 42, 40, 38, 36, 34, 32, 30, 28, 26, 24, 23, 22, 21, 20, 19, 18, 17, 16, 15, 14, 13, 12]
PRESSURES = (
    "29 2, 30 9, 31 15, 33 8, 35 5, 37 0, 39 5, 41 10, 44 3, 47 1, 50 5, 54 5, 58 13, 61 5, 64 1, 67 1, "
    "70 11, 74 2, 77 14, 82 12, 87 14, 93 1, 100 7, 107 13, 117 9"
)
PA_PER_INCH_OF_MERCURY = 3386.389  # NIST SP 811
OUTSIDE_PA = 29.125 * PA_PER_INCH_OF_MERCURY  # his column C: 29 1/8 inches


def pressures_pa() -> list[float]:
    pairs = (entry.split() for entry in PRESSURES.split(", "))
    return [(int(inch) + int(sixteenths) / 16) * PA_PER_INCH_OF_MERCURY for inch, sixteenths in pairs]


def test_the_table_is_complete() -> None:
    products = [space * pa / PA_PER_INCH_OF_MERCURY for space, pa in zip(SPACES, pressures_pa(), strict=True)]
    assert sum(products) / 25 == pytest.approx(1408.09, abs=0.01)
    slope = linregress([log(a) for a in SPACES], [log(p) for p in pressures_pa()]).slope
    assert slope == pytest.approx(-0.99842, abs=1e-5)


def test_a_bubble_grows_as_boyles_air_did() -> None:
    first_pa = pressures_pa()[0]
    for space, pa in zip(SPACES, pressures_pa(), strict=True):
        growth = diameter_growth(pa - OUTSIDE_PA, first_pa - OUTSIDE_PA, OUTSIDE_PA)
        # his largest departure from the first row is 1.234 % in volume
        assert growth**3 == pytest.approx(48 / space, rel=0.013)


@pytest.mark.parametrize(("gauge_psi", "diameter"), [(50, 0.61016), (55, 0.59520), (60, 0.58161)])
def test_diameter_under_pressure(gauge_psi: float, diameter: float) -> None:
    # (p0/p)^(1/3) with one atmosphere outside
    assert 1.0 / diameter_growth(gauge_psi * PSI, 0.0, ATMOSPHERE_PA) == pytest.approx(diameter, abs=1e-5)


def test_halving_a_diameter_takes_eight_atmospheres() -> None:
    assert diameter_growth(7 * ATMOSPHERE_PA, 0.0, ATMOSPHERE_PA) == pytest.approx(2.0, rel=1e-12)
