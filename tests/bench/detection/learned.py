"""The batches of one pot one after another, each watched with what those before it taught."""

from collections.abc import Sequence
from typing import Any

from said import BY, Combination, pot_of
from simulate import Recorded
from watched import Outcome, observe

from potvigil.core.event import Action, Command
from potvigil.core.watch import PotWatch


def play_series(nights: Sequence[Recorded], combination: Combination) -> list[Outcome]:
    """Watch the nights in their order, with thermometers at those places; they are of one pot."""
    outcomes = []
    known: Any = None
    for batches, night in enumerate(nights):
        pot = pot_of(night.night, combination)

        # THE ONE PLACE where what was learnt goes from one batch to the next. None: nothing to be learnt from
        # this batch, what was known before stays known.
        potwatch = PotWatch(pot) if known is None else PotWatch(pot, known=known)
        outcomes.append(observe(potwatch, night, combination, batches))
        potwatch.handle(Command(Action.CLOSE, float(night.t_s[-1]), by=BY))
        known = potwatch.learnt() or known

    return outcomes


def can_learn() -> bool:
    """Say whether the watch in the work tree learns at all."""
    return hasattr(PotWatch, "learnt")
