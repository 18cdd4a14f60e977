"""When the resin of a batch gelled, by the record."""

from collections.abc import Sequence
from itertools import pairwise

from potvigil.model.pot import Resin
from potvigil.record.rows import TraceRow


def gelled_s(resin: Resin, traces: Sequence[TraceRow]) -> float | None:
    """Return when the cure clock passed the gel age, interpolated between two traces, else None."""
    if resin.gel_s is None:
        return None
    share = resin.gel_s / resin.hold_s
    known = [(each.t_s, each.cure_progress) for each in traces if each.cure_progress is not None]
    for (before_s, before), (t_s, progress) in pairwise(known):
        if before < share <= progress:
            return before_s + (t_s - before_s) * (share - before) / (progress - before)
    return None
