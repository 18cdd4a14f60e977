"""An older record is migrated completely or not at all; foreign files are never touched."""

import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

import potvigil.record.database as database_module
from only_root import needs_root
from potvigil.model.events import Action, AlarmId, Command, Detail, Interval, Outcome, Stage, StageEvent
from potvigil.model.reading import Fault, Place, Sample, Sensor
from potvigil.record.errors import (
    MissingRecordError,
    NewerRecordError,
    NotARecordError,
    OlderRecordError,
    RecordError,
    UnwritableRecordError,
)
from potvigil.record.file import is_record
from potvigil.record.rows import EditRow
from potvigil.record.schema import APPLICATION_ID, MIGRATIONS
from potvigil.record.store import Store
from record_night import POT, UTC_S, sample

VERSION_1 = Path(__file__).with_name("version_1.sql")
VERSION_4 = Path(__file__).with_name("version_4.sql")
NEXT = "ALTER TABLE pot ADD COLUMN colour TEXT; CREATE TABLE lid (id INTEGER PRIMARY KEY) STRICT;"


def version_1_file(path: Path) -> Path:
    """A file of version 1: one run, one open batch, an event, two samples."""
    with sqlite3.connect(path) as db:
        db.executescript(VERSION_1.read_text(encoding="utf-8"))
    db.close()
    return path


def user_version(path: Path) -> int:
    db = sqlite3.connect(path)
    (version,) = db.execute("PRAGMA user_version").fetchone()
    db.close()
    return version


def test_a_new_file_is_identified_by_its_first_100_bytes(tmp_path):
    # SQLite file format, section 1.3: user version at byte 60, application id at byte 68, both big-endian
    path = tmp_path / "record.db"
    Store.open(path).close()
    head = path.read_bytes()[:100]
    assert head[68:72] == b"PotV" == APPLICATION_ID.to_bytes(4, "big")
    assert int.from_bytes(head[60:64], "big") == len(MIGRATIONS)


def test_a_version_1_file_still_opens_with_all_its_data(tmp_path):
    with Store.open(version_1_file(tmp_path / "record.db")) as store:
        assert [s.t_s for s in store.samples(POT, 0.0)] == [12.25, 13.25]
        assert store.runs()[0].settings_json == '{"workshop":"harbour-models"}'
        batch = store.open_batch_of(POT)
        assert batch is not None and batch.label == "lenses, blue"
        assert store.events(batch.id) == [StageEvent(12.25, None, Stage.FILLING)]
    assert user_version(tmp_path / "record.db") == len(MIGRATIONS)


def test_a_version_4_file_has_no_mould_thermometer_and_is_otherwise_unchanged(tmp_path):
    path = tmp_path / "record.db"
    with sqlite3.connect(path) as db:
        db.executescript(VERSION_4.read_text(encoding="utf-8"))
    db.close()
    absent = Fault(Sensor.THERMOMETER, "28-0316a2794aff: none on the bus", Place.ROOM)
    with Store.open(path) as store:
        assert list(store.samples(POT, 0.0)) == [
            Sample(
                *(205.0, UTC_S + 205.0, 15_000.5, 26_004.25),
                wall_c=20.15625,
                room_c=20.5,
                ambient_pa=101_010.5,
            ),
            sample(500.0, gas_c=22.5, ambient_pa=101_000.0, faults=(absent,)),
        ]
        (trace,) = store.traces(POT, 0.0)
        assert (trace.gas_k, trace.wall_k, trace.room_k, trace.contents_k) == (295.65, 294.15, 293.65, None)
        assert (trace.leak_pa_per_s, trace.cure_done_s) == (Interval(0.001, 0.0009, 0.0011), 36_000.0)
        assert store.readings(1) == [
            Sample(0.0, gauge_pa=413_685.0, gas_c=20.5, wall_c=20.25, room_c=20.0, ambient_pa=101_000.0),
            Sample(20.0, gauge_pa=413_680.0, wall_c=20.25),
        ]
        store.append(POT, warm := sample(700.0, contents_c=31.5))
        store.append_trace(POT, known := replace(trace, t_s=700.0, contents_k=304.65))
        store.flush()
        assert list(store.samples(POT, 600.0)) == [warm]
        assert store.traces(POT, 600.0) == [known]
    assert user_version(path) == len(MIGRATIONS) > 4


