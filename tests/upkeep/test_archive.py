"""The whole record to a file and back, row for row; a bad file raises only a record error."""

import hashlib
import io
import json
import random
import re
import sqlite3
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from failing_disk import FullDisk
from own_tables import names_of
from potvigil.model.events import (
    Action,
    AlarmId,
    AlarmState,
    BatchOpened,
    Detail,
    EditEvent,
    NoteEvent,
    NoteId,
    Stage,
    StageEvent,
)
from potvigil.model.reading import MOST_T_S, MOST_UTC_S, Fault, Place, Sample, Sensor
from potvigil.record.errors import (
    ArchiveError,
    ExistingFileError,
    MissingRecordError,
    NewerRecordError,
    RecordError,
    RecordWriteError,
    UnwritableRecordError,
)
from potvigil.record.rows import DeliveryRow
from potvigil.record.schema import MIGRATIONS
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.upkeep.archive import LONGEST_LINE_BYTES, MANIFEST, TABLES, Archived, import_all
from potvigil.upkeep.archive_writing import export_all
from potvigil.upkeep.check import check
from record_night import CLOSED, POT, UTC_S, alarm, night, sample

HOSTILE = "../../etc/passwd\n\r\t\"'; DROP TABLE pot; -- \u2028\u202e\U0001f4a7 \x00 <b>" + "é" * 300


def every_row(path: Path) -> dict[str, list[Any]]:
    """All that is in a record, by SQLite itself."""
    db = sqlite3.connect(path)
    names = names_of(db)
    rows = {name: db.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall() for name in names}
    db.close()
    return rows


def filled(path: Path) -> Path:
    """A record with rows in every table, and nasty texts."""
    with Store.open(path) as store:
        store.begin_run('{"workshop":"harbour-models"}', "boot-a", 0.0, None, "sound")
        batch_id = store.open_batch(POT, BatchOpened(0.0, UTC_S))
        for one in night(300):
            store.append(POT, one)
        store.append(POT, Sample(301.0, faults=(Fault(Sensor.THERMOMETER, HOSTILE, Place.GAS),)))
        store.add_event(POT, batch_id, StageEvent(10.0, None, Stage.FILLING))
        store.add_event(POT, batch_id, NoteEvent(11.0, UTC_S, NoteId.TOP_UP, HOSTILE))
        store.add_event(POT, batch_id, alarm(90.0, AlarmState.UNACKNOWLEDGED))
        store.add_edit(batch_id, EditEvent(12.0, None, Detail.LABEL, "", HOSTILE, HOSTILE))
        store.add_edit(batch_id, EditEvent(12.0, None, Detail.MIXED_AT, "", "2026-01-01T21:40:00Z", ""))
        store.close_batch(batch_id, CLOSED)
        store.add_taught(batch_id, 3, {"surface-wall": (0.51, 0.04), HOSTILE: (0.1, 0.2)})
        store.open_batch(HOSTILE, BatchOpened(400.0, None))
        store.add_command(POT, Action.SHELVE, None, alarm=AlarmId.LEAK, duration_s=600.0, by=HOSTILE)
        told = (AlarmId.LEAK, "Anna\u202e", "raised")
        store.add_deliveries(
            [DeliveryRow(91.0, None, POT, *told, HOSTILE), DeliveryRow(92.0, UTC_S, None, *told, None)]
        )
        store.add_care(POT, UTC_S, "seal", HOSTILE, "anna", UTC_S + 5.0)
        store.add_care(POT, UTC_S, "tightness-test", "fail", "anna", UTC_S, readings=night(300))
    return path


@pytest.fixture(scope="module")
def packed(tmp_path_factory) -> tuple[Path, Path]:
    """A record and its archive."""
    folder = tmp_path_factory.mktemp("packed")
    record, out = filled(folder / "record.db"), folder / "all.zip"
    export_all(record, out, made_utc_s=UTC_S)
    return record, out


def there_and_back(record: Path, folder: Path) -> Path:
    export_all(record, folder / "all.zip", made_utc_s=None)
    import_all(folder / "all.zip", folder / "again.db")
    return folder / "again.db"


# --- there and back


def test_every_table_of_the_schema_is_archived(packed):
    assert sorted(TABLES) == sorted(every_row(packed[0]))


