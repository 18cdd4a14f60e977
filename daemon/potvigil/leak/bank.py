"""A bank of Kalman filters over one pot, each with its own guess at the constants, weighted by likelihood.

The constants of a pot are states of the filter, and its laws are linearised about their present estimate
(an extended Kalman filter). That holds only near a guess, so the cells of the bank are spread over the range
of the constants: a Gaussian sum (Alspach & Sorenson, IEEE Trans. Automatic Control AC-17 (1972) 439).
Some of the cells assume a mould from the oven (leak/cells.py).
"""

from collections.abc import Callable, Mapping
from copy import deepcopy
from math import exp, hypot, sqrt

import numpy as np

from potvigil.leak.bins import BIN_S
from potvigil.leak.cells import CELLS, begin_cells
from potvigil.leak.correction import Correction, HotContents, heat_only
from potvigil.leak.pot_model import (
    AIR,
    CONSTANTS,
    DRIFT,
    EXCESS,
    FAST,
    FAST_RATE,
    FAST_S,
    GAS_OFFSET,
    HEATING,
    HEATING_SIGMA_K_PER_H,
    LAWS,
    LEARNT,
    LEFT_BEHIND,
    LN_EXCESS,
    OFFSET_S,
    OFFSETS,
    PACES,
    PROBE_SIGMA,
    RATE,
    ROOM,
    SIZE,
    SURFACE,
    T0_K,
    UNKNOWN_K,
    UPTAKE,
    UPTAKE_S,
    WALL,
    Floats,
    Sizes,
    Span,
    flow,
    pressure_row,
    probe_row,
)
from potvigil.leak.unrest import MOVES, Unrest
from potvigil.model.reading import Place
from potvigil.statistics.cusum import Cusum

# How far they wander, 1 sigma. DRIFT: 0.03 psi; the barometer's where only the altitude is known. OFFSET: K,
# besides its constant part. Random walks, K in a root hour: the weather of a heated workshop; a wall of
# several parts, of which a probe knows one: with less the bench's layered pots seem to leak.
DRIFT_K, FAST_K, OFFSET_K, BAROMETER_K = 0.12, 0.05, 0.15, 0.0015 * T0_K
ROOM_K, WALL_K = 1.2, 0.5
# Of how far the gas stands off the wall the model misses so much besides, over minutes; and of a rise that
# even a probe in the gas does not see what so many bins of it make: a slow beat of the converter, its supply.
MISSED_SHARE, RISES_BINS = 0.05, 10.0
# The cells have few gains of a probe in the gas: of what the contents add to it so much is unknown.
GAIN_SIGMA = 0.05
# What resin may do unseen, K/h; by how much its heat may change in FAST_S, as a share of itself: it ends
# within minutes; and what comes with a rise that nothing else explains.
HEATING_K, GROWTH, ONSET_OF_HEAT_K = 0.3, 2.0, 6.0
RISE_SIGMAS, RISE_ALLOWED = 4.0, 0.3  # a cumulative sum of innovations over what chance brings
# How much of what is unknown of a conductance comes back in CONSTANTS_S. Free convection goes with a power of
# the difference (Incropera, ch. 9): where the contents stand so far off the wall, all of it.
STEADY, CONVECTION_K = 0.25, 4.0
AIR_WANDER_K = 3e-5  # in a root second: keeps the level alive, 0.003 % in a day
# Neither decays as an exponential: each is uncertain by this share of its size, over its time constant.
EXCESS_SPREAD, UPTAKE_SPREAD = 0.35, 0.5
# Just after a fill the gas is stirred as no exponential describes, K, decaying in so many seconds.
STIRRED_K, STIRRED_S = 2.0, 100.0
FILL_EXCESS_K, FILL_SURFACE_K, FILL_WALL_K = 18.0, 2.0, 0.7  # left by air let in, per share of what was there
# Beyond this sum of sigmas a leak has changed suddenly: noise alone gets there once in 300 nights of bins
# (Siegmund, as in statistics/cusum.py; at 8 it did in every fifth).
SHIFT_SIGMAS = 12.0
# A seal stiffens in the cold, a gap clogs: a leak changes by 3 % in an hour, 10 % in half a night.
RATE_WANDER = 0.03
# Which of the two leak laws holds, choked (constant share) or laminar, is unknown: take the middle.
LAW_MIDDLE, LAW_SIGMA = 0.5, 0.3

_LONGEST_STEP_S = 60.0
_OUTLIER_SIGMAS = 4.0
# A sudden step spans two bins at most, one soon after the other. A third as fast is a leak, a reversal is
# another step, and across a longer gap the speed is unknown.
_STROKE_BINS, _STROKE_S = 2, 60.0


