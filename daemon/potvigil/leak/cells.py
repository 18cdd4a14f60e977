"""Where the bank's cells start when a hold begins: spread over the range of a pot's constants."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

import numpy as np

from potvigil.leak.pot_model import (
    CORE,
    EACH_BATCH,
    HEATING,
    LEARNT,
    LN_CORE_SURFACE,
    LN_EXCESS,
    LN_ROOM_WALL,
    LN_SURFACE_CORE,
    LN_SURFACE_WALL,
    LN_WALL_SURFACE,
    MOULD_SIGMA_K,
    START_CORE,
    START_SURFACE,
    SURFACE,
    Floats,
    Sizes,
    prior,
    start,
    usual,
)

# Cells, and how many of them have warm contents, a mould from the oven or a resin hot from its cup: by how
# many kelvin of the gas, with what spread, how much more heat than usual may come, and how likely that is
# with any mould and with a known one. With 16 cells, 4 of them warm, the hottest moulds seemed to leak.
CELLS, WARM_CELLS = 32, 12
WARM_K, WARM_SIGMA_K, WARM_HEAT = 5.0, 6.0, 4.0
WARM_SHARE, WARM_SHARE_KNOWN = 0.15, 0.05
# This part of the spread of these constants is between the cells, the rest within each.
_BETWEEN = 0.9
_SPREAD = [LN_WALL_SURFACE, LN_CORE_SURFACE, LN_SURFACE_CORE, LN_SURFACE_WALL, LN_ROOM_WALL, LN_EXCESS]
_PRIMES = (2, 3, 5, 7, 11, 13)
# A probe in the gas sees from so much to so much of how far the gas stands off the wall: warm gas rises. One
# that came to lie on the mould sees that instead, up to so much more; a quarter of the cells allow for it.
GAS_PROBE_GAINS, ON_THE_MOULD, MAY_LIE = (0.8, 1.3), 2.8, 0.25


@dataclass(frozen=True, slots=True)
class Cells:
    """x, p: states and covariance of each cell, (cells, SIZE) and (cells, SIZE, SIZE). log_weights: (cells,).

    home: what the constants of each revert to. sigma: spread between and within cells, (SIZE,).
    heat_share: of the surface in the resin's heat. gas_gain: of a probe in the gas.
    """

    x: Floats
    p: Floats
    log_weights: Floats
    home: Floats
    sigma: Floats
    heat_share: Floats
    gas_gain: Floats


def begin_cells(
    sizes: Sizes, unsure_of: Mapping[int, float], known: Mapping[str, tuple[float, float]]
) -> Cells:
    """Return the cells of a pot at the start of its hold.

    unsure_of: 1 sigma of the states that the pot's wiring and resin make uncertain. known: mean and 1 sigma
    of some of LEARNT; the others are the usual.
    """
    mean, sigma = prior(sizes)
    begin, unsure = start(sizes)
    for state, by in unsure_of.items():
        unsure[state] = by
    home_sigma = sigma.copy()
    for name, (value, spread) in {**usual(sizes), **known}.items():
        state = LEARNT[name]
        if name in EACH_BATCH:
            begin[state], unsure[state] = value, spread
        else:
            mean[state], sigma[state] = value, spread
    within = sigma.copy()
    within[_SPREAD] *= sqrt(1.0 - _BETWEEN**2)
    x = np.asarray(np.tile(mean + begin, (CELLS, 1)))
    x[:, _SPREAD] += _BETWEEN * sigma[_SPREAD] * _normal_points(CELLS)
    home = x.copy()
    p = np.asarray(np.tile(np.diag(within**2 + unsure**2), (CELLS, 1, 1)))
    is_warm = np.arange(CELLS) >= CELLS - WARM_CELLS
    is_new_mould = "core-begins" not in known
    p[is_warm, HEATING, HEATING] *= WARM_HEAT**2
    if sizes.contents_m3:
        x[is_warm, START_SURFACE : START_CORE + 1] += WARM_K
        _warm_as_one(p, np.asarray(is_warm), is_new_mould)
    x[:, SURFACE : CORE + 1] = x[:, START_SURFACE : START_CORE + 1]
    p[:, SURFACE : CORE + 1] = p[:, START_SURFACE : START_CORE + 1]
    p[:, :, SURFACE : CORE + 1] = p[:, :, START_SURFACE : START_CORE + 1]
    share = WARM_SHARE if is_new_mould else WARM_SHARE_KNOWN
    weights = np.where(is_warm, share / WARM_CELLS, (1.0 - share) / (CELLS - WARM_CELLS))
    # the resin may lie close to the surface or deep in the mould, the probe where the gas is warmest
    heat_share, at = _even(0.618, (0.0, 1.0)), _even(0.755, (0.0, 1.0))
    gas_gain = np.interp(at, (0.0, 1.0 - MAY_LIE, 1.0), (*GAS_PROBE_GAINS, ON_THE_MOULD))
    return Cells(x, p, np.log(weights), home, home_sigma, heat_share, gas_gain)


def _warm_as_one(p: Floats, is_warm: Floats, is_new_mould: bool) -> None:
    """Make a mould equally warm throughout, however warm that is."""
    usually = MOULD_SIGMA_K**2 if is_new_mould else 0.0
    shared = np.where(is_warm, WARM_SIGMA_K**2, usually)
    for state in (START_SURFACE, START_CORE):
        p[:, state, state] += shared - usually
    p[:, START_SURFACE, START_CORE] = p[:, START_CORE, START_SURFACE] = shared


def _even(step: float, within: tuple[float, float]) -> Floats:
    """Return a number for each cell, evenly spread within bounds, whatever else differs between them."""
    low, high = within
    return np.asarray(low + (high - low) * (np.arange(CELLS) * step % 1.0))


def _normal_points(n: int) -> Floats:
    """Return n points of the standard normal in six dimensions, spread evenly (Halton), (n, 6)."""
    uniform = np.array([[_radical_inverse(i + 1, base) for base in _PRIMES] for i in range(n)])
    points = np.vectorize(NormalDist().inv_cdf)(uniform)
    points -= points.mean(axis=0)
    return np.asarray(points / points.std(axis=0))


def _radical_inverse(i: int, base: int) -> float:
    share, value = 1.0, 0.0
    while i:
        share /= base
        i, digit = divmod(i, base)
        value += share * digit
    return value
