"""SQLite errors say what to do, and a watch goes on while its record comes and goes."""

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from potvigil.model.events import Action, BatchOpened, Detail, Stage
from potvigil.model.reading import Fault, Sensor
from potvigil.record import database
from potvigil.record.database import BUSY_TIMEOUT_S, Database
from potvigil.record.errors import (
    DamagedRecordError,
    LockedRecordError,
    MissingRecordError,
    NewerRecordError,
    OlderRecordError,
    RecordError,
    RecordWriteError,
    UnwritableRecordError,
)
from potvigil.record.lock import is_watched
from potvigil.record.rows import TraceRow
from potvigil.record.schema import APPLICATION_ID, MIGRATIONS
from potvigil.record.store import Store
from potvigil.record.tables import ledger
from record_night import CLOSED, POT, sample


def refusal(code: int | None, text: str = "so it says") -> sqlite3.Error:
    error = sqlite3.OperationalError(text)
    if code is not None:
        error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    ("error", "kind", "hint"),
    [
        (refusal(sqlite3.SQLITE_CORRUPT), DamagedRecordError, "is damaged (so it says)"),
        (refusal(sqlite3.SQLITE_CORRUPT | 2 << 8), DamagedRecordError, "is damaged"),  # an extended code
        (refusal(sqlite3.SQLITE_NOTADB), DamagedRecordError, "is damaged"),
        (refusal(None, "Could not decode to UTF-8 column"), DamagedRecordError, "is damaged"),
        (refusal(sqlite3.SQLITE_BUSY), LockedRecordError, "for over 2 s"),
        (refusal(sqlite3.SQLITE_LOCKED), LockedRecordError, "by another program"),
        (refusal(sqlite3.SQLITE_CANTOPEN), UnwritableRecordError, "check the permissions of file and folder"),
        (refusal(sqlite3.SQLITE_FULL), RecordWriteError, "(so it says); free some space on that disk"),
        (refusal(sqlite3.SQLITE_READONLY), RecordWriteError, "whether the disk has become read-only"),
        (
            refusal(sqlite3.SQLITE_IOERR | 12 << 8),
            RecordWriteError,
            "check the disk and the space left on it",
        ),
        (refusal(sqlite3.SQLITE_ERROR), RecordWriteError, "; check the disk"),
        (refusal(None), RecordWriteError, "; check the disk"),
    ],
)
def test_each_sqlite_error_says_what_to_do(error: sqlite3.Error, kind: type, hint: str) -> None:
    told = database._explained(error, Path("/there/record.db"))
    assert type(told) is kind
    assert "/there/record.db" in str(told) and hint in str(told)
    assert BUSY_TIMEOUT_S == 2.0


