"""Amount of air, correction for temperature and flow through a hole against published numbers."""

from itertools import product
from math import pi, sqrt

import pytest
from CoolProp.CoolProp import PropsSI

from potvigil.physics.air import amount_mol, compressibility, corrected_absolute_pa
from potvigil.physics.flow import (
    CHOKED_FLOW_FACTOR,
    CRITICAL_PRESSURE_RATIO,
    leak_mol_per_s,
    orifice_diameter_m,
    standard_cm3_per_min,
)

PSI = 6894.757293168361  # NIST SP 811, Appendix B.8
ATMOSPHERE_PA = 101_325.0
SIXTY_PSI_PA = 60 * PSI + ATMOSPHERE_PA

# 40 CFR 1065.644, worked example: a 2.0000 L volume rises from 25.3 to 50.6 kPa in 70 s at 293.15 K
CFR = {"absolute_1_pa": 25_300.0, "absolute_2_pa": 50_600.0, "volume_m3": 0.002, "elapsed_s": 70.0}


def test_leak_rate_of_the_code_of_federal_regulations() -> None:
    # inputs as printed in 40 CFR 1065.644; the answer recomputed from equation 1065.644-1
    flow = leak_mol_per_s(temperature_1_k=293.15, temperature_2_k=293.15, **CFR)
    assert flow == pytest.approx(2.9657e-4, rel=1e-4)


def test_swapped_points_flip_the_sign_of_the_leak_rate() -> None:
    into = leak_mol_per_s(25_300.0, 290.0, 50_600.0, 295.0, 0.002, 70.0)
    out_of = leak_mol_per_s(50_600.0, 295.0, 25_300.0, 290.0, 0.002, 70.0)
    assert into > 0.0
    assert out_of == pytest.approx(-into, rel=1e-12)


def test_warming_at_the_same_pressure_is_air_lost() -> None:
    # (V/R) p (1/T2 - 1/T1)/dt, from the same equation
    flow = leak_mol_per_s(50_600.0, 293.15, 50_600.0, 294.15, 0.002, 70.0)
    assert flow == pytest.approx(0.002 / 8.314462618 * 50_600.0 * (1 / 294.15 - 1 / 293.15) / 70.0, rel=1e-9)
    assert flow < 0.0


def test_gauge_pressure_in_the_gas_law_gives_a_wrong_leak_when_the_temperature_changes() -> None:
    absolute = leak_mol_per_s(SIXTY_PSI_PA, 293.15, SIXTY_PSI_PA - 5000.0, 290.15, 0.02, 3600.0)
    gauge = leak_mol_per_s(60 * PSI, 293.15, 60 * PSI - 5000.0, 290.15, 0.02, 3600.0)
    assert abs(gauge - absolute) > 0.5 * abs(absolute)
    still = leak_mol_per_s(SIXTY_PSI_PA, 293.15, SIXTY_PSI_PA - 5000.0, 293.15, 0.02, 3600.0)
    assert leak_mol_per_s(60 * PSI, 293.15, 60 * PSI - 5000.0, 293.15, 0.02, 3600.0) == pytest.approx(still)


@pytest.mark.parametrize(
    ("kelvin", "at_1_atm", "at_4_45_bar", "at_5_15_bar"),
    [  # CoolProp 8.0.0, Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000) 331
        (280.0, 0.999483, 0.997777, 0.997438),
        (290.0, 0.999592, 0.998255, 0.997991),
        (293.15, 0.999624, 0.998392, 0.998149),
        (300.0, 0.999688, 0.998670, 0.998471),
        (310.0, 0.999771, 0.999032, 0.998890),
    ],
)
def test_compressibility_of_the_reference_air(
    kelvin: float, at_1_atm: float, at_4_45_bar: float, at_5_15_bar: float
) -> None:
    assert compressibility(ATMOSPHERE_PA, kelvin) == pytest.approx(at_1_atm, abs=4e-5)
    assert compressibility(4.45e5, kelvin) == pytest.approx(at_4_45_bar, abs=1.2e-4)
    assert compressibility(5.15e5, kelvin) == pytest.approx(at_5_15_bar, abs=1.3e-4)


