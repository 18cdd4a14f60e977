"""Writes the record to an archive; `archive.py` describes the format, and reads it."""

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from contextlib import closing
from math import inf
from pathlib import Path
from typing import IO, Any

from potvigil import __version__
from potvigil.record.database import Database
from potvigil.record.errors import ExistingFileError
from potvigil.record.schema import MIGRATIONS
from potvigil.upkeep.archive import (
    FORMAT,
    FORMAT_NUMBER,
    MANIFEST,
    ROWS_AT_ONCE,
    TABLES,
    Archived,
    OnProgress,
)
from potvigil.upkeep.atomic_file import whole
from potvigil.wording.quantities import rfc3339


def export_all(
    record: Path,
    out: Path,
    *,
    made_utc_s: float | None,
    replace: bool = True,
    progress: OnProgress = lambda table, rows: None,
) -> Archived:
    """Write the whole record to an archive, as it is at one moment, whatever is written meanwhile.

    From a snapshot, not a copy: a copy would need the record's space again and wear the card. Meanwhile the
    write-ahead log grows by what the watch writes, some 60 kB a minute, and nobody is blocked. replace:
    whether an earlier archive of ours at `out` may be replaced; nothing else ever is. Raises a RecordError;
    then nothing is left behind.
    """
    _check_may_replace(out)
    with closing(Database.open_read_only(record)) as db, whole(out, replace=replace) as part:
        members: dict[str, dict[str, Any]] = {}
        with db.snapshot(), zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
            for table in TABLES:
                columns = db.columns(table)
                with archive.open(_info(f"{table}.jsonl"), "w", force_zip64=True) as member:
                    members[f"{table}.jsonl"] = _write_table(member, db, table, list(columns), progress)
            manifest = {
                "format": FORMAT,
                "format_number": FORMAT_NUMBER,
                "made_by": f"potvigil {__version__}",
                "made_at": None if made_utc_s is None else rfc3339(made_utc_s),
                "record_format": db.version,
                "members": members,
            }
            archive.writestr(_info(MANIFEST), json.dumps(manifest, indent=1) + "\n")
        size = part.stat().st_size
    return Archived(
        out,
        len(MIGRATIONS),
        {name.removesuffix(".jsonl"): each["rows"] for name, each in members.items()},
        size,
    )


def _info(name: str) -> zipfile.ZipInfo:
    # without its own time: the manifest says when it was made
    info = zipfile.ZipInfo(name)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    return info


def _write_table(
    member: IO[bytes], db: Database, table: str, columns: list[str], progress: OnProgress
) -> dict[str, Any]:
    digest, size, count = hashlib.sha256(), 0, 0
    with io.BufferedWriter(_Raw(member), 2**16) as buffered:
        for row in _header_and_rows(db, table, columns):
            line = _line(row)
            digest.update(line)
            size += len(line)
            buffered.write(line)
            if count % ROWS_AT_ONCE == 0:
                progress(table, count)
            count += 1
    progress(table, count - 1)
    return {"rows": count - 1, "bytes": size, "sha256": digest.hexdigest(), "columns": columns}


class _Raw(io.RawIOBase):
    """A member to write to, with the interface of a buffer; closing it leaves the member open."""

    def __init__(self, member: IO[bytes]) -> None:
        self._member = member

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        return self._member.write(data)


def _header_and_rows(db: Database, table: str, columns: list[str]) -> Iterator[Any]:
    yield columns
    key = "id" if "id" in columns else {"taught": "batch"}.get(table, "pot, t_s")
    yield from db.stream(f"SELECT {', '.join(columns)} FROM {table} ORDER BY {key}")


def _line(row: Any) -> bytes:
    try:
        text = json.dumps(row, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (
        ValueError
    ):  # no sensor of ours gives it; 1e999 is JSON, and every reader of it takes it for infinite
        cells = [
            f"{'-' if cell < 0 else ''}1e999" if cell in (inf, -inf) else json.dumps(cell, ensure_ascii=False)
            for cell in row
        ]
        text = f"[{','.join(cells)}]"
    return text.encode() + b"\n"


def _check_may_replace(out: Path) -> None:
    """Raise ExistingFileError unless there is nothing at `out`, or a ZIP file."""
    try:
        with out.open("rb") as file:
            head = file.read(4)
    except OSError:
        return  # reported when it is written
    if head not in (b"", b"PK\3\4"):
        raise ExistingFileError(f"{out} is not an archive and was not changed; give another path")