def test_a_programming_error_is_not_translated(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        with pytest.raises(sqlite3.ProgrammingError):
            store._db.rows("SELECT ?", (1, 2))
        with pytest.raises(DamagedRecordError, match="decode to UTF-8"):
            store._db.rows("SELECT CAST(x'ff' AS TEXT) || 'x' UNION SELECT CAST(x'ff' AS TEXT)")


def test_a_refused_transaction_leaves_nothing_behind(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        with suppress(ZeroDivisionError), store._db.transaction(durable=True):
            store._db.execute("INSERT INTO pot (name) VALUES ('x')")
            raise ZeroDivisionError
        assert store.pots() == []
        with store._db.transaction(durable=True):
            assert store._db.rows("PRAGMA synchronous") == [(2,)]  # FULL
            assert store._db.execute("INSERT INTO pot (name) VALUES ('x'), ('y')") == 2
        with store._db.transaction(durable=False):
            assert store._db.rows("PRAGMA synchronous") == [(1,)]  # NORMAL
        assert store.pots() == ["x", "y"]


def test_an_unreadable_row_is_damage_and_a_programming_error_is_raised(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        for error in (ValueError("so"), KeyError("so"), TypeError("so")):

            def make(_: object, error: Exception = error) -> None:
                raise error

            with pytest.raises(DamagedRecordError, match=r"unreadable row: .*so"):
                store._db.read(make, "SELECT 1")

        def missing(_: object) -> None:
            raise OlderRecordError("older")

        with pytest.raises(OlderRecordError):
            store._db.read(missing, "SELECT 1")


def test_a_record_is_set_up_for_several_processes(tmp_path: Path) -> None:
    opened = Database.open(tmp_path / "record.db")
    assert opened.rows("PRAGMA journal_mode") == [("wal",)]
    assert opened.rows("PRAGMA journal_size_limit") == [(8 * 1024 * 1024,)]
    assert opened.rows("PRAGMA application_id") == [(APPLICATION_ID,)]
    assert opened.version == len(MIGRATIONS)
    assert opened.columns("pot") == {"id": "INTEGER", "name": "TEXT"} and opened.columns("none") == {}
    opened.close()


def test_a_stand_in_is_an_empty_in_memory_record_of_this_format(tmp_path: Path) -> None:
    stand_in = Database.stand_in(tmp_path / "record.db")
    assert stand_in.version == len(MIGRATIONS) and stand_in.rows("SELECT * FROM sample") == []
    stand_in.close()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("version", [1, 4, len(MIGRATIONS)])
def test_a_record_of_any_format_can_be_made_and_enforces_foreign_keys(tmp_path: Path, version: int) -> None:
    made = Database.new(tmp_path / "record.db", version)
    assert made.version == version
    with made.transaction(durable=False):
        assert made.insert("INSERT INTO pot (id, name) VALUES (?, ?)", (1, "x")) is None
        assert "UNIQUE" in str(made.insert("INSERT INTO pot (id, name) VALUES (?, ?)", (2, "x")))
        assert made.insert("INSERT INTO pot (id, name) VALUES (?, ?)", (2**64, "y")) is not None
        assert made.insert("INSERT INTO pot (id, name) VALUES (?, ?)", (3, "\ud800")) is not None
        sql = "INSERT INTO sample (pot, t_s) VALUES (?, ?)"
        assert "FOREIGN KEY" in str(made.insert(sql, (9, 1.0)))
        assert made.insert(sql, (1, 1.0)) is None
    assert list(made.stream("SELECT name FROM pot")) == [("x",)]
    made.close()
    if version < len(MIGRATIONS):
        with pytest.raises(OlderRecordError):
            Database.open_read_only(tmp_path / "record.db")
    Database.open(tmp_path / "record.db").close()
    still = Database.open_still(tmp_path / "record.db")
    assert still.version == len(MIGRATIONS)
    still.close()


def test_a_copy_is_consistent_and_reports_progress(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rests: list[float] = []
    monkeypatch.setattr(database.time, "sleep", rests.append)
    with Store.open(tmp_path / "record.db") as store, Store.open(tmp_path / "record.db") as other:
        for n in range(1500):
            store.append(POT, sample(float(n)))
        store.flush()
        steps: list[tuple[int, int]] = []

        def progress(left: int, total: int) -> None:
            steps.append((left, total))
            if len(steps) == 2:  # another process writes meanwhile
                other.append(POT, sample(1e6))
                other.flush()

        store._db.copy_to(tmp_path / "copy.db", tmp_path / "told", 10, 0.25, progress)
    total = steps[0][1]
    assert total > 20
    assert steps == [(max(total - 10 * n, 0), total) for n in range(1, -(-total // 10) + 1)]
    assert rests == [0.25] * (len(steps) - 1) + [0.0]
    with Store.open(tmp_path / "copy.db") as copy:
        assert len(list(copy.samples(POT, 0.0))) == 1500
    with Store.open(tmp_path / "record.db") as store, pytest.raises(RecordError, match="told"):
        store._db.copy_to(tmp_path / "none" / "copy.db", tmp_path / "told", 10, 0.0, lambda *_: None)


def test_opening_for_writing_makes_a_missing_record(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    for opening in (lambda: Database.open(path, create=False), lambda: Database.open_read_only(path)):
        with pytest.raises(MissingRecordError):
            opening()
    for opening in (Store.open_for_watch, lambda path: Store.open_alone(path, "a rehearsal")):
        opening(path).close()
        assert is_watched(path) is False
        path.unlink()
    nowhere = tmp_path / "folder" / "record.db"
    with pytest.raises(UnwritableRecordError):
        Store.open_alone(nowhere, "a rehearsal")
    Store.open_alone(nowhere, "a rehearsal", make_parents=True).close()
    deep = tmp_path / "a" / "b" / "record.db"
    with Store.open_for_watch(deep) as store:
        assert not store._is_open and not deep.parent.exists()
    with Store.open_for_watch(deep, make_parents=True) as store:
        assert store._is_open


# --- a watch whose record comes and goes


def test_a_watch_without_a_record_writes_to_it_once_available(tmp_path: Path) -> None:
    path = tmp_path / "medium" / "record.db"
    with Store.open_for_watch(path, who="a watch") as store:
        assert store._failure is not None
        assert store.begin_run("{}", "boot-a", 5.0, None, None) == 0.0
        store.append(POT, sample(6.0))
        store.append_trace(POT, _trace(6.0))
        assert store.open_batch(POT, BatchOpened(6.0, None)) == 1
        with pytest.raises(RecordError):
            store.commit_due(6.0)
        path.parent.mkdir()
        for t_s in (7.0, 15.9):
            with pytest.raises(RecordError):
                store.commit_due(t_s)
        store.commit_due(16.0)
        store.commit_due(17.0)
    with Store.open_read_only(path) as kept:
        assert [s.t_s for s in kept.samples(POT, 0.0)] == [6.0]
        assert [row.t_s for row in kept.traces(POT, 0.0)] == [6.0]
        assert kept.runs()[0].boot_id == "boot-a" and kept.batch(1).start_t_s == 6.0


def _trace(t_s: float) -> Any:
    return TraceRow(t_s, Stage.OPEN, *[None] * 7, False, *[None] * 5)  # type: ignore[arg-type]


@pytest.mark.parametrize(("runs", "is_taken"), [(0, True), (1, False), (2, False)])
def test_an_existing_record_is_not_mixed_with_data_kept_without_it(
    tmp_path: Path, runs: int, is_taken: bool
) -> None:
    path, away = tmp_path / "record.db", tmp_path / "medium"
    with Store.open(path) as store:
        for n in range(runs):
            store.begin_run("{}", f"boot-{n}", 5.0, None, None)
    with Store.open_for_watch(away / "record.db", who="a watch") as watch:
        watch.begin_run("{}", "boot-x", 5.0, None, None)
        away.mkdir()
        path.rename(away / "record.db")
        if is_taken:
            watch.flush()
            assert [run.boot_id for run in watch.runs()] == ["boot-x"]
        else:
            with pytest.raises(UnwritableRecordError, match="restart the watch to continue it"):
                watch.flush()
            watch._urgent.clear()


def test_giving_up_on_a_record_drops_its_queue(tmp_path: Path) -> None:
    with Store.open_for_watch(tmp_path / "record.db") as store:
        store.begin_run("{}", "boot-a", 5.0, None, None)
        store.open_batch(POT, BatchOpened(5.0, None))
        store.append(POT, sample(6.0))
        store.append_trace(POT, _trace(6.0))
        with store.held():
            store.close_batch(1, CLOSED)
        why = RecordWriteError("no room")
        store.do_without(why)
        assert (len(store._samples), len(store._traces), store._urgent) == (0, 0, [])
        assert (store._is_open, store._failure, store.runs()) == (False, why, [])
        assert store.begin_run("{}", "boot-a", 7.0, None, None) == 0.0
        assert store.last_run() is None
        store._urgent.clear()


def test_everything_in_a_tick_is_written_at_its_end(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store, Store.open_read_only(store.path) as page:
        store.commit_due(0.0)
        with store.held():
            store.open_batch(POT, BatchOpened(5.0, None))
            assert page.batches() == []
        assert page.batches() == []
        store.commit_due(1.0)  # at once, before the minute is over
        assert len(page.batches()) == 1
        store.open_batch(POT, BatchOpened(6.0, None))
        assert len(page.batches()) == 2  # outside a tick


def test_a_newer_record_is_recognised_by_its_format(tmp_path: Path) -> None:
    Store.open(tmp_path / "record.db").close()
    changed = sqlite3.connect(tmp_path / "record.db")
    changed.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    changed.close()
    with pytest.raises(NewerRecordError):
        Database.open(tmp_path / "record.db")


def test_a_sound_record_passes_the_check_and_a_lost_text_is_named(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        store.append(POT, sample(5.0))
        store.flush()
        store.check()
        for t_s in (7.0, 9.0):
            store.append(POT, sample(t_s, faults=(Fault(Sensor.BAROMETER, "no answer"),)))
        store.flush()
        store.check()
        with store._db.transaction(durable=False):
            store._db.execute("DELETE FROM fault")
        with pytest.raises(DamagedRecordError, match=r"sample 7\.0: faults whose text is not there"):
            store.check()


DURABLE: dict[str, tuple[Callable[[Store], object], bool]] = {
    # a command or an announcement is on the medium before anybody hears of it
    "a command": (lambda store: store.add_command(POT, Action.CLOSE, None), True),
    "a command given up on": (lambda store: store.give_up(range(1, 2), "late"), True),
    "care": (lambda store: store.add_care(POT, 1e9, "seal", "", "", 1e9), True),
    "care taken back": (lambda store: store.remove_care(POT, 1), True),
    "a delivery": (lambda store: store.add_deliveries([]), True),
    "an event": (lambda store: store.open_batch(POT, BatchOpened(5.0, None)), True),
    "a run": (lambda store: store.begin_run("{}", "boot", 5.0, None, None), True),
    "a detail": (lambda store: store.edit(1, {Detail.NOTE: "x"}, "anna", None), True),
    "what was learnt": (lambda store: store.add_taught(1, 1, {}), True),
    # a minute of samples may be lost, as they are only in memory anyway
    "samples": (lambda store: (store.append(POT, sample(5.0)), store.flush()), False),
    "nothing": (lambda store: store.flush(), False),
}


@pytest.mark.parametrize("what", DURABLE)
def test_durable_writes_are_synced_to_the_medium(tmp_path: Path, what: str) -> None:
    write, is_durable = DURABLE[what]
    with Store.open(tmp_path / "record.db") as store:
        store.open_batch(POT, BatchOpened(1.0, None))
        said: list[str] = []
        store._db._connection.set_trace_callback(said.append)
        write(store)
        store._db._connection.set_trace_callback(None)
    (told,) = {line for line in said if line.startswith("PRAGMA synchronous")}
    assert told == f"PRAGMA synchronous = {'FULL' if is_durable else 'NORMAL'}"


def test_wall_times_are_corrected_in_short_steps_between_two_durable_ones(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run("{}", "boot", 5.0, None, None)
        said: list[str] = []
        store._db._connection.set_trace_callback(said.append)
        for _ in store.mend_times("boot", 1000.0, 1.7e9, was_set=False):
            pass
        store._db._connection.set_trace_callback(None)
    told = [line.split()[-1] for line in said if line.startswith("PRAGMA synchronous")]
    # the queue, the mark to correct, two steps of ten minutes, the rest
    assert told == ["NORMAL", "FULL", "NORMAL", "NORMAL", "FULL"]


def test_each_migration_is_durable_before_the_next_starts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Database.new(tmp_path / "record.db", len(MIGRATIONS) - 2).close()
    seen: list[bool] = []
    transaction = Database.transaction

    def counted(self: Database, *, durable: bool) -> Any:
        seen.append(durable)
        return transaction(self, durable=durable)

    monkeypatch.setattr(Database, "transaction", counted)
    Database.open(tmp_path / "record.db").close()
    assert seen == [True, True]
    Database.open(tmp_path / "new.db").close()
    assert seen == [True, True, True]  # a new one in one transaction


def test_a_newly_opened_record_has_dropped_nothing(tmp_path: Path) -> None:
    for opening in (Store.open, Store.open_for_watch, Store.open_read_only):
        with opening(tmp_path / "record.db") as store:
            assert (store.dropped_samples, store.begun_anew) == (0, None)
            assert store._is_open and store._failure is None


def test_each_sample_dropped_from_memory_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ledger, "BUFFER_SAMPLES", 3)
    with Store.open(tmp_path / "record.db") as store:
        lost = []
        for n in range(5):
            store.append(POT, sample(float(n)))
            lost.append(store.dropped_samples)
        assert lost == [0, 0, 0, 1, 2]
