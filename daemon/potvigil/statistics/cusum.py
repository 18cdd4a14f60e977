"""A change in what should be white noise, by cumulative sums (Page, Biometrika 41 (1954) 100)."""

# For shifts of one sigma. With a threshold of 8 noise alone raises a two-sided alarm once in 9500 values, at
# 12 in 520,000 (Siegmund's approximation; Montgomery, Introduction to Statistical Quality Control, ch. 9).
K = 0.5


class Cusum:
    """Two-sided tabular CUSUM of normalised values; `update` returns when and how far their mean shifts."""

    def __init__(self, threshold: float) -> None:
        self._threshold = threshold
        self._up = _Side()
        self._down = _Side()

    def update(self, score: float, value: float, elapsed_s: float) -> float | None:
        """Take a value and its score (value over sigma); return its mean per second since a shift, or None.

        After a shift was reported both sums restart.
        """
        for side, towards in ((self._up, score), (self._down, -score)):
            side.add(towards, value, elapsed_s)
        larger = max(self._up, self._down, key=lambda side: side.total)
        if larger.total <= self._threshold:
            return None
        self._up, self._down = _Side(), _Side()
        return larger.value / larger.elapsed_s


class _Side:
    """One sum, and what went into it since it was last at zero."""

    __slots__ = ("elapsed_s", "total", "value")

    def __init__(self) -> None:
        self.total = self.value = self.elapsed_s = 0.0

    def add(self, score: float, value: float, elapsed_s: float) -> None:
        self.total += score - K
        if self.total <= 0.0:
            self.total = self.value = self.elapsed_s = 0.0
        else:
            self.value += value
            self.elapsed_s += elapsed_s
