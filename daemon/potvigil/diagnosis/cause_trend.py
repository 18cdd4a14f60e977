"""What the leaks of several nights correlate with: pressure, cold, or time."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

TREND_SIGMAS, TREND_NIGHTS = 2.576, 8  # 1 in 100; fewer nights prove nothing


@dataclass(frozen=True, slots=True)
class Night:
    """One batch: its leak at the end, Pa/s; the coldest the seal got, K; the gauge it was held at, Pa."""

    number: int
    leak_pa_per_s: float
    coldest_k: float | None
    gauge_pa: float | None


def goes_with(pairs: Sequence[tuple[float, float]]) -> float | None:
    """Return how certainly the second rises with the first, in sigmas (below zero: falls); None for too few.

    Kendall's rank correlation, normal approximation with ties (Kendall, Rank Correlation Methods, ch. 3-4).
    """
    n = len(pairs)
    if n < TREND_NIGHTS:
        return None
    score = sum(
        _sign(second[0] - first[0]) * _sign(second[1] - first[1])
        for i, first in enumerate(pairs)
        for second in pairs[i + 1 :]
    )
    xs, ys = ([_ties(values)] for values in zip(*pairs, strict=True))
    (x_ties,), (y_ties,) = xs, ys

    def v(t: int) -> float:
        return t * (t - 1) * (2 * t + 5)

    variance = (v(n) - sum(map(v, x_ties)) - sum(map(v, y_ties))) / 18.0
    variance += (
        sum(t * (t - 1) * (t - 2) for t in x_ties)
        * sum(u * (u - 1) * (u - 2) for u in y_ties)
        / (9.0 * n * (n - 1) * (n - 2))
    )
    variance += sum(t * (t - 1) for t in x_ties) * sum(u * (u - 1) for u in y_ties) / (2.0 * n * (n - 1))
    return score / sqrt(variance) if variance > 0.0 else 0.0


def _sign(value: float) -> int:
    return (value > 0.0) - (value < 0.0)


def _ties(values: Sequence[float]) -> list[int]:
    return [count for each in set(values) if (count := list(values).count(each)) > 1]
