"""Flow of air through a hole, and the hole that a flow needs."""

from math import pi, sqrt

from potvigil.physics.air import AIR_HEAT_CAPACITY_RATIO, AIR_MOLAR_MASS_KG
from potvigil.units import MOLAR_GAS_CONSTANT, STANDARD_ATMOSPHERE_PA, ZERO_CELSIUS_K

# sqrt(g) (2/(g+1))^((g+1)/(2(g-1))) and (2/(g+1))^(g/(g-1)) for g = 1.4: White, Fluid Mechanics, ch. 9
CHOKED_FLOW_FACTOR = 0.6847315
CRITICAL_PRESSURE_RATIO = 0.5282818


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
