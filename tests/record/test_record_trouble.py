"""A full disk loses nothing that fits in memory; a broken file is reported and left alone."""

import random
import resource
import shutil
from pathlib import Path

import pytest

import potvigil.record.tables.ledger as store_module
from failing_disk import FailingDisk, FullDisk
from potvigil.model.events import Action, AlarmState, BatchOpened
from potvigil.record.errors import DamagedRecordError, NotARecordError, RecordError, RecordWriteError
from potvigil.record.store import Store
from potvigil.record.tables.ledger import RETRY_PERIOD_S, SAMPLE_COMMIT_PERIOD_S
from record_night import CLOSED, POT, UTC_S, alarm, night, sample


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "record.db") as store:
        yield store


def run_seconds(store: Store, first: int, last: int) -> list[str]:
    """Tick from `first` to before `last`; return the record's complaints."""
    complaints = []
    for second in range(first, last):
        store.append(POT, sample(float(second)))
        try:
            store.commit_due(float(second))
        except RecordError as error:
            assert isinstance(error, RecordWriteError) and isinstance(error, OSError)
            complaints.append(str(error))
    return complaints


def test_a_short_failure_of_the_disk_loses_nothing(store):
    assert run_seconds(store, 0, 300) == []
    with FullDisk(8192):
        batch_id = store.open_batch(POT, BatchOpened(300.0, UTC_S))
        store.add_event(POT, batch_id, alarm(300.0, AlarmState.UNACKNOWLEDGED))
        complaints = run_seconds(store, 300, 900)
        store.close_batch(batch_id, CLOSED)
    assert len(complaints) == 600  # reported at every tick while it lasts
    assert all("cannot be written" in text and "\n" not in text for text in complaints)
    assert run_seconds(store, 900, 901 + int(RETRY_PERIOD_S)) == []
    assert [s.t_s for s in store.samples(POT, 0.0)][:900] == [float(i) for i in range(900)]
    assert store.dropped_samples == 0
    assert store.events(batch_id) == [alarm(300.0, AlarmState.UNACKNOWLEDGED)]
    assert store.batch(batch_id).summary is not None
    store.check()


def test_a_full_disk_is_named_as_the_cause(store):
    run_seconds(store, 0, 10)
    (pages,) = store._db.rows("PRAGMA page_count")[0]
    store._db.rows(f"PRAGMA max_page_count = {pages}")
    for one in night(5000, start_s=100.0):
        store.append(POT, one)
    with pytest.raises(RecordWriteError, match=r"disk is full.*free some space"):
        store.flush()
    store._db.rows("PRAGMA max_page_count = 1000000")
    store.flush()
    assert len(list(store.samples(POT, 100.0))) == 5000


def test_a_long_failure_drops_the_oldest_and_counts_them(store, monkeypatch):
    monkeypatch.setattr(store_module, "BUFFER_SAMPLES", 100)
    with Store.open(store.path) as small, FullDisk(4096):
        run_seconds(small, 0, 250)
        assert small.dropped_samples == 150
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        small.flush()
        assert [s.t_s for s in small.samples(POT, 0.0)] == [float(i) for i in range(150, 250)]


def test_a_command_that_cannot_be_written_is_refused(store):
    with FullDisk(4096), pytest.raises(RecordWriteError):
        store.add_command(POT, Action.CLOSE, UTC_S)
    assert store.take_commands(1.0) == []


def test_a_record_that_cannot_be_written_can_still_be_closed(store):
    with Store.open(store.path) as watch:
        watch.append(POT, sample(1.0))
        with FullDisk(4096), pytest.raises(RecordWriteError):
            watch.close()
    # leaving the block closed it once more, without another error


def test_a_run_starts_on_a_full_disk_and_is_written_later(store):
    with FullDisk(4096):
        assert store.begin_run("{}", "boot-a", 5.0, UTC_S, None) == 0.0
    assert store.runs() == []
    store.commit_due(SAMPLE_COMMIT_PERIOD_S)
    assert [run.boot_id for run in store.runs()] == ["boot-a"]


