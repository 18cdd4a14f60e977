"""Runs of the watch, the record's time axis, and the correction of wall times."""

from collections.abc import Iterator
from contextlib import suppress
from typing import Any

from potvigil import __version__
from potvigil.record import curve as curves
from potvigil.record.errors import RecordError
from potvigil.record.rows import RunRow
from potvigil.record.tables.ledger import Ledger

# Wall times are corrected for this much of the axis at a time: some ms, some tens on a Pi.
MEND_STEP_S = 600.0
# A wall clock that moves more than this against the boot clock was set; less comes from reading them in turn.
CLOCK_STEP_S = 1.0

# After a restart the axis continues at least this much later: no machine starts faster.
_LEAST_GAP_S = 1.0


class Runs(Ledger):
    """Runs of the watch, and the times of their rows."""

    def begin_run(
        self, settings_json: str, boot_id: str, boot_s: float, utc_s: float | None, rehearsed: str | None
    ) -> float:
        """Start a run and return the axis offset, s: t_s = boot time + offset.

        The axis never runs backwards. Within one boot the offset is constant. After a reboot the gap is taken
        from UTC where both ends know it; else the axis continues right after the last stored instant, and the
        run's `gap_known` is False. Samples the last run left in memory are recovered first.
        """
        last = self.last_run()
        if self._unwritten is not None and last is not None and last.boot_id == boot_id:
            self._samples.extend(self._unwritten.left_by(last))
            with suppress(RecordError):  # they stay queued
                self.flush()
        offset_s, gap_known = self._axis_offset(boot_id, boot_s, utc_s)
        self._run_id = 1 if last is None else last.id + 1
        run = (boot_id, boot_s + offset_s, offset_s, utc_s, settings_json, rehearsed, __version__, gap_known)
        if self._unwritten is not None:
            self._unwritten.begin(RunRow(self._run_id, *run))
            for pot_id, sample in self._samples:
                self._unwritten.add(pot_id, sample)
        self._write_at_once(
            f"INSERT INTO run ({_RUN}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (self._run_id, *run),
        )
        return offset_s

    def mend_times(
        self, boot_id: str, to_t_s: float, utc_less_t_s: float, *, was_set: bool
    ) -> Iterator[None]:
        """Correct missing or wrong wall times that this boot kept before `to_t_s`, step by step.

        Within a boot t_s is the truth, and utc_s = t_s + utc_less_t_s once the clock is set. was_set: it was
        set under a running watch, so that a run may have started with the right time and continued with
        another. Each step belongs to its own tick; an unfinished correction is started again by the next
        watch. Raises as `flush`.
        """
        (from_t_s,) = self._db.rows(
            "SELECT min(start_t_s) FROM run WHERE boot_id = ? AND "
            "(? OR start_utc_s IS NULL OR abs(start_utc_s - start_t_s - ?) > ?)",
            (boot_id, was_set, utc_less_t_s, CLOCK_STEP_S),
        )[0]
        if from_t_s is None:
            return
        self.flush()
        with self._db.transaction(durable=True):  # so that the next watch knows, if this one is killed
            self._db.execute(
                "UPDATE run SET start_utc_s = NULL WHERE boot_id = ? AND start_t_s >= ?", (boot_id, from_t_s)
            )
        at_s = from_t_s
        while at_s < to_t_s:
            until_s = min(at_s + MEND_STEP_S, to_t_s)
            with self._db.transaction(durable=False):
                self._db.execute(
                    "UPDATE sample SET utc_s = t_s + ?1 WHERE pot IN (SELECT id FROM pot) AND t_s >= ?2 "
                    "AND t_s < ?3 AND (utc_s IS NULL OR abs(utc_s - t_s - ?1) > ?4)",
                    (utc_less_t_s, at_s, until_s, CLOCK_STEP_S),
                )
            at_s = until_s
            yield
        with self._db.transaction(durable=True):
            for statement in _MENDED:
                self._db.execute(statement, (utc_less_t_s, from_t_s, to_t_s, CLOCK_STEP_S))

    def runs(self) -> list[RunRow]:
        """Return all runs, oldest first."""
        return self._db.read(_run_row, f"SELECT {_RUN} FROM run ORDER BY id")

    def last_run(self) -> RunRow | None:
        """Return the newest run, None when there was none."""
        runs = self._db.read(_run_row, f"SELECT {_RUN} FROM run ORDER BY id DESC LIMIT 1")
        return runs[0] if runs else None

    def settings_within(self, from_s: float, to_s: float) -> list[tuple[float, str]]:
        return curves.settings_within(self._db, from_s, to_s)

    def _axis_offset(self, boot_id: str, boot_s: float, utc_s: float | None) -> tuple[float, bool]:
        last_run = self._db.rows(
            "SELECT boot_id, axis_offset_s, start_t_s, start_utc_s FROM run ORDER BY id DESC LIMIT 1"
        )
        if not last_run:
            return 0.0, True
        last_boot_id, last_offset_s, run_t_s, run_utc_s = last_run[0]
        instants: list[tuple[float, float | None]] = [(run_t_s, run_utc_s)]
        instants += self._db.rows("SELECT t_s, utc_s FROM event ORDER BY id DESC LIMIT 1")
        instants += self._db.rows(
            "SELECT max(t_s), NULL FROM command WHERE t_s IS NOT NULL HAVING max(t_s) IS NOT NULL"
        )
        for (pot,) in self._db.rows("SELECT id FROM pot"):
            instants += self._db.rows(
                "SELECT t_s, utc_s FROM sample WHERE pot = ? ORDER BY t_s DESC LIMIT 1", (pot,)
            )
        last_t_s = max(t_s for t_s, _ in instants)
        if boot_id == last_boot_id and boot_s + last_offset_s >= last_t_s:
            return last_offset_s, True
        # Within a run both clocks advance alike: any dated instant of it dates its last one.
        dated = [(t_s, utc) for t_s, utc in instants if utc is not None and t_s >= run_t_s]
        if utc_s is None or not dated:
            return last_t_s + _LEAST_GAP_S - boot_s, False
        t_s, dated_utc_s = max(dated)
        gap_s = utc_s - (dated_utc_s + last_t_s - t_s)
        return last_t_s + max(gap_s, _LEAST_GAP_S) - boot_s, gap_s >= 0.0


