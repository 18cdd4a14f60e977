"""The least-squares line that every fit of one starts from."""

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StraightLine:
    """y = y_mean + slope (x - x_mean). sxx: weighted squares of x about its mean."""

    x_mean: float
    y_mean: float
    slope: float
    sxx: float

    def residuals(self, xs: Sequence[float], ys: Sequence[float]) -> tuple[float, ...]:
        """Return the line less each y."""
        return tuple(self.y_mean + self.slope * (x - self.x_mean) - y for x, y in zip(xs, ys, strict=True))


def straight_line(xs: Sequence[float], ys: Sequence[float], weights: Sequence[float]) -> StraightLine:
    """Fit a line; at least two different xs, weights above 0."""
    total = math.fsum(weights)
    x_mean = math.fsum(w * x for w, x in zip(weights, xs, strict=True)) / total
    y_mean = math.fsum(w * y for w, y in zip(weights, ys, strict=True)) / total
    sxx = math.fsum(w * (x - x_mean) ** 2 for w, x in zip(weights, xs, strict=True))
    sxy = math.fsum(w * (x - x_mean) * (y - y_mean) for w, x, y in zip(weights, xs, ys, strict=True))
    return StraightLine(x_mean, y_mean, sxy / sxx, sxx)
