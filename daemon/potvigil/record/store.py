"""The record: what was read, what happened, what was asked, in one SQLite file.

Several processes use the file at once: the watch writes samples and events, everybody else writes commands
and reads. A Store belongs to the thread that opened it: another thread opens its own.
"""

import json
import time
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

from potvigil import __version__
from potvigil.core.event import (
    LAST_BATCH,
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    Answer,
    BatchClosed,
    BatchOpened,
    Command,
    Detail,
    EditEvent,
    Event,
    Interval,
    Outcome,
    Stage,
    Verdict,
)
from potvigil.core.reading import Sample
from potvigil.record import curve as curves
from potvigil.record.codec import (
    KINDS,
    SAMPLE_COLUMNS,
    event_from_text,
    faults_from_text,
    faults_to_text,
    found_to_text,
    readings_from_text,
    readings_to_text,
    sample_values,
    summary_from_text,
    to_text,
)
from potvigil.record.database import Database
from potvigil.record.errors import (
    DamagedRecordError,
    RecordError,
    UnknownBatchError,
    UnwritableRecordError,
    WatchedRecordError,
)
from potvigil.record.file import move_aside
from potvigil.record.lock import WatchLock
from potvigil.record.rows import (
    AskedRow,
    BatchRow,
    CareRow,
    EditRow,
    LeakRow,
    ListedBatch,
    RunRow,
    TaughtRow,
    TraceRow,
)
from potvigil.record.unwritten import Unwritten
from potvigil.record.wanted import Wanted

# Measured on ext4, each commit flushed: one pot at 1 Hz costs the card 33 MB in 10 h at 60 s, 52 MB at 30 s.
SAMPLE_COMMIT_PERIOD_S = 60.0
# After a refused write; not every second, because a locked file costs its patience a try.
RETRY_PERIOD_S = 10.0
# Kept while the disk refuses: 12 h of one pot at 1 Hz, about 15 MB.
BUFFER_SAMPLES = 43_200
# What the watch knew, often enough for a chart as wide as a page. While the disk refuses: 12 h of six pots.
TRACE_PERIOD_S = 60.0
BUFFER_TRACES = 4320

# Commands taken up in one tick; what is more waits for the next.
COMMANDS_A_TICK = 100
# A command that no watch takes in so long is refused, and never carried out later.
COMMAND_LASTS_S = 60.0
NOBODY = "nobody is watching; start `potvigil watch`, and ask again"
LATE = "the watch did not take it in time; see whether it hangs (`systemctl status potvigil`), and ask again"
# Wall times are mended so much of the axis at a time: some ms, some tens on a Pi.
MEND_STEP_S = 600.0
# A wall clock that moves by more against the boot clock was set; less is the two being read one by one.
CLOCK_STEP_S = 1.0

# After a restart the axis goes on at least this much later: no machine starts faster.
_LEAST_GAP_S = 1.0
_CHUNK_ROWS = 4096
_UNSEEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


