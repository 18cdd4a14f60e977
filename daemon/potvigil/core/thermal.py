"""The pot as heat sees it: its states, how they move, what each sensor sees of them.

    room <-> wall <-> surface <-> core <- heat of the resin

The gas has hardly any heat of its own (90 J/K in 20 L at 60 psi gauge against thousands): within a minute it
stands between the wall and what it touches of the contents. Behind that surface lies a core. What counts is
how far the contents keep the gas off the wall, so that is what SURFACE and CORE are: kelvin of the gas. (How
warm mould and resin are themselves cannot be told from a wall and a pressure; a filter that tries to believes
itself.) Nobody knows the conductances of a pot: they are states as well, constant ones.

Temperatures are T0 ln(T/T0), in kelvin, less what the pot had before its fill; the amount of air is T0 ln n
beside them. So T0 ln(p/Z) is a sum of states, and a leak is a ramp. Arrays have a row for each cell of the
bank (core/bank.py).
"""

from dataclasses import dataclass
from math import hypot, log

import numpy as np
from numpy.typing import NDArray

from potvigil.core.reading import Place
from potvigil.units import STANDARD_ATMOSPHERE_PA

Floats = NDArray[np.float64]

T0_K = 293.15

# fmt: off
(
    WALL,                                # K
    SURFACE, CORE,                       # of the gas over the wall, by the contents it touches; behind
    EXCESS,                              # of the gas over all of these: left by the fill, gone in minutes, K
    HEATING,                             # of the core by the resin, K/h
    ROOM,                                # K
    AIR,                                 # T0 ln(amount), K
    DRIFT, FAST, FAST_RATE,              # what the model misses of the pressure: over hours, minutes, K; K/s
    UPTAKE,                              # air that the mould has yet to take up, K
    GAS_OFFSET, WALL_OFFSET, ROOM_OFFSET, CONTENTS_OFFSET,  # of the thermometers, K
    LEFT,                                # by how much the contents leave the gas behind a wall that moves
    LN_SURFACE_WALL, LN_ROOM_WALL,       # ln of conductance over heat capacity, 1/s: the wall's
    LN_WALL_SURFACE, LN_CORE_SURFACE,    # the surface's
    LN_SURFACE_CORE,                     # the core's
    LN_EXCESS,                           # the gas's own
    GAS_PROBE_GAIN, CONTENTS_PROBE_GAIN,  # how much more of the contents a probe sees than the gas; how much
    WALL_PROBE_SHARE, WALL_PROBE_GAIN,   # of the room, in what a probe on the wall sees; of the contents
    PRESSURE_PER_K,                      # of the transducer with its own temperature, K per K
    GAS_PROBE_LAG, WALL_PROBE_LAG,       # behind what they touch, in units of LAG_S
    START_SURFACE, START_CORE,           # what surface and core were as the hold began, K
    RATE,                                # of the air lost, K/s; nought in a sound pot
) = range(32)
# fmt: on
SIZE = 32
CONSTANTS, RATES = slice(LEFT, START_SURFACE), slice(LN_SURFACE_WALL, GAS_PROBE_GAIN)
OFFSETS = {
    Place.GAS: GAS_OFFSET,
    Place.WALL: WALL_OFFSET,
    Place.ROOM: ROOM_OFFSET,
    Place.CONTENTS: CONTENTS_OFFSET,
}
PACES = 4  # wall, surface, core and excess have laws of their own; the others die, wander or stay

