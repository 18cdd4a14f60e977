"""Two limits: how soon a leak could be told by a test that knows all, or most, but whether there is one.

A bound, not a detector: nobody can build it. It is told the onset, the size of the leak, the level before it
and the noise, and knows the temperature of the gas, the barometer and the drift of the transducer perfectly.
What is left is a ramp in white noise:

    y_k = r k dt + e_k,  k = 1 .. n,  e_k ~ N(0, sigma^2)

By the lemma of Neyman and Pearson (1933) the matched filter is the best test after n readings. It passes
z sigma with power Phi(d - z), d^2 = sum (r k dt)^2 / sigma^2 = (r dt / sigma)^2 n (n + 1) (2 n + 1) / 6
(Kay, Detection Theory, 1998, ch. 4; from memory). Watching all the time is no better: "it has cried by
reading n" is itself a test on n readings, so of all rules with a false alarm in no more than Phi(-z) of the
nights none has cried by then with more power. A rule that is allowed more false alarms has a sooner limit.

The second limit (`bound_min`) is of a test that knows the pot's constants, the resin's heat, the room and the
noise, but neither the level nor how the transducer wanders, nor how warm the contents were at the beginning:

    pressure:      y(t) = c + r t + b h(t) + w(t) + e(t)
    thermometers:  y_i(t) = o_i + b h_i(t) + e_i(t)

c is free, w an Ornstein-Uhlenbeck process, h what contents warmer by 1 sigma do to each, b a standard normal,
o_i an offset. With all readings as one vector, its covariance S = h h' + S_w + S_o + S_e, s the trace of a
leak of that rate in it and u that of the level,

    d^2 = s' S^-1 s - (s' S^-1 u)^2 / (u' S^-1 u)

r^2 / d^2 is the Cramer-Rao bound of the variance of r (Kay, Estimation Theory, 1993, ch. 3), and as before no
rule has more power than Phi(d - z).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf, sqrt
from statistics import NormalDist

import numpy as np
from draw import LUMPS, WORKING_PA, DrawnNight
from numpy.typing import NDArray
from recorded import PROBE_STEP_K
from scipy.linalg import cholesky, solve_triangular

from potvigil.model.reading import Place
from potvigil.sim.pot_parts import PotParameters
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR, SECONDS_PER_MINUTE, STANDARD_ATMOSPHERE_PA

Floats = NDArray[np.float64]

CREEP_S = 3 * 3600.0  # how long the transducer's wandering lasts: recorded.py
# How well it is known how warm the contents begin, 1 sigma: in a first batch, by a pot's habits (draw.py).
# What is drawn has longer tails than a normal distribution, which makes the bound earlier, not wrong.
CONTENTS_K, CONTENTS_LEARNT_K = 3.0, 1.0
OFFSET_K = 0.25  # of a thermometer, 1 sigma, as drawn
ONE_IN_1000 = 3.09
BIN_S, LONGEST_S = 30.0, 6 * 3600.0
BINS_S: Floats = np.arange(0.5 * BIN_S, LONGEST_S, BIN_S)  # middles, from the onset
_FULL_PA = WORKING_PA + STANDARD_ATMOSPHERE_PA


def reading_noise_pa(noise_pa: float, averaged: int, step_pa: float) -> float:
    """Return sigma of a reading, Pa: the mean of so many conversions with white noise, rounded to a step."""
    return sqrt(noise_pa**2 / averaged + step_pa**2 / 12.0)


def delay_min(
    rate_psi_per_h: float, sigma_pa: float, step_s: float, *, sigmas: float = 5.0, power: float = 0.5
) -> float:
    """Return the minutes from the onset to the first reading where the test passes `sigmas` with that power.

    sigma_pa: of one reading, each step_s. sigmas: 5 stands for a false alarm in 3e-7 of the nights, 3.09 for
    one in 1000. power: of the nights with such a leak, the share that is seen by then; 0.5 for the median.
    """
    wanted = sigmas + NormalDist().inv_cdf(power)
    ramp_pa = rate_psi_per_h * PA_PER_PSI / SECONDS_PER_HOUR * step_s
    if ramp_pa <= 0.0 or wanted <= 0.0:
        raise ValueError(f"no limit for {rate_psi_per_h} psi/h at {sigmas} sigma and power {power}")
    squares = (wanted * sigma_pa / ramp_pa) ** 2
    # n^3 / 3 < 1 + 4 + .. + n^2 < (n + 1)^3 / 3: the cube root is the number of readings or one too many
    readings = max(ceil((3.0 * squares) ** (1.0 / 3.0)), 1)
    if readings > 1 and _sum_of_squares(readings - 1) >= squares:
        readings -= 1
    return readings * step_s / SECONDS_PER_MINUTE


def _sum_of_squares(n: int) -> float:
    return n * (n + 1) * (2 * n + 1) / 6.0


@dataclass(frozen=True)
class Row:
    """What one sensor reads at BINS_S, in its own unit.

    white: noise of a bin's mean, offset: constant, wander: an Ornstein-Uhlenbeck process, 1 sigma each.
    left: h above.
    """

    white: float
    offset: float = 0.0
    wander: float = 0.0
    wander_s: float = CREEP_S
    left: float | Floats = 0.0

    def covariance(self) -> Floats:
        """Return it without h, which is common to all rows."""
        apart_s = np.abs(BINS_S[:, None] - BINS_S)
        slow: Floats = self.offset**2 + self.wander**2 * np.exp(-apart_s / self.wander_s)
        return slow + self.white**2 * np.eye(len(BINS_S))


def bound_min(
    rate_psi_per_h: float,
    pressure: Row,
    thermometers: Sequence[Row] = (),
    *,
    sigmas: float = ONE_IN_1000,
    power: float = 0.5,
) -> float:
    """Return the minutes until the second test passes, at most half a minute early; inf: not in LONGEST_S."""
    rows = [pressure, *thermometers]
    bins, many = len(BINS_S), len(rows)
    covariance = np.zeros((bins, many, bins, many))
    seen, left = np.zeros((2, bins, many)), np.zeros((bins, many))
    for at, row in enumerate(rows):
        covariance[:, at, :, at] = row.covariance()
        left[:, at] = row.left
    seen[0, :, 0] = rate_psi_per_h * PA_PER_PSI / SECONDS_PER_HOUR * BINS_S
    seen[1, :, 0] = 1.0
    whole = covariance.reshape(bins * many, -1) + np.outer(left, left)
    # in the order of time the first rows of the factor are those of a shorter watch: one serves every delay
    white = solve_triangular(cholesky(whole, lower=True), seen.reshape(2, -1).T, lower=True)
    leak, level = white.T.reshape(2, bins, many)
    squares = _so_far(leak * leak) - _so_far(leak * level) ** 2 / _so_far(level * level)
    told = np.flatnonzero(squares >= (sigmas + NormalDist().inv_cdf(power)) ** 2)
    return float(told[0] * BIN_S / SECONDS_PER_MINUTE) if len(told) else inf


def _so_far(values: Floats) -> Floats:
    sums: Floats = np.cumsum(values.sum(axis=1))
    return sums


def pot_bound_min(
    night: DrawnNight,
    combination: Sequence[Place],
    rate_psi_per_h: float,
    sigma_pa: float,
    step_s: float,
    contents_sigma_k: float,
) -> float | None:
    """Return the second limit for a drawn pot, None where it is not known how its contents cool.

    sigma_pa: of one reading, each step_s. Only of lumps is that known; elsewhere a test with a probe in the
    gas is taken to know the gas itself. Draughts, lags, what is not known of the resin's heat, and steps of
    the probes that do not average out are left out, which makes the bound earlier, not wrong.
    """
    fewer = sqrt(step_s / BIN_S)
    pressure = Row(sigma_pa * fewer, wander=night.sensing.creep_pa)
    if night.simulator != LUMPS:
        return bound_min(rate_psi_per_h, pressure) if Place.GAS in combination else None
    warmer_k = {place: contents_sigma_k * each for place, each in cooling(night.parameters).items()}
    probe_k = PROBE_STEP_K / sqrt(12.0) * fewer
    seen = [place for place in combination if place is not Place.ROOM]
    thermometers = [Row(probe_k, OFFSET_K, left=warmer_k[place]) for place in seen]
    pressure = replace(pressure, left=_FULL_PA / 293.15 * warmer_k[Place.GAS])
    return bound_min(rate_psi_per_h, pressure, thermometers)


def cooling(pot: PotParameters) -> dict[Place, Floats]:
    """Return how much warmer gas, wall and contents are at BINS_S for contents that began a kelvin warmer."""
    share = pot.gas_wall_w_per_k / (pot.gas_wall_w_per_k + pot.gas_contents_w_per_k)
    through = share * pot.gas_contents_w_per_k
    out, into = through / pot.contents_j_per_k, through / pot.wall_j_per_k
    away = pot.wall_room_w_per_k / pot.wall_j_per_k
    paces, modes = np.linalg.eig(np.array([[-into - away, into], [out, -out]]))
    parts = np.linalg.solve(modes, [0.0, 1.0])
    wall_k, contents_k = (modes * parts) @ np.exp(np.outer(paces, BINS_S))
    gas_k = share * wall_k + (1.0 - share) * contents_k
    return {Place.GAS: gas_k, Place.WALL: wall_k, Place.CONTENTS: contents_k}
