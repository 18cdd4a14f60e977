"""The thermal model of a pot: its states, how they change, what each sensor sees of them.

    room <-> wall <-> surface <-> core <- heat of the resin

The gas has hardly any heat capacity (90 J/K in 20 L at 60 psi gauge against thousands): within a minute it
settles between the wall and the surface of the contents. Behind that surface is a core. What matters is how
far the contents keep the gas from the wall's temperature, so SURFACE and CORE are in kelvin of the gas. (The
temperatures of mould and resin themselves cannot be found from a wall and a pressure; a filter that tries
becomes overconfident.) The conductances of a pot are unknown: they are states too, constant ones.

A sensor's response to what it touches is not learnt: a constant times a barely known state linearises badly,
and the filter's error in it looks like a leak.

Temperatures are T0 ln(T/T0), in kelvin, relative to the pot before its fill; the amount of air is T0 ln n on
the same scale. So T0 ln(p/Z) is a sum of states, and a leak is a ramp. Arrays have a row for each cell of the
bank (leak/bank.py).
"""

from dataclasses import dataclass
from functools import lru_cache
from math import exp, hypot, log, sqrt

import numpy as np
from numpy.typing import NDArray

from potvigil.model.reading import Place
from potvigil.units import STANDARD_ATMOSPHERE_PA

Floats = NDArray[np.float64]

T0_K = 293.15

# fmt: off
(
    WALL,                                # K
    SURFACE, CORE,                       # of the gas over the wall, by the contents it touches; behind
    EXCESS,                              # of the gas over all of these: left by the fill, gone in minutes, K
    AIR,                                 # T0 ln(amount), K
    FAST, FAST_RATE,                     # what the model misses of the pressure over minutes, K; K/s
    DRIFT,                               # and over hours, K
    HEATING,                             # of the core by the resin, K/h
    ROOM,                                # K
    UPTAKE,                              # air that the mould has yet to take up, K
    GAS_OFFSET, WALL_OFFSET, ROOM_OFFSET, CONTENTS_OFFSET,  # of the thermometers, K
    LN_SURFACE_WALL, LN_ROOM_WALL,       # ln of conductance over heat capacity, 1/s: the wall's
    LN_WALL_SURFACE, LN_CORE_SURFACE,    # the surface's
    LN_SURFACE_CORE,                     # the core's
    LN_EXCESS,                           # the gas's own
    CONTENTS_PROBE_GAIN,                 # how much more of the contents a probe on them sees than the gas
    START_SURFACE, START_CORE,           # what surface and core were as the hold began, K
    RATE,                                # of the air lost, K/s; zero in a sound pot
) = range(25)
# fmt: on
SIZE = 25
CONSTANTS, RATES = slice(LN_SURFACE_WALL, START_SURFACE), slice(LN_SURFACE_WALL, CONTENTS_PROBE_GAIN)
OFFSETS = {
    Place.GAS: GAS_OFFSET,
    Place.WALL: WALL_OFFSET,
    Place.ROOM: ROOM_OFFSET,
    Place.CONTENTS: CONTENTS_OFFSET,
}
# Wall, surface, core and excess flow into each other; they, the air and FAST depend on other states as well.
# What comes after these decays, wanders or stays.
PACES, LAWS = 4, 7

# Time constants of what follows no law, s: errors of transducer and probes, uptake by silicone, heat of a
# resin that has reacted; and how slowly the constants themselves may change.
DRIFT_S, OFFSET_S, UPTAKE_S, HEATING_S = 4 * 3600.0, 6 * 3600.0, 7000.0, 2400.0
CONSTANTS_S, FAST_S = 24 * 3600.0, 1200.0
_DYING_S = ((DRIFT, DRIFT_S), (HEATING, HEATING_S), (UPTAKE, UPTAKE_S))
# When the wall changes, this share of the gas stays with the contents: they are half of what it touches.
LEFT_BEHIND = 0.5
# How far thermometers trail what they touch, s; how much of the room one on the wall sees.
GAS_PROBE_LAG_S, WALL_PROBE_LAG_S, WALL_PROBE_ROOM_SHARE = 48.0, 72.0, 0.1
# Which of the paces of `flow` a thermometer trails, and by how long.
_TRAILS = {Place.GAS: (slice(0, 2), GAS_PROBE_LAG_S), Place.WALL: (slice(0, 1), WALL_PROBE_LAG_S)}
# Steel and silicone respond in 100 s at the fastest, a stirred gas in 10: nothing faster is believed.
LN_FASTEST = -np.log(np.array((100.0, 100.0, 100.0, 100.0, 100.0, 10.0)))
# By how much a whole mould, or the parts of an empty pot, are warmer or colder than its wall, K of the gas.
MOULD_SIGMA_K, EMPTY_SIGMA_K = 2.0, 0.4
# How fast a slow resin may warm the gas as the hold starts, 1 sigma; later heating is allowed for when its
# rise is seen.
HEATING_SIGMA_K_PER_H = 1.0
UNKNOWN_K = 1000.0  # 1 sigma of an unknown level
# 0.1 to 0.3 % of the air: common practice for silicone moulds
UPTAKE_MEAN_K, UPTAKE_SIGMA_K = 0.0015 * T0_K, 0.001 * T0_K
# Scatter of a thermometer's 20 s bin, K, 1 sigma: 0.0625 K steps, and draughts in a room.
PROBE_SIGMA = {Place.GAS: 0.02, Place.WALL: 0.025, Place.ROOM: 0.08, Place.CONTENTS: 0.03}
# What a batch teaches about its pot (leak/known.py), by state. Where the contents start, and how much the
# mould absorbs, varies with every batch; the rest belongs to the pot.
LEARNT = {
    "surface-wall": LN_SURFACE_WALL,
    "room-wall": LN_ROOM_WALL,
    "wall-surface": LN_WALL_SURFACE,
    "core-surface": LN_CORE_SURFACE,
    "surface-core": LN_SURFACE_CORE,
    "contents-probe-gain": CONTENTS_PROBE_GAIN,
    "surface-begins": START_SURFACE,
    "core-begins": START_CORE,
    "uptake": UPTAKE,
}
EACH_BATCH = frozenset({"surface-begins", "core-begins", "uptake"})


