"""A watch that is told anew, as each batch begins, what its pot's past taught."""

from potvigil.core.event import Stage
from potvigil.core.known import Known
from potvigil.core.pot import Pot
from potvigil.core.watch import PotWatch


class KnowingWatch(PotWatch):
    """A PotWatch whose known may change between batches: a probe was moved, the mould is another."""

    def __init__(self, pot: Pot, known: Known | None = None) -> None:
        super().__init__(pot, known)
        self._given = known

    @property
    def takes_word(self) -> bool:
        """Whether what is said now of the pot still bears on the hold: it has not begun."""
        return self.stage in (Stage.OPEN, Stage.FILLING)

    def know(self, known: Known | None) -> None:
        """Say what is known of the pot, for the next hold on."""
        self._known = self._given = known
        if self._batch is not None:
            self._batch.known_from = 0 if known is None else known.batches

    def taught(self) -> Known | None:
        """Return what is known since the last batch closed; None where that batch taught nothing."""
        return None if self._known is self._given else self._known
