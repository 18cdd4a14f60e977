"""Amount of air in a shut pot: real-gas factor, temperature-corrected pressure, flow through a hole."""

from math import pi, sqrt

from potvigil.units import MOLAR_GAS_CONSTANT, STANDARD_ATMOSPHERE_PA, ZERO_CELSIUS_K

AIR_MOLAR_MASS_KG = 0.0289647  # kg/mol, ISO 2533 (28.9644) with today's carbon dioxide
AIR_HEAT_CAPACITY_RATIO = 1.4
# Critical constants and acentric factor of air: Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000) 331.
_CRITICAL_K = 132.5306
_CRITICAL_PA = 3.786e6
_ACENTRIC = 0.0335
_B_SCALE = MOLAR_GAS_CONSTANT * _CRITICAL_K / _CRITICAL_PA

# sqrt(g) (2/(g+1))^((g+1)/(2(g-1))) and (2/(g+1))^(g/(g-1)) for g = 1.4: White, Fluid Mechanics, ch. 9
CHOKED_FLOW_FACTOR = 0.6847315
CRITICAL_PRESSURE_RATIO = 0.5282818


def second_virial_m3_per_mol(temperature_k: float) -> float:
    """Return the second virial coefficient of air, m3/mol (200-400 K).

    Source: Pitzer's correlation in the form of Abbott; Smith, Van Ness & Abbott, Introduction to Chemical
    Engineering Thermodynamics, section 3.6. Within 4 % of the reference equation of state for air, which
    is 0.01 % of the pressure at 6 bar.
    """
    reduced = temperature_k / _CRITICAL_K
    return float(_B_SCALE * (0.083 - 0.422 / reduced**1.6 + _ACENTRIC * (0.139 - 0.172 / reduced**4.2)))


def compressibility(absolute_pa: float, temperature_k: float) -> float:
    """Return Z = pV/(nRT) of air, from the virial equation cut after the second coefficient (to 15 bar)."""
    return 1.0 + second_virial_m3_per_mol(temperature_k) * absolute_pa / (MOLAR_GAS_CONSTANT * temperature_k)


def amount_mol(absolute_pa: float, volume_m3: float, temperature_k: float) -> float:
    """Return the amount of air, mol, from absolute pressure, volume and gas temperature."""
    return (
        absolute_pa
        * volume_m3
        / (compressibility(absolute_pa, temperature_k) * MOLAR_GAS_CONSTANT * temperature_k)
    )


def corrected_absolute_pa(absolute_pa: float, temperature_k: float, reference_k: float) -> float:
    """Return the pressure, Pa absolute, that the same air would have at the reference temperature."""
    # n/V = p/(ZRT); then p* = n/V R T* (1 + B* n/V), the same virial equation solved for the pressure
    density = absolute_pa / (compressibility(absolute_pa, temperature_k) * MOLAR_GAS_CONSTANT * temperature_k)
    ideal_pa = density * MOLAR_GAS_CONSTANT * reference_k
    z_first = compressibility(ideal_pa, reference_k)
    return ideal_pa * compressibility(ideal_pa * z_first, reference_k)


def leak_mol_per_s(
    absolute_1_pa: float,
    temperature_1_k: float,
    absolute_2_pa: float,
    temperature_2_k: float,
    volume_m3: float,
    elapsed_s: float,
) -> float:
    """Return the mean flow into a closed volume, mol/s (negative: out), from two states; the ideal gas law.

    Source: 40 CFR 1065.644, equation 1065.644-1.
    """
    return (
        volume_m3
        / MOLAR_GAS_CONSTANT
        * (absolute_2_pa / temperature_2_k - absolute_1_pa / temperature_1_k)
        / elapsed_s
    )


def orifice_diameter_m(
    flow_pa_m3_per_s: float, absolute_pa: float, ambient_pa: float, temperature_k: float
) -> float:
    """Return the diameter, m, of the ideal round hole that passes this pV flow from pot to surroundings.

    flow_pa_m3_per_s: at the gas temperature. Isentropic nozzle flow, choked or not, discharge factor 1
    (White, Fluid Mechanics, ch. 9). 0 for no flow.
    """
    if flow_pa_m3_per_s <= 0.0 or absolute_pa <= ambient_pa:
        return 0.0
    g = AIR_HEAT_CAPACITY_RATIO
    ratio = ambient_pa / absolute_pa
    if ratio <= CRITICAL_PRESSURE_RATIO:
        factor = CHOKED_FLOW_FACTOR
    else:
        factor = sqrt(2.0 * g / (g - 1.0) * (ratio ** (2.0 / g) - ratio ** ((g + 1.0) / g)))
    speed = sqrt(MOLAR_GAS_CONSTANT * temperature_k / AIR_MOLAR_MASS_KG)
    area_m2 = flow_pa_m3_per_s / (factor * absolute_pa * speed)
    return sqrt(4.0 * area_m2 / pi)


def standard_cm3_per_min(flow_pa_m3_per_s: float, temperature_k: float) -> float:
    """Convert a pV flow at the gas temperature to standard cm3/min (0 C, 101325 Pa)."""
    return flow_pa_m3_per_s * ZERO_CELSIUS_K / temperature_k / STANDARD_ATMOSPHERE_PA * 60e6
