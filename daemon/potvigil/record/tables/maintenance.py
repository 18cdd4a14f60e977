"""Maintenance of a pot."""

from collections.abc import Iterable
from typing import Any

from potvigil.model.events import Interval
from potvigil.model.reading import Sample
from potvigil.record.codec import readings_from_text, readings_to_text
from potvigil.record.rows import CareRow
from potvigil.record.tables.ledger import POT, Ledger
from potvigil.record.validation import refuse


class Maintenance(Ledger):
    """Notes of maintenance ("care")."""

    def add_care(
        self,
        pot_id: str,
        utc_s: float,
        part: str,
        text: str,
        by: str,
        now_utc_s: float,
        due_utc_s: float | None = None,
        leak_pa_per_s: Interval | None = None,
        readings: Iterable[Sample] | None = None,
    ) -> None:
        """Keep a note of care at `utc_s`. Raises RefusedError, or when it could not be written.

        due_utc_s: when it is due again. leak_pa_per_s: what a tightness test found; readings: its samples,
        with pressures as in a recorded log.
        """
        leak = leak_pa_per_s
        rate = (None, None, None) if leak is None else (leak.value, leak.low, leak.high)
        columns = ("leak_pa_per_s", "leak_low_pa_per_s", "leak_high_pa_per_s")
        row = {"utc_s": utc_s, "part": part, "text": text, "by": by, "due_utc_s": due_utc_s}
        refuse("care", row | dict(zip(columns, rate, strict=True)))
        with self._db.transaction(durable=True):
            self._db.execute("INSERT OR IGNORE INTO pot (name) VALUES (?)", (pot_id,))
            self._db.execute(
                "INSERT INTO care (pot, utc_s, part, text, by, written_utc_s, due_utc_s, leak_pa_per_s, "
                "leak_low_pa_per_s, leak_high_pa_per_s, readings) "
                f"VALUES ({POT}, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(pot_id, utc_s, part, text, by, now_utc_s, due_utc_s, *rate),
                    None if readings is None else readings_to_text(readings),
                ),
            )

    def remove_care(self, pot_id: str, care_id: int) -> bool:
        """Remove a note of care; return whether there was one."""
        with self._db.transaction(durable=True):
            return bool(self._db.execute(f"DELETE FROM care WHERE id = ? AND pot = {POT}", (care_id, pot_id)))

    def cares(self, pot_id: str) -> list[CareRow]:
        """Return the care of a pot, oldest first."""
        return self._db.read(
            _care,
            "SELECT id, utc_s, coalesce((SELECT coalesce(b.end_t_s, b.start_t_s) FROM batch b WHERE "
            "b.pot = c.pot AND b.start_utc_s <= c.utc_s ORDER BY b.start_utc_s DESC LIMIT 1), -1e300), "
            "part, text, by, due_utc_s, leak_pa_per_s, leak_low_pa_per_s, leak_high_pa_per_s "
            f"FROM care c WHERE pot = {POT} ORDER BY utc_s, id",
            (pot_id,),
        )

    def readings(self, care_id: int) -> list[Sample]:
        """Return the samples of a tightness test, the first at 0 s; empty where none were kept."""
        rows = self._db.read(
            lambda row: readings_from_text(row[0]),
            "SELECT readings FROM care WHERE id = ? AND readings IS NOT NULL",
            (care_id,),
        )
        return rows[0] if rows else []


def _care(row: Any) -> CareRow:
    *plain, value, low, high = row
    return CareRow(*(*plain, None if value is None else Interval(value, low, high)))
