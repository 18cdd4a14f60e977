"""The queue: kept in memory, written in one transaction."""

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Self

from potvigil.model.reading import Sample
from potvigil.record.codec import SAMPLE_COLUMNS, sample_values
from potvigil.record.database import Database
from potvigil.record.errors import RecordError, UnwritableRecordError
from potvigil.record.lock import WatchLock
from potvigil.record.readable import Readable
from potvigil.record.rows import TraceRow
from potvigil.record.spool import Unwritten
from potvigil.record.tables.faults import numbers_of

# Measured on ext4, each commit flushed: one pot at 1 Hz writes 33 MB in 10 h at 60 s, 52 MB at 30 s.
SAMPLE_COMMIT_PERIOD_S = 60.0
# After a refused write; not every second, because each try on a locked file waits for its timeout.
RETRY_PERIOD_S = 10.0
# Kept while the disk refuses: 12 h of one pot at 1 Hz, about 15 MB.
BUFFER_SAMPLES = 43_200
# Traces of what the watch knew, enough for a chart as wide as a page. While the disk refuses: 12 h of six
# pots.
TRACE_PERIOD_S = 60.0
BUFFER_TRACES = 4320


class Ledger:
    """An open record and its queue; see Store."""

    def __init__(self, db: Readable) -> None:
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
        self._is_open = True  # False while _db is a stand-in for the record
        self._is_held = False
        self._unwritten: Unwritten | None = None
        self._who = ""
        self._lock: WatchLock | None = None
        self.dropped_samples = 0
        self.begun_anew: str | None = None

    def close(self) -> None:
        """Write the queue and close; raises as `flush` does, but closes anyway; may be repeated."""
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

    def commit_due(self, t_s: float) -> None:
        """Write the queue if a commit is due at `t_s`; to be called at the end of each tick.

        Raises a RecordError as long as writes are refused; retries every RETRY_PERIOD_S.
        """
        if t_s >= self._due_s:
            self._due_s = t_s + RETRY_PERIOD_S
            self.flush()
            self._due_s = t_s + SAMPLE_COMMIT_PERIOD_S
        elif self._failure is not None:
            raise type(self._failure)(str(self._failure))

    def flush(self) -> None:
        """Write the whole queue in one transaction; when refused, raise and keep it."""
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
        """Hold back writes until the next `commit_due` or `flush`.

        A slow card takes seconds for each: a busy tick must not wait for it again and again.
        """
        self._is_held = True
        try:
            yield
        finally:
            self._is_held = False

    def _open_again(self) -> None:
        """Open the record that could not be written when the watch started; raises while it still cannot."""
        if self._lock is None:
            self._lock = WatchLock.take(self.path, self._who)
        db = Database.open(self.path)
        (last_run,) = db.rows("SELECT coalesce(max(id), 0) FROM run")[0]
        if self._run_id is not None and last_run != self._run_id - 1:
            db.close()
            raise UnwritableRecordError(
                f"the record {self.path} could not be read when the watch started, but now it can; restart "
                "the watch to continue it"
            )
        self._db.close()
        self._db, self._is_open, self._commands_read_at = db, True, None

    def append(self, pot_id: str, sample: Sample) -> None:
        """Queue a sample for the next commit."""
        if len(self._samples) == BUFFER_SAMPLES:
            self.dropped_samples += 1
        self._samples.append((pot_id, sample))
        if self._unwritten is not None:
            self._unwritten.add(pot_id, sample)

    def trace_due(self, pot_id: str, t_s: float) -> bool:
        """Return whether a trace of a pot is due."""
        return t_s >= self._trace_due_s.get(pot_id, float("-inf"))

    def append_trace(self, pot_id: str, row: TraceRow) -> None:
        """Queue a trace of what the watch knows for the next commit."""
        self._trace_due_s[pot_id] = row.t_s + TRACE_PERIOD_S
        self._traces.append((pot_id, row))

    def _add_pot(self, pot_id: str) -> None:
        self._urgent.append(("INSERT OR IGNORE INTO pot (name) VALUES (?)", (pot_id,)))

    def _write_at_once(self, sql: str, values: tuple[Any, ...]) -> None:
        self._urgent.append((sql, values))
        self._try_now()

    def _try_now(self) -> None:
        """Write the queue; when refused, leave it to the next `commit_due` to retry and report it."""
        try:
            if self._is_held:
                self._due_s = float("-inf")
            else:
                self.flush()
        except RecordError:
            self._due_s = float("-inf")

    def _write_traces(self) -> None:
        self._db.execute_many(
            f"INSERT OR IGNORE INTO trace (pot, {TRACE}) VALUES ({POT}" + ", ?" * len(TRACE.split(",")) + ")",
            ((pot_id, *_trace_values(row)) for pot_id, row in self._traces),
        )

    def _write_samples(self) -> None:
        names = {pot_id for pot_id, _ in self._samples}
        self._db.execute_many("INSERT OR IGNORE INTO pot (name) VALUES (?)", ((name,) for name in names))
        numbers: dict[str, int] = dict(self._db.rows("SELECT name, id FROM pot"))
        faults = numbers_of(self._db, (s.faults for _, s in self._samples))
        # OR IGNORE: one refused row (the same instant twice) must not block all others for ever.
        self._db.execute_many(
            f"INSERT OR IGNORE INTO sample (pot, {SAMPLE}) VALUES (?{', ?' * len(SAMPLE.split(','))})",
            ((numbers[pot_id], *sample_values(s), faults[s.faults]) for pot_id, s in self._samples),
        )


POT = "(SELECT id FROM pot WHERE name = ?)"
# Each in the order of the fields of what it becomes.
SAMPLE = f"{', '.join(SAMPLE_COLUMNS)}, faults"
TRACE = (
    "t_s, stage, gauge_pa, corrected_gauge_pa, gas_k, wall_k, room_k, contents_k, leak_pa_per_s, "
    "leak_low_pa_per_s, leak_high_pa_per_s, leak_established, floor_s, floor_earliest_s, floor_latest_s, "
    "cure_progress, cure_done_s"
)


def _trace_values(row: TraceRow) -> tuple[Any, ...]:
    leak = row.leak_pa_per_s
    rate = (None, None, None) if leak is None else (leak.value, leak.low, leak.high)
    return (
        *(row.t_s, row.stage, row.gauge_pa, row.corrected_gauge_pa),
        *(row.gas_k, row.wall_k, row.room_k, row.contents_k),
        *(*rate, row.leak_established, row.floor_s, row.floor_earliest_s, row.floor_latest_s),
        *(row.cure_progress, row.cure_done_s),
    )