@dataclass(frozen=True, slots=True)
class Sizes:
    """What is known of a pot in advance: its volume and that of its contents, m3; Pa that the fill added."""

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


@dataclass(frozen=True, slots=True)
class Span:
    """What so many seconds do to every pot alike.

    decay: of each state; decay_twice: of their covariance. fast: of FAST and FAST_RATE, a Matern 3/2 process,
    whose rate is continuous, exactly discretised; fast_noise: its covariance for a process of 1 K.
    """

    decay: Floats
    decay_twice: Floats
    fast: Floats
    fast_noise: Floats

    @staticmethod
    @lru_cache(maxsize=4)
    def of(dt: float) -> "Span":
        decay = np.ones(SIZE)
        decay[CONSTANTS] = exp(-dt / CONSTANTS_S)
        for state, constant_s in _DYING_S:
            decay[state] = exp(-dt / constant_s)
        pace = sqrt(3.0) / FAST_S
        fade, turn = exp(-pace * dt), pace * dt
        fast = np.array(((fade * (1.0 + turn), fade * dt), (-fade * pace * turn, fade * (1.0 - turn))))
        steady = np.diag((1.0, pace**2))
        return Span(decay, np.outer(decay, decay), fast, steady - fast @ steady @ fast.T)


SURFACE_PART, CORE_PART = 0.35, 0.65


