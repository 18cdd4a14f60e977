"""How each pot ages, from its real batches, in the words of its health chart."""

import time
from typing import Any

from potvigil.diagnosis.pot_health import health
from potvigil.model.ageing import BatchLeak
from potvigil.model.pot import Pot
from potvigil.page.views.words import SIGNS, Severity
from potvigil.record.store import Store
from potvigil.wording.health import HealthWords

# Moods of a health chart; pots are listed in this order.
_LEVELS = {
    "failed": Severity.ALARM,
    "warned": Severity.WARN,
    "unknown": Severity.UNKNOWN,
    "held": Severity.CALM,
}
MOODS = tuple(_LEVELS)
OLDEST_S = 3600.0  # care comes due with time alone, so a cached result must expire


def ageing(store: Store, pot: Pot) -> dict[str, Any]:
    """Return what a pot's batches and care show about its tightness. Raises RecordError."""
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
