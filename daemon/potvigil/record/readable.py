"""What the tables need from a record's database: its rows.

There are two: the file on this machine (record/database.py), and the copy in a studio's database
(studio/reading.py). The SQL is SQLite's; only its own machine changes a record.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, TypeVar

from potvigil.record.errors import RecordError, UnwritableRecordError

# LIMIT for no limit: SQLite's -1 is an error elsewhere, their NULL one in SQLite.
ALL_ROWS = 2**63 - 1
_T = TypeVar("_T")


class Readable(ABC):
    """A record that can be read. path: its name."""

    path: Path

    @abstractmethod
    def close(self) -> None:
        """Close; may be repeated."""

    @abstractmethod
    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[Any]:
        """Return all rows of a query."""

    def rows_of_each(self, sql: str, several: Sequence[tuple[Any, ...]]) -> list[list[Any]]:
        """Return all rows of a query for each of several sets of values."""
        return [self.rows(sql, values) for values in several]

    @abstractmethod
    def damaged(self, detail: str) -> RecordError:
        """Return the error that says what is broken in this record."""

    def read(self, make: Callable[[Any], _T], sql: str, values: tuple[Any, ...] = ()) -> list[_T]:
        """Return `make` of each row. Raises DamagedRecordError where that fails."""
        return self.made(make, self.rows(sql, values))

    def made(self, make: Callable[[Any], _T], rows: Iterable[Any]) -> list[_T]:
        """Return `make` of each row of a query. Raises DamagedRecordError where that fails."""
        try:
            return [make(row) for row in rows]
        except (ValueError, KeyError, TypeError) as error:
            if isinstance(error, RecordError):
                raise
            raise self.damaged(f"unreadable row: {error}") from error

    def transaction(self, *, durable: bool) -> AbstractContextManager[None]:
        """Run one write transaction; durable: it is on the medium, with all before it, when this returns."""
        raise self._unwritable()

    def execute(self, sql: str, values: tuple[Any, ...] = ()) -> int:
        """Run one statement within a transaction; return how many rows it changed."""
        raise self._unwritable()

    def execute_many(self, sql: str, rows: Iterable[tuple[Any, ...]]) -> None:
        """Run one statement for each of many rows, within a transaction."""
        raise self._unwritable()

    def _unwritable(self) -> UnwritableRecordError:
        return UnwritableRecordError(f"the record {self.path} is changed on its own machine alone")