LAG_S = 60.0
# Steel and silicone answer no faster than in 100 s, a stirred gas in 10: nothing faster is believed.
LN_FASTEST = -np.log(np.array((100.0, 100.0, 100.0, 100.0, 100.0, 10.0)))
# By how much a whole mould, or the parts of an empty pot, are warmer or colder than its wall, K of the gas.
MOULD_SIGMA_K, EMPTY_SIGMA_K = 2.0, 0.4
UNKNOWN_K = 1000.0  # 1 sigma of a level nothing is known of
# 0.1 to 0.3 % of the air: common practice for silicone moulds
UPTAKE_MEAN_K, UPTAKE_SIGMA_K = 0.0015 * T0_K, 0.001 * T0_K
# What a thermometer's bin of 20 s scatters by, K, 1 sigma: 0.0625 K steps, and the draught of a room.
PROBE_SIGMA = {Place.GAS: 0.02, Place.WALL: 0.025, Place.ROOM: 0.08, Place.CONTENTS: 0.03}
# What a batch teaches of its pot (core/known.py), by state. Where the contents begin, and how much the mould
# takes up, is another thing in every batch; the rest stays with the pot.
LEARNT = {
    "left": LEFT,
    "surface-wall": LN_SURFACE_WALL,
    "room-wall": LN_ROOM_WALL,
    "wall-surface": LN_WALL_SURFACE,
    "core-surface": LN_CORE_SURFACE,
    "surface-core": LN_SURFACE_CORE,
    "gas-probe-gain": GAS_PROBE_GAIN,
    "contents-probe-gain": CONTENTS_PROBE_GAIN,
    "wall-probe-share": WALL_PROBE_SHARE,
    "wall-probe-gain": WALL_PROBE_GAIN,
    "pressure-per-k": PRESSURE_PER_K,
    "gas-probe-lag": GAS_PROBE_LAG,
    "wall-probe-lag": WALL_PROBE_LAG,
    "surface-begins": START_SURFACE,
    "core-begins": START_CORE,
    "uptake": UPTAKE,
}
EACH_BATCH = frozenset({"surface-begins", "core-begins", "uptake"})


@dataclass(frozen=True, slots=True)
class Sizes:
    """What is known of a pot beforehand: m3 of all and of its contents, Pa that the fill brought."""

    internal_m3: float
    contents_m3: float
    filled_pa: float = 413_685.0  # 60 psi

    @property
    def steel_j(self) -> float:
        """Heat capacity of the wall, J/K: 15 kg of steel, 490 J/(kg K), in 20 L."""
        return 7000.0 * float((self.internal_m3 / 0.020) ** 0.8)

    @property
    def contents_j(self) -> float:
        """Heat capacity of the contents, J/K: silicone and resin hold 1.6 MJ/(m3 K) (from memory)."""
        return 1.6e6 * max(self.contents_m3, 0.01 * self.internal_m3)

    @property
    def gas_j(self) -> float:
        """Heat capacity of the gas at constant volume, J/K: 5/2 n R of a diatomic gas."""
        absolute_pa = self.filled_pa + STANDARD_ATMOSPHERE_PA
        return 2.5 * absolute_pa * (self.internal_m3 - self.contents_m3) / T0_K


SURFACE_PART, CORE_PART = 0.35, 0.65


def prior(sizes: Sizes) -> tuple[Floats, Floats]:
    """Return mean and 1 sigma of the constants of a pot of that size, (SIZE,) each; nought for other states.

    20 L have 0.4 m2 of wall. Free convection in air of 5 bar, 0.1 k Ra^(1/3) / L (Incropera, Fundamentals of
    Heat and Mass Transfer, ch. 9), is 4 W/(m2 K) at a kelvin, radiation between surfaces that see each other
    as much again, and both together 6 W/(m2 K) from the wall to the room. Silicone conducts 0.2 W/(m K) (from
    memory), so some centimetres of it take half an hour to two.
    """
    area = (sizes.internal_m3 / 0.020) ** (2.0 / 3.0)
    gas_wall, gas_surface, direct, room_wall = 1.6 * area, 1.4 * area, 0.3 * area, 2.6 * area  # W/K
    through = direct + gas_wall * gas_surface / (gas_wall + gas_surface)
    surface_j, core_j = SURFACE_PART * sizes.contents_j, CORE_PART * sizes.contents_j
    inwards = surface_j * core_j / (surface_j + core_j) / 1500.0
    mean, sigma = np.zeros(SIZE), np.zeros(SIZE)
    for state, value, spread in (
        (LEFT, 0.5, 0.15),
        (LN_SURFACE_WALL, log(through / 0.5 / sizes.steel_j), 0.6),  # what the gas sees is half of what flows
        (LN_ROOM_WALL, log(room_wall / sizes.steel_j), 0.5),
        (LN_WALL_SURFACE, log(through / surface_j), 1.0),
        (LN_CORE_SURFACE, log(inwards / surface_j), 1.0),
        (LN_SURFACE_CORE, log(inwards / core_j), 1.0),
        (LN_EXCESS, log((gas_wall + (gas_surface if sizes.contents_m3 else 0.0)) / (1.5 * sizes.gas_j)), 0.6),
        (GAS_PROBE_GAIN, 0.0, 0.2),
        (CONTENTS_PROBE_GAIN, 2.0, 0.7),
        (WALL_PROBE_SHARE, 0.1, 0.1),
        (WALL_PROBE_GAIN, 0.0, 0.1),  # a wall is warmer above its contents than beside them
        (PRESSURE_PER_K, 0.0, 0.05),  # 0.01 psi/K at 60 psi gauge
        (GAS_PROBE_LAG, 0.8, 0.4),
        (WALL_PROBE_LAG, 1.2, 0.6),
    ):
        mean[state], sigma[state] = value, spread
    return mean, sigma


