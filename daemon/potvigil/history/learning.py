"""What the batches of a pot taught: from the record to the watch of the next batch, and back.

A batch is watched with what was known when it started, however often it is replayed: that of the newest batch
before it, less what was changed since. Rehearsed and replayed batches teach only their own kind.
"""

import logging
from typing import Protocol

from potvigil.history.forgetting import forgotten
from potvigil.leak.estimator import sizes_of
from potvigil.leak.known import FLOOR, MOST_SIGMAS, Known
from potvigil.leak.pot_model import usual
from potvigil.model.batch_details import is_same_mould
from potvigil.model.events import BatchOpened, Detail, EditEvent, Event
from potvigil.model.pot import Pot
from potvigil.record.codec import found_from_text
from potvigil.record.errors import RecordError
from potvigil.record.rows import TaughtRow
from potvigil.record.store import Store

# If the newest row is unreadable, one of so many before it is used.
_LOOKED_AT = 5

_log = logging.getLogger("potvigil")


class Learner(Protocol):
    """The watch that learns and teaches."""

    @property
    def takes_word(self) -> bool: ...

    def know(self, known: Known | None) -> None: ...

    def taught(self) -> Known | None: ...


class Past:
    """What a pot's batches taught, for one watch: `hear` its events, and `keep` what a batch taught it."""

    def __init__(self, store: Store, pot: Pot, watch: Learner, *, rehearsed: bool) -> None:
        """Begin. rehearsed: the watch's batches are rehearsed or replayed ones."""
        self._store, self._pot, self._watch, self._rehearsed = store, pot, watch, rehearsed
        self._opened_s = 0.0

    def hear(self, batch_id: int | None, event: Event) -> None:
        """Take an event of a batch; where it affects what is known, pass that to the watch."""
        mould = ""  # unknown yet; somebody or the last batch names it before the hold starts
        if isinstance(event, BatchOpened):
            self._opened_s = event.t_s
        elif isinstance(event, EditEvent) and event.field is Detail.MOULD and self._watch.takes_word:
            mould = event.new
        else:
            return
        if batch_id is not None:
            self._watch.know(self._before(batch_id, mould))

    def keep(self, batch_id: int) -> None:
        """Write what the batch just closed taught, if anything."""
        taught = self._watch.taught()
        if taught is not None:
            self._store.add_taught(batch_id, taught.batches, taught.found)

    def _before(self, batch_id: int, mould: str) -> Known | None:
        try:
            rows = self._store.taught(
                self._pot.pot_id, rehearsed=self._rehearsed, before=batch_id, limit=_LOOKED_AT
            )
            cares = self._store.cares(self._pot.pot_id)
        except RecordError:  # the record has its own alarm; the batch is watched like any pot's
            return None
        for row in rows:
            known = _understood(row, self._pot)
            if known is not None:
                parts = {care.part for care in cares if row.end_t_s <= care.t_s < self._opened_s}
                return known.forgetting(forgotten(parts, same_mould=is_same_mould(row.mould, mould)))
        return None


def _understood(row: TaughtRow, pot: Pot) -> Known | None:
    """Return the constants of a row, within the bounds of learning; None where it has none."""
    try:
        found = found_from_text(row.found)
        if row.batches < 1:
            raise ValueError(f"from {row.batches} batches")
    except ValueError as error:
        why = str(error).splitlines()[0][:80]
        _log.warning("what batch %d taught cannot be read and is ignored: %s", row.batch_id, why)
        return None
    any_pot = usual(sizes_of(pot))
    strange = sorted(found.keys() - any_pot.keys())
    if strange:
        names = ", ".join(ascii(name)[:40] for name in strange[:3])
        _log.warning(
            "what batch %d taught has names this version does not know; they are ignored: %s",
            row.batch_id,
            names,
        )
    kept = {}
    for name, (usual_mean, usual_sigma) in any_pot.items():
        if name in found:
            mean, sigma = found[name]
            reach = MOST_SIGMAS * usual_sigma
            mean = min(max(mean, usual_mean - reach), usual_mean + reach)
            kept[name] = mean, min(max(sigma, FLOOR * usual_sigma), usual_sigma)
    return Known(row.batches, kept)