def test_every_row_survives_export_and_import(packed, tmp_path):
    record, out = packed
    taken = import_all(out, tmp_path / "again.db")
    rows = every_row(record)
    assert every_row(tmp_path / "again.db") == rows
    assert all(rows[table] for table in TABLES if table != "trace")
    assert taken.rows == {table: len(rows[table]) for table in TABLES}
    with Store.open(tmp_path / "again.db") as store:
        assert store.take_commands(5.0) == []  # nobody is waiting for that any more
    assert sorted(path.name for path in tmp_path.iterdir()) == ["again.db"]


def test_a_rehearsed_night_survives_export_and_import(night_record, tmp_path):
    rows = every_row(night_record)
    assert len(rows["sample"]) > 1000 and len(rows["trace"]) > 50
    assert every_row(there_and_back(night_record, tmp_path)) == rows


NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TIMES = st.floats(-MOST_T_S, MOST_T_S)
CLOCKS = st.none() | st.floats(-MOST_UTC_S, MOST_UTC_S)
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
SAMPLES = st.builds(
    Sample,
    TIMES,
    CLOCKS,
    *[st.none() | NUMBERS] * 9,
    st.lists(st.builds(Fault, st.sampled_from(Sensor), WORDS), max_size=2).map(tuple),
)


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(SAMPLES, max_size=8, unique_by=lambda s: s.t_s),
    st.lists(st.tuples(TIMES, CLOCKS, WORDS, st.sampled_from(Detail)), max_size=5),
    st.lists(WORDS, min_size=1, max_size=3, unique=True),
)
def test_any_small_record_survives_export_and_import(tmp_path_factory, samples, told, pots):
    folder = tmp_path_factory.mktemp("any")
    with Store.open(folder / "record.db") as store:
        store.begin_run("{}", told[0][2] if told else "", 0.0, None, None)
        for pot_id in pots:
            batch_id = store.open_batch(pot_id, BatchOpened(0.0, None))
            for one in samples:
                store.append(pot_id, one)
            for t_s, utc_s, text, field in told:
                store.add_event(pot_id, batch_id, NoteEvent(t_s, utc_s, NoteId.REFUSED, text))
                store.add_command(pot_id, Action.EDIT, utc_s, text=text, by=text, field=field)
                if field is not Detail.MIXED_AT:
                    store.add_edit(batch_id, EditEvent(t_s, utc_s, field, text, text, text))
    again = there_and_back(folder / "record.db", folder)
    assert every_row(again) == every_row(folder / "record.db")
    assert check(again).problems == ()


def test_the_layout_matches_its_description(packed):
    """Read with zipfile, json and hashlib alone, as somebody else would."""
    record, out = packed
    with zipfile.ZipFile(out) as archive:
        assert archive.testzip() is None
        manifest = json.loads(archive.read("manifest.json"))
        assert set(archive.namelist()) == {"manifest.json", *manifest["members"]}
        assert manifest["format"] == "potvigil-archive" and manifest["record_format"] == len(MIGRATIONS)
        assert manifest["made_at"] == "2026-01-01T22:00:00.000Z"
        for name, said in manifest["members"].items():
            data = archive.read(name)
            header, *rows = [json.loads(line) for line in data.decode("utf-8").split("\n")[:-1]]
            assert header == said["columns"] and len(rows) == said["rows"] and len(data) == said["bytes"]
            assert hashlib.sha256(data).hexdigest() == said["sha256"]
            assert sorted(tuple(row) for row in rows) == sorted(every_row(record)[name[:-6]])


def test_an_archive_is_one_consistent_moment_and_does_not_block_the_watch(tmp_path):
    record = filled(tmp_path / "record.db")
    with Store.open(record) as watch:
        written: list[int] = []

        def write(table: str, rows: int) -> None:
            batch_id = watch.open_batch(f"pot-{len(written)}", BatchOpened(500.0, None))
            watch.append(f"pot-{len(written)}", sample(500.0))
            watch.flush()
            written.append(batch_id)

        before = every_row(record)
        export_all(record, tmp_path / "all.zip", made_utc_s=None, progress=write)
        assert len(written) > len(TABLES)
        assert len(watch.batches()) == len(before["batch"]) + len(written)
    import_all(tmp_path / "all.zip", tmp_path / "again.db")
    assert every_row(tmp_path / "again.db") == before


