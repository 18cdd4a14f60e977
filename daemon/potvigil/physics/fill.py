"""Filling a pot from a compressor's tank: how long it takes, how far the tank carries, how the air warms.

Two rigid vessels of ideal gas and a pump, by balances of mass and energy (Cengel & Boles, Thermodynamics,
unsteady-flow processes): incoming air brings its enthalpy, so it warms. Each vessel gives its
heat to its walls with one time constant. Pressures Pa absolute where not named gauge.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import exp, inf, sqrt

from potvigil.model.events import Interval
from potvigil.physics.air import AIR_HEAT_CAPACITY_RATIO, AIR_MOLAR_MASS_KG
from potvigil.physics.flow import CHOKED_FLOW_FACTOR, CRITICAL_PRESSURE_RATIO
from potvigil.units import MOLAR_GAS_CONSTANT

# How quickly the air gives its heat to wall and mould in a vessel of 8 to 50 L, well stirred by the jet or
# hardly; how long it takes, left alone, until less than 1 % of the heat is left; and what a compressor
# delivers of what its plate says: worn, a hot filter, or a plate that counts what is drawn in. Common
# practice, taken as 95 %.
HEAT_TIME_S = Interval(12.0, 2.5, 60.0)
SETTLING_S = Interval(120.0, 60.0, 300.0)
DELIVERED_SHARE = Interval(0.9, 0.7, 1.05)
# A piston leaves so much of its stroke unswept, and squeezes between the adiabatic and the isothermal:
# volumetric efficiency 1 + c - c r^(1/n), of any handbook of compressors.
CLEARANCE, PISTON_EXPONENT = 0.05, 1.3

LONGEST_S = 4.0 * 3600.0  # a longer fill never finishes
# Of a step: its time, at first and as a share of the time passed; of the air in a vessel, what it may move.
_FIRST_STEP_S, _STEP_SHARE, _LARGEST_SHARE = 0.1, 0.002, 0.005
_PARCELS = 200  # in which the tank empties into the pot where nothing is known of the way


@dataclass(frozen=True, slots=True)
class Compressor:
    """A compressor and its tank; cut_in_pa, cut_out_pa gauge: where its motor starts and stops.

    free_air_m3_per_s: what it delivers, as air of the surroundings, with the tank at rated_pa, gauge.
    area_m2: effective area of everything between tank and pot, None where unknown.
    """

    tank_m3: float
    free_air_m3_per_s: float
    cut_in_pa: float
    cut_out_pa: float
    rated_pa: float
    area_m2: float | None = None

    def delivers_m3_per_s(self, tank_pa: float, ambient_pa: float) -> float:
        """Return the free air it delivers against that pressure, absolute."""
        rated = _volumetric_efficiency((self.rated_pa + ambient_pa) / ambient_pa)
        now = _volumetric_efficiency(tank_pa / ambient_pa)
        return self.free_air_m3_per_s * max(now / rated, 0.0)


@dataclass(frozen=True, slots=True)
class Fill:
    """One fill, until the gauge first shows the target; all pressures gauge.

    time_s: None where it never does, and then reached_pa is where it ends. settled_pa: what is left of it
    when the air has cooled to the room, the supply shut at once.
    """

    time_s: float | None
    reached_pa: float
    settled_pa: float
    tank_left_pa: float


@dataclass(frozen=True, slots=True)
class Fills:
    """A fill from a full tank, from one about to start its motor, and from one as it may stand.

    full, low: as likely. quick, slow: the ends of the range, all doubts against each other.
    """

    full: Fill
    low: Fill
    quick: Fill
    slow: Fill


def equalised_pa(first_pa: float, first_m3: float, second_pa: float, second_m3: float) -> float:
    """Return the pressure of two vessels joined; the same whether or not their air may cool."""
    return (first_pa * first_m3 + second_pa * second_m3) / (first_m3 + second_m3)


def adiabatic_fill_k(from_pa: float, to_pa: float, start_k: float, supply_k: float) -> float:
    """Return the temperature of air let into a rigid vessel, K, if it loses no heat.

    T = g Ts / (1 + (p1/p2) (g Ts/T1 - 1)): Cengel & Boles, unsteady-flow processes, for constant heat
    capacities. Absolute pressures.
    """
    entering_k = AIR_HEAT_CAPACITY_RATIO * supply_k
    return entering_k / (1.0 + from_pa / to_pa * (entering_k / start_k - 1.0))


def fill(
    compressor: Compressor,
    tank_gauge_pa: float,
    gas_m3: float,
    to_gauge_pa: float,
    ambient_pa: float,
    room_k: float,
    *,
    heat_time_s: float = HEAT_TIME_S.value,
    delivered: float = DELIVERED_SHARE.value,
) -> Fill:
    """Return how an open pot of that gas volume is filled; a regulator or hand ends it at to_gauge_pa.

    heat_time_s: 0 for air that is never warmer than the room, infinite for air that keeps its heat.
    """
    pair = _Pair(compressor, tank_gauge_pa + ambient_pa, gas_m3, ambient_pa, room_k, heat_time_s, delivered)
    target_pa = to_gauge_pa + ambient_pa
    time_s: float | None = None
    for _ in pair.steps(target_pa):
        if pair.pot_pa >= target_pa * (1.0 - 1e-9):
            time_s = pair.t_s
            break
    return Fill(
        time_s=time_s,
        reached_pa=pair.pot_pa - ambient_pa,
        settled_pa=pair.pot_amount / gas_m3 - ambient_pa,
        tank_left_pa=pair.tank_pa - ambient_pa,
    )


def fills(
    compressor: Compressor,
    tank_gauge_pa: float | None,
    gas_m3: float,
    gas_sigma_m3: float,
    to_gauge_pa: float,
    ambient_pa: float,
    room_k: float,
) -> Fills:
    """Return the fills that are to be expected; tank_gauge_pa: None where it may stand anywhere."""

    def one(tank_pa: float, sigmas: float, heat_time_s: float, delivered: float) -> Fill:
        return fill(
            compressor, tank_pa if tank_gauge_pa is None else tank_gauge_pa, gas_m3 + sigmas * gas_sigma_m3,
            to_gauge_pa, ambient_pa, room_k, heat_time_s=heat_time_s, delivered=delivered,
        )  # fmt: skip

    full, low = compressor.cut_out_pa, compressor.cut_in_pa
    heat, share = HEAT_TIME_S, DELIVERED_SHARE
    return Fills(
        full=fill(compressor, full, gas_m3, to_gauge_pa, ambient_pa, room_k),
        low=fill(compressor, low, gas_m3, to_gauge_pa, ambient_pa, room_k),
        quick=one(full, -2.0, heat.high, share.high),
        slow=one(low, 2.0, heat.low, share.low),
    )


class _Pair:
    """Tank and pot while air goes from one to the other.

    Amounts are given as the product of pressure and volume at the room's temperature, heat as
    the product they have: J, both. What moves carries g times its own product.
    """

    def __init__(
        self,
        compressor: Compressor,
        tank_pa: float,
        pot_m3: float,
        ambient_pa: float,
        room_k: float,
        heat_time_s: float,
        delivered: float,
    ) -> None:
        self._compressor, self._ambient_pa, self._delivered = compressor, ambient_pa, delivered
        self._pot_m3, self._tank_m3 = pot_m3, compressor.tank_m3
        self._heat_time_s = heat_time_s
        self._speed_m_per_s = sqrt(MOLAR_GAS_CONSTANT * room_k / AIR_MOLAR_MASS_KG)
        self.t_s = 0.0
        self.tank_pa, self.tank_amount = tank_pa, tank_pa * compressor.tank_m3
        self.pot_pa, self.pot_amount = ambient_pa, ambient_pa * pot_m3
        self._pumps = tank_pa - ambient_pa <= compressor.cut_in_pa

    def steps(self, target_pa: float) -> Iterator[None]:
        """Go on step by step, the last one just to the target, until nothing more happens."""
        if self._compressor.area_m2 is None:  # as if nothing were between them
            parcel = self._evens() / _PARCELS
            for _ in range(_PARCELS):
                self._move(min(parcel, self._lacks(target_pa)))
                yield
        while self.t_s < LONGEST_S:
            before = self.t_s, self.pot_pa, self.pot_amount, self.tank_pa
            self._step()
            if self.pot_pa > target_pa:  # the valve was shut within this step
                share = (target_pa - before[1]) / (self.pot_pa - before[1])
                after = self.t_s, self.pot_pa, self.pot_amount, self.tank_pa
                self.t_s, self.pot_pa, self.pot_amount, self.tank_pa = (
                    early + share * (late - early) for early, late in zip(before, after, strict=True)
                )
            yield

    def _step(self) -> None:
        """Let the compressor run, air flow, and both vessels give off heat, for a little while."""
        gauge_pa = self.tank_pa - self._ambient_pa
        self._pumps = gauge_pa <= self._compressor.cut_in_pa or (
            self._pumps and gauge_pa < self._compressor.cut_out_pa
        )
        flow = self._flow()
        most = _LARGEST_SHARE * min(self.tank_amount, self.pot_amount)
        step_s = _FIRST_STEP_S + _STEP_SHARE * self.t_s
        if 0.0 < flow < inf:
            step_s = min(step_s, most / flow)
        if self._pumps:
            free = self._compressor.delivers_m3_per_s(self.tank_pa, self._ambient_pa) * self._delivered
            came = self._ambient_pa * free * step_s
            self.tank_amount += came
            self.tank_pa += AIR_HEAT_CAPACITY_RATIO * came / self._tank_m3
        self._move(min(flow * step_s, max(self._evens(), 0.0)))
        self._cool(step_s)
        self.t_s += step_s

    def _flow(self) -> float:
        """Return the flow from tank to pot, W of p V: isentropic nozzle (White, Fluid Mechanics, ch. 9)."""
        area_m2, ratio = self._compressor.area_m2, self.pot_pa / self.tank_pa
        if ratio >= 1.0:
            return 0.0
        if area_m2 is None:
            return inf
        g = AIR_HEAT_CAPACITY_RATIO
        shape = CHOKED_FLOW_FACTOR
        if ratio > CRITICAL_PRESSURE_RATIO:
            shape = sqrt(2.0 * g / (g - 1.0) * (ratio ** (2.0 / g) - ratio ** ((g + 1.0) / g)))
        return shape * area_m2 * self.tank_pa * self._speed_m_per_s * sqrt(self._tank_warmth)

    def _evens(self) -> float:
        """Return what must move to make both pressures the same."""
        between_pa = self.tank_pa - self.pot_pa
        return between_pa / (AIR_HEAT_CAPACITY_RATIO * (1.0 / self._tank_m3 + 1.0 / self._pot_m3))

    def _lacks(self, target_pa: float) -> float:
        return max(target_pa - self.pot_pa, 0.0) * self._pot_m3 / AIR_HEAT_CAPACITY_RATIO

    def _move(self, product: float) -> None:
        amount, heat = product / self._tank_warmth, AIR_HEAT_CAPACITY_RATIO * product
        self.tank_amount -= amount
        self.pot_amount += amount
        self.tank_pa -= heat / self._tank_m3
        self.pot_pa += heat / self._pot_m3

    def _cool(self, step_s: float) -> None:
        kept = exp(-step_s / self._heat_time_s) if self._heat_time_s else 0.0
        at_rest_pa = self.tank_amount / self._tank_m3
        self.tank_pa = at_rest_pa + (self.tank_pa - at_rest_pa) * kept
        at_rest_pa = self.pot_amount / self._pot_m3
        self.pot_pa = at_rest_pa + (self.pot_pa - at_rest_pa) * kept

    @property
    def _tank_warmth(self) -> float:
        """Its temperature over the room's."""
        return self.tank_pa * self._tank_m3 / self.tank_amount


def _volumetric_efficiency(ratio: float) -> float:
    return float(1.0 + CLEARANCE - CLEARANCE * ratio ** (1.0 / PISTON_EXPONENT))
