"""Physics of one pressure pot: gas, wall, contents, supply, vent and leaks.

Three lumps exchange heat with each other and with the room:

    supply -> [ gas ] -> vent, leaks         n mol at T, first law for an open rigid vessel:
               |   |                          d(n cv T) = cp T_in dn_in - cp T dn_out - heat given off
          [ wall ] [ contents ] <- cure heat
             |
           room

Enthalpy and internal energy are those of an ideal diatomic gas; the pressure carries the second virial
coefficient. A step takes the flows and the lumps' temperatures as they stood at its beginning, and lets the
gas (the only quick lump) relax towards wall and contents exactly; so steps may be seconds long in a quiet
pot, and are cut wherever more than 0.2 % of the gas would move. What one lump gives another gets: matter and
energy are conserved to rounding whatever the step.

The formulas here are the simulator's own, on purpose: the watch is tested against them.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import exp, expm1, inf, isfinite, pi, sqrt

from potvigil.units import MOLAR_GAS_CONSTANT, STANDARD_ATMOSPHERE_PA

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
_B0 = _SCALE * (0.1445 + _ACENTRIC * 0.0637)
_B1 = _SCALE * -0.330 * _CRITICAL_K
_B2 = _SCALE * (-0.1385 + _ACENTRIC * 0.331) * _CRITICAL_K**2
_B3 = _SCALE * (-0.0121 - _ACENTRIC * 0.423) * _CRITICAL_K**3

_CRITICAL_RATIO: float = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
_CHOKED: float = sqrt(GAMMA) * (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
_SUBSONIC = 2.0 * GAMMA / (GAMMA - 1.0)

_LONGEST_STEP_S = 5.0  # a thousandth of the slow lumps' time constants
_LARGEST_SHARE = 0.002  # of the gas that may move in one step: first-order errors stay near 0.1 %
_EQUALISED_PA = 200.0  # below this an open vent equalises within a tenth of a second: not worth steps
_CLOSE_ENOUGH_PA = 2.0  # a valve is shut this near to its target

Course = Callable[[float], float]
"""A quantity as a function of the simulated time in seconds."""


class Table:
    """A course through given points: linear between them, level before the first and after the last."""

    def __init__(self, times_s: Sequence[float], values: Sequence[float]) -> None:
        if len(times_s) != len(values) or not times_s:
            raise ValueError(f"a table needs as many times as values, got {len(times_s)} and {len(values)}")
        if any(late <= early for early, late in pairwise(times_s)):
            raise ValueError("the times of a table must rise")
        self._times_s = (-inf, *times_s, inf)
        self._values = (values[0], *values, values[-1])
        self._slopes = tuple(self._slope(i) for i in range(len(self._times_s) - 1))
        self._at = 0

    def _slope(self, i: int) -> float:
        length_s = self._times_s[i + 1] - self._times_s[i]
        return (self._values[i + 1] - self._values[i]) / length_s if isfinite(length_s) else 0.0

    def __call__(self, t_s: float) -> float:
        at = self._at
        times_s = self._times_s
        if not times_s[at] <= t_s < times_s[at + 1]:
            at = self._at = bisect_right(times_s, t_s) - 1
        slope = self._slopes[at]
        return self._values[at] + slope * (t_s - times_s[at]) if slope else self._values[at]


def level(value: float) -> Course:
    """Return a course that never changes."""
    return lambda _t_s: value


def second_virial_m3_per_mol(gas_k: float) -> float:
    """Return the second virial coefficient of air, m3/mol, 250 to 500 K (Tsonopoulos 1974)."""
    x = 1.0 / gas_k
    return _B0 + x * (_B1 + x * (_B2 + x * _B3))


def absolute_pa_of(amount_mol: float, gas_k: float, volume_m3: float) -> float:
    """Return the pressure of air, Pa absolute, with its second virial coefficient."""
    density = amount_mol / volume_m3
    return density * MOLAR_GAS_CONSTANT * gas_k * (1.0 + second_virial_m3_per_mol(gas_k) * density)


def orifice_mol_per_s(area_m2: float, upstream_pa: float, downstream_pa: float, upstream_k: float) -> float:
    """Return the isentropic flow of air through a nozzle of that effective area, mol/s (0 if none upstream).

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
    ORIFICE = "orifice"  # a hole: flow goes with p while choked
    CAPILLARY = "capillary"  # a fine gap: flow goes with p^2 - pa^2


