"""The curing resin of many nights: its heat, cell by cell, by the law of kinetics.py."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from draw import NO_RESIN, DrawnNight
from kinetics import NO_CURE, Kinetics, in_the_cup, kinetics_of, resins, stacked
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Cure:
    """Degrees of cure alpha (n, cells), each cell with an equal share of the resin unless shares say else.

    resin_j_per_k (n): heat capacity of the resin. heat_j (n): of the full cure. warmed_k (n): by how much it
    is warmer than the mould, having stood in the cup in the room until the night begins.
    """

    def __init__(
        self, nights: Sequence[DrawnNight], room_k: Floats, cells: int, shares: Floats | None = None
    ) -> None:
        self._kinetics: Kinetics = stacked([_kinetics(night) for night in nights])
        contents = [night.contents for night in nights]
        capacities = [
            0.0 if each.resin == NO_RESIN else resins()[each.resin].family.j_per_kg_k for each in contents
        ]
        per_kg = np.array(capacities)
        self.resin_j_per_k = np.array([each.resin_kg for each in contents]) * per_kg
        self.heat_j = np.array([each.resin_kg * each.heat_j_per_kg for each in contents])
        self._mixed_at_s = np.array([each.mixed_at_s for each in contents])[:, None]
        self._shares = np.full((len(nights), cells), 1.0 / cells) if shares is None else shares
        rise_k = np.divide(
            self.heat_j, self.resin_j_per_k, out=np.zeros_like(room_k), where=self.heat_j > 0.0
        )
        standing_s = np.maximum(-self._mixed_at_s, 0.0)
        mould_warmer_k = np.array([each.warmer_k for each in contents])
        alpha, warmed_k = in_the_cup(self._kinetics, rise_k[:, None], standing_s, room_k[:, None])
        self.alpha = np.repeat(alpha, cells, axis=1)
        self.warmed_k = warmed_k[:, 0] - np.where(self.heat_j > 0.0, mould_warmer_k, 0.0)

    def step(self, t_s: float, step_s: float, resin_k: Floats) -> Floats:
        """Cure for a step at these temperatures, K; return the heat of each cell, J."""
        later = self._kinetics.after(self.alpha, resin_k, step_s)
        later = np.where(self._mixed_at_s <= t_s, later, self.alpha)
        heat: Floats = (later - self.alpha) * self._shares * self.heat_j[:, None]
        self.alpha = later
        return heat


def _kinetics(night: DrawnNight) -> Kinetics:
    contents = night.contents
    if contents.resin == NO_RESIN:
        return NO_CURE
    usual = kinetics_of(contents.resin)
    return replace(usual, k1=usual.k1 * contents.quicker, k2=usual.k2 * contents.quicker)