class PotBank:
    """A pot that loses no air or, as returned by `leaking`, one that loses it at a rate.

    x, p: states and covariance of each cell, (cells, SIZE) and (cells, SIZE, SIZE).
    """

    def __init__(
        self,
        sizes: Sizes,
        *,
        room_k: float = ROOM_K,
        unseen_k: float = 0.0,
        steps_k: float = 0.0,
        heating_k_per_h: float = HEATING_SIGMA_K_PER_H,
        known: Mapping[str, tuple[float, float]] | None = None,
    ) -> None:
        """Begin a hold. room_k: walk of the room; unseen_k: what moves the pressure over hours unseen, K.

        steps_k: by how much a converter's steps move it over minutes, 1 sigma. heating_k_per_h: of a resin
        that may be curing already, 1 sigma. known: mean and 1 sigma of some that LEARNT names; the others are
        any pot's.
        """
        self._room_k, self._wall_k = room_k, WALL_K * room_k / ROOM_K  # in a steady room all parts are steady
        self._drift_k = sqrt(DRIFT_K**2 + unseen_k**2)
        self._fast_k = hypot(FAST_K, steps_k)
        self._begun_s = 0.0  # since the hold started
        fast_k_per_s = self._fast_k * sqrt(3.0) / FAST_S
        unsure = {DRIFT: self._drift_k, FAST: self._fast_k, FAST_RATE: fast_k_per_s}
        if sizes.contents_m3:
            unsure[HEATING] = heating_k_per_h
        cells = begin_cells(sizes, unsure, known or {})
        self.x, self.p, self.log_weights = cells.x, cells.p, cells.log_weights
        self._home, self._sigma = cells.home, cells.sigma
        self._heat_share, self._gas_gain = cells.heat_share, cells.gas_gain
        self._weighed, self._weights = np.empty(0), np.empty(0)  # the log weights, and weights of these
        self._age_s, self._stirred_k = 0.0, STIRRED_K  # since the fill or the newest top-up
        self._hot, self._risen = HotContents(), 0.0  # sum of the innovations, in sigmas
        self._strokes, self._stepped_k = 0, 0.0  # bins of a sudden step up, negative: down; its size
        self._level_known = False
        self._shift: Cusum | None = None  # only of a leaking pot: has its leak changed suddenly?
        self._unrest = {place: Unrest() for place in MOVES}
        self._rises: Unrest | None = None  # of the pressure, once a probe in the gas would see what heats it
        self._law = 0.0  # ln of what the laminar law makes of the rate since the leak was found

    @property
    def weights(self) -> Floats:
        """How likely each cell is, (cells,)."""
        if self._weighed is not self.log_weights:  # asked ten times for each bin
            weights = np.exp(self.log_weights - self.log_weights.max())
            self._weighed, self._weights = self.log_weights, weights / weights.sum()
        return self._weights

    @property
    def rate_k_per_s(self) -> tuple[float, float]:
        """Rate of the loss, K/s, and its standard deviation."""
        weights, rates = self.weights, self.x[:, RATE]
        mean = float(weights @ rates)
        return mean, sqrt(max(float(weights @ (self.p[:, RATE, RATE] + (rates - mean) ** 2)), 0.0))

    def taught(self) -> dict[str, tuple[float, float]]:
        """Return what this hold found of the constants in LEARNT: mean and 1 sigma."""
        weights = self.weights
        found = {}
        for name, state in LEARNT.items():
            values = self.x[:, state]
            mean = float(weights @ values)
            variance = max(float(weights @ (self.p[:, state, state] + (values - mean) ** 2)), 0.0)
            found[name] = mean, sqrt(variance)
        fill = exp(self._begun_s / UPTAKE_S)  # from what is left to take up, what there was at the start
        mean, sigma = found["uptake"]
        return {**found, "uptake": (mean * fill, sigma * fill)}

    def fill_k_per_s(self) -> float:
        """Return how fast the fill's heat in gas and surface still moves the pressure, K/s: 95 % bound."""
        paces, d = flow(self.x, self._heat_share)
        surface = paces[:, 1] + LEFT_BEHIND * paces[:, 0]
        excess = np.abs(self.x[:, EXCESS]) + 1.96 * np.sqrt(np.maximum(self.p[:, EXCESS, EXCESS], 0.0))
        return float(self.weights @ (np.abs(surface) + excess * -d[:, EXCESS, EXCESS]))

    def reopen(self, rise_share: float) -> None:
        """Note that air was let in, about this share of what was there: a new level, some heat."""
        p = self.p
        p[:, AIR, AIR] += UNKNOWN_K**2
        for state, sigma in ((EXCESS, FILL_EXCESS_K), (SURFACE, FILL_SURFACE_K), (WALL, FILL_WALL_K)):
            p[:, state, state] += (sigma * rise_share) ** 2
        self._level_known = False
        self._stirred_k = max(self._stirred_now_k(), 1.25 * STIRRED_K * rise_share)
        self._age_s = 0.0

    def leaking(self, mean: Floats, second: Floats, log_weights: Floats) -> "PotBank":
        """Return a bank like this one for a pot that leaks.

        mean, second: of what the leak adds to the states of each cell; log_weights: of the cells then.
        """
        other = PotBank.__new__(PotBank)
        other.__dict__.update(self.__dict__)
        other.x, other.p, other.log_weights = self.x + mean, self.p + second, log_weights.copy()
        other._law, other._shift = 0.0, Cusum(SHIFT_SIGMAS)
        other._hot, other._unrest = deepcopy((self._hot, self._unrest))
        other._rises = None  # a slowing leak looks like a rise to it
        return other

    def learn_nothing(self) -> None:
        """Treat each cell's constants as known: the filter, and what a loss does to it, are then linear."""
        self._home = self.x.copy()
        self._sigma = np.zeros(SIZE)
        self.p[:, CONSTANTS], self.p[:, :, CONSTANTS] = 0.0, 0.0

    # -- time ------------------------------------------------------------------------------------------

    def carry(self, elapsed_s: float, traces: Floats | None = None) -> Floats:
        """Advance by so many seconds; return the traces of a loss, (cells, SIZE, any), advanced as well."""
        traces = np.zeros((len(self.x), SIZE, 0)) if traces is None else traces
        steps = int(np.ceil(elapsed_s / _LONGEST_STEP_S))
        for _ in range(steps):
            traces = self._step(elapsed_s / steps)(traces)
        return traces

    def _step(self, dt: float) -> Callable[[Floats], Floats]:
        x, p, span = self.x, self.p, Span.of(dt)
        decay, fast = span.decay, span.fast
        self._hot.carry(dt, self._begun_s + dt, self.weights, x, p)
        paces, d = flow(x, self._heat_share)
        within = d[:, :, :PACES]
        # what the states that obey a law will be, from all states as they are; the others only decay
        laws = np.zeros((CELLS, LAWS, SIZE))
        laws[:, :PACES] = dt * d + 0.5 * dt * dt * (within @ d)
        laws[:, range(PACES), range(PACES)] += 1.0
        excess = np.exp(dt * d[:, EXCESS, EXCESS])  # may be gone within a step
        laws[:, EXCESS, EXCESS], laws[:, EXCESS, LN_EXCESS] = excess, dt * excess * d[:, EXCESS, LN_EXCESS]
        laws[:, AIR, AIR], laws[:, AIR, RATE] = 1.0, -dt
        laws[:, FAST : FAST_RATE + 1, FAST : FAST_RATE + 1] = fast

        def advance(a: Floats) -> Floats:
            new = decay[:, None] * a
            new[:, :LAWS] = laws @ a
            return new

        moved = decay * x
        moved[:, CONSTANTS] += (1.0 - decay[CONSTANTS]) * self._home[:, CONSTANTS]
        moved[:, :PACES] = x[:, :PACES] + dt * paces + 0.5 * dt * dt * (within @ paces[:, :, None])[:, :, 0]
        moved[:, EXCESS] = excess * x[:, EXCESS]
        moved[:, FAST : FAST_RATE + 1] = x[:, FAST : FAST_RATE + 1] @ fast.T
        moved[:, AIR] = x[:, AIR] - dt * x[:, RATE]
        # F P F' of such an F, block by block: twice as fast as whole, and half of the cost of an estimate
        crossed = laws @ p
        lawful = crossed @ laws.transpose(0, 2, 1)
        crossed *= decay
        p *= span.decay_twice
        p[:, :LAWS], p[:, :, :LAWS] = crossed, crossed.transpose(0, 2, 1)
        p[:, :LAWS, :LAWS] = 0.5 * (lawful + lawful.transpose(0, 2, 1))
        self._let_wander(dt, span, -d[:, EXCESS, EXCESS])
        self.x = moved
        hotter_k2 = np.maximum(moved[:, SURFACE] ** 2 - x[:, SURFACE] ** 2, 0.0)
        p[:, GAS_OFFSET, GAS_OFFSET] += GAIN_SIGMA**2 * hotter_k2
        self._age_s += dt
        self._begun_s += dt
        return advance

    def _let_wander(self, dt: float, span: Span, excess_per_s: Floats) -> None:
        x, p, decay = self.x, self.p, span.decay
        noise = np.einsum("ijj->ij", p)  # the variances themselves, not a copy
        hour = dt / 3600.0
        noise[:, WALL] += self._wall_k**2 * hour
        noise[:, ROOM] += self._room_k**2 * hour
        noise[:, HEATING] += HEATING_K**2 * (1.0 - decay[HEATING] ** 2)
        noise[:, HEATING] += 2.0 * dt / FAST_S * (GROWTH * np.maximum(x[:, HEATING], 0.0)) ** 2
        noise[:, AIR] += AIR_WANDER_K**2 * dt
        noise[:, DRIFT] += self._drift_k**2 * (1.0 - decay[DRIFT] ** 2)
        noise[:, EXCESS] += (EXCESS_SPREAD * x[:, EXCESS]) ** 2 * dt * excess_per_s
        noise[:, UPTAKE] += (UPTAKE_SPREAD * x[:, UPTAKE]) ** 2 * dt / UPTAKE_S
        for offset in OFFSETS.values():
            noise[:, offset] += 2.0 * dt / OFFSET_S * OFFSET_K**2
        free = np.minimum(STEADY**2 + (x[:, SURFACE] / CONVECTION_K) ** 2, 1.0)
        noise[:, CONSTANTS] += np.outer(free, (self._sigma**2 * (1.0 - decay**2))[CONSTANTS])
        noise[:, RATE] += (RATE_WANDER * x[:, RATE]) ** 2 * hour
        for place, unrest in self._unrest.items():
            if unrest.per_bin_k2:
                p += dt / BIN_S * unrest.per_bin_k2 * MOVES[place]
        # the same for all cells: what a cell takes for noise by its own states it would not have to explain
        off_the_wall_k = float(self.weights @ np.abs(x[:, SURFACE]))
        missed_k = hypot(self._fast_k, MISSED_SHARE * off_the_wall_k)
        if self._rises is not None:
            missed_k = hypot(missed_k, sqrt(self._rises.per_bin_k2) * RISES_BINS)
        p[:, FAST : FAST_RATE + 1, FAST : FAST_RATE + 1] += missed_k**2 * span.fast_noise
        p[:, FAST, FAST] += self._stirred_now_k() ** 2 * (1.0 - span.fast[0, 0] ** 2)

    def _stirred_now_k(self) -> float:
        return self._stirred_k * exp(-self._age_s / STIRRED_S)

    def let_the_law_act(self, law_step: float) -> None:
        """Apply the change of ln of a laminar leak's rate, in part: which law the leak obeys is unknown."""
        factor = exp(LAW_MIDDLE * law_step)
        before, self._law = self._law, self._law + law_step
        self.x[:, RATE] *= factor
        self.p[:, RATE] *= factor
        self.p[:, :, RATE] *= factor
        grown = self._law**2 - before**2
        if grown > 0.0:
            self.p[:, RATE, RATE] += (LAW_SIGMA * self.x[:, RATE]) ** 2 * grown

    # -- observations ----------------------------------------------------------------------------------

    def see_probe(self, place: Place, kelvin: float, steps_k2: float = 0.0) -> Correction:
        """Take a thermometer's bin, K less what it was before the fill; steps_k2: as of `Bin`."""
        seen, row = probe_row(self.x, place, self._heat_share, self._gas_gain)
        variance = PROBE_SIGMA[place] ** 2 + steps_k2
        if place is Place.GAS:  # it trails a stirred gas
            variance += (
                0.5 * max(abs(float(self.weights @ self.x[:, EXCESS])), 1.5 * self._stirred_now_k())
            ) ** 2
        innovation = kelvin - seen
        cross, total = self._expected(row, variance)
        if place is Place.GAS and self._rises is None and self._shift is None:
            self._rises = Unrest()
        if place in self._unrest:
            self._unrest[place].see(float(self.weights @ innovation), float(self.weights @ total))
        if abs(self._standing(innovation, total)) > _OUTLIER_SIGMAS:
            # knocked, come off or put back: its offset must be found again
            offset = OFFSETS[place]
            self.p[:, offset, offset] += innovation**2
            cross, total = self._expected(row, variance)
        return self._correct(row, innovation, cross, total, of_the_air=False)

    def see_air(self, elapsed_s: float, air_k: float, variance: float) -> Correction:
        """Take a bin of the pressure, T0 ln(p/Z); elapsed_s: since the one before."""
        seen, row = pressure_row(self.x)
        if not self._level_known:
            self.x[:, AIR] += air_k - seen
            seen = np.full(CELLS, air_k)
            self._level_known = True
        innovation = air_k - seen
        cross, total = self._expected(row, variance)
        news, came_k = self._standing(innovation, total), float(self.weights @ innovation)
        way = 1 if news > 0.0 else -1
        if abs(news) <= _OUTLIER_SIGMAS:
            if came_k * self._stepped_k < -0.5 * self._stepped_k**2:  # back again: a loud reading, no step
                self.p[:, AIR, AIR] += self._stepped_k**2
                cross, total = self._expected(row, variance)
            self._strokes, self._stepped_k = 0, 0.0
        elif self._strokes * way < _STROKE_BINS and elapsed_s < _STROKE_S:
            # a sudden step out of calm is not a leak, which would go on: a seal let some air go, a blocked
            # port came free, the transducer was knocked. The level must be found again.
            self._strokes, self._stepped_k = way * (max(self._strokes * way, 0) + 1), came_k
            self.p[:, AIR, AIR] += innovation**2
            cross, total = self._expected(row, variance)
        else:
            # an outlying bin is trusted no more than its distance allows
            total = np.maximum(total, innovation**2 / _OUTLIER_SIGMAS**2)
        done = self._correct(row, innovation, cross, total, of_the_air=True)
        self._watch_for_heat(news)
        if self._rises is not None and self._age_s > STIRRED_S:
            self._rises.see(float(self.weights @ innovation), float(self.weights @ total), falls=False)
        if self._shift is not None:
            fell_k_per_s = self._shift.update(news, float(self.weights @ innovation), elapsed_s)
            if fell_k_per_s is not None:
                self.p[:, RATE, RATE] += self.x[:, RATE] ** 2 + fell_k_per_s**2
        return done

    def air_ahead(self) -> tuple[float, float]:
        """Return where T0 ln(p/Z) is expected now, K, and its standard deviation."""
        seen, row = pressure_row(self.x)
        _, variance = self._expected(row, 0.0)
        value = float(self.weights @ seen)
        return value, sqrt(max(float(self.weights @ (variance + (seen - value) ** 2)), 0.0))

    def pin_air(self, air_k: float) -> None:
        """Set T0 ln(p/Z), K, without learning anything about the pot from it."""
        seen, row = pressure_row(self.x)
        self.p[:, AIR], self.p[:, :, AIR] = 0.0, 0.0
        # the level is the pressure less everything else
        others = row.copy()
        others[:, AIR] = 0.0
        cross = np.einsum("ijk,ik->ij", self.p, others)
        self.p[:, AIR], self.p[:, :, AIR] = -cross, -cross
        self.p[:, AIR, AIR] = np.einsum("ij,ij->i", cross, others)
        self.x[:, AIR] += air_k - seen

    def _expected(self, row: Floats, variance: float) -> tuple[Floats, Floats]:
        cross = (self.p @ row[:, :, None])[:, :, 0]
        return cross, np.maximum(np.einsum("ij,ij->i", cross, row), 0.0) + variance

    def _standing(self, innovation: Floats, variance: Floats) -> float:
        """Return how far out of line a bin is, in sigmas, as the likely cells see it."""
        return float(self.weights @ (innovation / np.sqrt(variance)))

    def _correct(
        self, row: Floats, innovation: Floats, cross: Floats, variance: Floats, *, of_the_air: bool
    ) -> Correction:
        gain = cross / variance[:, None]
        root = cross / np.sqrt(variance)[:, None]
        self.p -= root[:, :, None] * root[:, None, :]
        heat_only(self.x, self.p, gain, innovation, variance)
        self.x = self.x + gain * innovation[:, None]
        trust = self._hot.trust
        self.log_weights = self.log_weights - 0.5 * trust * (innovation**2 / variance + np.log(variance))
        return Correction(row, innovation, variance, gain, of_the_air, trust)

    def _watch_for_heat(self, news: float) -> None:
        """In a shut pot only heat raises the pressure: a rise allows more heat, a fall never does."""
        if self._age_s < STIRRED_S:
            return
        self._risen = max(0.0, self._risen + news - RISE_ALLOWED)
        if self._risen > RISE_SIGMAS:
            self.p[:, HEATING, HEATING] += ONSET_OF_HEAT_K**2
            self._risen = 0.0
