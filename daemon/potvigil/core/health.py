"""How a pot ages: each batch's leak against those just after the seal or a valve was last seen to.

The chart is an EWMA (Roberts 1959; lambda and L of Lucas & Saccucci, Technometrics 32 (1990) 1), made for
batches that are not equally well known: each counts with its own variance. The first batches after the care
are the baseline; until it is complete each batch is judged against those before it. How far mean and scatter
of the baseline may be off is in the limits (Jones, Champ & Rigdon, Technometrics 43 (2001) 156).
All rates are falls of the corrected pressure at the end of the hold, Pa/s.
"""

import math
import operator
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from statistics import NormalDist, median

from potvigil.core.event import NORMAL_95, Interval, Verdict

LAMBDA, L = 0.2, 2.962  # false alarms once in 500 batches, a lasting shift of one sigma seen after ten
# A batch so many sigma off is told by itself; beside an EWMA 4 to 4.5 is usual (Lucas & Saccucci, section 5).
FAR = 4.5
LEAST_BATCHES, BASELINE_BATCHES = 5, 15
NOW_BATCHES = 5  # what "now" is the mean of
COMPARED_BATCHES = 3  # fewer on one side of a change say nothing of it
SLOPE_LEAST, SLOPE_MOST = 8, 100
# Deviations of the median beyond which a first batch is no part of the baseline. The usual 3 is for many
# values: of five sound ones even 8 takes one away in 1 of 100 pots, fewer with known errors.
_PUT_ASIDE = 8.0
_MAD_TO_SIGMA = 1.4826  # of a normal distribution
# 0.005 psi/h, half of the last figure shown: two batches never agree better than that.
_LEAST_SCATTER_PA_PER_S = 0.01
_NORMAL = NormalDist()


class Part(StrEnum):
    """What of the pot was seen to."""

    SEAL = "seal"
    VALVE = "valve"
    RELIEF_VALVE = "relief-valve"
    INSPECTION = "inspection"
    OTHER = "other"


# After these the pot may leak otherwise than before. An inspection changes nothing; of anything else nobody
# knows, and a baseline begun for nothing leaves the pot unjudged for five batches.
TIGHTNESS = (Part.SEAL, Part.VALVE, Part.RELIEF_VALVE)


@dataclass(frozen=True, slots=True)
class Care:
    """Care given to a pot. t_s: on the record's axis; utc_s: None where the wall clock was not known."""

    utc_s: float | None
    t_s: float
    part: Part
    text: str
    by: str


@dataclass(frozen=True, slots=True)
class BatchLeak:
    """A batch's leak at the end of its hold, t_s on the record's axis.

    rate_pa_per_s: with its 95 % interval, may be below zero; None where there was no estimate.
    """

    batch_id: int
    t_s: float
    utc_s: float | None
    rate_pa_per_s: Interval | None
    established: bool
    verdict: Verdict | None


class Side(StrEnum):
    ABOVE = "above"
    BELOW = "below"


@dataclass(slots=True, eq=False)
class Point:
    """A batch on the chart; rates in Pa/s. rate, sigma: its leak, and the standard error of that.

    value, low, high: the EWMA and its limits, None at the start.
    outside: the EWMA left its limits, a change that lasts. far: this batch alone is out of all proportion.
    is_baseline: the others are judged against it.
    """

    batch: BatchLeak
    rate: float
    sigma: float
    value: float | None = None
    low: float | None = None
    high: float | None = None
    outside: Side | None = None
    far: Side | None = None
    is_baseline: bool = False


@dataclass(frozen=True, slots=True)
class Regime:
    """The batches between two cares; cares: those it began with, none for the pot's first batches.

    batches: how many have an estimate. baseline_pa_per_s: None while they are too few.
    """

    cares: tuple[Care, ...]
    points: tuple[Point, ...]
    baseline_pa_per_s: Interval | None
    scatter_pa_per_s: float | None

    @property
    def batches(self) -> int:
        return len(self.points)

    @property
    def state(self) -> Side | None:
        """Return on which side the leak now stands outside what it was, None where on neither."""
        return self.points[-1].outside if self.points else None

    @property
    def since(self) -> Point | None:
        """Return the batch at which the EWMA went to where it now stands outside, None where it does not."""
        found = None
        for point in reversed(self.points):
            if point.outside is None or point.outside is not self.state:
                break
            found = point
        return found

    @property
    def alone(self) -> tuple[Point, ...]:
        """Return the batches far from the others on one night only, no beginning of a change that lasts."""
        following = (*self.points[1:], None)
        return tuple(
            point
            for point, after in zip(self.points, following, strict=False)
            if point.far and point.outside is None and (after is None or after.far is not point.far)
        )

    @property
    def first_out(self) -> Point | None:
        """Return the first batch out of the ordinary, lasting or not."""
        return next((point for point in self.points if point.outside or point.far), None)