def test_compressibility_over_all_rooms_below_six_bar() -> None:
    for kelvin, absolute_pa in product((275.0, 285.0, 295.0, 305.0, 315.0), (1e5, 2e5, 4e5, 6e5)):
        reference = PropsSI("Z", "P", absolute_pa, "T", kelvin, "Air")
        assert compressibility(absolute_pa, kelvin) == pytest.approx(reference, abs=1.5e-4)


def test_amount_of_air_in_a_pot_at_sixty_psi() -> None:
    density = PropsSI("Dmolar", "P", SIXTY_PSI_PA, "T", 293.15, "Air")
    assert amount_mol(SIXTY_PSI_PA, 0.02, 293.15) == pytest.approx(0.02 * density, rel=2e-4)


@pytest.mark.parametrize("cooled_k", [-5.0, 3.0, 10.0])
def test_a_sealed_pot_of_real_air_keeps_its_corrected_pressure(cooled_k: float) -> None:
    now_k = 293.15 - cooled_k
    density = PropsSI("Dmolar", "P", SIXTY_PSI_PA, "T", 293.15, "Air")
    now_pa = PropsSI("P", "Dmolar", density, "T", now_k, "Air")
    assert corrected_absolute_pa(now_pa, now_k, 293.15) == pytest.approx(SIXTY_PSI_PA, abs=30.0)


def test_the_ideal_gas_law_would_invent_a_leak_of_224_pa_after_ten_kelvin() -> None:
    density = PropsSI("Dmolar", "P", SIXTY_PSI_PA, "T", 293.15, "Air")
    now_pa = PropsSI("P", "Dmolar", density, "T", 283.15, "Air")
    left_by_the_ideal_law_pa = SIXTY_PSI_PA - now_pa * 293.15 / 283.15
    left_pa = SIXTY_PSI_PA - corrected_absolute_pa(now_pa, 283.15, 293.15)
    assert left_by_the_ideal_law_pa == pytest.approx(228.0, abs=8.0)
    assert abs(left_pa) < 0.13 * left_by_the_ideal_law_pa


def test_correcting_there_and_back_changes_nothing() -> None:
    there_pa = corrected_absolute_pa(SIXTY_PSI_PA, 283.15, 303.15)
    assert corrected_absolute_pa(there_pa, 303.15, 283.15) == pytest.approx(SIXTY_PSI_PA, abs=3.0)


def test_critical_ratio_and_choked_flow_factor() -> None:
    # White, Fluid Mechanics, ch. 9: (2/(g+1))^(g/(g-1)) and sqrt(g)(2/(g+1))^((g+1)/(2(g-1))), g = 1.4
    assert pytest.approx(0.5282818, abs=1e-7) == CRITICAL_PRESSURE_RATIO
    assert pytest.approx(0.6847315, abs=1e-7) == CHOKED_FLOW_FACTOR


@pytest.mark.parametrize(("diameter_um", "std_cm3_per_min"), [(10, 4.433), (50, 110.8), (100, 443.3)])
def test_ideal_hole_at_sixty_psi(diameter_um: float, std_cm3_per_min: float) -> None:
    # ideal choked flow of air at 60 psig and 20 C, volumes at 0 C and 101325 Pa
    flow = std_cm3_per_min / 60e6 * ATMOSPHERE_PA * 293.15 / 273.15
    assert orifice_diameter_m(flow, SIXTY_PSI_PA, ATMOSPHERE_PA, 293.15) == pytest.approx(
        diameter_um * 1e-6, rel=5e-4
    )
    assert standard_cm3_per_min(flow, 293.15) == pytest.approx(std_cm3_per_min, rel=1e-9)


