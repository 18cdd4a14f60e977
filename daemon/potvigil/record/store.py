"""The record: samples, events and commands in one SQLite file.

Several processes use the file at once: the watch writes samples and events, everybody else writes commands
and reads. A Store belongs to the thread that opened it: another thread opens its own.
"""

from pathlib import Path
from typing import Self

from potvigil.record.database import Database
from potvigil.record.errors import DamagedRecordError, RecordError, WatchedRecordError
from potvigil.record.file import move_aside
from potvigil.record.lock import WatchLock
from potvigil.record.spool import Unwritten
from potvigil.record.tables.batches import Batches
from potvigil.record.tables.commands import Commands
from potvigil.record.tables.deliveries import Deliveries
from potvigil.record.tables.faults import without_text
from potvigil.record.tables.maintenance import Maintenance
from potvigil.record.tables.runs import Runs
from potvigil.record.tables.samples import Samples


class Store(Runs, Samples, Batches, Commands, Maintenance, Deliveries):
    """An open record.

    What the watch writes (begin_run, append, open_batch, close_batch, add_event, add_edit, take_commands) is
    queued in memory first and never fails because of the disk. Samples are written once a
    SAMPLE_COMMIT_PERIOD_S; everything else is written at once, to the medium, with the samples before it.
    `commit_due` and `flush` raise when a write was refused; everything then stays queued and is retried. The
    queries see what is written, not what is queued.

    dropped_samples: how many were lost because the disk refused for longer than BUFFER_SAMPLES last.
    begun_anew: why a new record was started in place of a damaged one, None where none was.
    """

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
        """Open the record to feed it samples, which only one process at a time may; who: see WatchLock.

        Raises WatchedRecordError, which names the process that already does.
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
        """Open the record for a watch, which goes on watching whatever happens to its record.

        A damaged record is moved aside and a new one started. One that cannot be written is read, or done
        without if it cannot be read either; each flush retries, and raises as long as it fails. Of all
        RecordErrors it raises only WatchedRecordError. who: see WatchLock. unwritten: where samples not
        written yet are kept, so that a killed watch loses none of them.
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
        """Move a damaged record aside and start a new one, or do without if even that fails."""
        self.do_without(error)
        try:
            aside = move_aside(self.path)
            self._db = Database.open(self.path)
        except RecordError as refused:
            self._failure = refused
            return
        self._is_open, self._failure = True, None
        self.begun_anew = (
            f"The record was damaged. It was kept as {aside}, and a new one was started: an open batch "
            "continues as a new one."
        )

    def do_without(self, error: RecordError) -> None:
        """Close a record that cannot even be read, and continue with an empty one in memory until it can."""
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

    def check(self) -> None:
        """Read the whole file and raise DamagedRecordError if its structure is broken; seconds per 100 MB."""
        (answer,) = self._db.rows("PRAGMA quick_check(1)")[0]
        if answer != "ok":
            raise self._db.damaged(answer.splitlines()[-1])
        if lost := without_text(self._db):
            raise self._db.damaged(f"sample {lost[0][1]}: faults whose text is not there")

    def pots(self) -> list[str]:
        """Return the pots in the record, in the order of their first appearance."""
        return [name for (name,) in self._db.rows("SELECT name FROM pot ORDER BY id")]

    def moments(self, pot_id: str, from_t_s: float) -> list[float]:
        """Return the times of events and commands of a pot, and of starts of runs, from `from_t_s` on."""
        rows = self._db.rows(
            "SELECT e.t_s FROM event e JOIN pot p ON p.id = e.pot WHERE p.name = ?1 AND e.t_s >= ?2 "
            "UNION SELECT c.t_s FROM command c JOIN pot p ON p.id = c.pot WHERE p.name = ?1 AND c.t_s >= ?2 "
            "UNION SELECT start_t_s FROM run WHERE start_t_s >= ?2 ORDER BY 1",
            (pot_id, from_t_s),
        )
        return [t_s for (t_s,) in rows]


def _readable(path: Path) -> Database:
    try:
        return Database.open_read_only(path)
    except RecordError:
        return Database.stand_in(path)
