"""Amount of air in a shut pot: real-gas factor, temperature-corrected pressure."""

from potvigil.units import MOLAR_GAS_CONSTANT

AIR_MOLAR_MASS_KG = 0.0289647  # kg/mol, ISO 2533 (28.9644) with today's carbon dioxide
AIR_HEAT_CAPACITY_RATIO = 1.4
# Critical constants and acentric factor of air: Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000) 331.
_CRITICAL_K = 132.5306
_CRITICAL_PA = 3.786e6
_ACENTRIC = 0.0335
_B_SCALE = MOLAR_GAS_CONSTANT * _CRITICAL_K / _CRITICAL_PA


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
