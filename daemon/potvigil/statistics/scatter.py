"""The scatter of single readings, told from second differences: they are blind to a steady rise or fall."""

from math import sqrt

_MEMORY, _FIRST = 200, 20  # readings


class Scatter:
    """`sigma_pa`: 1 sigma of one reading of those added, 0 before there are three."""

    def __init__(self) -> None:
        self._last: list[float] = []
        self._square, self._n = 0.0, 0

    @property
    def sigma_pa(self) -> float:
        return sqrt(self._square)

    def add(self, pa: float) -> None:
        self._last.append(pa)
        if len(self._last) < 3:
            return
        first, second, third = self._last
        del self._last[0]
        # of readings that scatter by s a second difference scatters by s sqrt(6); a spike counts little
        square = (first - 2.0 * second + third) ** 2 / 6.0
        if self._n >= _FIRST:
            square = min(square, 9.0 * self._square + 1.0)
        self._n = min(self._n + 1, _MEMORY)
        self._square += (square - self._square) / self._n