@pytest.mark.parametrize("written", [10, 1500])
def test_writing_resumes_once_a_failing_disk_recovers(store, written):
    run_seconds(store, 0, written)
    store.flush()

    def descriptors() -> set[tuple[str, str]]:
        return {
            (link.name, str(link.readlink())) for link in Path("/proc/self/fd").iterdir() if link.exists()
        }

    before = descriptors()
    with FailingDisk(store.path):
        complaints = run_seconds(store, written, written + 200)
        assert complaints and all("disk I/O error" in text for text in complaints)
    assert descriptors() == before
    run_seconds(store, written + 200, written + 200 + int(RETRY_PERIOD_S))
    assert run_seconds(store, written + 210, written + 300) == []
    store.flush()
    assert [s.t_s for s in store.samples(POT, 0.0)] == [float(i) for i in range(written + 300)]
    store.check()


# --- damage


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("sound") / "record.db"
    with Store.open(path) as store:
        store.begin_run('{"workshop":"harbour-models"}', "boot-a", 0.0, UTC_S, None)
        batch_id = store.open_batch(POT, BatchOpened(0.0, UTC_S))
        for one in night(1500):
            store.append(POT, one)
        store.add_event(POT, batch_id, alarm(900.0, AlarmState.UNACKNOWLEDGED))
        store.close_batch(batch_id, CLOSED)
    return path


def read_everything(path: Path) -> None:
    with Store.open(path, create=False) as store:
        store.check()
        store.runs()
        for batch in store.batches():
            store.events(batch.id)
        store.standing_alarms()
        for pot in store.pots():
            list(store.samples(pot, float("-inf")))
            store.latest_unseen_batch(pot)


def damaged_copy(sound: Path, path: Path, offset: int, damage: bytes) -> bytes:
    data = bytearray(sound.read_bytes())
    data[offset : offset + len(damage)] = damage
    path.write_bytes(data)
    return bytes(data)


@pytest.mark.parametrize("page", [0, 1, 2, 4, 5, 8, 12, 20])
def test_a_broken_page_is_reported_and_the_file_left_alone(sound, tmp_path, page):
    path = tmp_path / "record.db"
    # the header of a b-tree page (SQLite file format, section 1.6); page 1 has it after the file header
    before = damaged_copy(sound, path, page * 4096 + (100 if page == 0 else 0), b"\x55" * 12)
    with pytest.raises(DamagedRecordError, match=r"damaged.*not changed.*rescued") as caught:
        read_everything(path)
    assert path.read_bytes() == before
    assert isinstance(caught.value, ValueError) and "\n" not in str(caught.value)


def test_a_truncated_file_is_reported(sound, tmp_path):
    path = tmp_path / "record.db"
    path.write_bytes(sound.read_bytes()[: 4096 * 10 + 77])
    with pytest.raises(DamagedRecordError):
        read_everything(path)


def test_flipped_bytes_only_ever_raise_a_record_error(sound, tmp_path):
    rng = random.Random(7)
    size = sound.stat().st_size
    told = 0
    for number in range(120):
        path = tmp_path / f"{number}.db"
        before = damaged_copy(sound, path, rng.randrange(size - 64), rng.randbytes(64))
        try:
            read_everything(path)
        except (DamagedRecordError, NotARecordError) as error:
            told += 1
            assert str(path) in str(error)
        assert path.read_bytes() == before
        path.unlink()
    assert told > 20  # a flipped digit leaves a valid number; broken structure is detected


def test_writing_to_a_damaged_record_reports_the_damage(sound, tmp_path):
    path = shutil.copy(sound, tmp_path / "record.db")
    with Store.open(path) as store:
        (root,) = store._db.rows("SELECT rootpage FROM sqlite_schema WHERE name = 'sample'")[0]
    before = damaged_copy(sound, path, (root - 1) * 4096, b"\x55" * 12)
    store = Store.open(path)
    store.append(POT, sample(99_999.0))
    with pytest.raises(DamagedRecordError):
        store.commit_due(99_999.0)
    with pytest.raises(DamagedRecordError):
        store.close()
    assert path.read_bytes() == before
