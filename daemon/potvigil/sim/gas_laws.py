"""Air, and leaks out of a pot. The formulas are deliberately the simulator's own."""

from dataclasses import dataclass
from enum import StrEnum
from math import pi, sqrt

from potvigil.units import MOLAR_GAS_CONSTANT

AIR_KG_PER_MOL = 0.0289647  # dry air, US Standard Atmosphere 1976 composition with today's CO2
GAMMA = 1.4  # ideal diatomic gas; air at 293 K and 1 atm: 1.402
CV_J_PER_MOL_K = 2.5 * MOLAR_GAS_CONSTANT
CP_J_PER_MOL_K = 3.5 * MOLAR_GAS_CONSTANT
AIR_VISCOSITY_PA_S = 18.2e-6  # 293 K

# Pseudo-critical point and acentric factor of air: Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000) 331
_CRITICAL_K = 132.5306
_CRITICAL_PA = 3.7860e6
_ACENTRIC = 0.0335
# Tsonopoulos, AIChE J. 20 (1974) 263: B pc / (R Tc) = f0 + w f1, both polynomials in Tc/T. The terms in
# (Tc/T)^8 are left out: above 250 K they are less than 1e-5 of the rest.
_SCALE = MOLAR_GAS_CONSTANT * _CRITICAL_K / _CRITICAL_PA
B0 = _SCALE * (0.1445 + _ACENTRIC * 0.0637)
B1 = _SCALE * -0.330 * _CRITICAL_K
B2 = _SCALE * (-0.1385 + _ACENTRIC * 0.331) * _CRITICAL_K**2
B3 = _SCALE * (-0.0121 - _ACENTRIC * 0.423) * _CRITICAL_K**3

_CRITICAL_RATIO: float = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
_CHOKED: float = sqrt(GAMMA) * (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
_SUBSONIC = 2.0 * GAMMA / (GAMMA - 1.0)


def second_virial_m3_per_mol(gas_k: float) -> float:
    """Return the second virial coefficient of air, m3/mol, 250 to 500 K (Tsonopoulos 1974)."""
    x = 1.0 / gas_k
    return B0 + x * (B1 + x * (B2 + x * B3))


def absolute_pa_of(amount_mol: float, gas_k: float, volume_m3: float) -> float:
    """Return the pressure of air, Pa absolute, with its second virial coefficient."""
    density = amount_mol / volume_m3
    return density * MOLAR_GAS_CONSTANT * gas_k * (1.0 + second_virial_m3_per_mol(gas_k) * density)


def orifice_mol_per_s(area_m2: float, upstream_pa: float, downstream_pa: float, upstream_k: float) -> float:
    """Return the isentropic flow of air through a nozzle of this effective area, mol/s; never backwards.

    Saint-Venant and Wantzel (1839); choked below 0.528 of the upstream pressure. Pressures absolute.
    """
    if upstream_pa <= downstream_pa:
        return 0.0
    flow = area_m2 * upstream_pa / sqrt(AIR_KG_PER_MOL * MOLAR_GAS_CONSTANT * upstream_k)
    ratio = downstream_pa / upstream_pa
    if ratio <= _CRITICAL_RATIO:
        return _CHOKED * flow
    shape: float = ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA)
    return flow * sqrt(_SUBSONIC * shape)


def capillary_mol_per_s(
    conductance_m3_per_s_pa: float, upstream_pa: float, downstream_pa: float, upstream_k: float
) -> float:
    """Return the laminar flow of air through a fine gap, mol/s: pV flow = conductance (p1^2 - p2^2)."""
    if upstream_pa <= downstream_pa:
        return 0.0
    pv_flow = conductance_m3_per_s_pa * (upstream_pa * upstream_pa - downstream_pa * downstream_pa)
    return pv_flow / (MOLAR_GAS_CONSTANT * upstream_k)


def bore_area_m2(diameter_m: float) -> float:
    """Return the area of a round hole."""
    return pi / 4.0 * diameter_m**2


def capillary_conductance(
    diameter_m: float, length_m: float, viscosity_pa_s: float = AIR_VISCOSITY_PA_S
) -> float:
    """Return the conductance of a round capillary, m3/(s Pa): pi r^4 / (16 mu L), Hagen-Poiseuille."""
    return pi * (diameter_m / 2.0) ** 4 / (16.0 * viscosity_pa_s * length_m)


class LeakLaw(StrEnum):
    ORIFICE = "orifice"  # a hole: flow proportional to p while choked
    CAPILLARY = "capillary"  # a fine gap: flow proportional to p^2 - pa^2


LAWS = {LeakLaw.ORIFICE: orifice_mol_per_s, LeakLaw.CAPILLARY: capillary_mol_per_s}


@dataclass(frozen=True, slots=True)
class Leak:
    """A leak that opens at onset_s and stays. Give either its size or its rate.

    size: effective area in m2 (orifice) or conductance in m3/(s Pa) (capillary).
    rate_pa_per_s: fall of the pressure at constant temperature, at the onset or, with at_gauge_pa, at that
    pressure (for a leak present before the fill). opens_per_k_colder: fraction by which it grows per kelvin
    that the wall cools after the onset, as when a seal stiffens.
    """

    onset_s: float
    law: LeakLaw = LeakLaw.ORIFICE
    size: float | None = None
    rate_pa_per_s: float | None = None
    at_gauge_pa: float | None = None
    opens_per_k_colder: float = 0.0

    def __post_init__(self) -> None:
        if (self.size is None) == (self.rate_pa_per_s is None):
            raise ValueError("a leak needs either its size or its rate")

    def size_at(
        self, absolute_pa: float, ambient_pa: float, gas_k: float, volume_m3: float, real_gas: bool = True
    ) -> float:
        """Return the size, computed from the rate and this state of the pot if a rate was given."""
        if self.size is not None:
            return self.size
        assert self.rate_pa_per_s is not None
        if self.at_gauge_pa is not None:
            absolute_pa = ambient_pa + self.at_gauge_pa
        unit_flow = LAWS[self.law](1.0, absolute_pa, ambient_pa, gas_k)
        if unit_flow == 0.0:
            raise ValueError("a leak's rate means nothing in a pot without pressure: give at_gauge_pa")
        amount_mol = absolute_pa * volume_m3 / (MOLAR_GAS_CONSTANT * gas_k)
        return self.rate_pa_per_s / pa_per_mol(amount_mol, gas_k, volume_m3, real_gas) / unit_flow


def pa_per_mol(amount_mol: float, gas_k: float, volume_m3: float, real_gas: bool = True) -> float:
    """Return how much one mole raises the pressure at constant temperature, Pa/mol."""
    ideal = MOLAR_GAS_CONSTANT * gas_k / volume_m3
    return (
        ideal * (1.0 + 2.0 * second_virial_m3_per_mol(gas_k) * amount_mol / volume_m3) if real_gas else ideal
    )
