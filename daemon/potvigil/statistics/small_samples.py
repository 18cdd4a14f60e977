"""Statistics of a few values of unequal precision: mean, difference, ratio, straight line.

Each value has its standard error, and they scatter by more than that.
"""

import math
import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

from potvigil.model.events import NORMAL_95, Interval
from potvigil.statistics.straight_line import straight_line

# 0.005 psi/h in Pa/s, half of the last figure shown: two batches never agree better than that.
LEAST_SCATTER = 0.01
_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Level:
    """A mean, its variance, the scatter between the values, and its degrees of freedom."""

    mean: float
    variance: float
    scatter: float
    freedom: int

    @property
    def interval(self) -> Interval:
        half = student(0.975, self.freedom) * math.sqrt(self.variance)
        return Interval(self.mean, self.mean - half, self.mean + half)


def sigma_of(rate: Interval) -> float:
    """Return the standard error of an estimate with a 95 % interval."""
    return (rate.high - rate.low) / (2.0 * NORMAL_95)


def level(values: Sequence[float], sigmas: Sequence[float], at_least: Level | None = None) -> Level:
    """Return the mean of values that scatter by more than their standard errors say.

    at_least: of other values of the same kind; its scatter is used where these show less.
    Source: Paule & Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377; its interval is Hartung & Knapp's (2001).
    """
    variances = [sigma * sigma for sigma in sigmas]
    extra = LEAST_SCATTER**2
    for _ in range(100):
        weights = [1.0 / (variance + extra) for variance in variances]
        mean = math.fsum(map(operator.mul, weights, values)) / math.fsum(weights)
        parts = [w * (x - mean) ** 2 for w, x in zip(weights, values, strict=True)]
        surplus = math.fsum(parts) - (len(values) - 1)
        # falls ever less steeply, so Newton's steps come from below and never overshoot
        if surplus <= 1e-9 * len(values):
            break
        extra += surplus / math.fsum(map(operator.mul, weights, parts))
    freedom = int(sum(weights) ** 2 / sum(w * w for w in weights) + 1e-9) - 1
    if at_least is not None and (at_least.scatter**2 > extra or freedom < 1):
        extra, freedom = max(extra, at_least.scatter**2), at_least.freedom
        weights = [1.0 / (variance + extra) for variance in variances]
        mean = math.fsum(map(operator.mul, weights, values)) / math.fsum(weights)
    return Level(mean, 1.0 / math.fsum(weights), math.sqrt(extra), max(freedom, 1))


def difference(first: Level, second: Level) -> Interval:
    """Return second less first with its interval (Welch 1947)."""
    variance = first.variance + second.variance
    freedom = variance**2 / (first.variance**2 / first.freedom + second.variance**2 / second.freedom)
    half = student(0.975, max(int(freedom), 1)) * math.sqrt(variance)
    rise = second.mean - first.mean
    return Interval(rise, rise - half, rise + half)


@dataclass(frozen=True, slots=True)
class FittedLine:
    """A straight line through values in order; slope: from one to the next; last: its value at the last."""

    slope: Interval
    slope_variance: float
    last: float
    last_variance: float
    covariance: float
    squares: float
    student: float


def line(weights: Sequence[float], rates: Sequence[float]) -> FittedLine:
    n, numbers = len(rates), range(len(rates))
    fit = straight_line(numbers, rates, weights)
    slope = fit.slope
    left = fit.residuals(numbers, rates)
    squares = math.fsum(w * each**2 for w, each in zip(weights, left, strict=True))
    # scatter beyond the weights widens everything (Birge's ratio); less narrows nothing
    scale, ahead = max(squares / (n - 2), 1.0), n - 1 - fit.x_mean
    factor, variance = student(0.975, n - 2), scale / fit.sxx
    half = factor * math.sqrt(variance)
    return FittedLine(
        slope=Interval(slope, slope - half, slope + half),
        slope_variance=variance,
        last=fit.y_mean + slope * ahead,
        last_variance=scale / math.fsum(weights) + ahead**2 * variance,
        covariance=ahead * variance,
        squares=squares,
        student=factor,
    )


def best_step(weights: Sequence[float], rates: Sequence[float]) -> float:
    """Return the weighted squares left by the best single step, which must not be taken for a slope."""
    total = math.fsum(weights)
    mean = math.fsum(w * y for w, y in zip(weights, rates, strict=True)) / total
    squares = math.fsum(w * (y - mean) ** 2 for w, y in zip(weights, rates, strict=True))
    gain = weight = moment = 0.0
    for w, y in zip(weights[:-1], rates[:-1], strict=True):
        weight += w
        moment += w * (y - mean)
        gain = max(gain, moment**2 * total / (weight * (total - weight)))
    return squares - gain


def fieller(
    numerator: float, denominator: float, variance: float, denominator_variance: float, covariance: float,
    factor: float,
) -> Interval | None:  # fmt: skip
    """Return a ratio with the interval of `factor` standard errors, None where that is unbounded.

    It has none where the denominator may be zero. Source: Fieller, J. R. Stat. Soc. B 16 (1954) 175.
    """
    a = denominator**2 - factor**2 * denominator_variance
    if a <= 0.0:
        return None
    b = numerator * denominator - factor**2 * covariance
    c = numerator**2 - factor**2 * variance
    root = math.sqrt(max(b * b - a * c, 0.0))
    return Interval(numerator / denominator, (b - root) / a, (b + root) / a)


def same_tail(sigmas: float, freedom: int) -> float:
    """Return the limit that Student's t exceeds as rarely as a normal value exceeds so many sigma."""
    return student(_NORMAL.cdf(sigmas), freedom)


@lru_cache(maxsize=256)
def student(share: float, freedom: int) -> float:
    """Return the quantile of Student's t for a share above one half.

    Its distribution is a finite sum for whole degrees of freedom: Abramowitz & Stegun, 26.7.3 and 26.7.4.
    """
    high = 1.0
    while _student_cdf(high, freedom) < share:
        high *= 2.0
    return _falling_root(lambda t: share - _student_cdf(t, freedom), 0.0, high)


def _student_cdf(t: float, freedom: int) -> float:
    angle = math.atan(t / math.sqrt(freedom))
    square = math.cos(angle) ** 2
    term = math.cos(angle) if freedom % 2 else 1.0
    total = 0.0
    for k in range(freedom % 2 + 1, freedom, 2):
        total += term
        term *= square * k / (k + 1)
    within = math.sin(angle) * total
    if freedom % 2:
        within = 2.0 / math.pi * (angle + within)
    return 0.5 + 0.5 * within


def _falling_root(of: Callable[[float], float], low: float, high: float) -> float:
    """Return where a falling function passes zero, `low` where it is already below it there."""
    if of(low) <= 0.0:
        return low
    for _ in range(100):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if of(middle) > 0.0:
            low = middle
        else:
            high = middle
    return high
