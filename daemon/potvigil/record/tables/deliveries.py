"""Deliveries: who was notified of what on their phone, and whether that worked."""

from collections.abc import Sequence
from typing import Any

from potvigil.model.events import AlarmId
from potvigil.record.rows import DeliveryRow
from potvigil.record.tables.ledger import POT, Ledger


class Deliveries(Ledger):
    """Deliveries, written by the notifier."""

    def add_deliveries(self, rows: Sequence[DeliveryRow]) -> None:
        """Keep deliveries. Raises when they could not be written."""
        with self._db.transaction(durable=True):
            self._db.execute_many(
                "INSERT OR IGNORE INTO pot (name) VALUES (?)",
                [(row.pot_id,) for row in rows if row.pot_id is not None],
            )
            self._db.execute_many(
                f"INSERT INTO delivery (pot, t_s, utc_s, alarm, target, kind, fault) "
                f"VALUES ({POT}, ?, ?, ?, ?, ?, ?)",
                [
                    (row.pot_id, row.t_s, row.utc_s, row.alarm, row.target, row.kind, row.fault)
                    for row in rows
                ],
            )

    def deliveries(self, pot_id: str, from_s: float, to_s: float | None = None) -> list[DeliveryRow]:
        """Return the deliveries about a pot and about the watch itself, from `from_s` to `to_s`, in order."""
        return self._db.read(
            _delivery,
            "SELECT d.t_s, d.utc_s, p.name, d.alarm, d.target, d.kind, d.fault FROM delivery d "
            "LEFT JOIN pot p ON p.id = d.pot WHERE d.t_s >= ? AND d.t_s <= ? "
            "AND (p.name = ? OR d.pot IS NULL) ORDER BY d.t_s, d.id",
            (from_s, float("inf") if to_s is None else to_s, pot_id),
        )


def _delivery(row: Any) -> DeliveryRow:
    t_s, utc_s, pot_id, alarm, target, kind, fault = row
    return DeliveryRow(t_s, utc_s, pot_id, AlarmId(alarm), target, kind, fault)
