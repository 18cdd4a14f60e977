"""The parts of a simulated pot, and the actions on it."""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, inf, isfinite, pi, sqrt

Course = Callable[[float], float]
"""A quantity as a function of simulated time in seconds."""


class Table:
    """A course through given points: linear between them, constant before the first and after the last."""

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


@dataclass(frozen=True, slots=True)
class PotParameters:
    """A pot and its contents. The defaults are a 20 L steel pot with 3 L of mould and resin in it.

    gas_wall_w_per_k, gas_contents_w_per_k, wall_room_w_per_k: heat conductances. stirring_s_per_mol: a flow
    increases the gas's conductance to the wall by (1 + stirring x flow). wall_j_per_k, contents_j_per_k: heat
    capacities. vent_area_m2: effective. mould_share: fraction of the gas that the mould absorbs in the end,
    first order with mould_time_constant_s. real_gas: False leaves out the virial term.
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

    valve_area_m2: effective, as opened. line_gauge_pa: limit set at the regulator. inlet_k: temperature of
    the air that enters, None for the room's.
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
    """At at_s shut the vent and open the supply until the gauge shows to_gauge_pa. Also a top-up."""

    at_s: float
    to_gauge_pa: float


@dataclass(frozen=True, slots=True)
class Vent:
    """At at_s shut supply and regulator and open the vent; it stays open, or shuts at to_gauge_pa."""

    at_s: float
    to_gauge_pa: float | None = None


@dataclass(frozen=True, slots=True)
class Regulate:
    """From at_s a regulator feeds the pot up to set_gauge_pa whenever it is deadband_pa below."""

    at_s: float
    set_gauge_pa: float
    deadband_pa: float


@dataclass(frozen=True, slots=True)
class Join:
    """At at_s open the shut pot to a vessel of ambient air, for good."""

    at_s: float
    volume_m3: float


Action = Fill | Vent | Regulate | Join


@dataclass(frozen=True, slots=True)
class CureHeat:
    """Heat released by the curing resin: energy_j in a Gaussian around peak_s, with sigma width_s."""

    peak_s: float
    width_s: float
    energy_j: float

    def power_w(self, t_s: float) -> float:
        x = (t_s - self.peak_s) / self.width_s
        if not -5.0 < x < 5.0:
            return 0.0
        return self.energy_j / (self.width_s * sqrt(2.0 * pi)) * exp(-0.5 * x * x)
