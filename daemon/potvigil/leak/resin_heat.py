"""How fast a curing resin may warm the gas of its pot, and how far contents are believed to be hot.

A quick polyurethane is warmest while the fill still settles; an epoxy releases its heat over a day. Heat that
is not expected looks like a mould that started cold, and its end like a leak.
"""

import numpy as np

from potvigil.leak.pot_model import HEATING, HEATING_SIGMA_K_PER_H, LEFT_BEHIND, SURFACE, Floats, Sizes
from potvigil.model.pot import Resin
from potvigil.units import SECONDS_PER_HOUR

# Heat of a full cure. Unfilled epoxies, polyesters and polyurethanes give off 200 to 450 kJ/kg, filled and
# water-based ones less (as in tests/bench/detection/kinetics.py, with its sources).
CURE_J_PER_KG = 250e3
# The usual pour where none was entered: little resin in a lot of mould.
USUAL_RESIN_SHARE, RESIN_KG_PER_M3 = 0.1, 1100.0
# Where no gel time is given: a tenth of the time under pressure, as with the resins of resins.yaml.
HOLDS_PER_GEL = 10.0
# In gel times: when most of the heat has come, and when hardly any is left.
MOSTLY_AFTER_GELS, OVER_AFTER_GELS = 2.0, 5.0
# Every model is wrong, and more so with hot contents: with the gas so far off the wall evidence counts half.
TRUSTED_K = 6.0
# How warm contents began is learnt early: as the hold's age grows e-fold they may be found so much hotter.
FOUND_HOTTER_K = 6.0


def heating_k_per_h(sizes: Sizes, resin: Resin, age_s: float = 0.0, resin_kg: float | None = None) -> float:
    """Return the rate, K/h of the gas, 1 sigma: all the heat over the time in which most of it comes.

    age_s: of the resin by its own time. resin_kg: None for as much as usual.
    """
    gel_s = resin.hold_s / HOLDS_PER_GEL if resin.gel_s is None else resin.gel_s
    if age_s > OVER_AFTER_GELS * gel_s:
        return HEATING_SIGMA_K_PER_H
    if resin_kg is None:
        resin_kg = USUAL_RESIN_SHARE * RESIN_KG_PER_M3 * sizes.contents_m3
    # the gas sees as much of the contents as of the wall
    risen_k = (1.0 - LEFT_BEHIND) * resin_kg * CURE_J_PER_KG / sizes.contents_j
    return max(risen_k * SECONDS_PER_HOUR / (MOSTLY_AFTER_GELS * gel_s), HEATING_SIGMA_K_PER_H)


class HotContents:
    """How far the contents keep the gas off the wall, at least, K: what a leak makes of them is left out.

    Only resin makes contents hotter, and that raises the pressure. A fall that the model explains by contents
    that were hot all along is more likely a leak the longer the hold has lasted.
    """

    def __init__(self) -> None:
        self.off_the_wall_k = 0.0

    def carry(self, elapsed_s: float, held_s: float, weights: Floats, x: Floats) -> None:
        """Advance. held_s: since the hold began. weights, x: of the cells, and their states."""
        heating_k_per_h = float(weights @ np.maximum(x[:, HEATING], 0.0))
        hotter_k = (heating_k_per_h / SECONDS_PER_HOUR + FOUND_HOTTER_K / held_s) * elapsed_s
        self.off_the_wall_k = min(float(weights @ np.abs(x[:, SURFACE])), self.off_the_wall_k + hotter_k)

    @property
    def trust(self) -> float:
        """How much an observation counts for one cell against another, and for a leak: 1 at rest."""
        return 1.0 / (1.0 + (self.off_the_wall_k / TRUSTED_K) ** 2)
