"""The shipper: whatever is new in the record goes to the studio, for as long as it takes.

It reads the record and writes nothing to the card; what could not be sent is still in the record. The watch
does not know of it.
"""

import logging
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from sqlalchemy import Engine

from potvigil.record.database import Database
from potvigil.record.errors import RecordError
from potvigil.record.identity import identity_of, renew
from potvigil.studio.address import StudioError
from potvigil.studio.copying import RecordCopy
from potvigil.studio.news import ForkedRecordError, News
from potvigil.upkeep.pictures import read

# How often the record is looked into: the watch writes its samples once a minute, an alarm at once.
LOOK_S = 5.0
# While nothing is written to the record the studio is asked no oftener: each question is a connection. It may
# have been restored from a backup, though.
ASK_S = 300.0
# After a failure, twice as long each time; a studio that was away for days is found again in five minutes.
RETRY_S, RETRY_MOST_S = 5.0, 300.0
_log = logging.getLogger("potvigil")
# Of a record's file and its log (WAL): which it is, its size and when it was written.
_Stamp = tuple[tuple[int, int, int], ...]


class Shipper:
    """Ships one record. by_the_minute: samples as means of a minute. pictures: of casts, too."""

    def __init__(
        self, record: Path, engine: Engine, workshop: str, *, by_the_minute: bool, pictures: bool
    ) -> None:
        self._record, self._engine, self._workshop = record, engine, workshop
        self._by_the_minute, self._pictures = by_the_minute, pictures
        self._fault: str | None = None
        self._retry_s = RETRY_S
        self._shipped: _Stamp | None = None
        self._ask_at_s = 0.0

    def ship(self, is_over: Callable[[], bool] = lambda: False) -> int:
        """Ship all that is new, parcel by parcel; return how many rows. Raises RecordError, StudioError."""
        try:
            return self._ship(is_over)
        except ForkedRecordError:
            self._go_on_as_another()
        return self._ship(is_over)

    def _ship(self, is_over: Callable[[], bool]) -> int:
        count = 0
        with closing(Database.open_read_only(self._record)) as db:
            copy = RecordCopy(self._engine, identity_of(db), self._workshop)
            news = News(db, by_the_minute=self._by_the_minute)
            while not is_over():
                parcel = copy.take(news, self._read if self._pictures else None)
                count += parcel.count
                if parcel.whole:
                    break
        return count

    def _read(self, batch: int, name: str) -> bytes | None:
        return read(self._record, batch, name)

    def run(self, stopping: threading.Event) -> None:
        """Ship until ended; what fails is logged once and tried again."""
        while not stopping.is_set():
            stopping.wait(self.try_once(stopping))

    def try_once(self, stopping: threading.Event) -> float:
        """Ship what is new; return after how many seconds to look again."""
        stamp = _stamp(self._record)
        if stamp is not None and stamp == self._shipped and time.monotonic() < self._ask_at_s:
            return LOOK_S
        try:
            self.ship(stopping.is_set)
        except (RecordError, StudioError) as error:
            return self._wait_for(str(error))
        if self._fault is not None:
            _log.warning("the studio has all of the record again")
        self._fault, self._retry_s = None, RETRY_S
        if not stopping.is_set():
            self._shipped, self._ask_at_s = stamp, time.monotonic() + ASK_S
        return LOOK_S

    def _go_on_as_another(self) -> None:
        """One record is a copy of another, and both went on; the studio has rows of the other."""
        with closing(Database.open(self._record, create=False)) as db:
            renewed = renew(db)
        _log.warning(
            "the record was restored or copied since it was last shipped; all of it is shipped again, as "
            "record %s, and what the studio already has stays there",
            renewed.record,
        )

    def _wait_for(self, fault: str) -> float:
        if fault != self._fault:
            _log.warning("the studio gets nothing (%s); retrying", fault)
        self._fault, wait_s = fault, self._retry_s
        self._retry_s = min(2.0 * self._retry_s, RETRY_MOST_S)
        return wait_s


def _stamp(record: Path) -> _Stamp | None:
    """Return what changes with whatever is written to a record; None where there is none."""
    files = (record, Path(f"{record}-wal"))
    try:
        stats = [file.stat() for file in files if file is record or file.exists()]
    except OSError:
        return None
    return tuple((each.st_ino, each.st_size, each.st_mtime_ns) for each in stats)
