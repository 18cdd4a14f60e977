"""Checks the record's file before SQLite sees it, so that nobody else's file is ever opened."""

import errno
import os
import stat
from collections import Counter
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock

from potvigil.paths import closed_to_this_user
from potvigil.record.errors import NotARecordError, UnwritableRecordError
from potvigil.record.schema import APPLICATION_ID

# A record holds names and notes: others get no access, whatever the umask. The umask decides whether the
# group may write, as it must where watch, page and command line are different users; SQLite's own default is
# 0644.
MODE = 0o660
# How many connections this process has to a file, by device and inode. Closing a file releases every lock
# this process has on it, even those SQLite holds for a connection (fcntl(2); SQLite, How To Corrupt, 2.2). So
# an open file is not read: it was checked before it was opened, and its inode is not reused until it is
# closed.
FileId = tuple[int, int]
_open: Counter[FileId] = Counter()
_looking = Lock()


def is_record(path: Path) -> bool:
    """Return whether there is a record at `path`, False when nothing is there yet; reads 100 bytes.

    SQLite file format, section 1.3: bytes 0-15 a fixed text, 68-71 the application id, big-endian.
    Raises NotARecordError for anything else, UnwritableRecordError when it cannot be read.
    """
    try:
        with _looking:
            status = path.stat()
            if (status.st_dev, status.st_ino) in _open:
                return True
            with path.open("rb") as file:
                head = file.read(100)
    except FileNotFoundError:
        return False
    except OSError as error:
        how = closed_to_this_user(path) or "check the path and its permissions"
        raise UnwritableRecordError(f"the record {path} cannot be read: {error.strerror}; {how}") from error
    if not head:
        return False
    if not head.startswith(b"SQLite format 3\0"):
        what = "is not a Potvigil record"
    elif int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        what = "is a database of another program"
    else:
        return True
    raise NotARecordError(
        f"{path} {what} and was not changed: give another record path, or move that file away"
    )


def note_open(path: Path) -> FileId | None:
    """Note that SQLite has just opened the file, before it takes a lock; return what `note_closed` wants.

    Waits for a check that is under way. None where the file no longer exists.
    """
    with suppress(OSError), _looking:
        status = path.stat()
        file = (status.st_dev, status.st_ino)
        _open[file] += 1
        return file
    return None


def note_closed(file: FileId | None) -> None:
    """Note that one connection to the file is closed."""
    if file is not None:
        with _looking:
            _open[file] -= 1
            if not _open[file]:
                del _open[file]


def check_writable(path: Path, *, is_new: bool) -> None:
    """Raise UnwritableRecordError unless this user may write the file and its folder (for the log)."""
    folder = path.absolute().parent
    if not folder.is_dir():
        raise UnwritableRecordError(
            f"the folder {folder} of the record is missing; "
            "make it, mount the medium it is on, or give another record path"
        )
    if not os.access(folder, os.W_OK) or not (is_new or os.access(path, os.W_OK)):
        raise UnwritableRecordError(
            f"the record {path} may not be written; "
            "allow this user to write the file and its folder, or give another record path"
        )


def make_folder(folder: Path) -> None:
    """Make a folder and those above it; raises UnwritableRecordError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnwritableRecordError(
            f"the folder {folder} of the record cannot be made: {error.strerror}; give another record path"
        ) from error


def move_aside(path: Path) -> Path:
    """Rename a damaged record and its log, and return the new name; nothing is deleted.

    The name has the time of the last write, not of now, which a machine just started may not know. Raises
    UnwritableRecordError.
    """
    try:
        written = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        stem = f"{path.stem}-damaged-{written:%Y%m%dT%H%M%SZ}"
        aside, number = path.with_name(stem + path.suffix), 1
        while aside.exists():
            number += 1
            aside = path.with_name(f"{stem}-{number}{path.suffix}")
        # The log first: a machine that stops in between leaves a record without its log, not a log that a new
        # record would take for its own.
        for ending in ("-wal", "-shm", ""):
            part = Path(f"{path}{ending}")
            if part.exists():
                part.rename(f"{aside}{ending}")
    except OSError as error:
        raise UnwritableRecordError(
            f"the record {path} is damaged and cannot be moved aside: {error.strerror}; "
            "move it and its -wal file away"
        ) from error
    return aside


def make_new(path: Path, mode: int = MODE, *, append: bool = False) -> int:
    """Make an empty file and return its descriptor, open for writing; removes what had that name before.

    In a shared folder, anything planted under the name (a link, a pipe, another user's file) is never written
    to. Raises OSError.
    """
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    flags |= os.O_APPEND if append else 0
    try:
        return os.open(path, flags, mode)
    except FileExistsError:
        path.unlink()
        return os.open(path, flags, mode)


def make_ready(path: Path) -> None:
    """Make an empty file with the mode of a record where there is none; an existing file is left alone."""
    with suppress(OSError):  # reported when it is opened
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, MODE))


def read_own(path: Path, most_bytes: int) -> bytes:
    """Return the contents of a file of this user; nothing where it is larger.

    Raises OSError, also for a link, a pipe or another user's file.
    """
    with os.fdopen(os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
        status = os.fstat(file.fileno())
        if not stat.S_ISREG(status.st_mode) or status.st_uid != os.getuid():
            raise PermissionError(errno.EPERM, "is not a file of this user", str(path))
        return file.read() if status.st_size <= most_bytes else b""
