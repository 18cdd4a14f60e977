"""Is a backup any good? It is restored to a scratch folder, read as the watch would, and compared."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from potvigil.record.database import Database
from potvigil.record.store import Store
from potvigil.upkeep.archive import TABLES
from potvigil.upkeep.check import check

# The columns that identify the rows of a table.
_KEYS = {"taught": ("batch",), "trace": ("pot", "t_s"), "sample": ("pot", "t_s")}


@dataclass(frozen=True, slots=True)
class Restored:
    """What a backup restores. same, changed, newer: rows the record has equal, different, in addition.

    A record goes on after its backup: rows thinned, edited or removed since are `changed`. problems: faults
    of the copy, including closed batches that differ from the record's.
    """

    batches: int
    samples: int
    same: int
    changed: int
    newer: int
    problems: tuple[str, ...]


def restore(copy: Path, record: Path) -> Restored:
    """Restore a backup where it can do no harm, and compare it with the record, row by row.

    Takes as much space as the backup, below TMPDIR or in /var/tmp, and some seconds per 100 MB.
    Raises a RecordError for a file that is not a record, or one that cannot be opened.
    """
    place = None if "TMPDIR" in os.environ or not Path("/var/tmp").is_dir() else "/var/tmp"
    with tempfile.TemporaryDirectory(prefix="potvigil-", dir=place) as scratch:
        restored = Path(scratch) / "potvigil.db"
        shutil.copyfile(copy, restored)
        Store.open(restored, create=False).close()  # as the watch opens it: migrated to this version
        found = check(restored)
        with (
            closing(Database.open_read_only(restored)) as ours,
            closing(Database.open_read_only(record)) as theirs,
            theirs.snapshot(),
        ):
            counted = [_compared(ours, theirs, table) for table in TABLES]
            same, changed, newer = map(sum, zip(*counted, strict=True))
            problems = [*found.problems, *_other_batches(ours, theirs)]
    return Restored(found.batches or 0, found.samples or 0, same, changed, newer, tuple(problems))


def _compared(ours: Database, theirs: Database, table: str) -> tuple[int, int, int]:
    """Return how many rows are the same, how many changed, and how many the record has in addition."""
    key = _KEYS.get(table, ("id",))
    columns = [*key, *(each for each in ours.columns(table) if each not in key)]
    sql = f"SELECT {', '.join(columns)} FROM {table} ORDER BY {', '.join(key)}"
    same = changed = newer = 0
    left, right = ours.stream(sql), theirs.stream(sql)
    one, other = next(left, None), next(right, None)
    while one is not None or other is not None:
        here, there = _key(one, len(key)), _key(other, len(key))
        if one is not None and (there is None or (here is not None and here < there)):
            changed += 1  # gone from the record since
            one = next(left, None)
        elif other is not None and (here is None or (there is not None and there < here)):
            newer += 1
            other = next(right, None)
        else:
            same += one == other
            changed += one != other
            one, other = next(left, None), next(right, None)
    return same, changed, newer


def _key(row: Any, length: int) -> tuple[Any, ...] | None:
    return None if row is None else tuple(row[:length])


def _other_batches(ours: Database, theirs: Database) -> Iterator[str]:
    """Yield the closed batches that differ between backup and record: such a batch never changes."""
    sql = "SELECT id, pot, start_t_s, end_t_s, verdict, summary FROM batch WHERE end_t_s NOTNULL ORDER BY id"
    known = {row[0]: row for row in theirs.rows(sql)}
    for row in ours.stream(sql):
        if row != known.get(row[0]):
            yield f"batch {row[0]} is not as in the record"
