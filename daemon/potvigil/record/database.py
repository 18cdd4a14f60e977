"""The record's file: opened, migrated, read and written in transactions, its errors explained.

The one place that imports SQLite. Several processes use the file at once: write-ahead log, short
transactions, a patience of BUSY_TIMEOUT_S. A Database belongs to the thread that opened it.
"""

import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from potvigil.record.errors import (
    START_THE_WATCH,
    DamagedRecordError,
    LockedRecordError,
    MissingRecordError,
    NewerRecordError,
    OlderRecordError,
    RecordError,
    RecordWriteError,
    UnwritableRecordError,
)
from potvigil.record.file import (
    FileId,
    check_writable,
    is_record,
    make_folder,
    make_ready,
    note_closed,
    note_open,
)
from potvigil.record.readable import Readable
from potvigil.record.schema import APPLICATION_ID, MIGRATIONS

BUSY_TIMEOUT_S = 2.0


class Database(Readable):
    """An open file of the record."""

    def __init__(self, connection: sqlite3.Connection, path: Path, file: FileId | None = None) -> None:
        """Use `Database.open` or `Database.open_read_only`."""
        self._connection, self._file = connection, file
        self.path = path

    @classmethod
    def open(cls, path: Path, *, create: bool = True, make_parents: bool = False) -> Self:
        """Open the record for reading and writing, and bring it up to this version.

        create: make a new one where there is none. make_parents: also its folders; only for the default path,
        because a missing folder that somebody chose is more likely a medium that is not mounted.
        """
        is_new = not is_record(path)
        if is_new and not create:
            raise MissingRecordError(_missing_text(path))
        if is_new and make_parents:
            make_folder(path.parent)
        check_writable(path, is_new=is_new)
        if is_new:
            make_ready(path)
        database = cls._connected(path, "rwc")
        try:
            database._prepare()
        except BaseException:
            database.close()
            raise
        return database

    @classmethod
    def open_read_only(cls, path: Path) -> Self:
        """Open an existing record for reading; the file is never changed."""
        if not is_record(path):
            raise MissingRecordError(_missing_text(path))
        database = cls._connected(path, "ro")
        try:
            version = database._version()
        except (UnwritableRecordError, RecordWriteError):
            # No write-ahead log, and none can be made: nobody is writing, so the file can be read as it is.
            database.close()
            if Path(f"{path}-wal").exists():
                raise
            database = cls._connected(path, "ro&immutable=1")
            version = database._version()
        except BaseException:
            database.close()
            raise
        if version < len(MIGRATIONS):
            database.close()
            raise OlderRecordError(
                f"the record {path} is of format {version}, this version reads {len(MIGRATIONS)}; "
                f"{START_THE_WATCH}: it brings the record up to date"
            )
        return database

    @classmethod
    def new(cls, path: Path, version: int) -> Self:
        """Make a record of any format up to ours at a path where there is nothing.

        It enforces foreign keys; opened again with `open` it is migrated.
        """
        database = cls._connected(path, "rwc")
        try:
            database._prepare(version)
            database.rows("PRAGMA foreign_keys = ON")
        except BaseException:
            database.close()
            raise
        return database

    @classmethod
    def stand_in(cls, path: Path) -> Self:
        """Return an empty record in memory, for a watch whose record at `path` cannot be opened."""
        with _told(path):
            connection = sqlite3.connect(":memory:", isolation_level=None)
        database = cls(connection, path)
        database._prepare()
        return database

    @classmethod
    def open_still(cls, path: Path) -> Self:
        """Open a file without a log, which nobody writes, for reading; no log is made."""
        return cls._connected(path, "ro&immutable=1")

    @classmethod
    def _connected(cls, path: Path, mode: str) -> Self:
        with _told(path):
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode={mode}",
                uri=True,
                timeout=BUSY_TIMEOUT_S,
                isolation_level=None,
            )
        return cls(connection, path, note_open(path))

    def close(self) -> None:
        """Close; may be repeated."""
        self._connection.close()
        note_closed(self._file)
        self._file = None

    @property
    def version(self) -> int:
        """The record's format."""
        return self._version()

    def columns(self, table: str) -> dict[str, str]:
        """Return a table's columns with their types, in order; none where there is no such table."""
        return dict(self.rows("SELECT name, type FROM pragma_table_info(?) ORDER BY cid", (table,)))

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """See one unchanging state until the end, whatever is written meanwhile, without blocking anybody.

        The write-ahead log cannot be checkpointed until then: it grows by what is written meanwhile.
        """
        self.rows("BEGIN")
        try:
            self.rows("SELECT count(*) FROM sqlite_schema")  # the first read starts it
            yield
        finally:
            self.rows("ROLLBACK")

    def stream(self, sql: str, values: tuple[Any, ...] = ()) -> Iterator[Any]:
        """Yield the rows of a query one by one."""
        with _told(self.path):
            yield from self._connection.execute(sql, values)

    def insert(self, sql: str, values: tuple[Any, ...]) -> str | None:
        """Insert a row within a transaction; return None, or why the tables refuse it."""
        try:
            self._connection.execute(sql, values)
        except (sqlite3.IntegrityError, sqlite3.DataError, OverflowError, UnicodeEncodeError) as error:
            return str(error)
        return None

    def copy_to(
        self, path: Path, told_as: Path, pages: int, rest_s: float, progress: Callable[[int, int], None]
    ) -> None:
        """Copy the whole record as it is now to a new file, some pages at a time with a rest after each.

        Within a snapshot, because a copy restarts whenever somebody writes between two steps. told_as: the
        path that an error names. progress: pages still to go, pages in all.
        """

        def step(_: int, left: int, total: int) -> None:
            progress(left, total)
            time.sleep(rest_s if left else 0.0)

        with _told(told_as):
            copy = sqlite3.connect(path, isolation_level=None)
            try:
                copy.execute("PRAGMA journal_mode = OFF")  # a copy that fails is thrown away
                copy.execute("PRAGMA synchronous = OFF")
                with self.snapshot():
                    self._connection.backup(copy, pages=pages, progress=step)
            finally:
                copy.close()

    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[Any]:
        """Return all rows of a query."""
        with _told(self.path):
            return self._connection.execute(sql, values).fetchall()

    @contextmanager
    def transaction(self, *, durable: bool) -> Iterator[None]:
        """Run one write transaction; durable: it is on the medium, with all before it, when this returns."""
        with _told(self.path):
            # With a write-ahead log FULL adds one fsync to the commit, NORMAL leaves it to the checkpoint.
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def execute(self, sql: str, values: tuple[Any, ...] = ()) -> int:
        """Run one statement within a transaction; return how many rows it changed."""
        return self._connection.execute(sql, values).rowcount

    def execute_many(self, sql: str, rows: Iterable[tuple[Any, ...]]) -> None:
        """Run one statement for each of many rows, within a transaction."""
        self._connection.executemany(sql, rows)

    def damaged(self, detail: str) -> DamagedRecordError:
        """Return the error that says what is broken in this file."""
        return DamagedRecordError(_damaged_text(self.path, detail))

    def _prepare(self, to_version: int | None = None) -> None:
        """Set the file up for several processes and migrate its tables to a version; None: to ours."""
        last = to_version or len(MIGRATIONS)
        # a new file in one transaction; an old one a version at a time, as a large one takes a while
        strokes = [(0, last)] if self._version() == 0 else [(n, n + 1) for n in range(self._version(), last)]
        for before, after in strokes:
            with self.transaction(durable=True):
                if self._version() > before:  # another process was faster
                    continue
                for script in MIGRATIONS[before:after]:
                    for statement in _statements(script):
                        self._connection.execute(statement)
                self._connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                self._connection.execute(f"PRAGMA user_version = {after}")
        # After the first migration, so that bytes 68-71 of the main file itself identify it.
        self.rows("PRAGMA journal_mode = WAL")
        self.rows("PRAGMA journal_size_limit = 8388608")  # a log grown under a slow reader shrinks again

    def _version(self) -> int:
        with _told(self.path):
            version: int = self._connection.execute("PRAGMA user_version").fetchone()[0]
            # a broken table list shows here
            self._connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if version > len(MIGRATIONS):
            raise NewerRecordError(
                f"the record {self.path} is of format {version}, this version knows up to {len(MIGRATIONS)}; "
                "update Potvigil, or give another record path"
            )
        return version


