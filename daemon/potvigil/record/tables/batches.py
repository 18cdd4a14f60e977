"""Batches, their events and edits: kept, listed, found."""

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any

from potvigil.model.events import (
    LAST_BATCH,
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Detail,
    EditEvent,
    Event,
    Interval,
    Verdict,
)
from potvigil.record.codec import KINDS, event_from_text, found_to_text, summary_from_text, to_text
from potvigil.record.errors import RecordError, UnknownBatchError
from potvigil.record.readable import ALL_ROWS
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.rows import BatchRow, EditRow, LeakRow, ListedBatch, TaughtRow
from potvigil.record.tables.ledger import POT, Ledger
from potvigil.record.validation import refuse

_UNSEEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


class Batches(Ledger):
    """Batches with their events and edits, and what they taught."""

    def open_batch(self, pot_id: str, event: BatchOpened) -> int:
        """Open a batch and return its number."""
        with suppress(RecordError):  # a missing disk must not stop the numbering
            self._last_batch_id = max(self._last_batch_id, self._newest_batch_id())
        self._last_batch_id += 1
        batch_id = self._last_batch_id
        self._add_pot(pot_id)
        self._write_at_once(
            f"INSERT INTO batch (id, pot, run, start_t_s, start_utc_s) VALUES (?, {POT}, ?, ?, ?)",
            (batch_id, pot_id, self._run_id, event.t_s, event.utc_s),
        )
        return batch_id

    def close_batch(self, batch_id: int, event: BatchClosed) -> None:
        """Close a batch with its verdict and summary."""
        summary, leak = event.summary, event.summary.leak
        rate = None if leak is None else leak.rate_pa_per_s
        self._write_at_once(
            "UPDATE batch SET end_t_s = ?, end_utc_s = ?, verdict = ?, summary = ?, leak_t_s = ?, "
            "leak_pa_per_s = ?, leak_low_pa_per_s = ?, leak_high_pa_per_s = ?, leak_established = ?, "
            "alarms = ? WHERE id = ?",
            (
                *(event.t_s, event.utc_s, summary.verdict, to_text(summary)),
                None if leak is None else leak.t_s,
                *((None,) * 3 if rate is None else (rate.value, rate.low, rate.high)),
                None if leak is None else leak.established,
                len(summary.alarms),
                batch_id,
            ),
        )

    def add_taught(self, batch_id: int, batches: int, found: Mapping[str, tuple[float, float]]) -> None:
        """Keep what is known of a pot after a batch that taught; see TaughtRow."""
        self._write_at_once(
            "INSERT OR REPLACE INTO taught (batch, batches, found) VALUES (?, ?, ?)",
            (batch_id, batches, found_to_text(found)),
        )

    def add_event(self, pot_id: str, batch_id: int | None, event: Event) -> None:
        """Add an event of a pot and, where one is open, its batch."""
        alarm = event.alarm if isinstance(event, AlarmEvent) else None
        self._add_pot(pot_id)
        self._write_at_once(
            f"INSERT INTO event (pot, batch, t_s, utc_s, kind, alarm, line) VALUES ({POT}, ?, ?, ?, ?, ?, ?)",
            (pot_id, batch_id, event.t_s, event.utc_s, KINDS[type(event)], alarm, to_text(event)),
        )

    def add_edit(self, batch_id: int, event: EditEvent) -> None:
        """Keep a change of a detail of an open batch."""
        self._write_at_once(*_edit(batch_id, event.field, event.new, event.by, event.t_s, event.utc_s))

    def edit(self, batch_id: int, details: Mapping[Detail, str], by: str, utc_s: float | None) -> None:
        """Change details of a closed batch; details already set to that stay as they are.

        Raises UnknownBatchError, or as `flush` does (it stays queued).
        """
        self.batch(batch_id)
        for field, text in details.items():
            refuse("edit", {"field": field, "new": text, "by": by})
        known = {edit.field: edit for edit in self.edits(batch_id)}
        for field, text in details.items():
            last = known.get(field)
            if last is None or last.new != text or last.by == LAST_BATCH:
                self._urgent.append(_edit(batch_id, field, text, by, None, utc_s))
        self.flush()

    def batches(self, pot_id: str | None = None, limit: int | None = None) -> list[BatchRow]:
        """Return the batches of a pot or of all, newest first, at most `limit`."""
        where, values = ("", ()) if pot_id is None else ("WHERE p.name = ? ", (pot_id,))
        return self._db.read(
            _batch_row,
            f"SELECT {_BATCH} {where}ORDER BY b.id DESC LIMIT ?",
            (*values, ALL_ROWS if limit is None else limit),
        )

    def listed(self, wanted: Wanted | None = None) -> list[ListedBatch]:
        """Return the batches that match, newest first; 30 us each."""
        return self._db.read(listed_batch, *listing(wanted or Wanted()))

    def leaks(self, pot_id: str) -> list[LeakRow]:
        """Return the leak of each closed batch of a pot, oldest first; 3 us each."""
        return self._db.read(
            _leak,
            "SELECT b.id, coalesce(b.leak_t_s, b.end_t_s), b.start_utc_s, b.leak_pa_per_s, "
            "b.leak_low_pa_per_s, b.leak_high_pa_per_s, b.leak_established, b.verdict, r.rehearsed "
            "FROM batch b LEFT JOIN run r ON r.id = b.run "
            f"WHERE b.pot = {POT} AND b.verdict IS NOT NULL ORDER BY b.id",
            (pot_id,),
        )

    def count(self, wanted: Wanted | None = None) -> int:
        """Return how many batches match, whatever the limit."""
        where, values = (wanted or Wanted()).where()
        found: int = self._db.rows(
            f"SELECT count(*) FROM batch b JOIN pot p ON p.id = b.pot {where}", values
        )[0][0]
        return found

    def batch(self, batch_id: int) -> BatchRow:
        """Return a batch; raises UnknownBatchError, which lists the existing ones."""
        rows = self._db.read(_batch_row, f"SELECT {_BATCH} WHERE b.id = ?", (batch_id,))
        if not rows:
            lowest, highest = self._db.rows("SELECT min(id), max(id) FROM batch")[0]
            known = "no batch yet" if lowest is None else f"batches {lowest} to {highest}"
            raise UnknownBatchError(
                f"there is no batch {batch_id} in {self.path}, which has {known}; see `potvigil batch list`"
            )
        return rows[0]

    def open_batch_of(self, pot_id: str) -> BatchRow | None:
        """Return the batch of a pot that was not closed, None when there is none."""
        rows = self._db.read(
            _batch_row,
            f"SELECT {_BATCH} WHERE p.name = ? AND b.end_t_s IS NULL ORDER BY b.id DESC LIMIT 1",
            (pot_id,),
        )
        return rows[0] if rows else None

    def latest_unseen_batch(self, pot_id: str) -> BatchRow | None:
        """Return the batch that a restart must replay.

        That is the open one, or the last one while an alarm raised since its start has not been acknowledged.
        """
        last = self.batches(pot_id, limit=1)
        if not last or last[0].end_t_s is None:
            return last[0] if last else None
        unseen = any(
            pot == pot_id and event.state in _UNSEEN and event.t_s >= last[0].start_t_s
            for pot, event in self.standing_alarms()
        )
        return last[0] if unseen else None

    def rehearsed(self, batch_id: int) -> str | None:
        """Return which night a batch rehearsed, None for a real one."""
        return self.batch(batch_id).rehearsed

    def edits(self, batch_id: int) -> list[EditRow]:
        """Return the changes of a batch's details, oldest first."""
        return self._db.read(
            lambda row: EditRow(Detail(row[0]), *row[1:]),
            "SELECT field, old, new, by, t_s, utc_s FROM edit WHERE batch = ? ORDER BY id",
            (batch_id,),
        )

    def events(self, batch_id: int) -> list[Event]:
        """Return the events added to a batch, in order."""
        return self._db.read(
            lambda row: event_from_text(*row),
            "SELECT kind, line FROM event WHERE batch = ? ORDER BY id",
            (batch_id,),
        )

    def standing_alarms(self) -> list[tuple[str, AlarmEvent]]:
        """Return the latest event of each alarm that is not normal, as (pot, event), oldest first."""
        latest = self._db.read(
            lambda row: (row[0], event_from_text("alarm", row[1])),
            "SELECT p.name, e.line FROM event e JOIN pot p ON p.id = e.pot WHERE e.id IN "
            "(SELECT max(id) FROM event WHERE alarm IS NOT NULL GROUP BY pot, alarm) ORDER BY e.id",
        )
        return [(p, e) for p, e in latest if isinstance(e, AlarmEvent) and e.state is not AlarmState.NORMAL]

    def taught(
        self, pot_id: str, *, rehearsed: bool, before: int | None = None, limit: int = 1
    ) -> list[TaughtRow]:
        """Return what was known of a pot after each of the newest batches that taught, newest first.

        rehearsed: by batches that were rehearsed or replayed, or by real ones; never by both. before: only
        batches with a lower number.
        """
        return self._db.read(
            lambda row: TaughtRow(*row),
            "SELECT t.batch, coalesce(b.end_t_s, b.start_t_s), coalesce((SELECT new FROM edit WHERE "
            "batch = b.id AND field = ? ORDER BY id DESC LIMIT 1), ''), t.batches, t.found "
            "FROM taught t JOIN batch b ON b.id = t.batch LEFT JOIN run r ON r.id = b.run "
            f"WHERE b.pot = {POT} AND t.batch < ? AND (r.rehearsed IS NOT NULL) = ? "
            "ORDER BY t.batch DESC LIMIT ?",
            (Detail.MOULD, pot_id, 2**63 - 1 if before is None else before, rehearsed, limit),
        )

    def _newest_batch_id(self) -> int:
        newest: int = self._db.rows("SELECT coalesce(max(id), 0) FROM batch")[0][0]
        return newest