class Store:
    """An open record.

    What the watch writes (begin_run, append, open_batch, close_batch, add_event, add_edit, take_commands) is
    queued in memory first and never fails for the disk's sake. Samples are written once a
    SAMPLE_COMMIT_PERIOD_S; all else is written at once, to the medium, together with the samples that led to
    it. `commit_due` and `flush` say when a write was refused; then everything stays queued and is tried
    again. The queries see what is written, not what is queued.

    dropped_samples: how many were lost because the disk refused for longer than BUFFER_SAMPLES last.
    begun_anew: why a new record was begun in place of a damaged one, None where none was.
    """

    def __init__(self, db: Database) -> None:
        """Use `Store.open` or `Store.open_read_only`."""
        self._db = db
        self.path = db.path
        self._samples: deque[tuple[str, Sample]] = deque(maxlen=BUFFER_SAMPLES)
        self._urgent: list[tuple[str, tuple[Any, ...]]] = []
        self._taken_unwritten: set[int] = set()
        self._commands_read_at: int | None = None  # SQLite's data_version
        self._asked_here = False
        self._due_s = float("-inf")
        self._failure: RecordError | None = None
        self._run_id: int | None = None
        self._traces: deque[tuple[str, TraceRow]] = deque(maxlen=BUFFER_TRACES)
        self._trace_due_s: dict[str, float] = {}
        self._last_batch_id = 0
        self._is_open = True  # False while _db only stands in for the record
        self._is_held = False
        self._unwritten: Unwritten | None = None
        self._who = ""
        self._lock: WatchLock | None = None
        self.dropped_samples = 0
        self.begun_anew: str | None = None

    # --- opening and closing

    @classmethod
    def open(cls, path: Path, *, create: bool = True, make_parents: bool = False) -> Self:
        """Open the record for reading and writing; see Database.open."""
        store = cls(Database.open(path, create=create, make_parents=make_parents))
        try:
            store._last_batch_id = store._newest_batch_id()
        except BaseException:
            store._db.close()
            raise
        return store

    @classmethod
    def open_alone(cls, path: Path, who: str, *, make_parents: bool = False) -> Self:
        """Open the record to feed it samples, as one process at a time may; who: see WatchLock.

        Raises WatchedRecordError, which names the one that does already.
        """
        lock = WatchLock.take(path, who, make_parents=make_parents)
        try:
            store = cls.open(path)
        except BaseException:
            lock.release()
            raise
        store._who, store._lock = who, lock
        return store

    @classmethod
    def open_for_watch(
        cls,
        path: Path,
        *,
        who: str = "potvigil watch",
        make_parents: bool = False,
        unwritten: Path | None = None,
    ) -> Self:
        """Open the record for a watch, which watches whatever became of its record.

        A damaged one is moved aside and a new one begun. One that cannot be written is read, or done without
        where not even that can be; each flush tries again, and raises for as long as it fails. Of all
        RecordErrors it raises only WatchedRecordError. who: see WatchLock. unwritten: where samples are kept
        that are not written yet, so that a killed watch loses none of them.
        """
        lock: WatchLock | None = None
        try:
            lock = WatchLock.take(path, who, make_parents=make_parents)
            store = cls.open(path)
        except WatchedRecordError:
            raise
        except DamagedRecordError as error:
            store = cls(Database.stand_in(path))
            store.begin_anew(error)
        except RecordError as error:
            store = cls(_readable(path))
            store._is_open, store._failure = False, error
            store._last_batch_id = store._newest_batch_id()
        store._who, store._lock = who, lock
        store._unwritten = None if unwritten is None else Unwritten(unwritten)
        return store

    def begin_anew(self, error: DamagedRecordError) -> None:
        """Move a damaged record aside and begin a new one, or do without where even that cannot be."""
        self.do_without(error)
        try:
            aside = move_aside(self.path)
            self._db = Database.open(self.path)
        except RecordError as refused:
            self._failure = refused
            return
        self._is_open, self._failure = True, None
        self.begun_anew = (
            f"The record was damaged. It is kept as {aside}, and a new one was begun: "
            "a batch that was open goes on as a new one."
        )

    def do_without(self, error: RecordError) -> None:
        """Close a record that cannot even be read, and go on with an empty one in memory until it can."""
        self._db.close()
        self._db = Database.stand_in(self.path)
        self._is_open, self._failure = False, error
        self._samples.clear()
        self._traces.clear()
        self._urgent.clear()
        self._last_batch_id, self._run_id, self._commands_read_at = 0, None, None

    @classmethod
    def open_read_only(cls, path: Path) -> Self:
        """Open an existing record for reading; the file is never changed."""
        return cls(Database.open_read_only(path))

    def close(self) -> None:
        """Write what is queued and close; raises as `flush` does but closes; may be repeated."""
        try:
            if self._samples or self._traces or self._urgent:
                self.flush()
        finally:
            self._db.close()
            self.let_go()
            if self._unwritten is not None:
                self._unwritten.close()
            self._samples.clear()
            self._traces.clear()
            self._urgent.clear()

    def let_go(self) -> None:
        """Let another process feed the record, as the kernel does when this one dies; may be repeated."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def check(self) -> None:
        """Read the whole file and raise DamagedRecordError if its structure is broken; seconds per 100 MB."""
        (answer,) = self._db.rows("PRAGMA quick_check(1)")[0]
        if answer != "ok":
            raise self._db.damaged(answer.splitlines()[-1])

    # --- what the watch writes

    def begin_run(
        self, settings_json: str, boot_id: str, boot_s: float, utc_s: float | None, rehearsed: str | None
    ) -> float:
        """Begin a run and return the axis offset, s: t_s = boot time + offset.

        The axis never runs backwards. Within one boot the offset stays. After a reboot the gap is that of UTC
        where both ends know it; else the axis goes on right after the last stored instant, and the run's
        `gap_known` is False. What the last run left in memory is taken back first.
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

    def append(self, pot_id: str, sample: Sample) -> None:
        """Keep a sample; it is written with the next commit."""
        if len(self._samples) == BUFFER_SAMPLES:
            self.dropped_samples += 1
        self._samples.append((pot_id, sample))
        if self._unwritten is not None:
            self._unwritten.add(pot_id, sample)

    def trace_due(self, pot_id: str, t_s: float) -> bool:
        """Return whether what the watch knows of a pot is to be kept again."""
        return t_s >= self._trace_due_s.get(pot_id, float("-inf"))

    def append_trace(self, pot_id: str, row: TraceRow) -> None:
        """Keep what the watch knows; it is written with the next commit."""
        self._trace_due_s[pot_id] = row.t_s + TRACE_PERIOD_S
        self._traces.append((pot_id, row))

    def commit_due(self, t_s: float) -> None:
        """Write the queue if a commit is due at `t_s`; to be called at the end of each tick.

        Raises a RecordError for as long as the record refuses; tries again each RETRY_PERIOD_S.
        """
        if t_s >= self._due_s:
            self._due_s = t_s + RETRY_PERIOD_S
            self.flush()
            self._due_s = t_s + SAMPLE_COMMIT_PERIOD_S
        elif self._failure is not None:
            raise type(self._failure)(str(self._failure))

    def flush(self) -> None:
        """Write all that is queued, in one transaction; when refused, raise and keep it queued."""
        try:
            if not self._is_open:
                self._open_again()
            with self._db.transaction(durable=bool(self._urgent)):
                self._write_samples()
                self._write_traces()
                for sql, values in self._urgent:
                    self._db.execute(sql, values)
        except RecordError as error:
            self._failure = error
            raise
        self._failure = None
        self._samples.clear()
        self._traces.clear()
        self._urgent.clear()
        self._taken_unwritten.clear()
        if self._unwritten is not None:
            self._unwritten.drop()

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold back what is to be written at once, until the next `commit_due` or `flush`.

        A slow card takes seconds a time: a tick in which much happens must not wait for it again and again.
        """
        self._is_held = True
        try:
            yield
        finally:
            self._is_held = False

    def open_batch(self, pot_id: str, event: BatchOpened) -> int:
        """Open a batch and return its number."""
        with suppress(RecordError):  # a disk that has gone must not stop the numbering
            self._last_batch_id = max(self._last_batch_id, self._newest_batch_id())
        self._last_batch_id += 1
        batch_id = self._last_batch_id
        self._add_pot(pot_id)
        self._write_at_once(
            f"INSERT INTO batch (id, pot, run, start_t_s, start_utc_s) VALUES (?, {_POT}, ?, ?, ?)",
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
            "INSERT INTO event (pot, batch, t_s, utc_s, kind, alarm, line) "
            f"VALUES ({_POT}, ?, ?, ?, ?, ?, ?)",
            (pot_id, batch_id, event.t_s, event.utc_s, KINDS[type(event)], alarm, to_text(event)),
        )

    def add_edit(self, batch_id: int, event: EditEvent) -> None:
        """Keep a change of a detail of an open batch."""
        self._write_at_once(*_edit(batch_id, event.field, event.new, event.by, event.t_s, event.utc_s))

    def take_commands(self, t_s: float) -> list[tuple[str, Command]]:
        """Return the commands nobody has taken yet, as (pot, command), in order; each is taken once.

        One that was asked of an earlier watch, or too long ago, is refused: who asked has given up on it.
        """
        version = self._db.rows("PRAGMA data_version")[0][0]
        if version == self._commands_read_at and not self._asked_here:
            return []  # no other connection has written since: a tick costs no more than this
        most = COMMANDS_A_TICK + len(self._taken_unwritten)
        rows = self._db.rows(
            f"SELECT c.run, c.asked_boot_s, {_COMMAND} WHERE c.t_s IS NULL AND c.outcome IS NULL "
            f"ORDER BY c.id LIMIT {most}"
        )
        self._commands_read_at, self._asked_here = version, len(rows) == most
        taken: list[tuple[str, Command]] = []
        for run_id, asked_boot_s, pot_id, *row in rows:
            command, number = _command(row, t_s), row[-1]
            if number in self._taken_unwritten:
                continue
            self._taken_unwritten.add(number)
            why: str | None = None
            if run_id != self._run_id:
                why = NOBODY
            elif asked_boot_s is None or not 0.0 <= _boot_s() - asked_boot_s <= COMMAND_LASTS_S:
                why = LATE
            # what the watch asked itself is for the batch it opened, and outlives it with that
            if why is not None and command.by != LAST_BATCH:
                self._queue_answer(number, Answer(Outcome.REFUSED, why))
                continue
            # whoever gave up on it a moment ago was too late
            sql = "UPDATE command SET t_s = ?, outcome = NULL, answer = NULL WHERE id = ?"
            self._urgent.append((sql, (t_s, number)))
            taken.append((pot_id, command))
        if rows:
            self._try_now()
        return taken

    def answer(self, command: Command, answer: Answer) -> None:
        """Say what became of a command that was taken."""
        if command.row is not None:
            self._queue_answer(command.row, answer)
            self._try_now()

    # --- what others write

    def add_command(
        self,
        pot_id: str,
        action: Action,
        utc_s: float | None,
        *,
        alarm: AlarmId | None = None,
        text: str = "",
        duration_s: float | None = None,
        by: str = "",
        field: Detail | None = None,
    ) -> range:
        """Ask something of the watch of a pot; fields as of Command. Otherwise as `add_commands`."""
        return self.add_commands([(pot_id, Command(action, 0.0, alarm, text, duration_s, by, field))], utc_s)

    def add_commands(self, asked: Sequence[tuple[str, Command]], utc_s: float | None) -> range:
        """Ask several things, as (pot, command), in one go; return the numbers of their rows.

        What became of them is to be had by `asked`. Raises when they could not be written.
        """
        self._asked_here = True
        with self._db.transaction(durable=True):
            self._db.execute_many(
                "INSERT OR IGNORE INTO pot (name) VALUES (?)", [(pot_id,) for pot_id, _ in asked]
            )
            self._db.execute_many(
                "INSERT INTO command (pot, action, alarm, text, duration_s, by, field, written_utc_s, "
                f"asked_boot_s, run) VALUES ({_POT}, ?, ?, ?, ?, ?, ?, ?, ?, "
                "coalesce(?, (SELECT max(id) FROM run)))",
                [
                    (
                        pot_id,
                        c.action,
                        c.alarm,
                        c.text,
                        c.duration_s,
                        c.by,
                        c.field,
                        utc_s,
                        _boot_s(),
                        self._run_id,
                    )
                    for pot_id, c in asked
                ],
            )
            last: int = self._db.rows("SELECT coalesce(max(id), 0) FROM command")[0][0]
        return range(last - len(asked) + 1, last + 1)

    def asked(self, commands: range) -> list[AskedRow]:
        """Return what became of commands so far, in order."""
        return self._db.read(
            _asked,
            "SELECT p.name, c.t_s, c.outcome, c.answer FROM command c JOIN pot p ON p.id = c.pot "
            "WHERE c.id >= ? AND c.id < ? ORDER BY c.id",
            (commands.start, commands.stop),
        )

    def give_up(self, commands: range, why: str) -> None:
        """Refuse those of the commands that no watch has taken. Raises when it could not be written."""
        with self._db.transaction(durable=True):
            self._db.execute(
                "UPDATE command SET outcome = ?, answer = ? "
                "WHERE id >= ? AND id < ? AND t_s IS NULL AND outcome IS NULL",
                (Outcome.REFUSED, why, commands.start, commands.stop),
            )

    def add_edits(
        self,
        pot_id: str,
        details: Mapping[Detail, str],
        by: str,
        utc_s: float | None,
        *,
        opening: bool = False,
    ) -> range:
        """Ask the watch of a pot to change details of its open batch, or to open one with them, at once.

        Otherwise as `add_commands`.
        """
        asked = [Command(Action.OPEN, 0.0, by=by)] if opening else []
        asked += [Command(Action.EDIT, 0.0, text=text, by=by, field=field) for field, text in details.items()]
        return self.add_commands([(pot_id, command) for command in asked], utc_s)

    def edit(self, batch_id: int, details: Mapping[Detail, str], by: str, utc_s: float | None) -> None:
        """Change details of a closed batch; what stands already stays.

        Raises UnknownBatchError, or as `flush` does (it stays queued).
        """
        self.batch(batch_id)
        known = {edit.field: edit for edit in self.edits(batch_id)}
        for field, text in details.items():
            last = known.get(field)
            if last is None or last.new != text or last.by == LAST_BATCH:
                self._urgent.append(_edit(batch_id, field, text, by, None, utc_s))
        self.flush()

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
        """Keep that a pot was given care at `utc_s`. Raises when it could not be written.

        due_utc_s: when it is to be done again. leak_pa_per_s: what a tightness test found; readings: what it
        read, with pressures as in a recorded log.
        """
        leak = leak_pa_per_s
        rate = (None, None, None) if leak is None else (leak.value, leak.low, leak.high)
        with self._db.transaction(durable=True):
            self._db.execute("INSERT OR IGNORE INTO pot (name) VALUES (?)", (pot_id,))
            self._db.execute(
                "INSERT INTO care (pot, utc_s, part, text, by, written_utc_s, due_utc_s, leak_pa_per_s, "
                "leak_low_pa_per_s, leak_high_pa_per_s, readings) "
                f"VALUES ({_POT}, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(pot_id, utc_s, part, text, by, now_utc_s, due_utc_s, *rate),
                    None if readings is None else readings_to_text(readings),
                ),
            )

    def remove_care(self, pot_id: str, care_id: int) -> bool:
        """Take back a note of care; return whether there was one."""
        with self._db.transaction(durable=True):
            return bool(
                self._db.execute(f"DELETE FROM care WHERE id = ? AND pot = {_POT}", (care_id, pot_id))
            )

    # --- wall times

    def mend_times(
        self, boot_id: str, to_t_s: float, utc_less_t_s: float, *, was_set: bool
    ) -> Iterator[None]:
        """Date anew what this boot kept before `to_t_s` without a wall time or with another, bit by bit.

        Within a boot t_s is the truth, and utc_s = t_s + utc_less_t_s once the clock is set. was_set: it was
        set under a running watch, so that a run may have begun with the right time and gone on with another.
        Each step is for a tick of its own; what is not done to the end is begun again by the next watch.
        Raises as `flush`.
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

    # --- queries

    def pots(self) -> list[str]:
        """Return the pots the record knows, in the order they came."""
        return [name for (name,) in self._db.rows("SELECT name FROM pot ORDER BY id")]

    def runs(self) -> list[RunRow]:
        """Return all runs, the oldest first."""
        return self._db.read(_run_row, f"SELECT {_RUN} FROM run ORDER BY id")

    def last_run(self) -> RunRow | None:
        """Return the newest run, None when there was none."""
        runs = self._db.read(_run_row, f"SELECT {_RUN} FROM run ORDER BY id DESC LIMIT 1")
        return runs[0] if runs else None

    def batches(self, pot_id: str | None = None, limit: int | None = None) -> list[BatchRow]:
        """Return the batches of a pot or of all, the newest first, at most `limit`."""
        return self._db.read(
            _batch_row,
            f"SELECT {_BATCH} WHERE ? IS NULL OR p.name = ? ORDER BY b.id DESC LIMIT ?",
            (pot_id, pot_id, -1 if limit is None else limit),
        )

    def listed(self, wanted: Wanted | None = None) -> list[ListedBatch]:
        """Return the batches that are wanted, the newest first; 30 us each."""
        where, values = (wanted or Wanted()).sql()
        return self._db.read(_listed, f"SELECT {_LISTED} {where}", values)

    def leaks(self, pot_id: str) -> list[LeakRow]:
        """Return the leak of each closed batch of a pot, the oldest first; 3 us each."""
        return self._db.read(
            _leak,
            "SELECT b.id, coalesce(b.leak_t_s, b.end_t_s), b.start_utc_s, b.leak_pa_per_s, "
            "b.leak_low_pa_per_s, b.leak_high_pa_per_s, b.leak_established, b.verdict, r.rehearsed "
            "FROM batch b LEFT JOIN run r ON r.id = b.run "
            f"WHERE b.pot = {_POT} AND b.verdict IS NOT NULL ORDER BY b.id",
            (pot_id,),
        )

    def count(self, wanted: Wanted | None = None) -> int:
        """Return how many batches are wanted, whatever the limit."""
        where, values = (wanted or Wanted()).where()
        found: int = self._db.rows(
            f"SELECT count(*) FROM batch b JOIN pot p ON p.id = b.pot {where}", values
        )[0][0]
        return found

    def batch(self, batch_id: int) -> BatchRow:
        """Return a batch; raises UnknownBatchError, which says what batches there are."""
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
        """Return the batch a restart must feed again.

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
        """Return what night a batch rehearsed, None for a real one."""
        return self.batch(batch_id).rehearsed

    def edits(self, batch_id: int) -> list[EditRow]:
        """Return the changes of a batch's details, the oldest first."""
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

    def moments(self, pot_id: str, from_t_s: float) -> list[float]:
        """Return when something happened to a pot, was asked, or a run began, from `from_t_s` on."""
        rows = self._db.rows(
            "SELECT e.t_s FROM event e JOIN pot p ON p.id = e.pot WHERE p.name = ?1 AND e.t_s >= ?2 "
            "UNION SELECT c.t_s FROM command c JOIN pot p ON p.id = c.pot WHERE p.name = ?1 AND c.t_s >= ?2 "
            "UNION SELECT start_t_s FROM run WHERE start_t_s >= ?2",
            (pot_id, from_t_s),
        )
        return [t_s for (t_s,) in rows]

    def standing_alarms(self) -> list[tuple[str, AlarmEvent]]:
        """Return the latest event of each alarm that is not normal, as (pot, event), the oldest first."""
        latest = self._db.read(
            lambda row: (row[0], event_from_text("alarm", row[1])),
            "SELECT p.name, e.line FROM event e JOIN pot p ON p.id = e.pot WHERE e.id IN "
            "(SELECT max(id) FROM event WHERE alarm IS NOT NULL GROUP BY pot, alarm) ORDER BY e.id",
        )
        return [(p, e) for p, e in latest if isinstance(e, AlarmEvent) and e.state is not AlarmState.NORMAL]

    def samples(self, pot_id: str, from_t_s: float, to_t_s: float | None = None) -> Iterator[Sample]:
        """Yield the samples of a pot from `from_t_s` to `to_t_s` (both included), as they were appended.

        Read in chunks, so that a slow reader never holds the write-ahead log.
        """
        after = ">="
        while True:
            samples = self._db.read(
                _sample,
                f"SELECT {_SAMPLE} FROM sample WHERE pot = {_POT} AND t_s {after} ? AND t_s <= ? "
                f"ORDER BY t_s LIMIT {_CHUNK_ROWS}",
                (pot_id, from_t_s, float("inf") if to_t_s is None else to_t_s),
            )
            yield from samples
            if len(samples) < _CHUNK_ROWS:
                return
            from_t_s, after = samples[-1].t_s, ">"

    def traces(self, pot_id: str, from_t_s: float, to_t_s: float | None = None) -> list[TraceRow]:
        """Return what the watch knew of a pot from `from_t_s` to `to_t_s` (both included), in order."""
        return self._db.read(
            _trace,
            f"SELECT {_TRACE} FROM trace WHERE pot = {_POT} AND t_s >= ? AND t_s <= ? ORDER BY t_s",
            (pot_id, from_t_s, float("inf") if to_t_s is None else to_t_s),
        )

    def cares(self, pot_id: str) -> list[CareRow]:
        """Return the care a pot was given, the oldest first."""
        return self._db.read(
            _care,
            "SELECT id, utc_s, coalesce((SELECT coalesce(b.end_t_s, b.start_t_s) FROM batch b WHERE "
            "b.pot = c.pot AND b.start_utc_s <= c.utc_s ORDER BY b.start_utc_s DESC LIMIT 1), -1e300), "
            "part, text, by, due_utc_s, leak_pa_per_s, leak_low_pa_per_s, leak_high_pa_per_s "
            f"FROM care c WHERE pot = {_POT} ORDER BY utc_s, id",
            (pot_id,),
        )

    def taught(
        self, pot_id: str, *, rehearsed: bool, before: int | None = None, limit: int = 1
    ) -> list[TaughtRow]:
        """Return what the newest batches that taught left known of a pot, the newest first.

        rehearsed: by batches that were rehearsed or replayed, or by real ones; never by both. before: only
        batches with a lower number.
        """
        return self._db.read(
            lambda row: TaughtRow(*row),
            "SELECT t.batch, coalesce(b.end_t_s, b.start_t_s), coalesce((SELECT new FROM edit WHERE "
            "batch = b.id AND field = ? ORDER BY id DESC LIMIT 1), ''), t.batches, t.found "
            "FROM taught t JOIN batch b ON b.id = t.batch LEFT JOIN run r ON r.id = b.run "
            f"WHERE b.pot = {_POT} AND t.batch < ? AND (r.rehearsed IS NOT NULL) = ? "
            "ORDER BY t.batch DESC LIMIT ?",
            (Detail.MOULD, pot_id, 2**63 - 1 if before is None else before, rehearsed, limit),
        )

    def readings(self, care_id: int) -> list[Sample]:
        """Return what a tightness test read, the first at 0 s; empty where nothing was kept."""
        rows = self._db.read(
            lambda row: readings_from_text(row[0]),
            "SELECT readings FROM care WHERE id = ? AND readings IS NOT NULL",
            (care_id,),
        )
        return rows[0] if rows else []

    def curve(
        self,
        pot_id: str,
        from_s: float,
        to_s: float,
        count: int,
        *,
        usual_supply: float | None,
        ambient: bool,
        thinned: bool,
    ) -> list[curves.Bucket]:
        """Return what was read in equal stretches of time; see record/curve.py, also for the next three."""
        return list(
            curves.buckets(
                self._db,
                pot_id,
                from_s,
                to_s,
                count,
                usual_supply=usual_supply,
                ambient=ambient,
                thinned=thinned,
            )
        )

    def extent(self, pot_id: str, from_s: float, to_s: float, most: int) -> curves.Extent:
        return curves.extent(self._db, pot_id, from_s, to_s, most)

    def settings_within(self, from_s: float, to_s: float) -> list[tuple[float, str]]:
        return curves.settings_within(self._db, from_s, to_s)

    def utc_less_t_s(self, pot_id: str, to_s: float) -> float | None:
        return curves.utc_less_t_s(self._db, pot_id, to_s)

    def last_sample(self, pot_id: str) -> Sample | None:
        """Return the last sample of a pot that is written, None when there is none."""
        samples = self._db.read(
            _sample,
            f"SELECT {_SAMPLE} FROM sample WHERE pot = {_POT} ORDER BY t_s DESC LIMIT 1",
            (pot_id,),
        )
        return samples[0] if samples else None

    def commands(self, pot_id: str, from_t_s: float, to_t_s: float | None = None) -> list[Command]:
        """Return the commands a pot's watch took from `from_t_s` to `to_t_s` (both included), in order."""
        return self._db.read(
            lambda row: _command(row[2:], row[0]),
            f"SELECT c.t_s, {_COMMAND} WHERE p.name = ? AND c.t_s >= ? AND c.t_s <= ? ORDER BY c.t_s, c.id",
            (pot_id, from_t_s, float("inf") if to_t_s is None else to_t_s),
        )

    # --- within

    def _newest_batch_id(self) -> int:
        newest: int = self._db.rows("SELECT coalesce(max(id), 0) FROM batch")[0][0]
        return newest

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
        # Within a run both clocks advance alike: any instant of it that knows UTC dates its last one.
        dated = [(t_s, utc) for t_s, utc in instants if utc is not None and t_s >= run_t_s]
        if utc_s is None or not dated:
            return last_t_s + _LEAST_GAP_S - boot_s, False
        t_s, dated_utc_s = max(dated)
        gap_s = utc_s - (dated_utc_s + last_t_s - t_s)
        return last_t_s + max(gap_s, _LEAST_GAP_S) - boot_s, gap_s >= 0.0

    def _open_again(self) -> None:
        """Open the record that could not be written when the watch began; raises while it cannot."""
        if self._lock is None:
            self._lock = WatchLock.take(self.path, self._who)
        db = Database.open(self.path)
        (last_run,) = db.rows("SELECT coalesce(max(id), 0) FROM run")[0]
        if self._run_id is not None and last_run != self._run_id - 1:
            db.close()
            raise UnwritableRecordError(
                f"the record {self.path} could not be read when the watch began, and now it can; "
                "restart the watch to go on with it"
            )
        self._db.close()
        self._db, self._is_open, self._commands_read_at = db, True, None

    def _queue_answer(self, row: int, answer: Answer) -> None:
        sql = "UPDATE command SET outcome = ?, answer = ? WHERE id = ?"
        self._urgent.append((sql, (answer.outcome, answer.text, row)))

    def _add_pot(self, pot_id: str) -> None:
        self._urgent.append(("INSERT OR IGNORE INTO pot (name) VALUES (?)", (pot_id,)))

    def _write_at_once(self, sql: str, values: tuple[Any, ...]) -> None:
        self._urgent.append((sql, values))
        self._try_now()

    def _try_now(self) -> None:
        """Write the queue; when refused, leave it to the next `commit_due` to try again and to say so."""
        try:
            if self._is_held:
                self._due_s = float("-inf")
            else:
                self.flush()
        except RecordError:
            self._due_s = float("-inf")

    def _write_traces(self) -> None:
        self._db.execute_many(
            f"INSERT OR IGNORE INTO trace (pot, {_TRACE}) VALUES ({_POT}"
            + ", ?" * len(_TRACE.split(","))
            + ")",
            ((pot_id, *_trace_values(row)) for pot_id, row in self._traces),
        )

    def _write_samples(self) -> None:
        names = {pot_id for pot_id, _ in self._samples}
        self._db.execute_many("INSERT OR IGNORE INTO pot (name) VALUES (?)", ((name,) for name in names))
        numbers: dict[str, int] = dict(self._db.rows("SELECT name, id FROM pot"))
        # OR IGNORE: one row that is refused (the same instant twice) must not hold up all others for ever.
        self._db.execute_many(
            f"INSERT OR IGNORE INTO sample (pot, {_SAMPLE}) VALUES (?{', ?' * len(_SAMPLE.split(','))})",
            ((numbers[pot_id], *sample_values(s), faults_to_text(s.faults)) for pot_id, s in self._samples),
        )