def test_label_and_note_of_version_1_become_details_with_their_history(tmp_path):
    path = version_1_file(tmp_path / "record.db")
    with sqlite3.connect(path) as db:
        db.executescript(
            """
            INSERT INTO edit VALUES (2, 1, 'label', 'lenses, green', 'page', 5.0);
            INSERT INTO edit VALUES (3, 1, 'note', 'two bubbles', 'anna', NULL);
            UPDATE batch SET label = 'lenses, green', note = 'two bubbles';
            INSERT INTO batch VALUES (2, 1, 1, 90.0, NULL, 95.0, NULL, 'it''s <b>"unsigned"</b>', '',
                NULL, NULL);
            INSERT INTO command VALUES (1, 1, 'open', NULL, 'lenses, blue', NULL, 'anna', NULL, 12.0);
            INSERT INTO command VALUES (2, 1, 'label', NULL, 'lenses, green', NULL, 'page', 5.0, 13.0);
            INSERT INTO command VALUES (3, 1, 'acknowledge', 'leak', '', NULL, 'anna', NULL, 13.0);
            INSERT INTO command VALUES (4, 1, 'note', NULL, 'waits; "still"', NULL, 'anna', NULL, NULL);
            """
        )
    db.close()
    with Store.open(path) as store:
        assert store.batch(1).details == {Detail.LABEL: "lenses, green", Detail.NOTE: "two bubbles"}
        assert store.edits(1) == [
            EditRow(Detail.LABEL, "", "lenses, blue", "anna", None, None),
            EditRow(Detail.LABEL, "lenses, blue", "lenses, green", "page", None, 5.0),
            EditRow(Detail.NOTE, "", "two bubbles", "anna", None, None),
        ]
        assert store.batch(2).details == {Detail.LABEL: 'it\'s <b>"unsigned"</b>'}
        assert [(edit.old, edit.by) for edit in store.edits(2)] == [("", "")]
        assert store.commands(POT, 0.0) == [
            Command(Action.OPEN, 12.0, by="anna"),
            Command(Action.EDIT, 12.0, text="lenses, blue", by="anna", field=Detail.LABEL),
            Command(Action.EDIT, 13.0, text="lenses, green", by="page", field=Detail.LABEL),
            Command(Action.ACKNOWLEDGE, 13.0, AlarmId.LEAK, by="anna"),
        ]
        assert store.take_commands(14.0) == []  # a command to a watch that is long gone
        (row,) = store.asked(range(4, 5))
        assert row.answer is not None and row.answer.outcome is Outcome.REFUSED


def test_a_migration_brings_an_older_file_up_to_date(tmp_path, monkeypatch):
    path = version_1_file(tmp_path / "record.db")
    monkeypatch.setattr(database_module, "MIGRATIONS", (MIGRATIONS[0], NEXT))
    with pytest.raises(OlderRecordError, match=r"format 1.*2.*potvigil watch"):
        Store.open_read_only(path)
    with Store.open(path) as store:
        assert store._db.rows("SELECT count(*) FROM sample") == [(2,)]
    assert user_version(path) == 2
    with Store.open_read_only(path) as store:
        assert store.pots() == [POT]


def test_a_failing_migration_leaves_the_older_file_unchanged(tmp_path, monkeypatch):
    path = version_1_file(tmp_path / "record.db")
    before = path.read_bytes()
    monkeypatch.setattr(
        database_module, "MIGRATIONS", (MIGRATIONS[0], NEXT + "CREATE TABLE pot (id INTEGER);")
    )
    with pytest.raises(RecordError):
        Store.open(path)
    assert path.read_bytes() == before


def test_a_crash_in_the_middle_of_a_migration_changes_nothing(tmp_path):
    path = version_1_file(tmp_path / "record.db")
    crash = f"""
import os, signal, pathlib
import potvigil.record.database as database
from potvigil.record.store import Store
split = database._statements
def dying(script):
    yield next(split(script))
    os.kill(os.getpid(), signal.SIGKILL)
database._statements = dying
database.MIGRATIONS = (database.MIGRATIONS[0], {NEXT!r})
Store.open(pathlib.Path({str(path)!r}))
"""
    assert subprocess.run([sys.executable, "-c", crash], check=False).returncode == -signal.SIGKILL
    assert user_version(path) == 1
    with Store.open(path) as store:
        assert len(list(store.samples(POT, 0.0))) == 2
    db = sqlite3.connect(path)
    assert [row[1] for row in db.execute("PRAGMA table_info(pot)")] == ["id", "name"]
    db.close()


@pytest.mark.parametrize("opening", [Store.open, Store.open_read_only])
def test_a_newer_record_is_refused_and_left_alone(tmp_path, opening):
    path = tmp_path / "record.db"
    Store.open(path).close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA journal_mode = DELETE")
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    db.close()
    before = path.read_bytes()
    with pytest.raises(
        NewerRecordError, match=rf"format {len(MIGRATIONS) + 1}.*up to {len(MIGRATIONS)}.*update"
    ):
        opening(path)
    assert path.read_bytes() == before


