"""The cure clock: how far the batch is, and when it may be vented."""

from potvigil.core.event import Cure
from potvigil.core.pot import Pot


def cure(pot: Pot, start_s: float, t_s: float) -> Cure:
    """Return progress (0 to 1) and end of the hold time that the settings name, counted from the fill."""
    progress = min(max((t_s - start_s) / pot.hold_s, 0.0), 1.0)
    return Cure(progress, start_s + pot.hold_s)


def gelled(pot: Pot, start_s: float, t_s: float) -> bool:
    """Say whether the resin has gelled; without a gel time in the settings, only the full hold counts."""
    return t_s - start_s >= (pot.hold_s if pot.gel_s is None else pot.gel_s)