# What else has a wall time; the runs last, because they tell what there is to mend.
_WRONG = "{0}t_s >= ?2 AND {0}t_s < ?3 AND ({0}utc_s IS NULL OR abs({0}utc_s - {0}t_s - ?1) > ?4)"
_MENDED = (
    "UPDATE event SET utc_s = t_s + ?1, line = CASE kind WHEN 'batch-closed' THEN json_set(line, "
    "'$.utc_s', t_s + ?1, '$.summary.start_utc_s', json_extract(line, '$.summary.start_s') + ?1) "
    f"ELSE json_set(line, '$.utc_s', t_s + ?1) END WHERE {_WRONG.format('')}",
    f"UPDATE edit SET utc_s = t_s + ?1 WHERE {_WRONG.format('')}",
    "UPDATE batch SET start_utc_s = start_t_s + ?1, "
    f"summary = json_set(summary, '$.start_utc_s', start_t_s + ?1) WHERE {_WRONG.format('start_')}",
    f"UPDATE batch SET end_utc_s = end_t_s + ?1 WHERE {_WRONG.format('end_')}",
    f"UPDATE run SET start_utc_s = start_t_s + ?1 WHERE {_WRONG.format('start_')}",
)
_POT = "(SELECT id FROM pot WHERE name = ?)"
# Each in the order of the fields of what it becomes.
_SAMPLE = f"{', '.join(SAMPLE_COLUMNS)}, faults"
_TRACE = (
    "t_s, stage, gauge_pa, corrected_gauge_pa, gas_k, wall_k, room_k, contents_k, leak_pa_per_s, "
    "leak_low_pa_per_s, leak_high_pa_per_s, leak_established, floor_s, floor_earliest_s, floor_latest_s, "
    "cure_progress, cure_done_s"
)
_RUN = "id, boot_id, start_t_s, axis_offset_s, start_utc_s, settings, rehearsed, version, gap_known"
_BATCH = (
    "b.id, p.name, b.run, b.start_t_s, b.start_utc_s, b.end_t_s, b.end_utc_s, "
    "(SELECT json_group_object(field, new) FROM edit WHERE id IN "
    "(SELECT max(id) FROM edit WHERE batch = b.id GROUP BY field)), "
    "r.rehearsed, b.verdict, b.summary "
    "FROM batch b JOIN pot p ON p.id = b.pot LEFT JOIN run r ON r.id = b.run"
)
_LISTED = (
    "b.id, p.name, b.start_t_s, b.start_utc_s, b.end_t_s, b.end_utc_s, r.rehearsed, b.verdict, "
    "(SELECT json_group_object(field, new) FROM edit WHERE id IN "
    "(SELECT max(id) FROM edit WHERE batch = b.id GROUP BY field)), "
    "b.leak_pa_per_s, b.leak_low_pa_per_s, b.leak_high_pa_per_s, b.leak_t_s, b.leak_established, b.alarms "
    "FROM batch b JOIN pot p ON p.id = b.pot LEFT JOIN run r ON r.id = b.run"
)
_COMMAND = (
    "p.name, c.action, c.alarm, c.text, c.duration_s, c.by, c.field, c.id "
    "FROM command c JOIN pot p ON p.id = c.pot"
)


