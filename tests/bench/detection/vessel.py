"""The air of many pots at once: open, filled, held, leaking. What it gives its heat to is a Body's concern.

    d(n cv T) = cp T_in dn_in - cp T dn_out - heat given off,    p = n R T / V (1 + B n / V)

as in potvigil.sim.pot, whose scalar flow laws are written here for arrays; a test holds the two together.
Arrays have the nights first. Times s, pressures Pa absolute unless called gauge, temperatures K, amounts mol.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Protocol

import numpy as np
from draw import FILL_AT_S, FLOOR_PA, HOLD_S, WORKING_PA, DrawnNight
from numpy.typing import NDArray

from potvigil.sim.gas_laws import (
    AIR_KG_PER_MOL,
    CP_J_PER_MOL_K,
    CV_J_PER_MOL_K,
    GAMMA,
    LeakLaw,
    second_virial_m3_per_mol,
)
from potvigil.sim.pot_parts import Supply
from potvigil.units import MOLAR_GAS_CONSTANT, STANDARD_ATMOSPHERE_PA, ZERO_CELSIUS_K

Floats = NDArray[np.float64]

LINE_GAUGE_PA = Supply().line_gauge_pa
_CRITICAL_RATIO = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
_FILL_STEP_S, _WARM_STEP_S, _HOLD_STEP_S, _AFTER_STEP_S = 0.5, 1.0, 5.0, 20.0
_FILLING_S, _WARM_S = 320.0, 900.0  # from when the filling begins
_DAY_S = 24 * 3600.0
_TABLE_STEP_S = 60.0
# Uptake of a slab, as rates and weights of relaxations: 8/pi^2/(2i+1)^2 at (2i+1)^2 times the slowest rate,
# the third with all that is left (Crank, The Mathematics of Diffusion)
DIFFUSIVE = ((1.0, 0.811), (9.0, 0.090), (25.0, 0.099))
FIRST_ORDER = ((1.0, 1.0),)


@dataclass(frozen=True)
class Seen:
    """Temperatures where the probes are, K, a row of nights each; transducer: of the part it screws into."""

    gas: Floats
    wall: Floats
    contents: Floats
    transducer: Floats


class Body(Protocol):
    """What the gas exchanges heat with. layers_k (n, layers): of the gas; layer_shares: of its amount."""

    layers_k: Floats
    layer_shares: Floats
    room_j: Floats
    cure_j: Floats

    def exchange(
        self,
        t_s: float,
        step_s: float,
        capacity: Floats,
        pressure_ratio: Floats,
        stir: Floats,
        room_k: Floats,
    ) -> None:
        """Exchange heat for a step: capacity n cv of the gas, J/K, pressure_ratio to one atmosphere."""

    def seal_k(self) -> Floats:
        """Return the temperature of the seal."""

    def seen(self) -> Seen:
        """Return what the probes would read if they were perfect."""

    def stored_j(self) -> Floats:
        """Return the energy in all but the gas."""


MakeBody = Callable[[Sequence[DrawnNight], Floats], Body]


@dataclass(frozen=True)
class Truth:
    """What went on, (rows, nights) each; filled_s nan: never. Books over the whole, to the last row."""

    t_s: Floats
    absolute_pa: Floats
    ambient_pa: Floats
    gas_k: Floats
    room_k: Floats
    leak_pa_per_s: Floats
    amount_mol: Floats
    seen_gas_k: Floats
    seen_wall_k: Floats
    seen_contents_k: Floats
    transducer_k: Floats
    filled_s: Floats
    crossing_s: Floats
    amount_error_mol: Floats
    energy_error_j: Floats
    fed_mol: Floats
    flow_j: Floats
    room_j: Floats
    cure_j: Floats
    body: Body


def orifice_per_area(upstream_pa: Floats, downstream_pa: Floats, upstream_k: Floats) -> Floats:
    """Return the isentropic flow of air through a nozzle, mol/(s m2); 0 against the pressure."""
    ratio = np.clip(downstream_pa / upstream_pa, _CRITICAL_RATIO, 1.0)
    shape = 2.0 * GAMMA / (GAMMA - 1.0) * (ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA))
    flow: Floats = upstream_pa * np.sqrt(shape / (AIR_KG_PER_MOL * MOLAR_GAS_CONSTANT * upstream_k))
    return flow


def capillary_per_conductance(upstream_pa: Floats, downstream_pa: Floats, upstream_k: Floats) -> Floats:
    """Return the laminar flow of air through a fine gap, mol/s for each m3/(s Pa)."""
    flow: Floats = np.maximum(upstream_pa**2 - downstream_pa**2, 0.0) / (MOLAR_GAS_CONSTANT * upstream_k)
    return flow


def courses(nights: Sequence[DrawnNight]) -> tuple[Floats, Floats]:
    """Return room, K, and pressure outside, Pa, each minute of a day, (minutes, nights)."""
    t_s = np.arange(0.0, _DAY_S + 2 * _TABLE_STEP_S, _TABLE_STEP_S)
    rooms, outside = [], []
    for night in nights:
        weather = night.weather
        room = night.room_mean_c + ZERO_CELSIUS_K + np.interp(t_s, weather.times_s, weather.swing_c)
        heater = night.heater
        if heater is not None:
            phase = t_s / heater.period_s % 1.0
            room += heater.cycle_k * (4.0 * np.abs(phase - 0.5) - 1.0)
            after_s = np.maximum(t_s - heater.step_at_s, 0.0)
            room -= heater.step_k * np.expm1(-after_s / heater.step_decay_s)
        rooms.append(room)
        outside.append(np.interp(t_s, weather.times_s, weather.ambient_pa))
    return np.array(rooms).T.copy(), np.array(outside).T.copy()


class Vessels:
    """Pots through time, one for each night, with the state they begin with: open, as warm as the room."""

    def __init__(
        self,
        nights: Sequence[DrawnNight],
        make_body: MakeBody,
        uptake: Sequence[tuple[float, float]] = FIRST_ORDER,
        working_pa: float = WORKING_PA,
        real_gas: bool = True,
    ) -> None:
        self._rooms, self._outside = courses(nights)
        self._working_pa, self._virial = working_pa, 1.0 if real_gas else 0.0
        self.t_s = 0.0
        self.room_k, self.ambient_pa = self._rooms[0], self._outside[0]
        self.body = make_body(nights, self.room_k)
        pots = [night.parameters for night in nights]
        self.volume_m3 = np.array([pot.gas_volume_m3 for pot in pots])
        self._stirring = np.array([pot.stirring_s_per_mol for pot in pots])
        self.n = self.ambient_pa * self.volume_m3 / (MOLAR_GAS_CONSTANT * self.gas_k)
        for _ in range(4):
            self.n *= self.ambient_pa / self._pressure()
        self.absolute_pa = self._pressure()
        share = np.array([pot.mould_share for pot in pots])[:, None]
        slow_s = np.array([pot.mould_time_constant_s for pot in pots])[:, None]
        self._soak_share = share * np.array([weight for _, weight in uptake])
        self._soak_per_s = np.array([quicker for quicker, _ in uptake]) / slow_s
        self.soaked = self._soak_share * self.n[:, None]

        # a valve with which the fill takes about as long as was drawn; the gas warms by a quarter meanwhile
        rise_pa = working_pa + self.ambient_pa - self.absolute_pa
        amount = rise_pa * self.volume_m3 / (1.25 * MOLAR_GAS_CONSTANT * self.room_k)
        self._line_pa = self.ambient_pa + LINE_GAUGE_PA
        choked = orifice_per_area(self._line_pa, 0.0 * self._line_pa, self.room_k)
        self._valve_m2 = amount / choked / np.array([night.fill_s for night in nights])
        self.filled_s = np.full(len(nights), np.nan)
        self.shut = False

        leaks = [night.leak for night in nights]
        self.leaks_at_s = np.array([np.inf if leak is None else leak.onset_s for leak in leaks])
        self._orifice = np.array([leak is not None and leak.law is LeakLaw.ORIFICE for leak in leaks])
        self._rate = np.array([0.0 if leak is None else leak.rate_pa_per_s or 0.0 for leak in leaks])
        at_pa = [np.nan if leak is None or leak.at_gauge_pa is None else leak.at_gauge_pa for leak in leaks]
        self._rate_at_pa = np.array(at_pa)
        self._opens = np.array([0.0 if leak is None else leak.opens_per_k_colder for leak in leaks])
        self._size = np.zeros(len(nights))
        self._onset_seal_k = np.zeros(len(nights))
        self._waiting = self.leaks_at_s < np.inf
        self.leak = np.zeros(len(nights))
        self.fed = self.out = self.flow_j = np.zeros(len(nights))
        self._began = self._amount_held(), self._energy_held()

    @property
    def gas_k(self) -> Floats:
        mean: Floats = (self.body.layers_k * self.body.layer_shares).sum(axis=1)
        return mean

    def _pressure(self) -> Floats:
        gas_k = self.gas_k
        density = self.n / self.volume_m3
        virial = self._virial * second_virial_m3_per_mol(gas_k) * density  # type: ignore[arg-type]
        pressure: Floats = density * MOLAR_GAS_CONSTANT * gas_k * (1.0 + virial)
        return pressure

    def _pa_per_mol(self, n: Floats, gas_k: Floats) -> Floats:
        virial = self._virial * 2.0 * second_virial_m3_per_mol(gas_k) * n / self.volume_m3  # type: ignore[arg-type]
        slope: Floats = MOLAR_GAS_CONSTANT * gas_k / self.volume_m3 * (1.0 + virial)
        return slope

    def _amount_held(self) -> Floats:
        held: Floats = self.n + self.soaked.sum(axis=1)
        return held

    def _energy_held(self) -> Floats:
        return self.n * CV_J_PER_MOL_K * self.gas_k + self.body.stored_j()

    def errors(self) -> tuple[Floats, Floats]:
        """Return what the books of amount, mol, and energy, J, do not account for."""
        amount = self._amount_held() - self._began[0] - self.fed + self.out
        energy = self._energy_held() - self._began[1] - self.flow_j + self.body.room_j - self.body.cure_j
        return amount, energy

    def leak_pa_per_s(self) -> Floats:
        return self.leak * self._pa_per_mol(self.n, self.gas_k)

    def _unit_leak(self, absolute_pa: Floats, gas_k: Floats) -> Floats:
        orifice = orifice_per_area(absolute_pa, self.ambient_pa, gas_k)
        capillary = capillary_per_conductance(absolute_pa, self.ambient_pa, gas_k)
        return np.where(self._orifice, orifice, capillary)

    def _open_leaks(self, gas_k: Floats) -> None:
        due = self._waiting & (self.leaks_at_s <= self.t_s)
        if not due.any():
            return
        named = self.ambient_pa + self._rate_at_pa
        at_pa = np.where(np.isnan(named), self.absolute_pa, named)
        n = at_pa * self.volume_m3 / (MOLAR_GAS_CONSTANT * gas_k)
        unit = np.maximum(self._unit_leak(at_pa, gas_k), 1e-300)
        self._size = np.where(due, self._rate / self._pa_per_mol(n, gas_k) / unit, self._size)
        self._onset_seal_k = np.where(due, self.body.seal_k(), self._onset_seal_k)
        self._waiting &= ~due

    def step(self, step_s: float) -> None:
        """Go on by one step."""
        body, room_k = self.body, self.room_k
        gas_k = self.gas_k
        self._open_leaks(gas_k)
        colder = np.maximum(self._onset_seal_k - body.seal_k(), 0.0)
        leak = self._size * (1.0 + self._opens * colder) * self._unit_leak(self.absolute_pa, gas_k)
        self.shut = self.shut or self.t_s >= FILL_AT_S
        feed = np.zeros_like(leak)
        filling = self.shut and bool(np.isnan(self.filled_s).any())
        if filling:
            feed = self._valve_m2 * orifice_per_area(self._line_pa, self.absolute_pa, room_k)
            missing_pa = np.maximum(self._working_pa + self.ambient_pa - self.absolute_pa, 0.0)
            most = missing_pa * self.volume_m3 / (GAMMA * MOLAR_GAS_CONSTANT * room_k * step_s)
            full = np.isnan(self.filled_s) & (feed >= most)
            feed = np.where(np.isnan(self.filled_s), np.minimum(feed, most), 0.0)

        # matter and the energy it carries, then heat
        soak = (self._soak_share * self.n[:, None] - self.soaked) * -np.expm1(-step_s * self._soak_per_s)
        self.soaked = self.soaked + soak
        soaked_mol = soak.sum(axis=1)
        fed_mol, out_mol = feed * step_s, leak * step_s
        flow_j = CP_J_PER_MOL_K * (room_k * fed_mol - gas_k * out_mol) - CV_J_PER_MOL_K * gas_k * soaked_mol
        # what the mould takes up leaves with its internal energy, and counts as lost with the flows
        later = self.n + fed_mol - out_mol - soaked_mol
        warmer_k = (self.n * gas_k + flow_j / CV_J_PER_MOL_K) / later - gas_k
        body.layers_k = body.layers_k + warmer_k[:, None]
        self.n = later
        stir = 1.0 + self._stirring * feed
        ratio = self.absolute_pa / STANDARD_ATMOSPHERE_PA
        body.exchange(self.t_s, step_s, self.n * CV_J_PER_MOL_K, ratio, stir, room_k)

        self.t_s += step_s
        minutes = self.t_s / _TABLE_STEP_S
        at = int(minutes)
        part = minutes - at
        self.room_k = self._rooms[at] + part * (self._rooms[at + 1] - self._rooms[at])
        self.ambient_pa = self._outside[at] + part * (self._outside[at + 1] - self._outside[at])
        self.leak = leak
        self.fed = self.fed + fed_mol
        self.out = self.out + out_mol
        self.flow_j = self.flow_j + flow_j
        self.absolute_pa = self._pressure()
        if not self.shut:
            self._breathe()
        elif filling:
            self.filled_s = np.where(full, self.t_s, self.filled_s)

    def _breathe(self) -> None:
        """Let in or out what brings the open pots to the pressure outside: exact for an ideal gas."""
        over_pa = self.absolute_pa - self.ambient_pa
        passing_k = np.where(over_pa > 0.0, self.gas_k, self.room_k)
        out_j = over_pa * self.volume_m3 / (GAMMA - 1.0)
        out_mol = out_j / (CP_J_PER_MOL_K * passing_k)
        later = self.n - out_mol
        warmer_k = (self.n * self.gas_k - out_j / CV_J_PER_MOL_K) / later - self.gas_k
        self.body.layers_k = self.body.layers_k + warmer_k[:, None]
        self.n = later
        self.out = self.out + out_mol
        self.flow_j = self.flow_j - out_j
        self.absolute_pa = self._pressure()

    def step_limit_s(self) -> float:
        """Return the longest step for what goes on now: by the clock, so that no night minds its company."""
        if self.t_s < FILL_AT_S:
            return _HOLD_STEP_S
        if self.t_s < FILL_AT_S + _FILLING_S or np.isnan(self.filled_s).any():
            return _FILL_STEP_S
        return _WARM_STEP_S if self.t_s < FILL_AT_S + _WARM_S else _HOLD_STEP_S


def play(vessels: Vessels, step_s: float, end_s: float = FILL_AT_S + HOLD_S, look_on: bool = True) -> Truth:
    """Play the nights: a row each step_s from 0 on. look_on: to 24 h for leaks, to see the floor passed."""
    rows = int(end_s / step_s)
    count = len(vessels.n)
    kept = np.empty((11, rows, count))
    crossing_s = np.full(count, np.nan)

    def cross() -> None:
        nonlocal crossing_s
        under = (vessels.absolute_pa - vessels.ambient_pa < FLOOR_PA) & (vessels.filled_s <= vessels.t_s)
        crossing_s = np.where(np.isnan(crossing_s) & under, vessels.t_s, crossing_s)

    for row in range(rows):
        to_s = row * step_s
        while vessels.t_s < to_s - 1e-6:
            left_s = to_s - vessels.t_s
            vessels.step(left_s / ceil(left_s / vessels.step_limit_s() - 1e-9))
        seen = vessels.body.seen()
        kept[:, row] = (
            np.full(count, to_s),
            vessels.absolute_pa,
            vessels.ambient_pa,
            vessels.gas_k,
            vessels.room_k,
            vessels.leak_pa_per_s(),
            vessels.n,
            seen.gas,
            seen.wall,
            seen.contents,
            seen.transducer,
        )
        cross()
    amount_error, energy_error = vessels.errors()
    truth = Truth(
        kept[0, :, 0],
        *kept[1:],
        vessels.filled_s,
        crossing_s,
        amount_error,
        energy_error,
        vessels.fed,
        vessels.flow_j,
        vessels.body.room_j.copy(),
        vessels.body.cure_j.copy(),
        vessels.body,
    )
    leaky = vessels.leaks_at_s < np.inf
    if look_on and leaky.any():
        while (leaky & np.isnan(crossing_s)).any() and vessels.t_s < _DAY_S - _AFTER_STEP_S:
            vessels.step(_AFTER_STEP_S)
            cross()
        crossing_s[~leaky & (crossing_s > end_s)] = np.nan
        truth.crossing_s[:] = crossing_s
    return truth
