"""How a pot ages: each batch's leak against those just after the last care of a seal or valve.

The chart is an EWMA (Roberts 1959; lambda and L of Lucas & Saccucci, Technometrics 32 (1990) 1), made for
batches that are not equally well known: each counts with its own variance. The first batches after the care
are the baseline; until it is complete each batch is judged against those before it. The limits include the
uncertainty of the baseline's mean and scatter (Jones, Champ & Rigdon, Technometrics 43 (2001) 156). All rates
are falls of the corrected pressure at the end of the hold, Pa/s.
"""

import math
from collections.abc import Iterable, Sequence
from statistics import median

from potvigil.model.ageing import (
    BASELINE_BATCHES,
    LEAST_BATCHES,
    BatchLeak,
    Growth,
    Health,
    Pace,
    Point,
    Regime,
    SealChange,
    Side,
)
from potvigil.model.maintenance import TIGHTNESS, Care, Part
from potvigil.statistics.ewma import Ewma, L
from potvigil.statistics.small_samples import (
    LEAST_SCATTER,
    Level,
    best_step,
    difference,
    fieller,
    level,
    line,
    same_tail,
    sigma_of,
    student,
)

# A batch so many sigma off is reported alone; with an EWMA 4 to 4.5 is usual (Lucas & Saccucci, section 5).
FAR = 4.5
NOW_BATCHES = 5  # what "now" is the mean of
COMPARED_BATCHES = 3  # fewer on one side of a change are not enough to compare
SLOPE_LEAST, SLOPE_MOST = 8, 100
# Median deviations beyond which a first batch is left out of the baseline. The usual 3 is for many
# values: of five sound ones even 8 takes one away in 1 of 100 pots, fewer with known errors.
_PUT_ASIDE = 8.0
_MAD_TO_SIGMA = 1.4826  # of a normal distribution


def health(
    batches: Iterable[BatchLeak], cares: Iterable[Care], bearable_pa_per_s: float | None = None
) -> Health:
    """Judge how a pot ages from its batches and its maintenance."""
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


def _chart(cares: tuple[Care, ...], batches: Iterable[BatchLeak]) -> Regime:
    """Judge the batches since a care, one after the other."""
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
        alone = math.sqrt(variance + base.variance)  # of this departure alone
        before, last = last, point
        counts = True
        if abs(departure) > limit * alone:
            side = Side.ABOVE if departure > 0.0 else Side.BELOW
            point.far = side if abs(departure) > far * alone else None
            if before.outside is None:
                # one bad night never looks like a lasting change; a second one after it does
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

    Median and median deviation, so that a sudden leak does not hide in the baseline
    (Hampel, J. Am. Stat. Assoc. 69 (1974) 383). A batch whose own error explains its deviation is kept.
    """
    for count in range(LEAST_BATCHES, len(points) + 1):
        first = points[:count]
        middle = median(point.rate for point in first)
        spread = _MAD_TO_SIGMA * median(abs(point.rate - middle) for point in first)
        usual = max(spread, median(point.sigma for point in first), LEAST_SCATTER)
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

    A batch's own error is known; the scatter between batches comes from a few of them, so its part of the
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


def _level_of(points: Sequence[Point], at_least: Level | None = None) -> Level:
    return level([p.rate for p in points], [p.sigma for p in points], at_least)


def _base(regime: Regime) -> Level | None:
    return (
        None if regime.baseline_pa_per_s is None else _level_of([p for p in regime.points if p.is_baseline])
    )


def _since_change(regime: Regime) -> tuple[Point, ...]:
    """Return the batches since the EWMA was last at the baseline: when it changed (Nishina 1992)."""
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
    """Return the leak of the newest batches, or of those since a change; None for too few."""
    if regime.batches < COMPARED_BATCHES:
        return None
    last = regime.points[-1]
    newest: Sequence[Point] = regime.points
    if last.outside is not None:
        newest = _since_step(_since_change(regime), _base(regime))
    elif last.far is not None:
        newest = regime.points[-1:]  # a mean with the nights before would describe neither
    return _level_of(newest[-NOW_BATCHES:], _base(regime))


def _growth(regime: Regime, now: Level | None) -> Growth | None:
    base = _base(regime)
    if now is None or base is None or regime.state is not Side.ABOVE:
        return None
    if difference(base, now).low <= 0.0:
        return None
    ratio = fieller(
        now.mean, base.mean, now.variance, base.variance, 0.0, student(0.975, min(now.freedom, base.freedom))
    )
    return Growth(base.interval, now.interval, ratio)


def _pace(regime: Regime, bearable_pa_per_s: float | None) -> Pace | None:
    """Return how fast the leak has grown since it started to, None unless it grows steadily."""
    base = _base(regime)
    if base is None or regime.state is not Side.ABOVE:
        return None
    points = _since_change(regime)[-SLOPE_MOST:]
    if len(points) < SLOPE_LEAST:
        return None
    weights = [1.0 / (point.sigma**2 + base.scatter**2) for point in points]
    rates = [point.rate for point in points]
    trend = line(weights, rates)
    if trend.slope.low <= 0.0 or trend.squares > best_step(weights, rates):
        return None
    first, last = points[0].batch, points[-1].batch
    month = None
    if first.utc_s is not None and last.utc_s is not None and last.utc_s > first.utc_s:
        month = trend.slope.value * (len(points) - 1) * 30.0 * 86_400.0 / (last.utc_s - first.utc_s)
    ahead = None
    if bearable_pa_per_s is not None and trend.last < bearable_pa_per_s:
        ahead = fieller(
            bearable_pa_per_s - trend.last, trend.slope.value, trend.last_variance, trend.slope_variance,
            -trend.covariance, trend.student,
        )  # fmt: skip
    return Pace(trend.slope, month, first, ahead)


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
        None if before is None or after is None else difference(before, after),
    )