@dataclass(frozen=True, slots=True)
class Growth:
    """The leak now against the baseline. ratio: None where a baseline near nothing cannot carry one."""

    baseline_pa_per_s: Interval
    now_pa_per_s: Interval
    ratio: Interval | None


@dataclass(frozen=True, slots=True)
class Pace:
    """A leak that grows steadily: by how much a batch and a month (30 days), None without a wall clock.

    bearable_in_batches: when what the batch can bear would be reached, None where there is no such figure or
    it is reached already.
    """

    per_batch_pa_per_s: Interval
    per_month_pa_per_s: float | None
    since: BatchLeak
    bearable_in_batches: Interval | None


@dataclass(frozen=True, slots=True)
class SealChange:
    """The newest change of the seal: the leak before and after, and by how much it rose (below zero: fell).

    before, after: None where fewer than COMPARED_BATCHES are known; rise: None unless both are.
    """

    care: Care
    before_pa_per_s: Interval | None
    after_pa_per_s: Interval | None
    rise_pa_per_s: Interval | None


@dataclass(frozen=True, slots=True)
class Health:
    """What is known of a pot's ageing; rates in Pa/s. Batches and cares in order of time.

    bearable_pa_per_s: the leak that takes this pot's batch just down to the floor. now: the leak of the
    newest batches. growth, pace: None unless the chart says that it grew and the figures bear it.
    """

    batches: tuple[BatchLeak, ...]
    cares: tuple[Care, ...]
    regimes: tuple[Regime, ...]
    bearable_pa_per_s: float | None
    now_pa_per_s: Interval | None
    growth: Growth | None
    pace: Pace | None
    seal_change: SealChange | None

    @property
    def regime(self) -> Regime:
        """Return the one since the newest care that may have changed the tightness."""
        return self.regimes[-1]


def health(
    batches: Iterable[BatchLeak], cares: Iterable[Care], bearable_pa_per_s: float | None = None
) -> Health:
    """Judge how a pot ages from what is known of its batches and of the care it was given."""
    in_time = tuple(sorted(batches, key=lambda batch: batch.t_s))
    given = tuple(sorted(cares, key=lambda care: care.t_s))
    regimes = tuple(_chart(begun, held) for begun, held in _divided(in_time, given))
    newest = regimes[-1]
    now = _now(newest)
    return Health(
        batches=in_time,
        cares=given,
        regimes=regimes,
        bearable_pa_per_s=bearable_pa_per_s,
        now_pa_per_s=None if now is None else now.interval,
        growth=_growth(newest, now),
        pace=_pace(newest, bearable_pa_per_s),
        seal_change=_seal_change(regimes),
    )


# -- the chart --------------------------------------------------------------------------------------


class Ewma:
    """An exponentially weighted moving average of departures from a target, with its variance.

    lam: the weight of the newest. own: the variance so far; nought gives the exact limits of a fresh start,
    sigma^2 lam/(2 - lam) those of a long one. shared: how much of the target's own error is within.
    """

    __slots__ = ("lam", "own", "shared", "value")

    def __init__(self, lam: float = LAMBDA, own: float = 0.0) -> None:
        self.lam, self.own = lam, own
        self.value = self.shared = 0.0

    def add(self, departure: float, variance: float, usual_variance: float, *, shares: bool = True) -> None:
        """Take a departure and its variance. One worse known than usual counts less, so widens nothing.

        shares: the target stays the same; else its error at this moment is within `variance`.
        """
        lam = self.lam if variance <= usual_variance else self.lam * usual_variance / variance
        self.value += lam * (departure - self.value)
        self.own = lam * lam * variance + (1.0 - lam) ** 2 * self.own
        self.shared = (lam if shares else 0.0) + (1.0 - lam) * self.shared

    def sigma(self, target_variance: float = 0.0) -> float:
        """Return its standard deviation while nothing changes."""
        return math.sqrt(self.own + self.shared**2 * target_variance)