def test_memory_does_not_grow_with_the_record(tmp_path):
    script = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from record_night import night
from potvigil.upkeep.archive_writing import export_all; from potvigil.upkeep.archive import import_all
from potvigil.record.store import Store
folder = Path(sys.argv[1])
def grown(name, nights):
    with Store.open(folder / f"{name}.db") as store:
        for number in range(nights):
            for one in night(20_000, start_s=number * 20_000.0):
                store.append("lantern", one)
            store.flush()
    export_all(folder / f"{name}.db", folder / f"{name}.zip", made_utc_s=None)
    import_all(folder / f"{name}.zip", folder / f"{name}-again.db")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(grown("one", 1), grown("three", 3))
"""
    arguments = [sys.executable, "-c", script, str(tmp_path), str(Path(__file__).parents[1])]
    done = subprocess.run(arguments, capture_output=True, text=True, check=True)
    one_kb, three_kb = map(int, done.stdout.split())
    assert three_kb < one_kb + 8192


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_an_archive_of_an_older_record_is_migrated(tmp_path, version):
    older = tmp_path / "older.db"
    with sqlite3.connect(older) as db:
        db.executescript(
            Path(__file__).parents[1].joinpath("record/version_1.sql").read_text(encoding="utf-8")
        )
        db.execute("INSERT INTO command VALUES (1, 1, 'label', NULL, 'blue', NULL, 'anna', NULL, NULL)")
        for number in range(2, version + 1):
            db.executescript(MIGRATIONS[number - 1])
    db.close()
    out = tmp_path / "older.zip"
    pack(out, tables_of(older), version)
    import_all(out, tmp_path / "again.db")
    with sqlite3.connect(older) as db:
        for number in range(version + 1, len(MIGRATIONS) + 1):
            db.executescript(MIGRATIONS[number - 1])
    db.close()
    assert every_row(tmp_path / "again.db") == every_row(older)


def test_an_archive_of_format_4_is_accepted_without_a_mould_thermometer(tmp_path):
    older = tmp_path / "older.db"
    with sqlite3.connect(older) as db:
        db.executescript(
            Path(__file__).parents[1].joinpath("record/version_4.sql").read_text(encoding="utf-8")
        )
    db.close()
    out = tmp_path / "older.zip"
    pack(out, tables_of(older), 4)
    import_all(out, tmp_path / "again.db")
    rows, older_rows = every_row(tmp_path / "again.db"), every_row(older)
    texts = {str(number): text for number, text in rows["fault"]}
    at = 11  # the texts of its faults, then in the sample itself
    samples = [(*row[:at], texts.get(row[at]), *row[at + 1 :]) for row in rows["sample"]]
    assert samples == [(*row, None) for row in older_rows["sample"]] and len(texts) == 1
    assert rows["trace"] == [(*row, None) for row in older_rows["trace"]]
    assert rows["care"] == older_rows["care"]


# --- a file that is not as it should be


def tables_of(record: Path) -> dict[str, list[Any]]:
    """The members of an archive of a record, as rows, the columns first."""
    db = sqlite3.connect(record)
    tables = {}
    for table in every_row(record):
        cursor = db.execute(f"SELECT * FROM {table} ORDER BY 1, 2")
        tables[table] = [[column[0] for column in cursor.description], *map(list, cursor)]
    db.close()
    return tables


def pack(
    path: Path,
    tables: Mapping[str, list[Any]],
    version: int = len(MIGRATIONS),
    change: Callable[[dict[str, Any]], object] = lambda manifest: None,
    members: Mapping[str | zipfile.ZipInfo, bytes] | None = None,
) -> Path:
    """Write an archive of one's own making, its hashes right unless `change` changes them."""
    lines = {
        f"{table}.jsonl": b"".join(
            row if isinstance(row, bytes) else json.dumps(row).encode() + b"\n" for row in rows
        )
        for table, rows in tables.items()
    }
    manifest: dict[str, Any] = {
        "format": "potvigil-archive",
        "format_number": 1,
        "made_by": "somebody",
        "made_at": None,
        "record_format": version,
        "members": {
            name: {
                "rows": max(data.count(b"\n") - 1, 0),
                "bytes": len(data),
                "sha256": hashlib.sha256(data).hexdigest(),
                "columns": tables[name.removesuffix(".jsonl")][0],
            }
            for name, data in lines.items()
        },
    }
    change(manifest)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in lines.items():
            archive.writestr(name, data)
        archive.writestr(MANIFEST, json.dumps(manifest))
        for info, data in (members or {}).items():
            archive.writestr(info, data)
    return path


