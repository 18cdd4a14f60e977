"""A pot's ageing: batches on a chart, regimes between cares, growth. Rates in Pa/s."""

from dataclasses import dataclass
from enum import StrEnum

from potvigil.model.events import Interval, Verdict
from potvigil.model.maintenance import Care

LEAST_BATCHES, BASELINE_BATCHES = 5, 15


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
    outside: the EWMA left its limits, a lasting change. far: this batch alone is far off.
    is_baseline: one of those the others are judged against.
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
    """The batches between two cares; cares: those it started with, none for the pot's first batches.

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
        """Return on which side the leak is now outside its limits, None where it is within."""
        return self.points[-1].outside if self.points else None

    @property
    def since(self) -> Point | None:
        """Return the batch at which the EWMA left its limits, None where it is within."""
        found = None
        for point in reversed(self.points):
            if point.outside is None or point.outside is not self.state:
                break
            found = point
        return found

    @property
    def alone(self) -> tuple[Point, ...]:
        """Return the batches far from the others on one night only, not the start of a lasting change."""
        following = (*self.points[1:], None)
        return tuple(
            point
            for point, after in zip(self.points, following, strict=False)
            if point.far and point.outside is None and (after is None or after.far is not point.far)
        )

    @property
    def first_out(self) -> Point | None:
        """Return the first unusual batch, lasting or not."""
        return next((point for point in self.points if point.outside or point.far), None)


@dataclass(frozen=True, slots=True)
class Growth:
    """The leak now against the baseline. ratio: None where the baseline is too near zero for one."""

    baseline_pa_per_s: Interval
    now_pa_per_s: Interval
    ratio: Interval | None


@dataclass(frozen=True, slots=True)
class Pace:
    """A steadily growing leak: growth per batch and per month (30 days), None without a wall clock.

    bearable_in_batches: until the leak that a batch can bear, None where there is no such figure or it is
    already reached.
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
        """Return the regime since the newest care that may have changed the tightness."""
        return self.regimes[-1]