def test_one_millimetre_hole_passes_0_95_grams_a_second() -> None:
    # ideal choked flow: 9.5477e-4 kg/s at 60 psig and 20 C, molar mass 28.9647 g/mol
    flow = 9.5477e-4 / 0.0289647 * 8.314462618 * 293.15
    assert orifice_diameter_m(flow, SIXTY_PSI_PA, ATMOSPHERE_PA, 293.15) == pytest.approx(1e-3, rel=1e-4)


# "Discharge of air through an orifice", compressed-air handbook table, flow coefficient 100 %: cubic feet of
# free air per minute (14.696 psia, 70 F) for holes of 1/64, 1/32, 1/16 and 1/8 inch
HOLES_INCH = (1 / 64, 1 / 32, 1 / 16, 1 / 8)
DISCHARGE_CFM = {
    1: (0.028, 0.112, 0.450, 1.80),
    5: (0.062, 0.248, 0.993, 3.97),
    9: (0.083, 0.331, 1.32, 5.30),
    12: (0.095, 0.379, 1.52, 6.07),
    15: (0.105, 0.420, 1.68, 6.72),
    20: (0.123, 0.491, 1.96, 7.86),
    30: (0.158, 0.633, 2.53, 10.1),
    40: (0.194, 0.774, 3.10, 12.4),
    50: (0.229, 0.916, 3.66, 14.7),
    60: (0.264, 1.06, 4.23, 16.9),
    70: (0.300, 1.20, 4.79, 19.2),
    100: (0.406, 1.62, 6.49, 26.0),
}


@pytest.mark.parametrize(("gauge_psi", "row"), DISCHARGE_CFM.items())
def test_printed_table_of_discharge_through_an_orifice(gauge_psi: int, row: tuple[float, ...]) -> None:
    atmosphere_pa = 14.696 * PSI
    kelvin = (70.0 + 459.67) * 5 / 9
    for inch, cfm in zip(HOLES_INCH, row, strict=True):
        flow = cfm * 0.3048**3 / 60.0 * atmosphere_pa
        diameter_m = orifice_diameter_m(flow, gauge_psi * PSI + atmosphere_pa, atmosphere_pa, kelvin)
        # flow agrees within 0.7 %, and the diameter goes with its square root
        assert (diameter_m / (inch * 0.0254)) ** 2 == pytest.approx(1.0, abs=0.007)


def test_no_flow_needs_no_hole() -> None:
    assert orifice_diameter_m(0.0, SIXTY_PSI_PA, ATMOSPHERE_PA, 293.15) == 0.0
    assert orifice_diameter_m(-1e-3, SIXTY_PSI_PA, ATMOSPHERE_PA, 293.15) == 0.0


@pytest.mark.parametrize(
    ("basis_k", "mol_per_s"), [(273.15, 4.403161e-4), (293.15, 4.102758e-4), (298.15, 4.033955e-4)]
)
def test_standard_volume_does_not_depend_on_the_temperature_of_the_gas(
    basis_k: float, mol_per_s: float
) -> None:
    # 1 Pa m3/s at each temperature is so many mol/s (pint 0.25.3, SI gas constant); a standard cm3/min at 0 C
    # and 101325 Pa is 7.435839e-7 mol/s
    assert standard_cm3_per_min(1.0, basis_k) == pytest.approx(mol_per_s / 7.435839e-7, rel=1e-6)


def test_equal_area_of_many_holes_is_one_hole() -> None:
    one = orifice_diameter_m(1e-3, SIXTY_PSI_PA, ATMOSPHERE_PA, 293.15)
    four = orifice_diameter_m(4e-3, SIXTY_PSI_PA, ATMOSPHERE_PA, 293.15)
    assert pi * four**2 / 4 == pytest.approx(4 * pi * one**2 / 4, rel=1e-12)
    assert four / one == pytest.approx(sqrt(4.0), rel=1e-12)