def refused(archive: Path, folder: Path) -> str:
    """Return the one line an archive is refused with; nothing may be left of it."""
    before = sorted(folder.iterdir())
    with pytest.raises(RecordError) as caught:
        import_all(archive, folder / "again.db")
    assert sorted(folder.iterdir()) == before
    assert "\n" not in str(caught.value) and str(archive) in str(caught.value)
    return str(caught.value)


@pytest.fixture
def tables(packed) -> dict[str, list[Any]]:
    return tables_of(packed[0])


def test_an_undamaged_archive_packed_by_these_tests_is_accepted(tables, packed, tmp_path):
    import_all(pack(tmp_path / "own.zip", tables), tmp_path / "again.db")
    assert every_row(tmp_path / "again.db") == every_row(packed[0])


LINE = '{"t_s":10.0,"utc_s":null,"stage":"filling"}'
DEEP = "[" * 100_000


@pytest.mark.parametrize(
    ("table", "column", "value", "says"),
    [
        ("pot", "id", "one", "pot.jsonl, line 2: id: str where INTEGER is expected"),
        ("pot", "id", True, "bool where INTEGER"),
        ("pot", "id", 2**70, "line 2: .*too large"),
        ("pot", "name", None, "NOT NULL"),
        ("pot", "name", "\ud800", "surrogates"),
        ("run", "settings", "{", "run.jsonl, line 2: settings"),
        ("run", "settings", "[]", "settings: not a JSON object"),
        ("run", "settings", DEEP, "nested too deeply"),
        ("run", "start_utc_s", 1e15, "start_utc_s: .*out of range"),
        ("batch", "pot", 77, "batch.jsonl, line 2: FOREIGN KEY"),
        ("batch", "run", 77, "FOREIGN KEY"),
        ("batch", "verdict", "superb", "verdict: 'superb' is not known"),
        ("batch", "summary", "{}", "summary: .*missing or of the wrong type"),
        ("batch", "summary", '{"pot_id":5}', "wrong type"),
        ("batch", "end_t_s", 1e300, "end_t_s"),
        ("edit", "field", "smell", "edit.jsonl, line 2: field: 'smell'"),
        ("edit", "batch", 9, "FOREIGN KEY"),
        ("event", "kind", "party", "event.jsonl, line 2: kind: 'party'"),
        ("event", "kind", "alarm", "missing or of the wrong type|alarm"),
        ("event", "alarm", "leak", "not what the line says"),
        ("event", "line", "", "line: "),
        ("event", "line", DEEP, "nested too deeply"),
        ("event", "line", LINE.replace("10.0", "1e999"), "t_s: inf is out of range"),
        ("event", "line", LINE.replace("10.0", "NaN"), "NaN is not JSON"),
        ("event", "line", LINE.replace("10.0", "9" * 400), "out of range|too large"),
        ("event", "line", LINE.replace("10.0", '"ten"'), "could not convert"),
        ("event", "line", LINE.replace("10.0", "null"), "missing or of the wrong type"),
        ("event", "line", LINE.replace("null", "1e14"), "utc_s"),
        ("event", "line", LINE.replace('"filling"', '"dancing"'), "dancing"),
        ("event", "line", LINE[:-1] + ',"t_s":11.0}', "appears twice"),
        ("event", "line", LINE[:-1] + ',"more":"\\ud800"}', "surrogates"),
        ("command", "action", "explode", "command.jsonl, line 2: action"),
        ("command", "action", "label", "action: 'label'"),
        ("command", "duration_s", [1], "list where REAL"),
        ("care", "part", 5, "care.jsonl, line 2: part: int where TEXT"),
        ("sample", "t_s", "now", "sample.jsonl, line 2: t_s: str where REAL"),
        ("sample", "t_s", {"a": 1}, "dict where REAL"),
        ("sample", "wall_c", b"1e999", "wall_c: inf is out of range"),
        ("sample", "wall_c", b"Infinity", "Infinity is not JSON"),
        ("sample", "faults", '[["nose","cold"]]', "nose"),
        ("sample", "faults", '[["barometer",5]]', "faults: .*wrong type"),
        ("fault", "faults", "7", "faults: .*wrong type"),
        ("sample", "spread", '{"n":2,"wall_c":[1.0]}', "spread: 'wall_c'"),
        ("sample", "spread", '{"n":2,"smell":[1.0,2.0]}', "spread: 'smell'"),
        ("sample", "spread", '{"n":true}', "spread: does not say of how many"),
    ],
)
def test_a_row_the_program_could_not_read_is_refused_with_its_line(
    tables, tmp_path, table, column, value, says
):
    row = tables[table][1]
    at = tables[table][0].index(column)
    if isinstance(value, bytes):  # as written, no JSON of ours
        row[at] = "here"
        tables[table][1] = json.dumps(row).replace('"here"', value.decode()).encode() + b"\n"
    else:
        row[at] = value
    text = refused(pack(tmp_path / "bad.zip", tables), tmp_path)
    assert re.search(says, text), text
    assert f"{table}.jsonl, line 2: " in text and len(text) < 600


