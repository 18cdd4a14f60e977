"""The effect of one observation on the cells of a bank, and how much it counts as evidence."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from potvigil.leak.pot_model import HEATING, SURFACE, Floats
from potvigil.units import SECONDS_PER_HOUR

# Every model is wrong, and more so with hot contents: with the gas so far off the wall evidence counts half.
TRUSTED_K = 6.0
# How warm contents began is learnt early: as the hold's age grows e-fold they may be found so much hotter.
FOUND_HOTTER_K = 6.0


@dataclass(frozen=True, slots=True)
class Correction:
    """One observation, by cell: its row, innovation, variance of that, gain.

    of_the_air: a loss of air shows in it. trust: how much it counts as evidence, at most 1.
    """

    row: Floats
    innovation: Floats
    variance: Floats
    gain: Floats
    of_the_air: bool
    trust: float


def heat_only(x: Floats, p: Floats, gain: Floats, innovation: Floats, variance: Floats) -> None:
    """Keep a correction from making heating negative: a resin gives heat and takes none.

    One that would is projected back to no heat (Simon & Chia, IEEE Trans. Aerospace and Electronic Systems 38
    (2002) 128): a gain that is not the best one, its covariance by Joseph's form. So a leak cannot pass for a
    resin that cools. x, p: of the cells, before the gain and after it; changes gain and p.
    """
    step, least = gain[:, HEATING] * innovation, np.minimum(-x[:, HEATING], 0.0)
    too_far = step < least
    if not too_far.any():
        return
    back = p[:, :, HEATING] / np.maximum(p[:, HEATING, HEATING], 1e-12)[:, None]
    back *= np.where(too_far, gain[:, HEATING] - least / np.where(too_far, innovation, 1.0), 0.0)[:, None]
    gain -= back
    back *= np.sqrt(variance)[:, None]
    p += back[:, :, None] * back[:, None, :]


class HotContents:
    """How far the contents may keep the gas off the wall, K, less what a leak makes of them.

    Only resin makes contents hotter, and that raises the pressure. A fall that the model explains by contents
    that were hot all along is more likely a leak the longer the hold has lasted.
    """

    def __init__(self) -> None:
        self.off_the_wall_k = 0.0

    def carry(self, elapsed_s: float, held_s: float, weights: Floats, x: Floats, p: Floats) -> None:
        """Advance. held_s: since the hold began. weights, x, p: of the cells, as in `PotBank`."""
        heating_k_per_h = float(weights @ np.maximum(x[:, HEATING], 0.0))
        hotter_k = (heating_k_per_h / SECONDS_PER_HOUR + FOUND_HOTTER_K / held_s) * elapsed_s
        seems_k = sqrt(float(weights @ (x[:, SURFACE] ** 2 + p[:, SURFACE, SURFACE])))
        self.off_the_wall_k = min(seems_k, self.off_the_wall_k + hotter_k)

    @property
    def trust(self) -> float:
        """How much an observation counts for one cell against another, and for a leak: 1 at rest."""
        return 1.0 / (1.0 + (self.off_the_wall_k / TRUSTED_K) ** 2)
