"""A look at the record's file before SQLite sees it, so that nothing of somebody else's is ever opened."""

import os
from datetime import UTC, datetime
from pathlib import Path

from potvigil.record.errors import NotARecordError, UnwritableRecordError
from potvigil.record.schema import APPLICATION_ID


def is_record(path: Path) -> bool:
    """Return whether there is a record at `path`, False when nothing is there yet; reads 100 bytes.

    SQLite file format, section 1.3: bytes 0-15 a fixed text, 68-71 the application id, big-endian.
    Raises NotARecordError for anything else, UnwritableRecordError when it cannot be read.
    """
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise UnwritableRecordError(
            f"the record {path} cannot be read: {error.strerror}; check the path and its permissions"
        ) from error
    if not head:
        return False
    if not head.startswith(b"SQLite format 3\0"):
        what = "is no record of Potvigil"
    elif int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        what = "is a database of another program"
    else:
        return True
    raise NotARecordError(
        f"{path} {what} and was left as it is: give another record path, or move that file away"
    )


def check_writable(path: Path, *, is_new: bool) -> None:
    """Raise UnwritableRecordError unless this user may write the file and its folder (a log lies beside)."""
    folder = path.absolute().parent
    if not folder.is_dir():
        raise UnwritableRecordError(
            f"the folder {folder} of the record is missing; "
            "make it, mount the medium it is on, or give another record path"
        )
    if not os.access(folder, os.W_OK) or not (is_new or os.access(path, os.W_OK)):
        raise UnwritableRecordError(
            f"the record {path} may not be written; "
            "give this user the right to write the file and its folder, or give another record path"
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
    """Give a damaged record and its log another name beside it, and return that; nothing is deleted.

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