@dataclass(frozen=True, slots=True)
class Level:
    """A mean of batches, Pa/s, its variance, the scatter between batches, and on how many it rests."""

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

    at_least: of other batches of this pot; its scatter is taken where these show less.
    Source: Paule & Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377; its interval is Hartung & Knapp's (2001).
    """
    variances = [sigma * sigma for sigma in sigmas]
    extra = _LEAST_SCATTER_PA_PER_S**2
    for _ in range(100):
        weights = [1.0 / (variance + extra) for variance in variances]
        mean = math.fsum(map(operator.mul, weights, values)) / math.fsum(weights)
        parts = [w * (x - mean) ** 2 for w, x in zip(weights, values, strict=True)]
        surplus = math.fsum(parts) - (len(values) - 1)
        # falls ever less steeply, so that Newton's steps come from below and never go too far
        if surplus <= 1e-9 * len(values):
            break
        extra += surplus / math.fsum(map(operator.mul, weights, parts))
    freedom = int(sum(weights) ** 2 / sum(w * w for w in weights) + 1e-9) - 1
    if at_least is not None and (at_least.scatter**2 > extra or freedom < 1):
        extra, freedom = max(extra, at_least.scatter**2), at_least.freedom
        weights = [1.0 / (variance + extra) for variance in variances]
        mean = math.fsum(map(operator.mul, weights, values)) / math.fsum(weights)
    return Level(mean, 1.0 / math.fsum(weights), math.sqrt(extra), max(freedom, 1))


def _chart(cares: tuple[Care, ...], batches: Iterable[BatchLeak]) -> Regime:
    """Judge the batches since a care, one after the other as they came."""
    points = [
        Point(batch, rate.value, sigma_of(rate))
        for batch in batches
        if (rate := batch.rate_pa_per_s) is not None
    ]
    count, members = _start(points)
    if not members:
        return Regime(cares, tuple(points), None, None)
    base = _level_of(members)
    usual, limit, far = _judged_by(base, members)
    ewma, last = Ewma(), points[count - 1]
    for point in points[count:]:
        variance = point.sigma**2 + base.scatter**2
        departure = point.rate - base.mean
        alone = math.sqrt(variance + base.variance)  # of this departure by itself
        before, last = last, point
        counts = True
        if abs(departure) > limit * alone:
            side = Side.ABOVE if departure > 0.0 else Side.BELOW
            point.far = side if abs(departure) > far * alone else None
            if before.outside is None:
                # one bad night never looks like a change that lasts; a second one after it does
                counts = point.far is before.far
                if point.far is None:
                    departure, counts = math.copysign(limit * alone, departure), True
        joins = len(members) < BASELINE_BATCHES and point.far is None
        if counts:
            ewma.add(departure, variance + base.variance if joins else variance, usual, shares=not joins)
        half = limit * ewma.sigma(base.variance)
        point.value, point.low, point.high = base.mean + ewma.value, base.mean - half, base.mean + half
        if abs(ewma.value) > half:
            point.outside = Side.ABOVE if ewma.value > 0.0 else Side.BELOW
        elif joins:
            point.is_baseline = True
            members.append(point)
            base = _level_of(members)
            usual, limit, far = _judged_by(base, members)
    return Regime(cares, tuple(points), base.interval, base.scatter)


def _start(points: Sequence[Point]) -> tuple[int, list[Point]]:
    """Return how many batches the chart starts with, and which of them make a baseline; none while too few.

    Median and median deviation, so that a night on which a leak broke open does not hide in the baseline
    (Hampel, J. Am. Stat. Assoc. 69 (1974) 383). Nothing is put aside that its own error explains.
    """
    for count in range(LEAST_BATCHES, len(points) + 1):
        first = points[:count]
        middle = median(point.rate for point in first)
        spread = _MAD_TO_SIGMA * median(abs(point.rate - middle) for point in first)
        usual = max(spread, median(point.sigma for point in first), _LEAST_SCATTER_PA_PER_S)
        members = [p for p in first if abs(p.rate - middle) <= _PUT_ASIDE * max(usual, p.sigma)]
        if len(members) >= LEAST_BATCHES:
            for point in first:
                point.is_baseline = point in members
                if not point.is_baseline:
                    point.far = Side.ABOVE if point.rate > middle else Side.BELOW
            return count, members
    return len(points), []


def _judged_by(base: Level, members: Sequence[Point]) -> tuple[float, float, float]:
    """Return the usual variance of a batch, and L and FAR in its sigmas.

    A batch's own error is known; the scatter between them comes from a few of them, and what it has in the
    variance gets Student's tail.
    """
    usual = median(point.sigma for point in members) ** 2 + base.scatter**2
    share = base.scatter**2 / usual
    limit, far = (
        math.sqrt((1.0 - share) * sigmas**2 + share * same_tail(sigmas, base.freedom) ** 2)
        for sigmas in (L, FAR)
    )
    return usual, limit, far


def _divided(
    batches: Sequence[BatchLeak], cares: Sequence[Care]
) -> list[tuple[tuple[Care, ...], list[BatchLeak]]]:
    """Divide the batches by the cares that may have changed the tightness."""
    divided: list[tuple[list[Care], list[BatchLeak]]] = [([], [])]
    waiting = [care for care in reversed(cares) if care.part in TIGHTNESS]
    for batch in batches:
        while waiting and waiting[-1].t_s <= batch.t_s:
            _begin(divided, waiting.pop())
        divided[-1][1].append(batch)
    while waiting:
        _begin(divided, waiting.pop())
    return [(tuple(begun), held) for begun, held in divided]


def _begin(divided: list[tuple[list[Care], list[BatchLeak]]], care: Care) -> None:
    if divided[-1][1]:
        divided.append(([], []))
    divided[-1][0].append(care)


# -- what follows from it ---------------------------------------------------------------------------


def _level_of(points: Sequence[Point], at_least: Level | None = None) -> Level:
    return level([p.rate for p in points], [p.sigma for p in points], at_least)


def _base(regime: Regime) -> Level | None:
    return (
        None if regime.baseline_pa_per_s is None else _level_of([p for p in regime.points if p.is_baseline])
    )


def _since_change(regime: Regime) -> tuple[Point, ...]:
    """Return the batches since the EWMA last stood at the baseline: when it changed (Nishina 1992)."""
    count = 0
    for point in reversed(regime.points):
        if point.value is None or point.low is None or point.high is None:
            break
        middle = 0.5 * (point.low + point.high)
        if point.value == middle or (point.value > middle) is not (regime.state is Side.ABOVE):
            break
        count += 1
    return regime.points[-count:]


def _since_step(points: Sequence[Point], base: Level | None) -> Sequence[Point]:
    """Return the batches since the likeliest step from the baseline (Hinkley, Biometrika 57 (1970) 1)."""
    if base is None:
        return points
    best = weight = moment = 0.0
    first = len(points) - 1
    for i in reversed(range(len(points))):
        own = 1.0 / (points[i].sigma ** 2 + base.scatter**2)
        weight += own
        moment += own * (points[i].rate - base.mean)
        if moment**2 / weight > best:
            best, first = moment**2 / weight, i
    return points[first:]


def _now(regime: Regime) -> Level | None:
    """Return the leak of the newest batches: of those since it changed, where it did; None of too few."""
    if regime.batches < COMPARED_BATCHES:
        return None
    last = regime.points[-1]
    newest: Sequence[Point] = regime.points
    if last.outside is not None:
        newest = _since_step(_since_change(regime), _base(regime))
    elif last.far is not None:
        newest = regime.points[-1:]  # a mean with the nights before it would be of neither
    return _level_of(newest[-NOW_BATCHES:], _base(regime))


def _growth(regime: Regime, now: Level | None) -> Growth | None:
    base = _base(regime)
    if now is None or base is None or regime.state is not Side.ABOVE:
        return None
    if _difference(base, now).low <= 0.0:
        return None
    ratio = fieller(
        now.mean, base.mean, now.variance, base.variance, 0.0, student(0.975, min(now.freedom, base.freedom))
    )
    return Growth(base.interval, now.interval, ratio)


def _difference(first: Level, second: Level) -> Interval:
    """Return second less first with its interval (Welch 1947)."""
    variance = first.variance + second.variance
    freedom = variance**2 / (first.variance**2 / first.freedom + second.variance**2 / second.freedom)
    half = student(0.975, max(int(freedom), 1)) * math.sqrt(variance)
    rise = second.mean - first.mean
    return Interval(rise, rise - half, rise + half)


def _pace(regime: Regime, bearable_pa_per_s: float | None) -> Pace | None:
    """Return how fast the leak grows since it began to, None unless the batches show a steady growth."""
    base = _base(regime)
    if base is None or regime.state is not Side.ABOVE:
        return None
    points = _since_change(regime)[-SLOPE_MOST:]
    if len(points) < SLOPE_LEAST:
        return None
    weights = [1.0 / (point.sigma**2 + base.scatter**2) for point in points]
    rates = [point.rate for point in points]
    line = _line(weights, rates)
    if line.slope.low <= 0.0 or line.squares > _best_step(weights, rates):
        return None
    first, last = points[0].batch, points[-1].batch
    month = None
    if first.utc_s is not None and last.utc_s is not None and last.utc_s > first.utc_s:
        month = line.slope.value * (len(points) - 1) * 30.0 * 86_400.0 / (last.utc_s - first.utc_s)
    ahead = None
    if bearable_pa_per_s is not None and line.last < bearable_pa_per_s:
        ahead = fieller(
            bearable_pa_per_s - line.last, line.slope.value, line.last_variance, line.slope_variance,
            -line.covariance, line.student,
        )  # fmt: skip
    return Pace(line.slope, month, first, ahead)


@dataclass(frozen=True, slots=True)
class _Line:
    """A straight line through the batches, by number; last: its value at the last of them."""

    slope: Interval
    slope_variance: float
    last: float
    last_variance: float
    covariance: float
    squares: float
    student: float


def _line(weights: Sequence[float], rates: Sequence[float]) -> _Line:
    n, total = len(rates), math.fsum(weights)
    centre = math.fsum(w * i for i, w in enumerate(weights)) / total
    mean = math.fsum(w * y for w, y in zip(weights, rates, strict=True)) / total
    sxx = math.fsum(w * (i - centre) ** 2 for i, w in enumerate(weights))
    slope = math.fsum(w * (i - centre) * y for i, (w, y) in enumerate(zip(weights, rates, strict=True))) / sxx
    squares = math.fsum(
        w * (y - mean - slope * (i - centre)) ** 2
        for i, (w, y) in enumerate(zip(weights, rates, strict=True))
    )
    # scatter beyond what the weights say widens everything (Birge's ratio), less narrows nothing
    scale, ahead = max(squares / (n - 2), 1.0), n - 1 - centre
    factor, variance = student(0.975, n - 2), scale / sxx
    half = factor * math.sqrt(variance)
    return _Line(
        slope=Interval(slope, slope - half, slope + half),
        slope_variance=variance,
        last=mean + slope * ahead,
        last_variance=scale / total + ahead**2 * variance,
        covariance=ahead * variance,
        squares=squares,
        student=factor,
    )


def _best_step(weights: Sequence[float], rates: Sequence[float]) -> float:
    """Return the weighted squares left by the best single step, which shall not be taken for a slope."""
    total = math.fsum(weights)
    mean = math.fsum(w * y for w, y in zip(weights, rates, strict=True)) / total
    squares = math.fsum(w * (y - mean) ** 2 for w, y in zip(weights, rates, strict=True))
    gain = weight = moment = 0.0
    for w, y in zip(weights[:-1], rates[:-1], strict=True):
        weight += w
        moment += w * (y - mean)
        gain = max(gain, moment**2 * total / (weight * (total - weight)))
    return squares - gain


def _seal_change(regimes: Sequence[Regime]) -> SealChange | None:
    for number in reversed(range(len(regimes))):
        seals = [care for care in regimes[number].cares if care.part is Part.SEAL]
        if seals:
            break
    else:
        return None
    before = _now(regimes[number - 1]) if number else None
    first = [p for p in regimes[number].points if p.is_baseline] or list(regimes[number].points)
    after = _level_of(first[:BASELINE_BATCHES]) if len(first) >= COMPARED_BATCHES else None
    return SealChange(
        seals[-1],
        None if before is None else before.interval,
        None if after is None else after.interval,
        None if before is None or after is None else _difference(before, after),
    )


# -- arithmetic -------------------------------------------------------------------------------------


def fieller(
    numerator: float, denominator: float, variance: float, denominator_variance: float, covariance: float,
    factor: float,
) -> Interval | None:  # fmt: skip
    """Return a ratio with the interval of `factor` standard errors, None where it has no end.

    It has none where the denominator may be nought. Source: Fieller, J. R. Stat. Soc. B 16 (1954) 175.
    """
    a = denominator**2 - factor**2 * denominator_variance
    if a <= 0.0:
        return None
    b = numerator * denominator - factor**2 * covariance
    c = numerator**2 - factor**2 * variance
    root = math.sqrt(max(b * b - a * c, 0.0))
    return Interval(numerator / denominator, (b - root) / a, (b + root) / a)


def same_tail(sigmas: float, freedom: int) -> float:
    """Return the limit as seldom passed by Student's t as so many sigma by a normal value."""
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
    """Return where a falling function passes nought, `low` where it lies below it from there on."""
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