def start(sizes: Sizes) -> tuple[Floats, Floats]:
    """Return mean and 1 sigma of the other states as the hold begins, (SIZE,) each.

    Surface and core stand under START_SURFACE and START_CORE.

    A fill brings V dp of heat, which wall and surface take up (first law, the gas back at its temperature).
    """
    heat_j = (sizes.internal_m3 - sizes.contents_m3) * sizes.filled_pa
    holds = sizes.contents_m3 > 0.0
    wall_k = (0.5 if holds else 1.0) * heat_j / sizes.steel_j
    # of an empty pot only wall and lid may differ
    spread_k = hypot(1.2, MOULD_SIGMA_K) if holds else EMPTY_SIGMA_K
    surface_k = 0.5 * heat_j / (SURFACE_PART * sizes.contents_j) if holds else 0.0
    mean, sigma = np.zeros(SIZE), np.zeros(SIZE)
    for state, value, spread in (
        (WALL, wall_k, hypot(0.7 * wall_k, 0.7)),
        (START_SURFACE, 0.5 * (surface_k - wall_k) if holds else 0.0, hypot(0.35 * surface_k, spread_k)),
        (START_CORE, -0.5 * wall_k if holds else 0.0, spread_k),
        (HEATING, 0.0, 4.0 if holds else 0.0),
        (ROOM, 0.0, 1.0),
        (AIR, 0.0, UNKNOWN_K),
        (EXCESS, 0.0, 15.0),  # filled in half a minute, a gas is still some ten kelvin warm a minute later
        (UPTAKE, *((UPTAKE_MEAN_K, UPTAKE_SIGMA_K) if holds else (0.0, 0.0))),
        *((offset, 0.0, 0.3) for offset in OFFSETS.values()),
    ):
        mean[state], sigma[state] = value, spread
    return mean, sigma


def usual(sizes: Sizes) -> dict[str, tuple[float, float]]:
    """Return what is thought of any pot of that size before it has taught anything: mean and 1 sigma."""
    (constants, spread), (begin, unsure) = prior(sizes), start(sizes)
    mean, sigma = constants + begin, spread + unsure
    return {name: (float(mean[state]), float(sigma[state])) for name, state in LEARNT.items()}


