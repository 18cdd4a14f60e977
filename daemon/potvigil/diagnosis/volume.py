"""The gas volume of a pot, measured with a known flow out of it, or a known vessel opened to it.

A leak in psi/h needs no volume; a flow in cm3/min does, and a maker's round figure is good to 3 % at best.
Errors are propagated to first order (JCGM 100, the GUM, section 5.1); all are 1 sigma.
"""

from dataclasses import dataclass
from math import hypot

from potvigil.model.events import NORMAL_95, Interval
from potvigil.physics.air import compressibility
from potvigil.units import MOLAR_GAS_CONSTANT, STANDARD_ATMOSPHERE_PA

LEAST_STEP_SIGMAS = 10.0  # a less certain pressure step gives no volume


class VolumeError(ValueError):
    """The figures give no volume; worded for a person."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard error, in the same unit."""

    value: float
    sigma: float = 0.0

    @property
    def interval(self) -> Interval:
        reach = NORMAL_95 * self.sigma
        return Interval(self.value, self.value - reach, self.value + reach)

    @property
    def share(self) -> float:
        return self.sigma / self.value


@dataclass(frozen=True, slots=True)
class State:
    """Air that has settled: Pa absolute and K."""

    absolute_pa: Measured
    kelvin: Measured

    @property
    def density(self) -> Measured:
        """Return mol/m3."""
        pa, kelvin = self.absolute_pa.value, self.kelvin.value
        value = pa / (compressibility(pa, kelvin) * MOLAR_GAS_CONSTANT * kelvin)
        return Measured(value, value * hypot(self.absolute_pa.share, self.kelvin.share))


def flow_mol_per_s(flow_m3_per_s: Measured, at_k: float, at_pa: float = STANDARD_ATMOSPHERE_PA) -> Measured:
    """Return a flow given in volumes of air at a reference temperature and pressure."""
    factor = at_pa / (compressibility(at_pa, at_k) * MOLAR_GAS_CONSTANT * at_k)
    return Measured(flow_m3_per_s.value * factor, flow_m3_per_s.sigma * factor)


def by_flow(flow: Measured, with_it_per_s: Measured, without_per_s: Measured, gas: State) -> Measured:
    """Return the gas volume, m3, from a known flow out of a shut pot.

    flow: mol/s. with_it_per_s, without_per_s: share of the air lost per second with the flow and, by the
    pot's own leak, without. gas: where the first was measured. Raises VolumeError.
    """
    rate = Measured(
        with_it_per_s.value - without_per_s.value, hypot(with_it_per_s.sigma, without_per_s.sigma)
    )
    if rate.value < LEAST_STEP_SIGMAS * rate.sigma or rate.value <= 0.0:
        raise VolumeError("the known flow hardly shows beside the pot's own leak; use a larger one")
    density = gas.density
    value = flow.value / (rate.value * density.value)
    return Measured(value, value * hypot(flow.share, rate.share, density.share))


def by_vessel(vessel_m3: Measured, full: State, before: State, after: State) -> Measured:
    """Return the gas volume, m3, from a vessel of known volume that was let into the pot.

    full: the vessel; before, after: the pot, before and with the vessel still open to it. Raises VolumeError.
    """
    first, empty, last = full.density, before.density, after.density
    given, step = first.value - last.value, last.value - empty.value
    if step < LEAST_STEP_SIGMAS * hypot(empty.sigma, last.sigma) or given <= 0.0:
        raise VolumeError(
            "the step is too small for these pressures to resolve; use a larger vessel, or fill it higher"
        )
    return _shared(vessel_m3, first, empty, last)


def into_vessel(vessel_m3: Measured, full: State, after: State, outside: State) -> Measured:
    """Return the gas volume, m3, of a filled pot that was opened to a vessel of known volume.

    full, after: the pot, before and with the vessel open to it; outside: the air that was in the vessel. Only
    the pot's own pressure is read. Raises VolumeError.
    """
    first, last, empty = full.density, after.density, outside.density
    gained, step = last.value - empty.value, first.value - last.value
    if step < LEAST_STEP_SIGMAS * hypot(first.sigma, last.sigma) or gained <= 0.0:
        raise VolumeError(
            "the step is too small for this transducer to resolve; "
            "use a larger vessel, or fill the pot higher"
        )
    return _shared(vessel_m3, empty, first, last)


def _shared(vessel_m3: Measured, vessel: Measured, pot: Measured, both: Measured) -> Measured:
    """Return the gas volume, m3, from the densities in vessel and pot, and in both once they share."""
    given, step = vessel.value - both.value, both.value - pot.value
    value = vessel_m3.value * given / step
    return Measured(
        value,
        hypot(
            value * vessel_m3.share,
            vessel_m3.value * vessel.sigma / step,
            value * pot.sigma / step,
            vessel_m3.value * (given + step) * both.sigma / step**2,
        ),
    )