_BATCH = (
    "b.id, p.name, b.run, b.start_t_s, b.start_utc_s, b.end_t_s, b.end_utc_s, "
    "(SELECT json_group_object(field, new) FROM edit WHERE id IN "
    "(SELECT max(id) FROM edit WHERE batch = b.id GROUP BY field)), "
    "r.rehearsed, b.verdict, b.summary "
    "FROM batch b JOIN pot p ON p.id = b.pot LEFT JOIN run r ON r.id = b.run"
)
_BEGUN = "b.id, p.name, b.start_t_s, b.start_utc_s"
_LISTED = (
    f"{_BEGUN}, b.end_t_s, b.end_utc_s, r.rehearsed, b.verdict, "
    "(SELECT json_group_object(field, new) FROM edit WHERE id IN "
    "(SELECT max(id) FROM edit WHERE batch = b.id GROUP BY field)), "
    "b.leak_pa_per_s, b.leak_low_pa_per_s, b.leak_high_pa_per_s, b.leak_t_s, b.leak_established, b.alarms, "
    f"EXISTS (SELECT 1 FROM event WHERE alarm = '{AlarmId.OVER_PRESSURE}' AND batch = b.id) "
    "FROM batch b JOIN pot p ON p.id = b.pot LEFT JOIN run r ON r.id = b.run"
)


