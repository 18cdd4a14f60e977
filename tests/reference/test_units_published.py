"""Units and the standard atmosphere against pint, fluids and printed tables."""

import pint
import pytest
from fluids import ATMOSPHERE_1976

from potvigil import units

PINT = pint.UnitRegistry()
PINT_NAMES = {
    "psi": "psi",
    "L": "liter",
    "mL": "milliliter",
    "m3": "meter**3",
    "gal": "gallon",
    "qt": "quart",
}


@pytest.mark.parametrize(
    ("kind", "si"),
    [
        (units.PRESSURE, "Pa"),
        (units.VOLUME, "m**3"),
        (units.LENGTH, "m"),
        (units.TIME, "s"),
        (units.VOLTAGE, "V"),
    ],
)
def test_every_unit_agrees_with_pint(kind: units.QuantityKind, si: str) -> None:
    for name, factor in kind.factors.items():
        assert factor == pytest.approx(PINT.Quantity(1.0, PINT_NAMES.get(name, name)).to(si).m, rel=1e-12)


@pytest.mark.parametrize(("text", "kelvin"), [("21 C", 294.15), ("70 F", 294.2611111), ("293.15 K", 293.15)])
def test_temperatures_on_three_scales(text: str, kelvin: float) -> None:
    number, unit = text.split()
    by_pint = PINT.Quantity(float(number), {"C": "degC", "F": "degF", "K": "kelvin"}[unit]).to("kelvin").m
    assert units.TEMPERATURE.read(text).si == pytest.approx(kelvin, abs=1e-6)
    assert units.TEMPERATURE.read(text).si == pytest.approx(by_pint, abs=1e-9)


def test_a_difference_of_temperature_has_no_zero_point() -> None:
    assert units.TEMPERATURE_DIFFERENCE.read("9 F").si == pytest.approx(5.0)
    assert units.TEMPERATURE_DIFFERENCE.read("5 C").si == 5.0


@pytest.mark.parametrize(
    ("gauge_psi", "absolute_pa"), [(50, 446_062.865), (55, 480_536.651), (60, 515_010.438)]
)
def test_gauge_over_one_atmosphere(gauge_psi: int, absolute_pa: float) -> None:
    # pint 0.25.3, factor of NIST SP 811
    read = units.PRESSURE.read(f"{gauge_psi} psi").si
    assert read + units.STANDARD_ATMOSPHERE_PA == pytest.approx(absolute_pa, abs=1e-3)


def test_66_psig_at_sea_level_is_80_7_psia() -> None:
    # ASNT SNT-TC-1A question bank, leak testing, pressure change, level I
    absolute_psi = (66.0 * units.PA_PER_PSI + units.STANDARD_ATMOSPHERE_PA) / units.PA_PER_PSI
    assert round(absolute_psi, 1) == 80.7


def test_molar_gas_constant() -> None:
    assert pytest.approx(PINT.Quantity(1.0, "molar_gas_constant").to("J/mol/K").m, rel=1e-9) == (
        units.MOLAR_GAS_CONSTANT
    )


@pytest.mark.parametrize(
    ("altitude_m", "pa"),
    [  # US Standard Atmosphere 1976, geometric altitude
        (0.0, 101_325.0),
        (500.0, 95_461.3),
        (1000.0, 89_876.3),
        (1500.0, 84_559.7),
        (1609.344, 83_431.8),
        (2000.0, 79_501.4),
        (3000.0, 70_121.2),
    ],
)
def test_standard_atmosphere(altitude_m: float, pa: float) -> None:
    assert units.standard_atmosphere_pa(altitude_m) == pytest.approx(pa, abs=0.1)
    assert units.standard_atmosphere_pa(altitude_m) == pytest.approx(ATMOSPHERE_1976(altitude_m).P, rel=1e-5)


def test_standard_atmosphere_of_a_geopotential_table_is_another() -> None:
    # 1000 geopotential metres: 89874.6 Pa (ISO 2533); our altitude is geometric
    assert units.standard_atmosphere_pa(1000.0) - 89_874.6 == pytest.approx(1.7, abs=0.2)


@pytest.mark.parametrize("altitude_m", [-601.0, 11_001.0, float("nan")])
def test_no_atmosphere_where_the_troposphere_ends(altitude_m: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        units.standard_atmosphere_pa(altitude_m)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("60", "no unit"),
        ("60 pounds", "unknown unit"),
        ("1e400 psi", "too large"),
        ("sixty psi", "is not a pressure"),
        ("nan psi", "is not a pressure"),
        ("6_0 psi", "is not a pressure"),
        ("", "is not a pressure"),
    ],
)
def test_an_invalid_pressure_is_refused_listing_the_units(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says) as refused:
        units.PRESSURE.read(text)
    assert "psi" in str(refused.value)