# What else has a wall time; runs last, because they show what has to be corrected.
_WRONG = "{0}t_s >= ?2 AND {0}t_s < ?3 AND ({0}utc_s IS NULL OR abs({0}utc_s - {0}t_s - ?1) > ?4)"
_MENDED = (
    "UPDATE event SET utc_s = t_s + ?1, line = CASE kind WHEN 'batch-closed' THEN json_set(line, "
    "'$.utc_s', t_s + ?1, '$.summary.start_utc_s', json_extract(line, '$.summary.start_s') + ?1) "
    f"ELSE json_set(line, '$.utc_s', t_s + ?1) END WHERE {_WRONG.format('')}",
    f"UPDATE edit SET utc_s = t_s + ?1 WHERE {_WRONG.format('')}",
    f"UPDATE delivery SET utc_s = t_s + ?1 WHERE {_WRONG.format('')}",
    "UPDATE batch SET start_utc_s = start_t_s + ?1, "
    f"summary = json_set(summary, '$.start_utc_s', start_t_s + ?1) WHERE {_WRONG.format('start_')}",
    f"UPDATE batch SET end_utc_s = end_t_s + ?1 WHERE {_WRONG.format('end_')}",
    f"UPDATE run SET start_utc_s = start_t_s + ?1 WHERE {_WRONG.format('start_')}",
)
_RUN = "id, boot_id, start_t_s, axis_offset_s, start_utc_s, settings, rehearsed, version, gap_known"


def _run_row(row: Any) -> RunRow:
    *plain, gap_known = row
    return RunRow(*(*plain, bool(gap_known)))