def foreign_database(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE accounts (id INTEGER)")
    db.close()


@pytest.mark.parametrize("opening", [Store.open, Store.open_read_only])
@pytest.mark.parametrize(
    ("write", "what"),
    [
        (foreign_database, "database of another program"),
        (lambda path: path.write_text("elapsed_s,gauge_pressure_psi\n0,60\n"), "not a Potvigil record"),
        (lambda path: path.write_bytes(b"SQLite format 3\0"), "another program"),
    ],
)
def test_a_file_of_something_else_is_refused_and_left_alone(tmp_path, opening, write, what):
    path = tmp_path / "something"
    write(path)
    before = path.read_bytes()
    with pytest.raises(NotARecordError, match=what) as caught:
        opening(path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
    assert isinstance(caught.value, ValueError) and "\n" not in str(caught.value)


def test_a_missing_record_is_made_only_on_request(tmp_path):
    path = tmp_path / "record.db"
    for opening in (Store.open_read_only, lambda p: Store.open(p, create=False)):
        with pytest.raises(MissingRecordError, match="no record at") as caught:
            opening(path)
        assert isinstance(caught.value, FileNotFoundError)
    assert not path.exists()
    path.touch()  # an empty file has nothing to lose
    Store.open(path).close()
    assert path.stat().st_size > 0


def test_a_missing_folder_is_made_only_for_the_default_path(tmp_path):
    path = tmp_path / "not" / "mounted" / "record.db"
    with pytest.raises(UnwritableRecordError, match=r"mounted.*missing") as caught:
        Store.open(path)
    assert isinstance(caught.value, OSError)
    assert not path.parent.exists()
    Store.open(path, make_parents=True).close()
    assert path.exists()


def test_a_folder_in_place_of_a_record_is_refused(tmp_path):
    with pytest.raises(UnwritableRecordError, match="cannot be read"):
        Store.open(tmp_path)


@pytest.fixture
def public_folder():
    """A folder that every user can access, unlike pytest's."""
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)
        Path(folder).chmod(0o755)


@needs_root
@pytest.mark.parametrize("watch_runs", [False, True])
def test_a_user_without_write_permission_can_read_a_record(public_folder, watch_runs):
    """In a folder without write permission, with a watch running or not."""
    path = public_folder / "record.db"
    watch = Store.open(path)
    watch.append(POT, sample(1.0))
    watch.flush()
    if not watch_runs:
        watch.close()
    for each in public_folder.iterdir():  # created for owner and group only; here opened to all
        each.chmod(0o444)
    public_folder.chmod(0o555)
    tries = f"""
import os, pathlib
from potvigil.record.errors import UnwritableRecordError
from potvigil.record.store import Store
if os.getuid() == 0:  # only after the imports: the checkout may be closed to others
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
path = pathlib.Path({str(path)!r})
with Store.open_read_only(path) as store:
    assert [s.t_s for s in store.samples("lantern", 0.0)] == [1.0]
try:
    Store.open(path)
except UnwritableRecordError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", tries], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "may not be written" in done.stdout
    if watch_runs:
        watch.append(POT, sample(2.0))
        watch.close()
    assert list(public_folder.iterdir()) == [path]


def locks_held_on(path: Path) -> list[str]:
    """This process's POSIX locks on a file, by the kernel: proc(5), /proc/locks."""
    inode, pid = str(path.stat().st_ino), str(os.getpid())
    lines = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
    return [word[-1] + word[3] for word in lines if word[4] == pid and word[5].rpartition(":")[2] == inode]


def test_a_second_opening_takes_no_lock_from_the_first(tmp_path):
    """SQLite, How To Corrupt An SQLite Database File, 2.2: closing a file cancels all locks on it."""
    path = tmp_path / "record.db"
    Store.open(path).close()
    with Store.open_read_only(path) as first:
        first.batches()
        held = locks_held_on(path)
        assert held
        with Store.open_read_only(path):
            pass
        assert locks_held_on(path) == held
        assert is_record(path)
        assert locks_held_on(path) == held


def test_a_file_is_checked_again_at_each_opening(tmp_path):
    """An inode can be reused by another file once the first is gone (stat(2))."""
    path = tmp_path / "record.db"
    for opened in (Store.open, Store.open_read_only, Store.open):
        opened(path).close()
        opened(path).close()
    path.write_text("lanterns, 40 of them" * 10)  # in place: the same device and inode
    with pytest.raises(NotARecordError):
        is_record(path)
    for opened in (Store.open, Store.open_read_only):
        with pytest.raises(NotARecordError):
            opened(path)