def _boot_s() -> float:
    """Return the clock that never jumps, s; what other processes ask is dated by it, also in a rehearsal."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def _readable(path: Path) -> Database:
    try:
        return Database.open_read_only(path)
    except RecordError:
        return Database.stand_in(path)


def _sample(row: Any) -> Sample:
    *read, faults = row
    return Sample(*(*read, faults_from_text(faults)))


def _run_row(row: Any) -> RunRow:
    *plain, gap_known = row
    return RunRow(*(*plain, bool(gap_known)))


def _batch_row(row: Any) -> BatchRow:
    *plain, details_text, rehearsed, verdict, summary_text = row
    details = {Detail(field): text for field, text in json.loads(details_text).items()}
    summary = None
    if summary_text is not None:
        # Written when the batch closed; its details may have been changed since.
        summary = replace(summary_from_text(summary_text), details=details)
    judged = None if verdict is None else Verdict(verdict)
    return BatchRow(*(*plain, details, rehearsed, judged, summary))


def _listed(row: Any) -> ListedBatch:
    *plain, verdict, details_text, value, low, high, leak_t_s, established, alarms = row
    details = {Detail(field): text for field, text in json.loads(details_text).items()}
    leak = None if value is None else Interval(value, low, high)
    judged = None if verdict is None else Verdict(verdict)
    return ListedBatch(*(*plain, judged, details, leak, leak_t_s, bool(established), alarms or 0))


def _leak(row: Any) -> LeakRow:
    batch_id, t_s, utc_s, value, low, high, established, verdict, rehearsed = row
    rate = None if value is None else Interval(value, low, high)
    return LeakRow(batch_id, t_s, utc_s, rate, bool(established), Verdict(verdict), rehearsed)


def _care(row: Any) -> CareRow:
    *plain, value, low, high = row
    return CareRow(*(*plain, None if value is None else Interval(value, low, high)))


def _trace(row: Any) -> TraceRow:
    t_s, stage, *known, value, low, high, established = row[:12]
    leak = None if value is None else Interval(value, low, high)
    return TraceRow(*(t_s, Stage(stage), *known, leak, bool(established), *row[12:]))


def _trace_values(row: TraceRow) -> tuple[Any, ...]:
    leak = row.leak_pa_per_s
    rate = (None, None, None) if leak is None else (leak.value, leak.low, leak.high)
    return (
        *(row.t_s, row.stage, row.gauge_pa, row.corrected_gauge_pa),
        *(row.gas_k, row.wall_k, row.room_k, row.contents_k),
        *(*rate, row.leak_established, row.floor_s, row.floor_earliest_s, row.floor_latest_s),
        *(row.cure_progress, row.cure_done_s),
    )


def _command(row: Any, t_s: float) -> Command:
    action, alarm, text, duration_s, by, field, number = row
    return Command(
        Action(action),
        t_s,
        None if alarm is None else AlarmId(alarm),
        text,
        duration_s,
        by,
        None if field is None else Detail(field),
        number,
    )


def _asked(row: Any) -> AskedRow:
    pot_id, t_s, outcome, answer = row
    return AskedRow(
        pot_id, t_s is not None, None if outcome is None else Answer(Outcome(outcome), answer or "")
    )


def _edit(
    batch_id: int, field: Detail, new: str, by: str, t_s: float | None, utc_s: float | None
) -> tuple[str, tuple[Any, ...]]:
    """Return statement and values that keep an edit; what it replaces is what the record has."""
    return (
        "INSERT INTO edit (batch, field, old, new, by, t_s, utc_s) VALUES (?1, ?2, coalesce("
        "(SELECT new FROM edit WHERE batch = ?1 AND field = ?2 ORDER BY id DESC LIMIT 1), ''), "
        "?3, ?4, ?5, ?6)",
        (batch_id, field, new, by, t_s, utc_s),
    )