def test_a_leak_without_its_interval_is_refused(tables, tmp_path):
    columns = tables["trace"][0]
    row = dict.fromkeys(columns) | {"pot": 1, "t_s": 5.0, "stage": "holding", "leak_established": 0}
    tables["trace"].append([*(row | {"leak_pa_per_s": 0.5}).values()])
    assert "trace.jsonl, line 2: leak_pa_per_s" in refused(pack(tmp_path / "bad.zip", tables), tmp_path)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"[1,\n", "not JSON"),
        (b"5\n", "not 2 cells"),
        (b"[]\n", "not 2 cells"),
        (b'[1,"lantern"]\n', "UNIQUE"),
        (b'[9,"\xff"]\n', "not JSON"),
        (b"[" * 100_000 + b"\n", "nested too deeply"),
        (b"[9," + b"9" * 5000 + b"]\n", "not JSON"),
        (b'[9,"' + random.Random(1).randbytes(LONGEST_LINE_BYTES // 2).hex().encode() + b'"]\n', "too long"),
        (b'[9,"a"]', "cut off"),
    ],
)
def test_an_invalid_line_is_refused(tables, tmp_path, line, says):
    tables["pot"].append(line)
    text = refused(pack(tmp_path / "bad.zip", tables), tmp_path)
    assert f"pot.jsonl, line {len(tables['pot'])}: " in text and says in text


def test_the_same_instant_twice_is_refused(tables, tmp_path):
    tables["sample"].append(tables["sample"][-1])
    number = len(tables["sample"])
    text = refused(pack(tmp_path / "bad.zip", tables), tmp_path)
    assert f"sample.jsonl, line {number}: UNIQUE constraint failed: sample.pot, sample.t_s" in text


LINK = zipfile.ZipInfo("care.jsonl")
LINK.external_attr = 0o120777 << 16


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize(
    "name",
    [
        "../record.db",
        "/etc/passwd",
        "potvigil.db",
        "C:\\x",
        "a/b.jsonl",
        "pot.jsonl\0.txt",
        "pot.jsonl/",
        "x" * 9000,
    ],
)
def test_an_unexpected_member_is_refused_wherever_it_points(tables, tmp_path, name):
    text = refused(pack(tmp_path / "bad.zip", tables, members={zipfile.ZipInfo(name): b"x"}), tmp_path)
    assert "member" in text and len(text) < 400


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_duplicate_member_or_a_link_is_refused(tables, tmp_path):
    assert "twice" in refused(pack(tmp_path / "a.zip", tables, members={"pot.jsonl": b"x"}), tmp_path)
    del tables["care"]
    text = refused(pack(tmp_path / "b.zip", tables, members={LINK: b"/etc/passwd"}), tmp_path)
    assert "is not a plain file" in text


