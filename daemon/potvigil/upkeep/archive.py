"""The whole record as one file anybody can read, and back: for a new machine, or ten years from now.

A ZIP file with `manifest.json` and a member for each table, `pot.jsonl` to `sample.jsonl`: UTF-8, one JSON
array a line, the first the names of the columns, each further one a row. An empty cell is null. Units are
in the names; record/schema.py says what each column means. The tables about the record itself (`identity`,
`change`) are left out: what is made from an archive is another record. The manifest (made_at may be null):

    {"format": "potvigil-archive", "format_number": 1, "made_by": "potvigil 0.1.0",
     "made_at": "2026-01-02T08:00:00.000Z", "record_format": 3,
     "members": {"pot.jsonl": {"rows": 1, "bytes": 29, "sha256": "...", "columns": ["id", "name"]}, ...}}

An archive may come from anybody. None of its names is ever used as a path, nothing larger than declared is
read, and the record appears under its name only when every row has been checked.
"""

import hashlib
import io
import json
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from potvigil.record.database import Database
from potvigil.record.errors import ArchiveError, NewerRecordError, RecordError, RecordWriteError
from potvigil.record.schema import MIGRATIONS
from potvigil.record.store import Store
from potvigil.record.validation import wrong_with
from potvigil.upkeep.atomic_file import check_free, whole

FORMAT, FORMAT_NUMBER = "potvigil-archive", 1
MANIFEST = "manifest.json"
# In the order they are written and read: parent rows come first.
TABLES = (
    "pot",
    "run",
    "batch",
    "edit",
    "event",
    "command",
    "delivery",
    "care",
    "taught",
    "trace",
    "fault",
    "sample",
)

# Limits for an archive of unknown origin. The longest row is the settings of a run, some kilobytes. Samples
# shrink to a fifth, empty ones to a fiftieth; deflate itself can reach a thousandth. Ten pots at 1 Hz for ten
# years are 400 GB of text.
LONGEST_LINE_BYTES = 4 * 2**20
MANIFEST_BYTES = 2**20
DIRECTORY_BYTES = 2**16
MOST_BYTES = 2**40
MOST_RATIO, RATIO_FROM_BYTES = 200, 2**20

ROWS_AT_ONCE = 20_000
_ZIP_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    ValueError,
    RuntimeError,
    LookupError,
    OverflowError,
)

_LONGEST_SAID = 160

OnProgress = Callable[[str, int], None]  # table, number of its rows


@dataclass(frozen=True, slots=True)
class Archived:
    """What was written to an archive or read from it. record_format: as in the archive."""

    path: Path
    record_format: int
    rows: Mapping[str, int]
    archive_bytes: int


def import_all(archive: Path, record: Path, *, progress: OnProgress = lambda table, rows: None) -> Archived:
    """Make a new record from an archive. Raises a RecordError; then nothing is left behind.

    ExistingFileError: there is already something at `record`. ArchiveError: the fault, with member and line.
    NewerRecordError: the archive was made by a newer version.
    """
    check_free(record, replace=False)
    with _told(archive), archive.open("rb") as file:
        size = _check_directory(file, archive)
        with zipfile.ZipFile(file) as unpacked:
            version, members = _read_manifest(unpacked, archive)
            with whole(record, replace=False) as part, _told(archive):
                with closing(Database.new(part, version)) as db:
                    _check_members(unpacked, db, members, archive)
                    rows = {
                        table: _Table(table, db, archive, progress).take(unpacked, members[f"{table}.jsonl"])
                        for table in TABLES
                        if f"{table}.jsonl" in members
                    }
                _bring_up_to_date(part, archive)
    return Archived(archive, version, rows, size)


@contextmanager
def _told(archive: Path) -> Iterator[None]:
    try:
        yield
    except RecordError:
        raise
    except OSError as error:
        raise ArchiveError(f"{archive} cannot be read: {error.strerror or error}; check the path") from error
    except _ZIP_ERRORS as error:
        raise _damaged(archive, str(error) or "cut off") from error


def _damaged(archive: Path, what: str) -> ArchiveError:
    return ArchiveError(f"{archive} is damaged ({_brief(what)}) and was not imported; fetch or copy it again")


def _foreign(archive: Path, what: str) -> ArchiveError:
    return ArchiveError(
        f"{archive} is not a Potvigil archive ({_brief(what)}) and was not imported; give another file"
    )


def _brief(what: str) -> str:
    """Return a library's error on one line, not too long: it may quote the whole file."""
    line = "".join(sign if sign.isprintable() else "?" for sign in " ".join(what.split()))
    return line if len(line) <= _LONGEST_SAID else f"{line[: _LONGEST_SAID - 3]}..."