def _batch_row(row: Any) -> BatchRow:
    *plain, details_text, rehearsed, verdict, summary_text = row
    details = {Detail(field): text for field, text in json.loads(details_text).items()}
    summary = None
    if summary_text is not None:
        # Written when the batch closed; its details may have been changed since.
        summary = replace(summary_from_text(summary_text), details=details)
    judged = None if verdict is None else Verdict(verdict)
    return BatchRow(*(*plain, details, rehearsed, judged, summary))


def listing(wanted: Wanted) -> tuple[str, tuple[Any, ...]]:
    """Return the query of a list, and its values; each row makes a `listed_batch`."""
    where, values = wanted.sql()
    return f"SELECT {_LISTED} {where}", values


def listing_begun(wanted: Wanted) -> tuple[str, tuple[Any, ...]]:
    """Return the query of what of a list tells its order, and its values: the first columns of `listing`.

    It costs a tenth of the list.
    """
    where, values = wanted.sql()
    return f"SELECT {_BEGUN} FROM batch b JOIN pot p ON p.id = b.pot {where}", values


def listed_batch(row: Any) -> ListedBatch:
    *plain, verdict, details_text, value, low, high, leak_t_s, established, alarms, above = row
    details = {Detail(field): text for field, text in json.loads(details_text).items()}
    leak = None if value is None else Interval(value, low, high)
    judged = None if verdict is None else Verdict(verdict)
    return ListedBatch(
        *(*plain, judged, details, leak, leak_t_s, bool(established), alarms or 0, bool(above))
    )


def _leak(row: Any) -> LeakRow:
    batch_id, t_s, utc_s, value, low, high, established, verdict, rehearsed = row
    rate = None if value is None else Interval(value, low, high)
    return LeakRow(batch_id, t_s, utc_s, rate, bool(established), Verdict(verdict), rehearsed)


def _edit(
    batch_id: int, field: Detail, new: str, by: str, t_s: float | None, utc_s: float | None
) -> tuple[str, tuple[Any, ...]]:
    """Return statement and values that keep an edit; the old value is the record's."""
    return (
        "INSERT INTO edit (batch, field, old, new, by, t_s, utc_s) VALUES (?1, ?2, coalesce("
        "(SELECT new FROM edit WHERE batch = ?1 AND field = ?2 ORDER BY id DESC LIMIT 1), ''), "
        "?3, ?4, ?5, ?6)",
        (batch_id, field, new, by, t_s, utc_s),
    )
