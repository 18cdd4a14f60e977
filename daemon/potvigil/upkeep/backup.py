"""A copy of the record while it is in use."""

from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

from potvigil.record.database import Database
from potvigil.record.errors import ExistingFileError
from potvigil.record.file import is_record
from potvigil.upkeep.atomic_file import whole
from potvigil.upkeep.check import BACKUP_PAGES, BACKUP_REST_S


def backup(
    record: Path,
    out: Path,
    *,
    replace: bool = True,
    progress: Callable[[int, int], None] = lambda left, total: None,
) -> int:
    """Copy the record as it is now to `out`, while it is in use; return the size of the copy, bytes.

    replace: whether an earlier copy at `out` may be replaced; nothing else ever is. The copy is read once
    before it takes its name. progress: pages still to go, pages in all. Raises a RecordError; then nothing is
    left behind.
    """
    with suppress(FileNotFoundError):
        if out.samefile(record):
            raise ExistingFileError(f"{out} is the record itself; give another path for its copy")
    if out.is_file():
        is_record(out)  # raises NotARecordError
    with closing(Database.open_read_only(record)) as db, whole(out, replace=replace) as part:
        db.copy_to(part, out, BACKUP_PAGES, BACKUP_REST_S, progress)
        with closing(Database.open_still(part)) as copy:
            answer = copy.rows("PRAGMA integrity_check(1)")[0][0]
        if answer != "ok":
            raise db.damaged(str(answer).splitlines()[-1])
        return part.stat().st_size
