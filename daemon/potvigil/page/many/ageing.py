"""How each pot ages, by its real batches, in the words of its health chart."""

import time
from collections.abc import Callable, Mapping
from typing import Any
from uuid import UUID

from potvigil.diagnosis.pot_health import health
from potvigil.model.ageing import BatchLeak
from potvigil.model.pot import Pot
from potvigil.page.views.words import SIGNS, Severity
from potvigil.record.store import Store
from potvigil.studio.reading import Shipped, StudioReader
from potvigil.wording.health import HealthWords

# What of a chart's mood comes first where several pots are listed.
_LEVELS = {
    "failed": Severity.ALARM,
    "warned": Severity.WARN,
    "unknown": Severity.UNKNOWN,
    "held": Severity.CALM,
}
MOODS = tuple(_LEVELS)
# Care comes due by the clock alone.
_CARE_S = 3600.0


class AgeingOfAll:
    """How the pots of many records age; a record is read again when its batches or its care are others."""

    def __init__(self, reader: StudioReader, pots_of: Callable[[Store], Mapping[str, Pot]]) -> None:
        self._reader, self._pots_of = reader, pots_of
        self._known: dict[UUID, tuple[str, float, dict[str, dict[str, Any]]]] = {}

    def of(self, shipped: Shipped) -> dict[str, dict[str, Any]]:
        """Return of each pot of a record what `ageing` does. Raises RecordError."""
        known = self._known.get(shipped.id)
        if known is None or known[0] != shipped.batches or time.monotonic() - known[1] > _CARE_S:
            with self._reader.opened(shipped.id) as store:
                aged = {pot_id: ageing(store, pot) for pot_id, pot in self._pots_of(store).items()}
            known = self._known[shipped.id] = (shipped.batches, time.monotonic(), aged)
        return known[2]


def ageing(store: Store, pot: Pot) -> dict[str, Any]:
    """Return what a pot's batches and its care tell of its tightness. Raises RecordError."""
    leaks = [
        BatchLeak(row.batch_id, row.t_s, row.utc_s, row.rate_pa_per_s, row.established, row.verdict)
        for row in store.leaks(pot.pot_id)
        if row.rehearsed is None
    ]
    cares = [row.care for row in store.cares(pot.pot_id)]
    words = HealthWords(
        health(leaks, cares, (pot.working_pa - pot.floor_pa) / pot.hold_s),
        pot.pressure_unit,
        pot.tz,
        pot.hold_s,
    )
    _, mood = words.mood()
    headline, *lines = words.lines()
    overdue, soon = words.reminders(time.time())
    level = _LEVELS[mood]
    return {
        "mood": mood,
        "level": level.value,
        "sign": SIGNS[level],
        "headline": headline,
        "lines": [*overdue, *lines, *words.tests(), *soon],
        "facts": [{"name": name, "text": text, "beside": beside} for name, text, beside in words.facts()],
    }