_LAWS = {LeakLaw.ORIFICE: orifice_mol_per_s, LeakLaw.CAPILLARY: capillary_mol_per_s}


@dataclass(frozen=True, slots=True)
class Leak:
    """A leak that opens at onset_s and stays. Give either its size or its rate.

    size: effective area in m2 (orifice) or conductance in m3/(s Pa) (capillary).
    rate_pa_per_s: fall of the pressure at constant temperature, met at the onset, or, with at_gauge_pa,
    when the pot stands at that pressure (for a leak that is there before the fill). opens_per_k_colder: share
    by which it grows for each kelvin that the wall cools from the onset on: a seal that stiffens.
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
        """Return the size; found from the rate, if that was given, for a pot that stands like this."""
        if self.size is not None:
            return self.size
        assert self.rate_pa_per_s is not None
        if self.at_gauge_pa is not None:
            absolute_pa = ambient_pa + self.at_gauge_pa
        unit_flow = _LAWS[self.law](1.0, absolute_pa, ambient_pa, gas_k)
        if unit_flow == 0.0:
            raise ValueError("a leak's rate means nothing in a pot without pressure: give at_gauge_pa")
        amount_mol = absolute_pa * volume_m3 / (MOLAR_GAS_CONSTANT * gas_k)
        return self.rate_pa_per_s / pa_per_mol(amount_mol, gas_k, volume_m3, real_gas) / unit_flow


def pa_per_mol(amount_mol: float, gas_k: float, volume_m3: float, real_gas: bool = True) -> float:
    """Return by how much one mole raises the pressure at constant temperature, Pa/mol."""
    ideal = MOLAR_GAS_CONSTANT * gas_k / volume_m3
    return (
        ideal * (1.0 + 2.0 * second_virial_m3_per_mol(gas_k) * amount_mol / volume_m3) if real_gas else ideal
    )


@dataclass(frozen=True, slots=True)
class PotParameters:
    """What a pot is made of. The defaults are a 20 L steel pot with 3 L of mould and resin in it.

    gas_wall_w_per_k, gas_contents_w_per_k, wall_room_w_per_k: heat conductances. stirring_s_per_mol: how much
    a flow quickens the gas's exchange with the wall: conductance times (1 + stirring x flow). wall_j_per_k,
    contents_j_per_k: heat capacities. vent_area_m2: effective. mould_share: of the gas, what the mould takes
    up in time, first order with mould_time_constant_s. real_gas: False leaves out the virial term.
    """

    internal_volume_m3: float = 0.020
    contents_volume_m3: float = 0.003
    gas_wall_w_per_k: float = 1.6
    gas_contents_w_per_k: float = 1.4
    wall_room_w_per_k: float = 2.2
    stirring_s_per_mol: float = 80.0
    wall_j_per_k: float = 7000.0
    contents_j_per_k: float = 3500.0
    vent_area_m2: float = 6.0e-6
    mould_share: float = 0.0
    mould_time_constant_s: float = 5400.0
    real_gas: bool = True

    def __post_init__(self) -> None:
        if not 0.0 <= self.contents_volume_m3 < self.internal_volume_m3:
            raise ValueError("the contents must leave room for gas in the pot")

    @property
    def gas_volume_m3(self) -> float:
        return self.internal_volume_m3 - self.contents_volume_m3


@dataclass(frozen=True, slots=True)
class Supply:
    """A compressor with its tank, a line regulator, the valve to the pot. The tank is at room temperature.

    valve_area_m2: effective, as far as it is opened. line_gauge_pa: what the regulator lets through at most.
    inlet_k: temperature of the air that enters, None for the room's.
    """

    tank_volume_m3: float = 0.050
    tank_gauge_pa: float = 8.0e5
    cut_in_gauge_pa: float = 6.0e5
    cut_out_gauge_pa: float = 8.0e5
    pump_mol_per_s: float = 0.07  # 100 L of free air a minute
    line_gauge_pa: float = 7.0e5
    valve_area_m2: float = 6.5e-7
    inlet_k: float | None = None


@dataclass(frozen=True, slots=True)
class Fill:
    """At at_s the vent is shut and the supply opened, until the gauge shows to_gauge_pa. Also a top-up."""

    at_s: float
    to_gauge_pa: float


@dataclass(frozen=True, slots=True)
class Vent:
    """At at_s supply and regulator are shut and the vent opened; it stays open, or shuts at to_gauge_pa."""

    at_s: float
    to_gauge_pa: float | None = None


@dataclass(frozen=True, slots=True)
class Regulate:
    """From at_s on a regulator feeds up to set_gauge_pa whenever the pot is deadband_pa below it."""

    at_s: float
    set_gauge_pa: float
    deadband_pa: float


@dataclass(frozen=True, slots=True)
class Join:
    """At at_s the shut pot is opened to a vessel that holds air as outside, and stays open to it."""

    at_s: float
    volume_m3: float


Action = Fill | Vent | Regulate | Join


@dataclass(frozen=True, slots=True)
class CureHeat:
    """Heat that the curing resin gives off: energy_j in a Gaussian bell around peak_s, width_s its sigma."""

    peak_s: float
    width_s: float
    energy_j: float

    def power_w(self, t_s: float) -> float:
        x = (t_s - self.peak_s) / self.width_s
        if not -5.0 < x < 5.0:
            return 0.0
        return self.energy_j / (self.width_s * sqrt(2.0 * pi)) * exp(-0.5 * x * x)


class PotModel:
    """One pot through simulated time. It begins open to the room, or shut at absolute_pa if that is given.

    Readable, all as of t_s: absolute_pa, gauge_pa, ambient_pa (Pa); gas_k, wall_k, contents_k, room_k;
    amount_mol in the gas. The truth about leaks: leak_mol_per_s and leak_pa_per_s now, leaked_mol in all.
    Books for the balances: fed_mol, vented_mol (less what the open pot breathed in), absorbed_mol (in the
    mould, beyond the start); flow_j (brought in by air, less what air took out), room_j (given to the room),
    cure_j.
    """

    def __init__(
        self,
        parameters: PotParameters | None = None,
        *,
        supply: Supply | None = None,
        actions: Sequence[Action] = (),
        leaks: Sequence[Leak] = (),
        cure: CureHeat | None = None,
        room_k: Course | None = None,
        ambient_pa: Course | None = None,
        start_s: float = 0.0,
        absolute_pa: float | None = None,
    ) -> None:
        self._parameters = parameters or PotParameters()
        self._supply = supply or Supply()
        self._cure = cure
        self._room_k_at = room_k or level(293.15)
        self._ambient_pa_at = ambient_pa or level(STANDARD_ATMOSPHERE_PA)
        self._volume_m3 = self._parameters.gas_volume_m3

        self.t_s = start_s
        self.room_k = self._room_k_at(start_s)
        self.ambient_pa = self._ambient_pa_at(start_s)
        self.gas_k = self.wall_k = self.contents_k = self.room_k
        self.absolute_pa = self.ambient_pa if absolute_pa is None else absolute_pa
        self.amount_mol = self._amount_at(self.absolute_pa, self.gas_k)
        self._mould_mol = self._mould_start_mol = self._parameters.mould_share * self.amount_mol
        self._tank_mol = self._tank_mol_at(self._supply.tank_gauge_pa)
        self._pumping = False

        self.leak_mol_per_s = 0.0
        self.leaked_mol = self.fed_mol = self.vented_mol = 0.0
        self.flow_j = self.room_j = self.cure_j = 0.0

        self._vent_open = absolute_pa is None
        self._vent_to_gauge_pa: float | None = None
        self._fill_to_gauge_pa: float | None = None
        self._regulator: Regulate | None = None
        self._leaks: list[tuple[Leak, float, float]] = []  # with its size and the wall's temperature then
        coming: list[tuple[float, Action | Leak]] = [(action.at_s, action) for action in actions]
        coming += [(leak.onset_s, leak) for leak in leaks]
        self._coming = sorted(coming, key=lambda item: -item[0])  # the next one last
        self._take_up_what_is_due()

    @property
    def gauge_pa(self) -> float:
        return self.absolute_pa - self.ambient_pa

    @property
    def absorbed_mol(self) -> float:
        return self._mould_mol - self._mould_start_mol

    @property
    def stored_j(self) -> float:
        """Energy in gas, wall and contents, J; meaningful as a difference."""
        pot = self._parameters
        lumps_j = pot.wall_j_per_k * self.wall_k + pot.contents_j_per_k * self.contents_k
        return self.amount_mol * CV_J_PER_MOL_K * self.gas_k + lumps_j

    @property
    def leak_pa_per_s(self) -> float:
        """The true leak rate, Pa/s: fall of the pressure at the present temperature, positive = lost."""
        pot = self._parameters
        return self.leak_mol_per_s * pa_per_mol(self.amount_mol, self.gas_k, self._volume_m3, pot.real_gas)

    def add(self, action: Action) -> None:
        """Do one more thing, at its time or, where that has passed, at once."""
        self._coming = sorted([*self._coming, (action.at_s, action)], key=lambda item: -item[0])
        self._take_up_what_is_due()

    def advance(self, to_s: float) -> None:
        """Go on to simulated time to_s; nothing happens if it has passed."""
        while self.t_s < to_s:
            next_s = self._coming[-1][0] if self._coming else inf
            self._step(next_s if next_s < to_s else to_s)
            if next_s <= self.t_s:
                self._take_up_what_is_due()

    def _amount_at(self, absolute_pa: float, gas_k: float) -> float:
        amount_mol = ideal_mol = absolute_pa * self._volume_m3 / (MOLAR_GAS_CONSTANT * gas_k)
        if self._parameters.real_gas:
            for _ in range(4):  # Z is within 1 % of 1: each round gains two digits
                amount_mol = ideal_mol / (
                    1.0 + second_virial_m3_per_mol(gas_k) * amount_mol / self._volume_m3
                )
        return amount_mol

    def _tank_mol_at(self, gauge_pa: float) -> float:
        tank_pa = gauge_pa + self.ambient_pa
        return tank_pa * self._supply.tank_volume_m3 / (MOLAR_GAS_CONSTANT * self.room_k)

    def _take_up_what_is_due(self) -> None:
        while self._coming and self._coming[-1][0] <= self.t_s:
            due = self._coming.pop()[1]
            if isinstance(due, Leak):
                real_gas = self._parameters.real_gas
                size = due.size_at(self.absolute_pa, self.ambient_pa, self.gas_k, self._volume_m3, real_gas)
                self._leaks.append((due, size, self.wall_k))
            elif isinstance(due, Fill):
                self._vent_open = False
                self._fill_to_gauge_pa = due.to_gauge_pa
            elif isinstance(due, Vent):
                self._vent_open = True
                self._vent_to_gauge_pa = due.to_gauge_pa
                self._fill_to_gauge_pa = self._regulator = None
            elif isinstance(due, Join):
                self._join(due.volume_m3)
            else:
                self._vent_open = False
                self._regulator = due

    def _join(self, vessel_m3: float) -> None:
        """Make one gas of the pot's and the vessel's; no work is done, so their internal energies add up."""
        vessel_mol = self.ambient_pa * vessel_m3 / (MOLAR_GAS_CONSTANT * self.room_k)
        self.fed_mol += vessel_mol
        self.flow_j += vessel_mol * CV_J_PER_MOL_K * self.room_k
        both_mol = self.amount_mol + vessel_mol
        self.gas_k = (self.amount_mol * self.gas_k + vessel_mol * self.room_k) / both_mol
        self.amount_mol, self._volume_m3 = both_mol, self._volume_m3 + vessel_m3
        self.absolute_pa = self._pressure(both_mol, self.gas_k)

    def _step(self, limit_s: float) -> None:
        """Take one step towards limit_s, all of the way if the pot is quiet."""
        pot = self._parameters
        n = self.amount_mol
        gas_k = self.gas_k
        step_s = limit_s - self.t_s
        if step_s > _LONGEST_STEP_S:
            step_s = _LONGEST_STEP_S

        leak = 0.0
        for each, size, wall_k in self._leaks:
            if each.opens_per_k_colder:
                size *= 1.0 + each.opens_per_k_colder * max(wall_k - self.wall_k, 0.0)
            leak += _LAWS[each.law](size, self.absolute_pa, self.ambient_pa, gas_k)
        moving = self._vent_open or self._fill_to_gauge_pa is not None or self._regulator is not None
        feed = vent = 0.0
        if moving or self._pumping:
            feed, vent, step_s = self._valve_flows(step_s)
            self._run_compressor(feed, step_s)
        if leak * step_s > _LARGEST_SHARE * n:
            step_s = _LARGEST_SHARE * n / leak

        # matter and the energy it carries, then heat
        soaked_mol = 0.0
        if pot.mould_share:
            soaked_mol = (pot.mould_share * n - self._mould_mol) * (step_s / pot.mould_time_constant_s)
            self._mould_mol += soaked_mol
        fed_mol = feed * step_s
        vented_mol = vent * step_s
        leaked_mol = leak * step_s
        inlet_k = self._supply.inlet_k or self.room_k
        flow_j = (
            CP_J_PER_MOL_K * (inlet_k * fed_mol - gas_k * (vented_mol + leaked_mol))
            - CV_J_PER_MOL_K * gas_k * soaked_mol
        )
        internal_j = n * CV_J_PER_MOL_K * gas_k + flow_j
        n += fed_mol - vented_mol - leaked_mol - soaked_mol
        capacity = n * CV_J_PER_MOL_K
        gas_k = internal_j / capacity

        gas_k = self._share_heat(step_s, feed + vent, capacity, gas_k)

        # books, and the new state
        self.t_s = t_s = limit_s if self.t_s + step_s >= limit_s else self.t_s + step_s
        self.flow_j += flow_j
        self.fed_mol += fed_mol
        self.vented_mol += vented_mol
        self.leaked_mol += leaked_mol
        self.leak_mol_per_s = leak
        self.room_k = self._room_k_at(t_s)
        self.ambient_pa = self._ambient_pa_at(t_s)
        self.amount_mol = n
        self.gas_k = gas_k
        self.absolute_pa = self._pressure(n, gas_k)
        if moving:
            self._settle_valves()

    def _share_heat(self, step_s: float, flow: float, capacity: float, gas_k: float) -> float:
        """Exchange heat for step_s and return the gas temperature after it.

        The gas relaxes exactly towards what wall and contents hold it to; they get what it gave on average.
        """
        pot = self._parameters
        wall_k = self.wall_k
        contents_k = self.contents_k
        to_wall = pot.gas_wall_w_per_k * (1.0 + pot.stirring_s_per_mol * flow)
        to_contents = pot.gas_contents_w_per_k
        both = to_wall + to_contents
        mean_k = gas_k
        if both:
            settled_k = (to_wall * wall_k + to_contents * contents_k) / both
            x = both * step_s / capacity
            decayed = -expm1(-x)
            excess_k = gas_k - settled_k
            mean_k = settled_k + excess_k * decayed / x
            gas_k -= excess_k * decayed
        to_room_w = pot.wall_room_w_per_k * (wall_k - self.room_k)
        self.room_j += to_room_w * step_s
        self.wall_k = wall_k + (to_wall * (mean_k - wall_k) - to_room_w) * step_s / pot.wall_j_per_k
        contents_w = to_contents * (mean_k - contents_k)
        if self._cure is not None:
            cure_w = self._cure.power_w(self.t_s + 0.5 * step_s)
            self.cure_j += cure_w * step_s
            contents_w += cure_w
        self.contents_k = contents_k + contents_w * step_s / pot.contents_j_per_k
        return gas_k

    def _pressure(self, n: float, gas_k: float) -> float:
        density = n / self._volume_m3
        ideal_pa = density * MOLAR_GAS_CONSTANT * gas_k
        if not self._parameters.real_gas:
            return ideal_pa
        x = 1.0 / gas_k
        return ideal_pa * (1.0 + density * (_B0 + x * (_B1 + x * (_B2 + x * _B3))))

    def _valve_flows(self, step_s: float) -> tuple[float, float, float]:
        """Return feed and vent flow, mol/s, and a step short enough for them and for the valves' targets."""
        feed = vent = 0.0
        gauge_pa = self.absolute_pa - self.ambient_pa
        # A small flow into a rigid vessel raises its pressure by gamma R T_in / V a mole (Q = 0)
        pa_per_mol_k = GAMMA * MOLAR_GAS_CONSTANT / self._volume_m3
        regulator = self._regulator
        if regulator is not None and gauge_pa < regulator.set_gauge_pa - regulator.deadband_pa:
            self._fill_to_gauge_pa = max(regulator.set_gauge_pa, self._fill_to_gauge_pa or 0.0)
        if self._fill_to_gauge_pa is not None:
            supply = self._supply
            inlet_k = supply.inlet_k or self.room_k
            line_pa = min(self._tank_gauge_pa(), supply.line_gauge_pa) + self.ambient_pa
            feed = orifice_mol_per_s(supply.valve_area_m2, line_pa, self.absolute_pa, inlet_k)
            if feed > 0.0:
                missing_pa = max(self._fill_to_gauge_pa - gauge_pa, 1.0)
                step_s = min(step_s, missing_pa / (pa_per_mol_k * inlet_k * feed))
        if self._vent_open and gauge_pa > _EQUALISED_PA:
            vent = orifice_mol_per_s(
                self._parameters.vent_area_m2, self.absolute_pa, self.ambient_pa, self.gas_k
            )
            excess_pa = max(gauge_pa - (self._vent_to_gauge_pa or 0.0), 1.0)
            step_s = min(step_s, excess_pa / (pa_per_mol_k * self.gas_k * vent))
        flow = feed + vent
        if flow * step_s > _LARGEST_SHARE * self.amount_mol:
            step_s = _LARGEST_SHARE * self.amount_mol / flow
        return feed, vent, step_s

    def _tank_gauge_pa(self) -> float:
        tank_pa = self._tank_mol * MOLAR_GAS_CONSTANT * self.room_k / self._supply.tank_volume_m3
        return tank_pa - self.ambient_pa

    def _run_compressor(self, feed: float, step_s: float) -> None:
        tank_gauge_pa = self._tank_gauge_pa()
        if tank_gauge_pa < self._supply.cut_in_gauge_pa:
            self._pumping = True
        elif tank_gauge_pa >= self._supply.cut_out_gauge_pa:
            self._pumping = False
        self._tank_mol += ((self._supply.pump_mol_per_s if self._pumping else 0.0) - feed) * step_s

    def _settle_valves(self) -> None:
        """Shut a valve that has reached its target, and let the open pot breathe."""
        gauge_pa = self.absolute_pa - self.ambient_pa
        if self._fill_to_gauge_pa is not None and gauge_pa >= self._fill_to_gauge_pa - _CLOSE_ENOUGH_PA:
            self._fill_to_gauge_pa = None
        if not self._vent_open:
            return
        if self._vent_to_gauge_pa is not None:
            if gauge_pa <= self._vent_to_gauge_pa + _CLOSE_ENOUGH_PA:
                self._vent_open = False
        elif gauge_pa <= _EQUALISED_PA:
            self._breathe(gauge_pa)

    def _breathe(self, gauge_pa: float) -> None:
        """Let in or out just what brings the open pot to the pressure outside.

        For an ideal gas p V = (gamma - 1) U, and a mole carries the enthalpy cp T, so the amount is exact.
        """
        passing_k = self.gas_k if gauge_pa > 0.0 else self.room_k
        out_mol = gauge_pa * self._volume_m3 / ((GAMMA - 1.0) * CP_J_PER_MOL_K * passing_k)
        out_j = CP_J_PER_MOL_K * passing_k * out_mol
        internal_j = self.amount_mol * CV_J_PER_MOL_K * self.gas_k - out_j
        self.amount_mol -= out_mol
        self.vented_mol += out_mol
        self.flow_j -= out_j
        self.gas_k = internal_j / (self.amount_mol * CV_J_PER_MOL_K)
        self.absolute_pa = self._pressure(self.amount_mol, self.gas_k)
