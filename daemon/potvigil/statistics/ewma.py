"""The exponentially weighted moving average of a control chart (Roberts 1959), with its variance."""

import math

# Lucas & Saccucci, Technometrics 32 (1990) 1: a false alarm once in 500, a lasting shift of one sigma seen
# after ten.
LAMBDA, L = 0.2, 2.962


class Ewma:
    """An exponentially weighted moving average of departures from a target, with its variance.

    lam: the weight of the newest. own: the variance so far; zero gives the exact limits of a fresh start,
    sigma^2 lam/(2 - lam) those of a long one. shared: how much of the target's own error is included.
    """

    __slots__ = ("lam", "own", "shared", "value")

    def __init__(self, lam: float = LAMBDA, own: float = 0.0) -> None:
        self.lam, self.own = lam, own
        self.value = self.shared = 0.0

    def add(self, departure: float, variance: float, usual_variance: float, *, shares: bool = True) -> None:
        """Take a departure and its variance. A less certain one counts less, and so widens nothing.

        shares: the target stays the same; else its error at this moment is included in `variance`.
        """
        lam = self.lam if variance <= usual_variance else self.lam * usual_variance / variance
        self.value += lam * (departure - self.value)
        self.own = lam * lam * variance + (1.0 - lam) ** 2 * self.own
        self.shared = (lam if shares else 0.0) + (1.0 - lam) * self.shared

    def sigma(self, target_variance: float = 0.0) -> float:
        """Return its standard deviation while there is no change."""
        return math.sqrt(self.own + self.shared**2 * target_variance)