def prior(sizes: Sizes) -> tuple[Floats, Floats]:
    """Return mean and 1 sigma of the constants of a pot of that size, (SIZE,) each; zero for other states.

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
        (LN_SURFACE_WALL, log(through / 0.5 / sizes.steel_j), 0.6),  # the gas sees half of what flows
        (LN_ROOM_WALL, log(room_wall / sizes.steel_j), 0.5),
        (LN_WALL_SURFACE, log(through / surface_j), 1.0),
        (LN_CORE_SURFACE, log(inwards / surface_j), 1.0),
        (LN_SURFACE_CORE, log(inwards / core_j), 1.0),
        (LN_EXCESS, log((gas_wall + (gas_surface if sizes.contents_m3 else 0.0)) / (1.5 * sizes.gas_j)), 0.6),
        (CONTENTS_PROBE_GAIN, 2.0, 0.7),
    ):
        mean[state], sigma[state] = value, spread
    return mean, sigma


def start(sizes: Sizes) -> tuple[Floats, Floats]:
    """Return mean and 1 sigma of the other states as the hold starts, (SIZE,) each.

    Surface and core are given as START_SURFACE and START_CORE.

    A fill adds V dp of heat, which wall and surface absorb (first law, the gas back at its temperature).
    """
    heat_j = (sizes.internal_m3 - sizes.contents_m3) * sizes.filled_pa
    holds = sizes.contents_m3 > 0.0
    wall_k = (0.5 if holds else 1.0) * heat_j / sizes.steel_j
    # in an empty pot only wall and lid can differ
    spread_k = hypot(1.2, MOULD_SIGMA_K) if holds else EMPTY_SIGMA_K
    surface_k = 0.5 * heat_j / (SURFACE_PART * sizes.contents_j) if holds else 0.0
    mean, sigma = np.zeros(SIZE), np.zeros(SIZE)
    for state, value, spread in (
        (WALL, wall_k, hypot(0.7 * wall_k, 0.7)),
        (START_SURFACE, 0.5 * (surface_k - wall_k) if holds else 0.0, hypot(0.35 * surface_k, spread_k)),
        (START_CORE, -0.5 * wall_k if holds else 0.0, spread_k),
        (HEATING, 0.0, HEATING_SIGMA_K_PER_H if holds else 0.0),
        (ROOM, 0.0, 1.0),
        (AIR, 0.0, UNKNOWN_K),
        (EXCESS, 0.0, 15.0),  # filled in half a minute, a gas is still some ten kelvin warm a minute later
        (UPTAKE, *((UPTAKE_MEAN_K, UPTAKE_SIGMA_K) if holds else (0.0, 0.0))),
        *((offset, 0.0, 0.3) for offset in OFFSETS.values()),
    ):
        mean[state], sigma[state] = value, spread
    return mean, sigma


def usual(sizes: Sizes) -> dict[str, tuple[float, float]]:
    """Return the usual constants of a pot of that size, before any batch: mean and 1 sigma."""
    (constants, spread), (begin, unsure) = prior(sizes), start(sizes)
    mean, sigma = constants + begin, spread + unsure
    return {name: (float(mean[state]), float(sigma[state])) for name, state in LEARNT.items()}


def rates_per_s(x: Floats) -> Floats:
    """Return the conductances over heat capacities, 1/s, (cells, 6), none faster than is believed."""
    return np.asarray(np.exp(np.minimum(x[:, RATES], LN_FASTEST)))


def flow(x: Floats, heat_share: Floats) -> tuple[Floats, Floats]:
    """Return d/dt of wall, surface, core and excess, K/s, (cells, PACES), and its derivative by all states.

    heat_share: of the heating of the core that reaches the surface at once, (cells,).
    """
    rates = rates_per_s(x)
    surface_wall, room_wall, wall_surface, core_surface, surface_core, excess = rates.T
    room, surface, core = x[:, ROOM] - x[:, WALL], x[:, SURFACE], x[:, CORE] - x[:, SURFACE]
    heated = x[:, HEATING] / 3600.0
    # each flow, by conductance: it is also its own derivative by ln of the conductance
    into_wall, from_room = surface_wall * surface, room_wall * room
    from_surface, from_core, off_core = wall_surface * surface, core_surface * core, surface_core * core
    paces = np.empty((len(x), PACES))
    paces[:, 0] = wall = from_room + into_wall
    paces[:, 1] = from_core - from_surface - LEFT_BEHIND * wall + heat_share * heated
    paces[:, 2] = heated - off_core - LEFT_BEHIND * wall
    paces[:, 3] = -excess * x[:, EXCESS]
    d = np.zeros((len(x), PACES, SIZE))
    d[:, 0, WALL], d[:, 0, ROOM], d[:, 0, SURFACE] = -room_wall, room_wall, surface_wall
    d[:, 0, LN_ROOM_WALL], d[:, 0, LN_SURFACE_WALL] = from_room, into_wall
    d[:, 1:3] = -LEFT_BEHIND * d[:, :1]
    d[:, 1, SURFACE] -= wall_surface + core_surface
    d[:, 1, CORE] = core_surface
    d[:, 1, LN_WALL_SURFACE], d[:, 1, LN_CORE_SURFACE] = -from_surface, from_core
    d[:, 2, SURFACE] += surface_core
    d[:, 2, CORE] = -surface_core
    d[:, 2, LN_SURFACE_CORE] = -off_core
    d[:, 1, HEATING], d[:, 2, HEATING] = heat_share / 3600.0, 1.0 / 3600.0
    d[:, 3, EXCESS], d[:, 3, LN_EXCESS] = -excess, paces[:, 3]
    if (x[:, RATES] >= LN_FASTEST).any():  # beyond the fastest nothing changes
        d[:, :, RATES] *= (x[:, RATES] < LN_FASTEST)[:, None]
    return paces, d


def pressure_row(x: Floats) -> tuple[Floats, Floats]:
    """Return what T0 ln(p/Z) should be, (cells,), and its derivative, (cells, SIZE)."""
    row = np.zeros_like(x)
    row[:, [WALL, SURFACE, AIR, DRIFT, FAST, EXCESS, UPTAKE]] = 1.0
    return np.einsum("ij,ij->i", row, x), row


def probe_row(x: Floats, place: Place, heat_share: Floats, gas_gain: Floats) -> tuple[Floats, Floats]:
    """Return what a thermometer there should read, K, (cells,), and its derivative, (cells, SIZE).

    heat_share: as `flow` takes it; a probe on the pot trails what it touches by its lag. gas_gain: how much
    more than the mean of the gas the place of a probe in it is warmed by the contents, (cells,).
    """
    row = np.zeros_like(x)
    row[:, OFFSETS[place]] = 1.0
    if place is Place.ROOM:
        row[:, ROOM] = 1.0
    elif place is Place.GAS:
        row[:, WALL], row[:, SURFACE], row[:, EXCESS] = 1.0, gas_gain, 1.0
    elif place is Place.WALL:
        row[:, WALL], row[:, ROOM] = 1.0 - WALL_PROBE_ROOM_SHARE, WALL_PROBE_ROOM_SHARE
    else:
        row[:, WALL], row[:, [SURFACE, CORE]] = 1.0, 0.5 * x[:, [CONTENTS_PROBE_GAIN]]
    seen = np.einsum("ij,ij->i", row, x)
    if place in _TRAILS:
        trails, lag_s = _TRAILS[place]
        paces, d = flow(x, heat_share)
        seen -= lag_s * paces[:, trails].sum(axis=1)
        row -= lag_s * d[:, trails].sum(axis=1)
    if place is Place.CONTENTS:
        row[:, CONTENTS_PROBE_GAIN] = 0.5 * (x[:, SURFACE] + x[:, CORE])
    return seen, row
