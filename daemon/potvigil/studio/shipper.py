"""The shipper: sends whatever is new in the record to the studio, retrying until it succeeds.

It only reads the record and writes nothing to the card; what could not be sent is still in the record. The
watch knows nothing of it.
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

# How often the record is checked: the watch writes samples once a minute, an alarm at once.
LOOK_S = 5.0
# How often the studio is asked while the record does not change: seldom, since each time takes a connection,
# but the studio may have been restored from a backup.
ASK_S = 300.0
# Doubled after each failure; a studio that was down for days is found again within five minutes.
RETRY_S, RETRY_MOST_S = 5.0, 300.0
_log = logging.getLogger("potvigil")
# Inode, size and modification time of a record's file and of its write-ahead log.
_Stamp = tuple[tuple[int, int, int], ...]


class Shipper:
    """Ships one record. by_the_minute: samples as one-minute means. pictures: of casts, too."""

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
        """Ship everything new, parcel by parcel; return how many rows. Raises RecordError, StudioError."""
        try:
            return self._ship(is_over)
        except ForkedRecordError:
            self._fork()
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
        """Ship until stopped; a failure is logged once, and retried."""
        while not stopping.is_set():
            stopping.wait(self.try_once(stopping))

    def try_once(self, stopping: threading.Event) -> float:
        """Ship what is new; return the seconds until the next look."""
        stamp = _stamp(self._record)
        if stamp is not None and stamp == self._shipped and time.monotonic() < self._ask_at_s:
            return LOOK_S
        try:
            self.ship(stopping.is_set)
        except (RecordError, StudioError) as error:
            return self._back_off(str(error))
        if self._fault is not None:
            _log.warning("the studio has all of the record again")
        self._fault, self._retry_s = None, RETRY_S
        if not stopping.is_set():
            self._shipped, self._ask_at_s = stamp, time.monotonic() + ASK_S
        return LOOK_S

    def _fork(self) -> None:
        """Give the record a new id: it and a copy of it both went on, and the studio has the other's rows."""
        with closing(Database.open(self._record, create=False)) as db:
            renewed = renew(db)
        _log.warning(
            "the record was restored or copied since it was last shipped; all of it is shipped again, as "
            "record %s, and what the studio already has stays there",
            renewed.record,
        )

    def _back_off(self, fault: str) -> float:
        if fault != self._fault:
            _log.warning("the studio gets nothing (%s); retrying", fault)
        self._fault, wait_s = fault, self._retry_s
        self._retry_s = min(2.0 * self._retry_s, RETRY_MOST_S)
        return wait_s


def _stamp(record: Path) -> _Stamp | None:
    """Return what changes with every write to a record; None where there is no record."""
    files = (record, Path(f"{record}-wal"))
    try:
        stats = [file.stat() for file in files if file is record or file.exists()]
    except OSError:
        return None
    return tuple((each.st_ino, each.st_size, each.st_mtime_ns) for each in stats)
