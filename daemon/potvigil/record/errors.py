"""What can go wrong with the record; each message is one line: what, where, what to do.

RecordError
  MissingRecordError     (FileNotFoundError)  there is no record yet
  NotARecordError        (ValueError)         a file of something else; never touched
  NewerRecordError       (ValueError)         written by a newer version; never touched
  OlderRecordError       (ValueError)         opened for reading, and not yet brought up to date
  DamagedRecordError     (ValueError)         the file is broken
  UnwritableRecordError  (OSError)            folder missing, no permission
  RecordWriteError       (OSError)            disk full, disk read-only, disk failing
  LockedRecordError      (TimeoutError)       another program holds it
  WatchedRecordError     (BlockingIOError)    another watch or rehearsal feeds it
  AwayRecordError        (ConnectionError)    it is in a studio's database that does not answer
  RefusedError           (ValueError)         a row that no reader of the record accepts
  UnknownBatchError      (LookupError)        no batch of this number
  UnworkableBatchError   (ArithmeticError)    the watch fails on its readings: a bug
  ArchiveError           (ValueError)         an archive that cannot be imported; nothing was created
  ExistingFileError      (FileExistsError)    there is already something at the path of a new file
  MissingLibraryError    (ImportError)        a library that draws reports is not installed
"""

from typing import Self

from potvigil.extras import how_to_install

# Where a service is installed, `potvigil watch` would be a second watch.
START_THE_WATCH = "start the watch (`sudo systemctl start potvigil`; without the service, `potvigil watch`)"


class RecordError(Exception):
    """Anything that went wrong with the record."""


class MissingRecordError(RecordError, FileNotFoundError):
    """There is no record at this path."""


class NotARecordError(RecordError, ValueError):
    """The file belongs to something else."""


class NewerRecordError(RecordError, ValueError):
    """The record was written by a newer version."""


class OlderRecordError(RecordError, ValueError):
    """The record is of an older version and was opened for reading only."""


class DamagedRecordError(RecordError, ValueError):
    """The file is broken."""


class UnwritableRecordError(RecordError, OSError):
    """The folder is missing, or this user may not use it or the file."""


class RecordWriteError(RecordError, OSError):
    """The disk refused a write."""


class LockedRecordError(RecordError, TimeoutError):
    """Another program held the record for too long."""


class WatchedRecordError(RecordError, BlockingIOError):
    """Another process feeds the record."""


class AwayRecordError(RecordError, ConnectionError):
    """The database that has a copy of the record does not answer."""


class RefusedError(RecordError, ValueError):
    """A value to be kept is outside the bounds that readers of the record rely on."""


class UnknownBatchError(RecordError, LookupError):
    """There is no batch of this number."""


class UnworkableBatchError(RecordError, ArithmeticError):
    """The watch fails on the readings of this batch."""


class ArchiveError(RecordError, ValueError):
    """An archive is damaged, newer, or not ours."""


class ExistingFileError(RecordError, FileExistsError):
    """There is already something at the path of a new file."""


class MissingLibraryError(RecordError, ImportError):
    """A library that draws reports is not installed."""

    @classmethod
    def of(cls, library: str, error: Exception) -> Self:
        """Return the error for a library that could not be imported; `error` says why."""
        return cls(f"a report needs {library} ({error}); install it with {how_to_install('report')}")
