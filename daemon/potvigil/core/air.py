"""The amount of air in a shut pot, as pressure and thermometer together tell it: one Kalman filter.

It follows y = ln p - ln Z - ln T, the logarithm of the amount of air as far as the thermometer can say. What
makes y move without a leak has a state of its own, all in ln of the amount:

    level       the air itself
    slow        how far thermometer, transducer and barometer miss the gas; wanders over hours
    fast        the same over minutes, smoothly (it has a rate): a leak begins with a kink, weather does not
    heat        heat of the curing resin
    transient, soak, uptake
                what the fill left behind, dying away over minutes, an hour, some hours
    lag 0-2     how much of the thermometer's own movement the gas does not share (core/lag.py)
    rate        share of the air lost per second: exactly nought in a sound pot, free in a leaking one

Heat is bounded by one fact: in a shut pot only heat makes y rise, and it can give back no more than it
brought. So the heat that may be there is as much as y now stands above its lowest so far; with a probe in the
gas, which takes most of it out of y, also a share of what the probe itself stands above its lowest.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, sqrt
from operator import mul

from potvigil.core.allowance import Allowance
from potvigil.core.cusum import Cusum
from potvigil.core.event import NORMAL_95

LEVEL, SLOW, FAST, FAST_RATE, HEAT, TRANSIENT, SOAK, UPTAKE, LAG_0, LAG_1, LAG_2, RATE = range(12)
SIZE = 12
_LAGS = (LAG_0, LAG_1, LAG_2)
OF_THE_THERMOMETER = (LEVEL, SLOW, FAST, FAST_RATE, *_LAGS)  # what another one knows nothing of

# Time constants of a pot of 8 to 50 L, s: gas and quick contents, wall and mould with the room, uptake by
# silicone, resin heat leaving through the gas.
TRANSIENT_S, SOAK_S, UPTAKE_S, HEAT_S = 300.0, 2400.0, 7000.0, 4300.0
SLOW_S, FAST_S = 4 * 3600.0, 1200.0
# The first is known within a factor of two only (2 sigma of its logarithm): the gas of an empty pot has none
# but the wall to give its heat to. So what dies of a transient is as uncertain, if surely there; but none
# is larger than what a fill that doubles the air leaves after a minute, a tenth, dying as was said.
TRANSIENT_SPREAD, FILL_HEAT = 0.35, 0.1
_DYING_S = {SLOW: SLOW_S, HEAT: HEAT_S, TRANSIENT: TRANSIENT_S, SOAK: SOAK_S, UPTAKE: UPTAKE_S}
# Just after a fill the gas is stirred and its probe trails it in ways no exponential describes: 1 sigma.
STIRRED = 0.0185
UPTAKE_MEAN, UPTAKE_SIGMA = 0.0015, 0.001  # of the air: 0.1-0.3 % is common practice for silicone moulds
LEVEL_WANDER_PER_SQRT_S = 1e-7  # keeps the level alive; 0.003 % in a day
ROUNDING = 6e-5  # of a bin: a 0.0625 K thermometer step and an 0.0047 psi converter step
BAROMETER_MISS = 0.0015  # of the absolute pressure, 1 sigma, where only the altitude is known
# A rise is one of the mean over a minute (0.42 sigma of a bin) beyond 4.5 of its own sigma, and counts from
# when the fill's first heat has left.
RISE_SIGMAS, RISE_FROM_S, _RISE_MEAN = 1.9, 300.0, 0.3
# A seal stiffens in the cold, a gap clogs: a leak changes by 3 % in an hour, 10 % in half a night.
RATE_WANDER_PER_SQRT_H = 0.03
# Between the two laws of a leak, choked (constant share) and laminar, nothing is known: the middle.
LAW_MIDDLE, LAW_SIGMA = 0.5, 0.3

_OUTLIER_SIGMAS = 4.0
# A movement at one stroke lies in two bins at most, one soon after the other; what goes on so fast in a third
# is a leak, what comes back another movement; and across a longer gap nobody saw how fast it was.
_STROKE_BINS, _STROKE_S = 2, 60.0
_UNKNOWN = 1.0  # variance of a level nothing is known of, in ln


@dataclass(frozen=True, slots=True)
class Step:
    """What one step did: the transition, the observation, and what was new in it.

    decay: diagonal of the transition; fast: its block for fast and its rate, row by row; seen: row of the
    observation.
    """

    decay: Sequence[float]
    fast: tuple[float, float, float, float]
    seen: Sequence[float]
    innovation: float
    variance: float
    gains: Sequence[float]


class AirFilter:
    """A pot that loses no air, or, as `leaking` gives it, one that loses a share at a rate."""

    def __init__(self, allowance: Allowance, barometer_miss: float, holds_mould: bool = True) -> None:
        self._x = [0.0] * SIZE
        self._p = [[0.0] * SIZE for _ in range(SIZE)]
        self._decay = [1.0] * SIZE
        self._fast = (1.0, 0.0, 0.0, 1.0)
        self._elapsed_s = 0.0
        self._age_s = 0.0  # since the fill or the newest top-up
        self._stirred, self._fill_heat = STIRRED, FILL_HEAT
        self._mean: float | None = None
        self._lowest = self._coldest = 0.0
        self._risen = self._warmed = 0.0
        self._strokes = 0  # bins in a row that moved at a stroke, up; below nought: down
        self._shift: Cusum | None = None  # only of a leaking pot: has its leak changed at a stroke?
        self._law = 0.0  # ln of what the laminar law makes of the rate since the leak was found
        self.allow(allowance, barometer_miss)
        self._x[UPTAKE] = UPTAKE_MEAN if holds_mould else 0.0
        for state, sigma in (
            (TRANSIENT, allowance.transient),
            (SOAK, allowance.soak),
            (UPTAKE, UPTAKE_SIGMA if holds_mould else 0.0),
            (HEAT, allowance.heat),
        ):
            self._p[state][state] = sigma * sigma

    def allow(self, allowance: Allowance, barometer_miss: float) -> None:
        """Set how far the thermometer may miss, and forget the level and what it was about the last one."""
        self._slow_variance = allowance.slow**2 + barometer_miss**2
        self._fast_variance = allowance.fast**2
        self._heat_variance, self._heat_share = allowance.heat**2, allowance.heat_share
        self._warmed = 0.0
        self._stirred_s = allowance.stirred_s
        self._lag_means = [lag.share for lag in allowance.lags]
        x, p = self._x, self._p
        for state in OF_THE_THERMOMETER:
            x[state] = 0.0
            for other in range(SIZE):
                p[state][other] = p[other][state] = 0.0
        p[LEVEL][LEVEL] = _UNKNOWN
        p[SLOW][SLOW] = self._slow_variance
        p[FAST][FAST] = self._fast_variance
        p[FAST_RATE][FAST_RATE] = self._fast_variance * 3.0 / FAST_S**2
        for state, lag in zip(_LAGS, allowance.lags, strict=True):
            x[state] = lag.share
            p[state][state] = lag.sigma**2
        self._level_known = False
        self._mean = None

    def reopen(self, rise_share: float) -> None:
        """Say that air was let in, about this share of what was there: a new level, a small transient."""
        p = self._p
        p[LEVEL][LEVEL] += _UNKNOWN
        p[TRANSIENT][TRANSIENT] += (FILL_HEAT * rise_share) ** 2
        p[SOAK][SOAK] += (0.05 * rise_share) ** 2
        self._level_known = False
        stirred, fill_heat = self._left_of_the_fill()
        self._stirred = max(stirred, STIRRED * rise_share)
        self._fill_heat = max(fill_heat, FILL_HEAT * rise_share)
        self._age_s = 0.0
        self._mean = None

    def leaking(self, mean: Sequence[float], second: Sequence[Sequence[float]]) -> "AirFilter":
        """Return a filter like this one for a pot that leaks.

        mean, second: of what the leak, where and how fast it is thought to be, adds to the states.
        """
        other = AirFilter.__new__(AirFilter)
        other.__dict__.update(self.__dict__)
        other._x = [value + more for value, more in zip(self._x, mean, strict=True)]
        other._p = [
            [value + more for value, more in zip(row, more_row, strict=True)]
            for row, more_row in zip(self._p, second, strict=True)
        ]
        other._law = 0.0
        other._shift = Cusum()
        return other

    @property
    def rate_per_s(self) -> tuple[float, float]:
        """Share of the air lost per second, and its standard deviation."""
        return self._x[RATE], sqrt(max(self._p[RATE][RATE], 0.0))

    def transient_rate_per_s(self) -> float:
        """Return the 95 % bound on how fast the fill's remains still change y, 1/s."""
        p, x = self._p, self._x
        a, b = 1.0 / TRANSIENT_S, 1.0 / SOAK_S
        rate = a * x[TRANSIENT] + b * x[SOAK]
        variance = a * a * p[TRANSIENT][TRANSIENT] + b * b * p[SOAK][SOAK] + 2.0 * a * b * p[TRANSIENT][SOAK]
        return abs(rate) + NORMAL_95 * sqrt(max(variance, 0.0))

    def step(
        self,
        elapsed_s: float,
        y: float,
        noise_variance: float,
        log_k: float,
        movements: tuple[float, float, float],
        law_step: float,
    ) -> Step:
        """Predict over `elapsed_s` and correct by y.

        log_k: ln of the thermometer's kelvin. law_step: change of ln of a laminar leak's rate.
        """
        self._predict(elapsed_s, law_step)
        self._watch_for_heat(y, sqrt(noise_variance), log_k, movements)
        seen = (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.0, 1.0, *movements, 0.0)
        x, p = self._x, self._p
        expected = sum(map(mul, seen, x))
        if not self._level_known:
            x[LEVEL] += y - expected
            expected = y
            self._level_known = True
        innovation = y - expected
        cross = [sum(map(mul, seen, row)) for row in p]
        variance = sum(map(mul, seen, cross)) + noise_variance
        square, way = innovation * innovation, 1 if innovation > 0.0 else -1
        if square <= _OUTLIER_SIGMAS**2 * variance:
            self._strokes = 0
        elif self._strokes * way < _STROKE_BINS and elapsed_s < _STROKE_S:
            # a movement at a stroke, out of calm, is no leak, which goes on: a seal let a breath go, a
            # blocked port came free, the transducer was knocked. Where the level is now must be seen anew.
            self._strokes = way * (max(self._strokes * way, 0) + 1)
            p[LEVEL][LEVEL] += square
            cross[LEVEL] += square
            variance += square
        else:
            # one bin out of line is not believed more than its distance allows
            variance = square / _OUTLIER_SIGMAS**2
        gains = [value / variance for value in cross]
        for i, gain in enumerate(gains):
            if gain:
                x[i] += gain * innovation
                p[i] = [value - gain * other for value, other in zip(p[i], cross, strict=True)]
        if self._shift is not None:
            fell_per_s = self._shift.update(innovation / sqrt(variance), innovation, elapsed_s)
            if fell_per_s is not None:
                p[RATE][RATE] += x[RATE] ** 2 + fell_per_s**2
        return Step(self._decay, self._fast, seen, innovation, variance, gains)

    def _predict(self, elapsed_s: float, law_step: float) -> None:
        x, p, decay = self._x, self._p, self._decay
        if elapsed_s != self._elapsed_s:
            self._elapsed_s = elapsed_s
            self._decay = decay = [1.0] * SIZE
            for state, constant_s in _DYING_S.items():
                decay[state] = exp(-elapsed_s / constant_s)
            # Matern 3/2: a process whose rate is continuous, exactly discretised
            pace = sqrt(3.0) / FAST_S
            fade, turn = exp(-pace * elapsed_s), pace * elapsed_s
            self._fast = (fade * (1.0 + turn), fade * elapsed_s, -fade * pace * turn, fade * (1.0 - turn))
        a, b, c, d = self._fast
        leaking = self._shift is not None
        if leaking:
            self._let_the_law_act(law_step)
            x[LEVEL] -= elapsed_s * x[RATE]
            p[LEVEL] = [value - elapsed_s * other for value, other in zip(p[LEVEL], p[RATE], strict=True)]
        x[FAST], x[FAST_RATE] = a * x[FAST] + b * x[FAST_RATE], c * x[FAST] + d * x[FAST_RATE]
        first, second = p[FAST], p[FAST_RATE]
        p[FAST] = [a * value + b * other for value, other in zip(first, second, strict=True)]
        p[FAST_RATE] = [c * value + d * other for value, other in zip(first, second, strict=True)]
        for i, factor in enumerate(decay):
            x[i] *= factor
            row = [value * factor * other for value, other in zip(p[i], decay, strict=True)]
            row[FAST], row[FAST_RATE] = (
                a * row[FAST] + b * row[FAST_RATE],
                c * row[FAST] + d * row[FAST_RATE],
            )
            if leaking:
                row[LEVEL] -= elapsed_s * row[RATE]
            p[i] = row
        self._let_wander(elapsed_s)

    def _let_wander(self, elapsed_s: float) -> None:
        p, decay = self._p, self._decay
        a, b, c, d = self._fast
        # as it was when the step began, so that a gap hides nothing
        stirred, most = self._left_of_the_fill()
        self._age_s += elapsed_s
        fast, fast_rate = self._fast_variance, self._fast_variance * 3.0 / FAST_S**2
        p[FAST][FAST] += fast - a * a * fast - b * b * fast_rate + stirred * stirred * (1.0 - a * a)
        p[FAST][FAST_RATE] -= a * c * fast + b * d * fast_rate
        p[FAST_RATE][FAST] -= a * c * fast + b * d * fast_rate
        p[FAST_RATE][FAST_RATE] += fast_rate - c * c * fast - d * d * fast_rate
        p[SLOW][SLOW] += self._slow_variance * (1.0 - decay[SLOW] ** 2)
        surely = min(max(self._x[TRANSIENT] ** 2 - p[TRANSIENT][TRANSIENT], 0.0), most * most)
        died = elapsed_s / TRANSIENT_S
        p[TRANSIENT][TRANSIENT] += TRANSIENT_SPREAD**2 * surely * died * max(1.0, died)
        heat = self._heat_variance + self._risen**2 + (self._heat_share * self._warmed) ** 2
        p[HEAT][HEAT] += heat * (1.0 - decay[HEAT] ** 2)
        p[LEVEL][LEVEL] += LEVEL_WANDER_PER_SQRT_S**2 * elapsed_s
        rate = self._x[RATE]
        p[RATE][RATE] += (RATE_WANDER_PER_SQRT_H * rate) ** 2 * elapsed_s / 3600.0

    def _left_of_the_fill(self) -> tuple[float, float]:
        """Return how far the gas is still stirred, and how large the transient may still be."""
        stirred = self._stirred * exp(-self._age_s / self._stirred_s)
        return stirred, self._fill_heat * exp(-self._age_s / TRANSIENT_S)

    def _let_the_law_act(self, law_step: float) -> None:
        factor = exp(LAW_MIDDLE * law_step)
        before, self._law = self._law, self._law + law_step
        x, p = self._x, self._p
        x[RATE] *= factor
        p[RATE] = [value * factor for value in p[RATE]]
        for row in p:
            row[RATE] *= factor
        grown = self._law**2 - before**2
        if grown > 0.0:
            p[RATE][RATE] += (LAW_SIGMA * x[RATE]) ** 2 * grown

    def _watch_for_heat(
        self, y: float, noise: float, log_k: float, movements: tuple[float, float, float]
    ) -> None:
        y -= sum(map(mul, self._lag_means, movements))
        begins = self._mean is None
        self._mean = y if self._mean is None else self._mean + _RISE_MEAN * (y - self._mean)
        if begins or self._age_s <= RISE_FROM_S:  # after a top-up: what had risen before is still there
            self._lowest, self._coldest = self._mean - self._risen, log_k - self._warmed
            return
        self._lowest, self._coldest = min(self._lowest, self._mean), min(self._coldest, log_k)
        self._risen = max(self._mean - self._lowest - RISE_SIGMAS * noise, 0.0)
        self._warmed = log_k - self._coldest
