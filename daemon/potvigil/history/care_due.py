"""Which parts of a pot are due for maintenance, by the record."""

from datetime import tzinfo

from potvigil.record.store import Store
from potvigil.wording.maintenance import reminders


def care_due(store: Store, pot_id: str, now_utc_s: float, tz: tzinfo | None) -> list[str]:
    """Return a sentence for each part that is overdue, then each due within a month. Raises RecordError."""
    overdue, soon = reminders((row.care for row in store.cares(pot_id)), now_utc_s, tz)
    return overdue + soon
