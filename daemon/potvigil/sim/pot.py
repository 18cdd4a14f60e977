"""Physics of one pressure pot: gas, wall, contents, supply, vent and leaks.

Three lumped capacities exchange heat with each other and with the room:

    supply -> [ gas ] -> vent, leaks         n mol at T, first law for an open rigid vessel:
               |   |                          d(n cv T) = cp T_in dn_in - cp T dn_out - heat given off
          [ wall ] [ contents ] <- cure heat
             |
           room

Enthalpy and internal energy are those of an ideal diatomic gas; the pressure includes the second virial
coefficient. A step uses the flows and temperatures at its start, and solves the relaxation of the gas (the
only fast lump) towards wall and contents exactly; so steps may be seconds long in a quiet pot, and are
shortened where more than 0.2 % of the gas would move. Matter and energy are conserved to rounding at any
step.

The formulas are deliberately the simulator's own: the watch is tested against them.
"""

from collections.abc import Sequence
from math import expm1, inf

from potvigil.sim.gas_laws import (
    B0,
    B1,
    B2,
    B3,
    CP_J_PER_MOL_K,
    CV_J_PER_MOL_K,
    GAMMA,
    LAWS,
    Leak,
    orifice_mol_per_s,
    pa_per_mol,
    second_virial_m3_per_mol,
)
from potvigil.sim.pot_parts import (
    Action,
    Course,
    CureHeat,
    Fill,
    Join,
    PotParameters,
    Regulate,
    Supply,
    Vent,
    level,
)
from potvigil.units import MOLAR_GAS_CONSTANT, STANDARD_ATMOSPHERE_PA

_LONGEST_STEP_S = 5.0  # a thousandth of the slow lumps' time constants
_LARGEST_SHARE = 0.002  # of the gas may move in one step, which keeps first-order errors near 0.1 %
_EQUALISED_PA = 200.0  # below this an open vent equalises within a tenth of a second: too fast for steps
_CLOSE_ENOUGH_PA = 2.0  # a valve shuts this close to its target


class PotModel:
    """One pot through simulated time. It starts open to the room, or shut at absolute_pa if that is given.

    State at t_s: absolute_pa, gauge_pa, ambient_pa (Pa); gas_k, wall_k, contents_k, room_k; amount_mol of
    gas. The true leak: leak_mol_per_s and leak_pa_per_s now, leaked_mol in total. Totals for the balances:
    fed_mol, vented_mol (less what the open pot took in), absorbed_mol (by the mould since the start); flow_j
    (carried in by air, less carried out), room_j (given to the room), cure_j.
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
        # each with its size, and the wall's temperature at the onset
        self._leaks: list[tuple[Leak, float, float]] = []
        coming: list[tuple[float, Action | Leak]] = [(action.at_s, action) for action in actions]
        coming += [(leak.onset_s, leak) for leak in leaks]
        self._coming = sorted(coming, key=lambda item: -item[0])  # the next one last
        self._start_due()

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
        """The true leak rate, Pa/s, at the present temperature; positive when the pressure falls."""
        pot = self._parameters
        return self.leak_mol_per_s * pa_per_mol(self.amount_mol, self.gas_k, self._volume_m3, pot.real_gas)

    def add(self, action: Action) -> None:
        """Add an action, to happen at its time, or at once if that has passed."""
        self._coming = sorted([*self._coming, (action.at_s, action)], key=lambda item: -item[0])
        self._start_due()

    def advance(self, to_s: float) -> None:
        """Advance to simulated time to_s; do nothing if it has passed."""
        while self.t_s < to_s:
            next_s = self._coming[-1][0] if self._coming else inf
            self._step(next_s if next_s < to_s else to_s)
            if next_s <= self.t_s:
                self._start_due()

    def _amount_at(self, absolute_pa: float, gas_k: float) -> float:
        amount_mol = ideal_mol = absolute_pa * self._volume_m3 / (MOLAR_GAS_CONSTANT * gas_k)
        if self._parameters.real_gas:
            for _ in range(4):  # Z is within 1 % of 1: each iteration gains two digits
                amount_mol = ideal_mol / (
                    1.0 + second_virial_m3_per_mol(gas_k) * amount_mol / self._volume_m3
                )
        return amount_mol

    def _tank_mol_at(self, gauge_pa: float) -> float:
        tank_pa = gauge_pa + self.ambient_pa
        return tank_pa * self._supply.tank_volume_m3 / (MOLAR_GAS_CONSTANT * self.room_k)

    def _start_due(self) -> None:
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
        """Mix the gas of pot and vessel; no work is done, so their internal energies add up."""
        vessel_mol = self.ambient_pa * vessel_m3 / (MOLAR_GAS_CONSTANT * self.room_k)
        self.fed_mol += vessel_mol
        self.flow_j += vessel_mol * CV_J_PER_MOL_K * self.room_k
        both_mol = self.amount_mol + vessel_mol
        self.gas_k = (self.amount_mol * self.gas_k + vessel_mol * self.room_k) / both_mol
        self.amount_mol, self._volume_m3 = both_mol, self._volume_m3 + vessel_m3
        self.absolute_pa = self._pressure(both_mol, self.gas_k)

    def _step(self, limit_s: float) -> None:
        """Take one step towards limit_s, reaching it if the pot is quiet."""
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
            leak += LAWS[each.law](size, self.absolute_pa, self.ambient_pa, gas_k)
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

        # totals, and the new state
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

        The gas relaxes exactly towards its equilibrium with wall and contents, which get its mean heat flow.
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
        return ideal_pa * (1.0 + density * (B0 + x * (B1 + x * (B2 + x * B3))))

    def _valve_flows(self, step_s: float) -> tuple[float, float, float]:
        """Return feed and vent flow, mol/s, and a step short enough for them and for the valves' targets."""
        feed = vent = 0.0
        gauge_pa = self.absolute_pa - self.ambient_pa
        # adiabatically, a mole fed into a rigid vessel raises its pressure by gamma R T_in / V
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
        """Shut a valve that has reached its target, and equalise an open pot."""
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
        """Let in or out what brings the open pot to ambient pressure.

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