def _statements(script: str) -> Iterator[str]:
    """Split a migration into its statements: `executescript` would commit before it runs."""
    statement = ""
    for part in script.split(";")[:-1]:
        statement += part + ";"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _missing_text(path: Path) -> str:
    return f"there is no record at {path}; {START_THE_WATCH}, or check the record's path"


def _damaged_text(path: Path, detail: str) -> str:
    said = " ".join(detail.split())  # SQLite quotes whatever is in a broken table list
    return (
        f"the record {path} is damaged ({said}) and was not changed; move it and its -wal file away: a "
        "new one is then started, and the old one may be rescued with `sqlite3 FILE .recover`"
    )


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn SQLite's exceptions into errors a person can act on; programming errors stay as they are."""
    try:
        yield
    except sqlite3.ProgrammingError:
        raise
    except (
        UnicodeDecodeError
    ) as error:  # from the sqlite3 module: a text or a message with broken bytes in it
        raise DamagedRecordError(_damaged_text(path, "broken text")) from error
    except sqlite3.Error as error:
        raise _explained(error, path) from error


def _explained(error: sqlite3.Error, path: Path) -> RecordError:
    # The low byte is the primary result code, https://sqlite.org/rescode.html
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    is_undecodable = "decode to UTF-8" in str(error)  # raised by the sqlite3 module itself, without a code
    if is_undecodable or code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return DamagedRecordError(_damaged_text(path, str(error)))
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return LockedRecordError(
            f"the record {path} has been held by another program for over {BUSY_TIMEOUT_S:.0f} s; "
            "close whatever has it open for writing"
        )
    if code == sqlite3.SQLITE_CANTOPEN:
        return UnwritableRecordError(
            f"the record {path} cannot be opened; check the permissions of file and folder"
        )
    hint = {
        sqlite3.SQLITE_FULL: "free some space on that disk",
        sqlite3.SQLITE_READONLY: "check the permissions, and whether the disk has become read-only",
        sqlite3.SQLITE_IOERR: "check the disk and the space left on it",
    }.get(code, "check the disk")
    return RecordWriteError(f"the record {path} cannot be written ({error}); {hint}")
