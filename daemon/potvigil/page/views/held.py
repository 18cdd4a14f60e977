"""Figures that stay on screen long enough to be read."""

import re
from collections.abc import Iterable
from typing import Any

HELD_S = 20.0
# The pressure shown changes once the reading is further off than this, in steps of its last digit: otherwise
# noise about the midpoint of two steps would change it with every reading.
HELD_STEPS = 0.8
_FIGURES = re.compile(r"\d+")


class Held:
    """Holds the figures shown for each pot; a change of any other word shows at once."""

    def __init__(self) -> None:
        self._texts: dict[tuple[str, str], tuple[str, float]] = {}
        self._shown_pa: dict[str, float] = {}

    def sentences(self, pot: dict[str, Any], names: Iterable[str], t_s: float) -> dict[str, Any]:
        """Return the pot at t_s, with those sentences held in which only figures changed."""
        return pot | {name: self._sentence((pot["id"], name), pot[name], t_s) for name in names}

    def pressure_pa(self, pot_id: str, pa: float, step_pa: float) -> float:
        """Return the pressure to show. step_pa: one step of the last digit shown."""
        shown_pa = self._shown_pa.get(pot_id)
        if shown_pa is None or abs(pa - shown_pa) > HELD_STEPS * step_pa:
            shown_pa = round(pa / step_pa) * step_pa
            self._shown_pa[pot_id] = shown_pa
        return shown_pa

    def forget(self) -> None:
        """Forget everything held: the next values show at once."""
        self._texts.clear()
        self._shown_pa.clear()

    def _sentence(self, key: tuple[str, str], text: str | None, t_s: float) -> str | None:
        if text is None:
            self._texts.pop(key, None)
            return None
        held, since_s = self._texts.get(key, ("", t_s))
        if _FIGURES.sub("", text) == _FIGURES.sub("", held) and 0.0 <= t_s - since_s < HELD_S:
            return held
        self._texts[key] = (text, t_s)
        return text
