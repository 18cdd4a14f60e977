"""Automatic copies of the record: the newest of each of some days and some weeks.

Only days and weeks that have a copy count, so that none is deleted while the machine is off. Only files with
one of our names are ever deleted.
"""

import re
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from potvigil.record.errors import RecordWriteError, UnwritableRecordError
from potvigil.upkeep.backup import backup
from potvigil.upkeep.pictures import copy_to

PICTURES = "potvigil-pictures"
_STAMP = "%Y%m%dT%H%M%SZ"
_NAME = re.compile(r"potvigil-(\d{8}T\d{6}Z)\.db")
# Besides the copy itself: what else is written meanwhile.
_SPARE_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy of the record, made at a moment of Unix time."""

    path: Path
    utc_s: float


@dataclass(frozen=True, slots=True)
class Rotated:
    """The new copy, its size, how many pictures were new, and which older copies were deleted."""

    made: Copy
    size_bytes: int
    pictures: int
    gone: tuple[Path, ...]


def copies(folder: Path) -> list[Copy]:
    """Return the copies in a folder, newest first; none where there is no such folder. Raises OSError."""
    found = []
    try:
        names = sorted(path.name for path in folder.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []
    for name in names:
        if (stamp := _NAME.fullmatch(name)) is not None:
            try:
                made = datetime.strptime(stamp[1], _STAMP).replace(tzinfo=UTC)
            except ValueError:
                continue
            found.append(Copy(folder / name, made.timestamp()))
    return sorted(found, key=lambda each: -each.utc_s)


def surplus(kept: Iterable[Copy], daily: int, weekly: int) -> list[Copy]:
    """Return which to delete: all but the newest of each of the last days and weeks that have one."""
    days: dict[object, Copy] = {}
    weeks: dict[object, Copy] = {}
    newest_first = sorted(kept, key=lambda each: -each.utc_s)
    for each in newest_first:
        made = datetime.fromtimestamp(each.utc_s, UTC)
        days.setdefault(made.date(), each)
        weeks.setdefault(made.isocalendar()[:2], each)
    stay = {*list(days.values())[:daily], *list(weeks.values())[:weekly]}
    return [each for each in newest_first if each not in stay]


def rotate(record: Path, folder: Path, daily: int, weekly: int, now_utc_s: float) -> Rotated:
    """Copy the record and its new pictures into a folder, then delete surplus copies.

    The pictures of all copies share one folder, PICTURES, in which nothing is ever deleted.
    now_utc_s: of a clock that is trusted. Raises a RecordError; then nothing was deleted.
    """
    if not folder.is_dir():
        raise UnwritableRecordError(
            f"there is no folder {folder} for the backups; create it, or plug in the drive it is on"
        )
    needed = record.stat().st_size + _SPARE_BYTES if record.exists() else 0
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise RecordWriteError(
            f"{folder}: {free / 1e6:.0f} MB free where a backup needs {needed / 1e6:.0f} MB; make room, or "
            "keep fewer (record.backups)"
        )
    out = folder / f"potvigil-{datetime.fromtimestamp(now_utc_s, UTC):{_STAMP}}.db"
    size = backup(record, out, replace=True)
    try:
        pictures = copy_to(record, folder / PICTURES)
    except OSError as error:
        raise RecordWriteError(
            f"{folder / PICTURES}: {error.strerror or error}; the record was copied"
        ) from error
    gone = surplus(copies(folder), daily, weekly)
    for each in gone:
        each.path.unlink(missing_ok=True)
    return Rotated(Copy(out, now_utc_s), size, pictures, tuple(each.path for each in gone))
