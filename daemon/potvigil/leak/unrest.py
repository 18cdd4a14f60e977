"""What moves a wall or a room outside any law of the pot: the sun, a heater close by, a door left open.

A filter with the right noise has white innovations. A thermometer whose innovations are biased for minutes
shows something the model lacks, and how far it moves what the thermometer touches in each bin (covariance
matching: Mehra, IEEE Trans. Automatic Control AC-17 (1972) 693; Myers & Tapley, AC-21 (1976) 520).
"""

from math import exp, sqrt

import numpy as np

from potvigil.leak.bins import BIN_S
from potvigil.leak.pot_model import CORE, LEFT_BEHIND, ROOM, SIZE, SURFACE, WALL, WALL_OFFSET, Floats
from potvigil.model.reading import Place
from potvigil.statistics.cusum import Cusum

# A sum of innovations beyond this is not chance: noise alone gets there once in five nights (Siegmund, as in
# statistics/cusum.py).
_THRESHOLD_SIGMAS = 8.0
_LASTS_S = 2700.0  # after unrest more may follow: clouds come and go
_MOST_SIGMAS = 4.0  # one innovation counts no more: a larger jump means a knock
_UNEVEN = 0.5  # how much more or less than half of what moves the wall the gas may see


class Unrest:
    """Of one thermometer. per_bin_k2: variance that it brings in each bin, K^2."""

    def __init__(self) -> None:
        self.per_bin_k2 = 0.0
        self._lean = Cusum(_THRESHOLD_SIGMAS)

    def see(self, innovation_k: float, variance_k2: float, *, falls: bool = True) -> None:
        """Take one more innovation, K, of which this variance was expected, K^2.

        falls: whether negative innovations are unrest too; those of the pressure may be a leak.
        """
        sigma_k = sqrt(variance_k2)
        score = min(max(innovation_k / sigma_k, -_MOST_SIGMAS), _MOST_SIGMAS)
        leans_k = (self._lean.update(score, score * sigma_k, BIN_S) or 0.0) * BIN_S
        if leans_k < 0.0 and not falls:
            leans_k = 0.0
        self.per_bin_k2 = max(leans_k**2, self.per_bin_k2 * exp(-BIN_S / _LASTS_S))


def _moves() -> dict[Place, Floats]:
    """Return the covariance of all states, by the place of the thermometer, for each K^2 of unrest.

    Heat from outside moves the wall and leaves part of the gas with the contents. How much more it moves the
    spot that the probe touches, and how much of it the gas sees, is unknown.
    """
    way = np.zeros(SIZE)
    way[WALL], way[[SURFACE, CORE]] = 1.0, -LEFT_BEHIND
    wall, room = np.outer(way, way), np.zeros((SIZE, SIZE))
    wall[WALL, WALL] += _UNEVEN**2
    wall[WALL_OFFSET, WALL_OFFSET] = 1.0
    room[ROOM, ROOM] = 1.0
    return {Place.WALL: wall, Place.ROOM: room}


MOVES = _moves()