def test_missing_members_are_named(tables, tmp_path):
    del tables["care"]
    assert "care.jsonl" in refused(pack(tmp_path / "bad.zip", tables), tmp_path)
    text = refused(pack(tmp_path / "b.zip", tables, change=lambda m: m["members"].pop("pot.jsonl")), tmp_path)
    assert "not those of its manifest" in text


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda m: m.update(format="other"), "names another format"),
        (lambda m: m.update(format_number="1"), "format is not a number"),
        (lambda m: m.update(record_format=0), "format is not a number"),
        (lambda m: m.update(members=[]), "AttributeError"),
        (lambda m: m.pop("members"), "KeyError"),
        (lambda m: m["members"].update({"pot.jsonl": None}), "TypeError"),
        (lambda m: m["members"]["pot.jsonl"].update(rows=5), "2 rows where manifest.json says 5"),
        (lambda m: m["members"]["pot.jsonl"].update(rows=-1), "rows, bytes or columns"),
        (lambda m: m["members"]["pot.jsonl"].update(bytes=5), "not as many bytes"),
        (lambda m: m["members"]["pot.jsonl"].update(sha256="\n" * 99), "SHA-256"),
        (lambda m: m["members"]["pot.jsonl"].update(columns=["name", "id"]), "columns"),
        (lambda m: m["members"]["pot.jsonl"].update(columns="id"), "rows, bytes or columns"),
        (lambda m: m.update(record_format=1), "columns are not those|does not fit"),
    ],
)
def test_a_mismatched_manifest_is_refused(tables, tmp_path, change, says):
    assert re.search(says, refused(pack(tmp_path / "bad.zip", tables, change=change), tmp_path))


@pytest.mark.parametrize("key", ["format_number", "record_format"])
def test_a_newer_archive_is_refused_as_newer(tables, tmp_path, key):
    path = pack(tmp_path / "new.zip", tables, change=lambda m: m.update({key: 99, "members": "another way"}))
    with pytest.raises(NewerRecordError, match=r"99.*update Potvigil"):
        import_all(path, tmp_path / "again.db")


def test_a_decompression_bomb_is_refused_unread(tables, tmp_path):
    tables["care"].append(b" " * 50_000_000)
    path = pack(tmp_path / "bomb.zip", tables)
    assert path.stat().st_size < 100_000
    assert "grow more than 200 times" in refused(path, tmp_path)


def test_a_member_larger_than_declared_is_read_no_further(tables, packed, tmp_path):
    """Both sizes changed in the directory: a bomb with false sizes."""
    tables["care"].append(b" " * 50_000_000)
    path = pack(tmp_path / "bomb.zip", tables, change=lambda m: m["members"]["care.jsonl"].update(bytes=500))
    data = bytearray(path.read_bytes())
    at = data.find(b"PK\1\2", data.rfind(b"PK\1\2", 0, data.rfind(b"care.jsonl")))
    assert data[at + 46 : at + 56] == b"care.jsonl"  # APPNOTE 4.3.12: the name follows 46 bytes
    data[at + 24 : at + 28] = struct.pack("<L", 500)
    path.write_bytes(data)
    refused(path, tmp_path)


def test_a_directory_of_a_million_members_is_not_read(tmp_path):
    path = tmp_path / "many.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(5000):
            archive.writestr(f"{number}.jsonl", b"")
    assert "too many members" in refused(path, tmp_path)


@pytest.mark.parametrize(
    "data",
    [b"", b"PK", b"PK\5\6" + bytes(18), b"hello" * 100, b"PK\5\6" + b"\xff" * 16 + b"\0\0", bytes(200)],
)
def test_a_foreign_file_is_refused(tmp_path, data):
    path = tmp_path / "other.zip"
    path.write_bytes(data)
    refused(path, tmp_path)


@pytest.mark.parametrize("length", [20, 200, 8000])
def test_a_name_of_any_length_is_reported_in_a_short_line(packed, tmp_path, length):
    """The library quotes the name that stands before a member, as long as its header says it is."""
    data = bytearray(packed[1].read_bytes())
    assert data[:4] == b"PK\3\4"
    data[26:28] = length.to_bytes(2, "little")  # length of the name: APPNOTE.TXT 4.3.7
    path = tmp_path / "in.zip"
    path.write_bytes(data)
    said = refused(path, tmp_path)
    assert "in.zip is damaged" in said
    assert len(said) < len(str(path)) + 300
    assert said.isprintable()