def _check_directory(file: IO[bytes], archive: Path) -> int:
    """Check the end of a ZIP file before zipfile reads its whole directory; return the size of the file.

    PKWARE APPNOTE 6.3.9, 4.3.14 to 4.3.16: end record of 22 bytes; before it, where the file is large, a
    locator of 20 and another end record of 56.
    """
    size = file.seek(0, io.SEEK_END)
    file.seek(max(size - 98, 0))
    end = file.read()
    if end[-22:-18] != b"PK\5\6" or end[-2:] != b"\0\0":
        raise _damaged(archive, "no ZIP file, or its end is missing")
    (directory,) = struct.unpack_from("<L", end, len(end) - 10)
    if end[-42:-38] == b"PK\6\7":
        if end[:4] != b"PK\6\6" or struct.unpack_from("<Q", end, 64) != (size - 98,):
            raise _damaged(archive, "its end does not fit")
        (directory,) = struct.unpack_from("<Q", end, 40)
    if directory > DIRECTORY_BYTES:
        raise _foreign(archive, "too many members")
    return size


def _read_manifest(unpacked: zipfile.ZipFile, archive: Path) -> tuple[int, dict[str, Any]]:
    """Return the record's format and the entries of the members. Raises ArchiveError, NewerRecordError."""
    infos = unpacked.infolist()
    names = [info.filename for info in infos]
    if names.count(MANIFEST) != 1:
        raise _foreign(archive, f"not one {MANIFEST}")
    try:
        with unpacked.open(MANIFEST) as member:
            manifest = json.loads(member.read(MANIFEST_BYTES).decode())
        if manifest["format"] != FORMAT:
            raise _foreign(archive, f"{MANIFEST} names another format")
        number, version = manifest["format_number"], manifest["record_format"]
        if not all(type(each) is int and each >= 1 for each in (number, version)):
            raise _foreign(archive, f"{MANIFEST}: a format is not a number")
        if number > FORMAT_NUMBER or version > len(MIGRATIONS):
            raise NewerRecordError(
                f"{archive} was made by {ascii(manifest['made_by'])[:60]}, archive format {number}, record "
                f"format {version}; this version takes up to {FORMAT_NUMBER} and {len(MIGRATIONS)}: "
                "update Potvigil"
            )
        members = {name: _declared(said) for name, said in manifest["members"].items()}
    except (KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _foreign(archive, f"{MANIFEST}: {type(error).__name__} {error}") from error
    _check_names(infos, members, archive)
    return version, members


def _declared(said: Any) -> dict[str, Any]:
    columns, counts = said["columns"], (said["rows"], said["bytes"])
    if not isinstance(columns, list) or not all(type(count) is int and count >= 0 for count in counts):
        raise TypeError("rows, bytes or columns of a member")
    return {"rows": counts[0], "bytes": counts[1], "sha256": str(said["sha256"]), "columns": columns}


def _check_names(infos: list[zipfile.ZipInfo], members: Mapping[str, Any], archive: Path) -> None:
    known = {MANIFEST, *(f"{table}.jsonl" for table in TABLES)}
    for info in infos:
        name = ascii(info.filename)[:80]
        if info.filename not in known or info.orig_filename != info.filename:
            raise _foreign(archive, f"member {name} is not known")
        if info.external_attr >> 16 & 0o170000 not in (0, 0o100000):
            raise _foreign(archive, f"member {name} is not a plain file")
        if info.flag_bits & 0x1:
            raise _foreign(archive, f"member {name} is encrypted")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise _foreign(archive, f"member {name} is packed in another way")
        if info.file_size > RATIO_FROM_BYTES and info.file_size > MOST_RATIO * info.compress_size:
            raise _foreign(archive, f"member {name} would grow more than {MOST_RATIO} times")
    names = [info.filename for info in infos]
    if len(set(names)) < len(names):
        raise _foreign(archive, "a member is there twice")
    if {*members, MANIFEST} != set(names):
        raise _foreign(archive, f"its members are not those of its {MANIFEST}")
    if sum(info.file_size for info in infos) > MOST_BYTES:
        raise _foreign(archive, f"more than {MOST_BYTES // 2**30} GB")


def _check_members(
    unpacked: zipfile.ZipFile, db: Database, members: Mapping[str, Any], archive: Path
) -> None:
    for table in TABLES:
        name, columns = f"{table}.jsonl", list(db.columns(table))
        if bool(columns) != (name in members):
            raise _foreign(archive, f"member {name} does not fit record format {db.version}")
        if not columns:
            continue
        said = members[name]
        if said["columns"] != columns:
            raise _foreign(archive, f"{name}: its columns are not those of record format {db.version}")
        if said["bytes"] != unpacked.getinfo(name).file_size:
            raise _damaged(archive, f"{name}: not as many bytes as {MANIFEST} says")


class _Table:
    """One table, filled from its member."""

    def __init__(self, table: str, db: Database, archive: Path, progress: OnProgress) -> None:
        self._table, self._name, self._archive = table, f"{table}.jsonl", archive
        self._db, self._progress = db, progress
        types = db.columns(table)
        self._columns = tuple(types)
        self._types = tuple(types.values())
        self._sql = f"INSERT INTO {table} ({', '.join(types)}) VALUES ({', '.join('?' * len(types))})"
        self._seen_types: set[tuple[type, ...]] = set()

    def take(self, unpacked: zipfile.ZipFile, said: Mapping[str, Any]) -> int:
        """Insert every row of the member; return how many."""
        digest, size, number = hashlib.sha256(), 0, 0
        with unpacked.open(self._name) as raw, io.BufferedReader(raw, 2**16) as member:  # type: ignore[type-var]
            is_over = False
            while not is_over:
                with self._db.transaction(durable=False):
                    for _ in range(ROWS_AT_ONCE):
                        line = member.readline(LONGEST_LINE_BYTES + 1)
                        if not line:
                            is_over = True
                            break
                        number += 1
                        size += len(line)
                        digest.update(line)
                        if size > said["bytes"]:
                            raise _damaged(self._archive, f"{self._name}: longer than it says")
                        self._take_line(line, number)
                self._progress(self._table, max(number - 1, 0))
        if (size, digest.hexdigest()) != (said["bytes"], said["sha256"]):
            raise _damaged(
                self._archive, f"{self._name}: not what {MANIFEST} says, SHA-256 {said['sha256'][:64]!a}"
            )
        if number != said["rows"] + 1:
            raise self._wrong(number, f"{number - 1} rows where {MANIFEST} says {said['rows']}")
        return number - 1

    def _take_line(self, line: bytes, number: int) -> None:
        if len(line) > LONGEST_LINE_BYTES or not line.endswith(b"\n"):
            raise self._wrong(number, "too long, or cut off")
        try:
            row = _DECODER.decode(line.decode())
        except (ValueError, RecursionError) as error:
            why = "nested too deeply" if isinstance(error, RecursionError) else str(error).splitlines()[0]
            raise self._wrong(number, f"not JSON ({why})") from error
        if number == 1:
            if row != list(self._columns):
                raise self._wrong(number, "not the columns of this table")
            return
        if not isinstance(row, list) or len(row) != len(self._columns):
            raise self._wrong(number, f"not {len(self._columns)} cells")
        self._check_types(row, number)
        if (why_not := wrong_with(self._table, dict(zip(self._columns, row, strict=True)))) is not None:
            raise self._wrong(number, why_not)
        if (why_not := self._db.insert(self._sql, tuple(row))) is not None:
            raise self._wrong(number, why_not)

    def _check_types(self, row: list[Any], number: int) -> None:
        kinds = tuple(map(type, row))
        if kinds in self._seen_types:
            return
        for column, due, kind in zip(self._columns, self._types, kinds, strict=True):
            if kind not in _FITTING[due]:
                raise self._wrong(number, f"{column}: {kind.__name__} where {due} is expected")
        self._seen_types.add(kinds)

    def _wrong(self, number: int, what: str) -> ArchiveError:
        shown = what.encode("ascii", "backslashreplace").decode()[:240]
        return ArchiveError(
            f"{self._archive}, {self._name}, line {number}: {shown}; nothing was taken from it, "
            "fetch or make it again"
        )


_NONE = type(None)
_FITTING = {"INTEGER": (int, _NONE), "REAL": (float, int, _NONE), "TEXT": (str, _NONE)}


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is not JSON")


_DECODER = json.JSONDecoder(parse_constant=_refuse)


def _bring_up_to_date(part: Path, archive: Path) -> None:
    """Migrate the new record, and read it once as the program does."""
    try:
        with Store.open(part, create=False) as store:
            store.check()
            store.runs()
            store.listed()
            store.batches()
            for pot_id in store.pots():
                store.latest_unseen_batch(pot_id)
                store.cares(pot_id)
    except RecordWriteError:
        raise
    except RecordError as error:
        what = str(error).replace(str(part), "the new record")
        raise ArchiveError(f"{archive} makes no record that can be read ({what})") from error
