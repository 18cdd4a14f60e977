"""The batches of one pot one after another, each watched with what those before it taught."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from said import Combination, pot_of
from simulate import Recorded
from watched import Outcome, observe, samples_of

from potvigil.leak.known import Known
from potvigil.model.reading import Sample
from potvigil.watch.pot_watch import PotWatch

# A vent opened in the morning: the pot is empty within half a minute.
VENT_S, OPEN_S = 30.0, 300.0


def play_series(nights: Sequence[Recorded], combination: Combination) -> tuple[list[Outcome], Known | None]:
    """Watch the nights in their order, with thermometers at those places; they are of one pot.

    Return what came of each, and what was known before the last.
    """
    outcomes = []
    known: Known | None = None
    taught: Known | None = None
    for batches, night in enumerate(nights):
        known = taught
        potwatch = PotWatch(pot_of(night.night, combination), known)
        outcomes.append(observe(potwatch, night, combination, batches))
        for sample in _vented(samples_of(night, combination)[-1], night.step_s):
            potwatch.feed(sample)
        taught = potwatch.learnt()
    return outcomes, known


def _vented(last: Sample, step_s: float) -> Iterator[Sample]:
    """Yield what is read after a night while the pot is vented, and until it is surely empty."""
    for step in range(1, int(OPEN_S / step_s) + 1):
        after_s = step * step_s
        gauge_pa = (last.gauge_pa or 0.0) * max(1.0 - after_s / VENT_S, 0.0)
        yield replace(
            last,
            t_s=last.t_s + after_s,
            utc_s=None if last.utc_s is None else last.utc_s + after_s,
            gauge_pa=gauge_pa,
        )
