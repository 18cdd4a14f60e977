"""How fast a curing resin may warm the gas of its pot as the hold begins.

A quick polyurethane is warmest while the fill still settles; an epoxy releases its heat over a day. Heat that
is not expected looks like a mould that started cold, and its end like a leak.
"""

from potvigil.leak.pot_model import HEATING_SIGMA_K_PER_H, LEFT_BEHIND, Sizes
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
# How far above that mean a cure peaks that feeds on itself: da/dt = k a (1 - a), the autocatalytic term of
# Kamal & Sourour (Polymer Engineering and Science 13 (1973) 59), from 1 % reacted, gelled at 60 % (from
# memory).
PEAK_OVER_MEAN = 2.5


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
