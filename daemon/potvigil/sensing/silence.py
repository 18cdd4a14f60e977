"""How long readings were missing, once they are back."""

from potvigil.model.reading import UNSEEN_AFTER_S

_SHOWN_S = 1.0


class Silence:
    """`gap_s`: length of the silence that has just ended, s; 0 for none."""

    def __init__(self) -> None:
        self.gap_s = 0.0
        self._last_s: float | None = None
        self._shown_until_s = 0.0

    def take(self, t_s: float) -> None:
        """Take the time of a reading, good or not."""
        if self._last_s is not None and t_s - self._last_s > UNSEEN_AFTER_S:
            self.gap_s = t_s - self._last_s
            self._shown_until_s = t_s + _SHOWN_S
        elif t_s > self._shown_until_s:
            self.gap_s = 0.0
        self._last_s = t_s
