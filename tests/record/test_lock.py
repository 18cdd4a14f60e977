"""One process at a time feeds a record; everybody else reads it and writes commands as before."""

import os
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

from potvigil.cli import main
from potvigil.model.events import Action
from potvigil.record import lock as lock_module
from potvigil.record.errors import UnwritableRecordError, WatchedRecordError
from potvigil.record.lock import WatchLock, is_watched
from potvigil.record.store import Store
from record_night import POT, UTC_S, sample

HOLDER = """
import sys
from pathlib import Path
from potvigil.record.store import Store
store = Store.open_for_watch(Path(sys.argv[1]))
print("holds", flush=True)
sys.stdin.read()
"""


@contextmanager
def held_by_another_process(record: Path):
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(record)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout.readline() == "holds\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def test_a_second_watch_is_refused_and_learns_who_has_the_record(tmp_path):
    record = tmp_path / "record.db"
    with held_by_another_process(record) as process:
        with pytest.raises(WatchedRecordError, match=f"in use by potvigil watch, process {process.pid};"):
            Store.open_for_watch(record)
        assert is_watched(record)
    assert not is_watched(record)


def test_a_killed_watch_does_not_block_the_next(tmp_path):
    record = tmp_path / "record.db"
    with held_by_another_process(record) as process:
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        assert not is_watched(record)
        with Store.open_for_watch(record, who="the next") as store:
            assert is_watched(record)
            with pytest.raises(WatchedRecordError, match=f"the next, process {os.getpid()};"):
                Store.open_alone(record, "a third")
            store.append(POT, sample(1.0))
    assert not is_watched(record) and sorted(path.name for path in tmp_path.iterdir()) == ["record.db"]


@pytest.mark.parametrize("verb", ["rehearse", "replay", "watch"])
def test_nothing_else_can_feed_a_watched_record(verb, tmp_path, capsys):
    record, config, log = tmp_path / "record.db", tmp_path / "workshop.yaml", tmp_path / "log.csv"
    config.write_text(
        f"workshop: harbour-models\nrecord: {{file: {record}}}\nbarometer: {{altitude: 0 m}}\n"
        "pots:\n  lantern:\n    internal_volume: 20 L\n    maximum_pressure: 80 psi\n"
        "    working_pressure: 60 psi\n    floor_pressure: 45 psi\n    thermometer: {place: none}\n"
        "    supply: shut\n    cure: {hold: 10 h}\n"
    )
    log.write_text("elapsed_s,gauge_pressure_psi\n0,0\n1,0\n")
    words = {
        "rehearse": ["sound", "--record", str(record)],
        "replay": [str(log), "--config", str(config), "--record", str(record)],
        "watch": ["--config", str(config)],
    }[verb]
    with Store.open_alone(record, "another watch"):
        assert main([verb, *words]) == 2
    said = capsys.readouterr().err
    assert (
        f"in use by another watch, process {os.getpid()}; stop that first" in said and said.count("\n") == 1
    )
    with Store.open_read_only(record) as store:
        assert store.runs() == []


def test_reading_and_commanding_work_beside_the_watch(tmp_path):
    record = tmp_path / "record.db"
    with held_by_another_process(record):
        with Store.open(record) as verb:
            verb.add_command(POT, Action.CLOSE, UTC_S)
        with Store.open_read_only(record) as page:
            assert page.pots() == [POT]
        with pytest.raises(WatchedRecordError):
            Store.open_for_watch(record)  # neither of them has released it


def test_a_watch_started_without_its_record_waits_until_it_is_free(tmp_path):
    folder = tmp_path / "medium"
    with Store.open_for_watch(folder / "record.db") as watch:
        folder.mkdir()
        with Store.open_alone(folder / "record.db", "a rehearsal") as other:
            with pytest.raises(WatchedRecordError, match="a rehearsal"):
                watch.flush()
            other.check()
        watch.flush()
        assert is_watched(folder / "record.db")


def test_a_lock_whose_file_was_just_removed_is_taken_again(tmp_path, monkeypatch):
    """The owner removes the file and releases it; a process with the old file open has no lock."""
    really, record = lock_module._opened, tmp_path / "record.db"
    opened: list[int] = []

    def open_file(path: Path) -> int:
        opened.append(really(path))
        if len(opened) == 1:
            path.unlink()
        return opened[-1]

    monkeypatch.setattr(lock_module, "_opened", open_file)
    lock = WatchLock.take(record, "a watch")
    assert len(opened) == 2 and is_watched(record)
    lock.release()


def test_a_planted_file_at_the_lock_path_is_not_written_to(tmp_path):
    (tmp_path / "others").write_text("theirs")
    (tmp_path / "record.db-lock").symlink_to(tmp_path / "others")
    with pytest.raises(UnwritableRecordError, match=r"record\.db-lock"):
        Store.open_alone(tmp_path / "record.db", "a rehearsal")
    assert (tmp_path / "others").read_text() == "theirs"


def test_no_lock_is_created_beside_another_users_record(tmp_path):
    (tmp_path / "record.db").write_bytes(b"SQLite format 3\0" + b"\0" * 84)
    with Store.open_for_watch(tmp_path / "record.db"):
        assert [path.name for path in tmp_path.iterdir()] == ["record.db"]
