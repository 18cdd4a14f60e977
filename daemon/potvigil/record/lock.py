"""Only one process at a time feeds a record, by a kernel lock on a file beside it.

Two watches on one record would mix their samples and clash in numbering batches. The lock belongs to the open
file (F_OFD_SETLK, fcntl(2)), so the kernel releases it however the process ends, and no stale lock can be
mistaken for a live one. It is on a separate file, because closing the record's own would drop SQLite's locks
on it (see record/file.py). Reading, and writing commands or care, needs no lock. The text in the file is only
for the one line that a second process prints.
"""

import errno
import fcntl
import logging
import os
import struct
from contextlib import suppress
from pathlib import Path
from typing import Self

from potvigil.record.errors import UnwritableRecordError, WatchedRecordError
from potvigil.record.file import MODE, check_writable, is_record, make_folder

_HELD = (errno.EAGAIN, errno.EACCES)
_LONGEST_BYTES = 200

_log = logging.getLogger("potvigil")


class WatchLock:
    """The right to feed one record, until `release` or the end of the process."""

    def __init__(self, path: Path, descriptor: int) -> None:
        """Use `WatchLock.take`."""
        self._path = path
        self._file = os.fdopen(descriptor, "r+b", buffering=0)  # closed with the object

    @classmethod
    def take(cls, record: Path, who: str, *, make_parents: bool = False) -> Self:
        """Take the lock of a record. who: shown to a second process, with this one's number.

        Raises WatchedRecordError where another process has it, and whatever opening the record would raise.
        """
        is_new = not is_record(record)
        if is_new and make_parents:
            make_folder(record.parent)
        check_writable(record, is_new=is_new)
        path = _beside(record)
        while True:
            try:
                lock = cls(path, _opened(path))
            except OSError as error:
                raise UnwritableRecordError(
                    f"the record {record} cannot be locked: {path} {error.strerror}; allow this user to "
                    "write that file and its folder"
                ) from error
            lock._claim(record)
            if lock._is_in_place():
                lock._say(who)
                return lock
            lock._file.close()

    def release(self) -> None:
        """Release the record; may be repeated."""
        if not self._file.closed:
            with suppress(OSError):
                self._path.unlink()  # first: a process that already has it open sees that the file changed
            self._file.close()

    def _claim(self, record: Path) -> None:
        try:
            fcntl.fcntl(self._file, fcntl.F_OFD_SETLK, _whole_file(fcntl.F_WRLCK))
        except OSError as error:
            if error.errno in _HELD:
                holder = self._file.read(_LONGEST_BYTES).decode(errors="replace").strip()
                self._file.close()
                raise WatchedRecordError(
                    f"the record {record} is in use by {holder or 'another process'}; "
                    "stop that first, or give another record path"
                ) from None
            _log.warning("%s cannot be locked (%s): make sure only one watch uses it", record, error.strerror)

    def _is_in_place(self) -> bool:
        """Return whether it is still the file of that name: the last owner may have removed it meanwhile."""
        mine = os.fstat(self._file.fileno())
        try:
            there = self._path.stat(follow_symlinks=False)
        except FileNotFoundError:
            return False
        return (mine.st_dev, mine.st_ino) == (there.st_dev, there.st_ino)

    def _say(self, who: str) -> None:
        with suppress(OSError):  # a full disk: then the second process gets no name
            os.ftruncate(self._file.fileno(), 0)
            self._file.write(f"{who}, process {os.getpid()}\n".encode())


def is_watched(record: Path) -> bool:
    """Return whether a process feeds the record right now; True where that is unknown."""
    try:
        descriptor = os.open(_beside(record), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    try:
        answer = fcntl.fcntl(descriptor, fcntl.F_OFD_GETLK, _whole_file(fcntl.F_WRLCK))
        kind: int = struct.unpack(_FLOCK, answer)[0]
        return kind != fcntl.F_UNLCK
    except OSError:
        return True
    finally:
        os.close(descriptor)


# struct flock with 64-bit offsets: type, whence, start, length (0: to the end), pid (0 for F_OFD_*)
_FLOCK = "hhqqi4x"


def _whole_file(kind: int) -> bytes:
    return struct.pack(_FLOCK, kind, os.SEEK_SET, 0, 0, 0)


def _beside(record: Path) -> Path:
    return Path(f"{record}-lock")


def _opened(path: Path) -> int:
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, MODE)
    if os.geteuid() == 0:  # as SQLite does with its files: a try by root must not lock out the record's owner
        with suppress(OSError):
            folder = path.absolute().parent.stat()
            os.fchown(descriptor, folder.st_uid, folder.st_gid)
    return descriptor