def test_a_large_archive_has_the_expected_zip64_end(packed, tmp_path, monkeypatch):
    """Beyond 4 GB a ZIP file has a second end record; here it has one because zipfile is told so."""
    monkeypatch.setattr(zipfile, "ZIP64_LIMIT", 1000)
    export_all(packed[0], tmp_path / "large.zip", made_utc_s=None)
    assert b"PK\6\6" in (tmp_path / "large.zip").read_bytes()[-98:]
    import_all(tmp_path / "large.zip", tmp_path / "again.db")
    assert every_row(tmp_path / "again.db") == every_row(packed[0])


def test_any_damage_raises_only_a_record_error(packed, tmp_path):
    sound = packed[1].read_bytes()
    rng = random.Random(11)
    told, taken = 0, 0
    path, again = tmp_path / "bad.zip", tmp_path / "again.db"
    for number in range(120):
        data = bytearray(sound)
        for _ in range(rng.choice([1, 1, 4, 40])):
            data[rng.randrange(len(data)) if number % 3 else -rng.randrange(1, 1200)] = rng.randrange(256)
        path.write_bytes(data if number % 5 else data[: rng.randrange(len(data))])
        try:
            import_all(path, again)
        except RecordError as error:
            told += 1
            assert "\n" not in str(error)
        else:  # a byte without meaning, such as a time stamp
            taken += 1
            assert every_row(again) == every_row(packed[0])
            again.unlink()
        assert list(tmp_path.iterdir()) == [path]
    assert told > 75 and told + taken == 120


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | WORDS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS, inner, max_size=3),
    max_leaves=6,
)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_archive_raises_only_a_record_error(packed, tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("foreign")
    tables = tables_of(packed[0])
    table = data.draw(st.sampled_from([table for table in TABLES if len(tables[table]) > 1]))
    row = data.draw(st.sampled_from(range(1, len(tables[table]))))
    cell = data.draw(st.sampled_from(range(len(tables[table][0]))))
    value = data.draw(JSON)
    was = tables[table][row][cell]
    if isinstance(was, str) and was.startswith(("{", "[")) and data.draw(st.booleans()):
        inner = json.loads(was)
        if inner:
            inner[data.draw(st.sampled_from(sorted(inner) if isinstance(inner, dict) else [0]))] = value
        value = json.dumps(inner)
    tables[table][row][cell] = value
    path = pack(folder / "foreign.zip", tables)
    try:
        import_all(path, folder / "again.db")
    except RecordError as error:
        assert "\n" not in str(error)
        assert list(folder.iterdir()) == [path]
        return
    told = check(folder / "again.db").problems
    assert all("has no samples" in text or "never closed" in text for text in told), told
    with Store.open(folder / "again.db") as store:  # what was taken can be read
        store.listed()
        for batch in store.batches():
            store.events(batch.id), store.edits(batch.id)
        store.standing_alarms(), store.runs(), store.take_commands(1e6)
        for pot in store.pots():
            list(store.samples(pot, float("-inf"))), store.traces(pot, -1e300), store.cares(pot)


# --- files


def test_an_existing_record_is_never_touched(packed, tmp_path):
    for path in (filled(tmp_path / "record.db"), tmp_path / "empty", tmp_path / "notes.txt"):
        path.touch()
        before = path.read_bytes()
        with pytest.raises(ExistingFileError, match=r"exists already.*give another path") as caught:
            import_all(packed[1], path)
        assert path.read_bytes() == before and isinstance(caught.value, FileExistsError)


def test_the_log_of_a_deleted_record_is_not_read_into_the_new_one(packed, tmp_path):
    (tmp_path / "again.db-wal").write_bytes(b"old")
    with pytest.raises(ExistingFileError, match="not closed"):
        import_all(packed[1], tmp_path / "again.db")
    assert [path.name for path in tmp_path.iterdir()] == ["again.db-wal"]


def test_a_record_created_meanwhile_is_not_replaced(packed, tmp_path):
    def begin(table: str, rows: int) -> None:
        if table == "sample":
            (tmp_path / "again.db").write_text("the watch was started")

    with pytest.raises(ExistingFileError):
        import_all(packed[1], tmp_path / "again.db", progress=begin)
    assert [path.name for path in tmp_path.iterdir()] == ["again.db"]
    assert (tmp_path / "again.db").read_text() == "the watch was started"


def test_only_an_archive_is_overwritten(packed, tmp_path):
    record = filled(tmp_path / "record.db")
    before = record.read_bytes()
    with pytest.raises(ExistingFileError, match="is not an archive"):
        export_all(packed[0], record, made_utc_s=None)
    with pytest.raises(ExistingFileError, match="is not a plain file"):
        export_all(packed[0], tmp_path, made_utc_s=None)
    assert record.read_bytes() == before
    for _ in range(2):
        assert isinstance(export_all(record, tmp_path / "all.zip", made_utc_s=None), Archived)


@pytest.mark.parametrize("size", [0, 1, 200, 3000, 5000])
def test_a_full_disk_is_reported_and_leaves_no_archive(packed, tmp_path, size):
    says = r"all.zip cannot be written.*free some space"
    # the watch has it open, on another disk: its log and the log's index are there already
    with Store.open(packed[0]) as watch:
        watch.batches()
        with FullDisk(size), pytest.raises(RecordWriteError, match=says):
            export_all(packed[0], tmp_path / "all.zip", made_utc_s=None)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("size", [0, 4096, 40_000])
def test_a_full_disk_is_reported_and_leaves_no_record(packed, tmp_path, size):
    with FullDisk(size), pytest.raises(RecordError, match=r"cannot be written.*") as caught:
        import_all(packed[1], tmp_path / "again.db")
    assert "\n" not in str(caught.value) and ".part" not in str(caught.value), str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_missing_files_are_reported(packed, tmp_path):
    with pytest.raises(MissingRecordError):
        export_all(tmp_path / "none.db", tmp_path / "all.zip", made_utc_s=None)
    with pytest.raises(ArchiveError, match=r"none.zip cannot be read"):
        import_all(tmp_path / "none.zip", tmp_path / "again.db")
    with pytest.raises(UnwritableRecordError, match="check the folder"):
        import_all(packed[1], tmp_path / "not" / "mounted" / "again.db")
    with pytest.raises(UnwritableRecordError):
        export_all(packed[0], tmp_path / ("x" * 300), made_utc_s=None)
    assert list(tmp_path.iterdir()) == []


def test_an_interrupted_import_leaves_nothing(packed, tmp_path):
    def interrupt(table: str, rows: int) -> None:
        raise KeyboardInterrupt

    for act in (
        lambda: import_all(packed[1], tmp_path / "again.db", progress=interrupt),
        lambda: export_all(packed[0], tmp_path / "all.zip", made_utc_s=None, progress=interrupt),
    ):
        with pytest.raises(KeyboardInterrupt):
            act()
        assert list(tmp_path.iterdir()) == []


def test_a_non_finite_number_breaks_no_export(packed, tmp_path):
    record = filled(tmp_path / "record.db")
    with sqlite3.connect(record) as db:
        db.execute("UPDATE sample SET wall_c = 9e999, room_c = -9e999 WHERE t_s < 5")
    db.close()
    export_all(record, tmp_path / "all.zip", made_utc_s=None)
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        line = io.BytesIO(archive.read("sample.jsonl")).readlines()[1]
    assert b"1e999" in line and float("inf") in json.loads(line)
    assert "wall_c: inf is out of range" in refused(tmp_path / "all.zip", tmp_path)


def test_the_password_of_the_broker_is_in_no_archive(tmp_path):
    secret = tmp_path / "password"
    secret.write_text("correct horse")
    smallest = (Path(__file__).parents[2] / "config" / "smallest.yaml").read_text(encoding="utf-8")
    text = f"{smallest}\nmqtt: {{host: broker.local, username: anna, password_file: {secret}}}\n"
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run(load_text(text, "workshop.yaml").as_json(), "boot-a", 0.0, None, None)
    export_all(tmp_path / "record.db", tmp_path / "all.zip", made_utc_s=None)
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        assert b"password_file" in archive.read("run.jsonl")
        assert not any(b"correct horse" in archive.read(name) for name in archive.namelist())