def flow(x: Floats, heat_share: Floats) -> tuple[Floats, Floats]:
    """Return d/dt of wall, surface, core and excess, K/s, (cells, PACES), and its derivative by all states.

    heat_share: of the heating of the core that reaches the surface at once, (cells,).
    """
    d = np.zeros((len(x), PACES, SIZE))
    rates = np.exp(np.minimum(x[:, RATES], LN_FASTEST))
    surface_wall, room_wall, wall_surface, core_surface, surface_core, excess = rates.T
    room, surface, core = x[:, ROOM] - x[:, WALL], x[:, SURFACE], x[:, CORE] - x[:, SURFACE]
    left = x[:, LEFT]
    d[:, 0, WALL], d[:, 0, ROOM], d[:, 0, SURFACE] = -room_wall, room_wall, surface_wall
    d[:, 0, LN_ROOM_WALL], d[:, 0, LN_SURFACE_WALL] = room_wall * room, surface_wall * surface
    wall = d[:, 0, LN_ROOM_WALL] + d[:, 0, LN_SURFACE_WALL]
    d[:, 1:3] = -left[:, None, None] * d[:, :1]
    d[:, 1:3, LEFT] = -wall[:, None]
    d[:, 1, SURFACE] -= wall_surface + core_surface
    d[:, 1, CORE] = core_surface
    d[:, 1, LN_WALL_SURFACE], d[:, 1, LN_CORE_SURFACE] = -wall_surface * surface, core_surface * core
    d[:, 2, SURFACE] += surface_core
    d[:, 2, CORE] = -surface_core
    d[:, 2, LN_SURFACE_CORE] = -surface_core * core
    d[:, 1, HEATING], d[:, 2, HEATING] = heat_share / 3600.0, 1.0 / 3600.0
    d[:, 3, EXCESS] = -excess
    d[:, 3, LN_EXCESS] = -excess * x[:, EXCESS]
    paces = np.stack(
        (
            wall,
            -left * wall - wall_surface * surface + core_surface * core + heat_share * x[:, HEATING] / 3600.0,
            -left * wall - surface_core * core + x[:, HEATING] / 3600.0,
            d[:, 3, LN_EXCESS],
        ),
        axis=1,
    )
    return paces, d


def pressure_row(x: Floats) -> tuple[Floats, Floats]:
    """Return what T0 ln(p/Z) should be, (cells,), and its derivative, (cells, SIZE)."""
    row = np.zeros_like(x)
    row[:, WALL] = 1.0 + x[:, PRESSURE_PER_K]
    row[:, [SURFACE, AIR, DRIFT, FAST, EXCESS, UPTAKE]] = 1.0
    seen = np.einsum("ij,ij->i", row, x)
    row[:, PRESSURE_PER_K] = x[:, WALL]
    return seen, row


def probe_row(x: Floats, place: Place, paces: Floats, d: Floats) -> tuple[Floats, Floats]:
    """Return what a thermometer there should say, K, (cells,), and its derivative, (cells, SIZE).

    paces, d: what `flow` says now; a probe trails what it touches by its lag.
    """
    row = np.zeros_like(x)
    row[:, OFFSETS[place]] = 1.0
    if place is Place.GAS:
        gain, lag_s = 1.0 + x[:, GAS_PROBE_GAIN], LAG_S * x[:, GAS_PROBE_LAG]
        row[:, WALL], row[:, SURFACE], row[:, EXCESS] = 1.0, gain, 1.0
        seen = np.einsum("ij,ij->i", row, x)
        row[:, GAS_PROBE_GAIN] = x[:, SURFACE] - lag_s * paces[:, 1]
        pace = paces[:, 0] + gain * paces[:, 1]
        row -= lag_s[:, None] * (d[:, 0] + gain[:, None] * d[:, 1])
        row[:, GAS_PROBE_LAG] = -LAG_S * pace
        return seen - lag_s * pace, row
    if place is Place.WALL:
        share, lag_s = x[:, WALL_PROBE_SHARE], LAG_S * x[:, WALL_PROBE_LAG]
        row[:, WALL], row[:, ROOM], row[:, SURFACE] = 1.0 - share, share, x[:, WALL_PROBE_GAIN]
        seen = np.einsum("ij,ij->i", row, x)
        row[:, WALL_PROBE_SHARE] = x[:, ROOM] - x[:, WALL]
        row[:, WALL_PROBE_GAIN] = x[:, SURFACE]
        row -= lag_s[:, None] * d[:, 0]
        row[:, WALL_PROBE_LAG] = -LAG_S * paces[:, 0]
        return seen - lag_s * paces[:, 0], row
    if place is Place.ROOM:
        row[:, ROOM] = 1.0
        return np.einsum("ij,ij->i", row, x), row
    gain = x[:, CONTENTS_PROBE_GAIN]
    row[:, WALL], row[:, SURFACE], row[:, CORE] = 1.0, 0.5 * gain, 0.5 * gain
    seen = np.einsum("ij,ij->i", row, x)
    row[:, CONTENTS_PROBE_GAIN] = 0.5 * (x[:, SURFACE] + x[:, CORE])
    return seen, row
