"""A full, read-only, slow or failing disk: watch and alarms go on from memory, and report it."""

import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from failing_disk import FailingDisk, FullDisk
from patience import PATIENCE_S
from potvigil.model.events import AlarmId, AlarmState, NoteEvent, NoteId
from potvigil.record.database import BUSY_TIMEOUT_S, Database
from potvigil.record.store import Store
from potvigil.record.tables import ledger
from potvigil.record.tables.ledger import RETRY_PERIOD_S
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench, raised

POT = "lantern"
# Leaks from 2400 s on; the floor is passed near 4850 s.
NIGHT = NIGHTS["lost-before-gel"]
WATCHDOG_S = 30.0  # of the unit, tests/outputs/test_unit.py


def standing(bench: Bench) -> dict[AlarmId, AlarmState]:
    return {alarm.alarm: alarm.state for alarm in bench.service.watches[POT].snapshot().alarms}


def alarms(bench: Bench) -> list[AlarmId]:
    return [one.alarm for one in raised(bench.events)]


@pytest.fixture(scope="module")
def cut(tmp_path_factory) -> Path:
    """A record as left by a watch killed in a leaking hold, 4000 s into the night, with its log."""
    bench = Bench(NIGHT, tmp_path_factory.mktemp("cut"))
    bench.begin()
    bench.run_until(4000.0)
    bench.power_cut()
    return bench.record


def begin_from(cut: Path, folder: Path) -> Bench:
    bench = Bench(NIGHT, folder)
    for part in cut.parent.glob(f"{cut.name}*"):
        shutil.copyfile(part, folder / part.name.replace(cut.name, bench.record.name))
    bench.pass_unwatched(4090.0)
    bench.begin("boot-2", boot_at_s=4080.0)
    return bench


# no room but for the small files of the simulated wires; for a little; for the log's index
@pytest.mark.parametrize("room_bytes", [1024, 8192, 40_960])
def test_a_watch_started_on_a_full_disk_works_and_writes_once_there_is_room(
    room_bytes, tmp_path, monkeypatch
):
    retry_s = 100.0  # each try sets up a whole new record
    monkeypatch.setattr(ledger, "RETRY_PERIOD_S", retry_s)
    bench = Bench(NIGHT, tmp_path)
    with FullDisk(room_bytes):
        bench.begin()
        bench.run_until(5200.0)
        assert {AlarmId.RECORD_FAILING, AlarmId.BELOW_FLOOR} <= standing(bench).keys()
        (said,) = [one for one in raised(bench.events) if one.alarm is AlarmId.RECORD_FAILING]
        assert said.t_s < 60.0
        assert "still monitored" in said.text and str(bench.record) in said.text
    bench.run_until(5200.0 + retry_s + 5.0)
    bench.run_until(6500.0)
    assert standing(bench)[AlarmId.RECORD_FAILING] is AlarmState.RETURNED
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        times_s = [sample.t_s for sample in store.samples(POT, 0.0)]
        assert times_s == [5.0 * i for i in range(len(times_s))] and times_s[-1] > 6490.0
        (row,) = store.batches()
        kept = [one.alarm for one in raised(store.events(row.id))]
    assert kept.count(AlarmId.FLOOR_AHEAD) == kept.count(AlarmId.BELOW_FLOOR) == 1


def test_a_batch_continues_from_a_record_that_cannot_be_written(tmp_path):
    """Room for the log's index only: on a full disk that is what the index of the last watch frees."""
    room_bytes = 40_960
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(4000.0)
    bench.power_cut()
    bench.pass_unwatched(90.0)
    with FullDisk(room_bytes):
        bench.begin("boot-2", boot_at_s=4080.0)
        bench.service.tick()
        assert bench.service.batch_ids == {POT: 1}
        assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.UNACKNOWLEDGED
        bench.run_until(5200.0)
        assert {AlarmId.RECORD_FAILING, AlarmId.BELOW_FLOOR} <= standing(bench).keys()
    bench.run_until(5300.0)
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        (row,) = store.batches()
        assert AlarmId.BELOW_FLOOR in [one.alarm for one in raised(store.events(row.id))]
        assert [run.boot_id for run in store.runs()] == ["boot-1", "boot-2"]
        after = [sample.t_s for sample in store.samples(POT, 4050.0)]
    assert after[0] == pytest.approx(4090.0) and after[-1] > 5290.0


def test_a_missing_stick_is_reported_and_used_once_plugged_in(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.record = tmp_path / "stick" / "record.db"
    bench.begin()
    bench.run_until(600.0)
    assert alarms(bench) == [AlarmId.RECORD_FAILING]
    bench.record.parent.mkdir()
    bench.run_until(1500.0)
    assert standing(bench)[AlarmId.RECORD_FAILING] is AlarmState.RETURNED
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        assert next(store.samples(POT, 0.0)).t_s == 0.0


def test_a_record_that_appears_with_another_time_axis_is_kept_apart(cut, tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.record = tmp_path / "stick" / "record.db"
    bench.begin()
    bench.run_until(600.0)
    bench.record.parent.mkdir()
    for part in cut.parent.glob(f"{cut.name}*"):
        shutil.copyfile(part, bench.record.parent / part.name.replace(cut.name, bench.record.name))
    with Store.open_read_only(bench.record) as store:
        before = len(list(store.samples(POT, 0.0)))
    bench.run_until(1500.0)
    (said,) = [
        alarm
        for alarm in bench.service.watches[POT].snapshot().alarms
        if alarm.alarm is AlarmId.RECORD_FAILING
    ]
    assert "restart the watch" in said.text
    with Store.open_read_only(bench.record) as store:
        assert len(list(store.samples(POT, 0.0))) == before


@pytest.mark.parametrize("content", [b"not a database, and long enough to look at\n" * 50, None])
def test_a_file_that_is_not_a_record_is_left_alone_and_the_watch_goes_on(content, tmp_path):
    bench = Bench(NIGHT, tmp_path)
    if content is None:
        bench.record.mkdir()
    else:
        bench.record.write_bytes(content)
    bench.begin()
    bench.run_until(3600.0)
    assert {AlarmId.RECORD_FAILING, AlarmId.FLOOR_AHEAD} <= standing(bench).keys()
    assert bench.record.is_dir() if content is None else bench.record.read_bytes() == content


_READ_ONLY = """
import os, sys
from pathlib import Path
sys.path[:0] = {paths!r}
from rehearsal import Bench, raised
from potvigil.sim.nights import NIGHTS
import potvigil.outputs.broker.mqtt, potvigil.upkeep.thinning
folder = Path({folder!r})
Bench(NIGHTS["lost-before-gel"], Path({own!r}))  # imports what is imported late
if os.getuid() == 0:
    os.setuid({user})
bench = Bench(NIGHTS["lost-before-gel"], folder / "wires")
bench.record = folder / "card" / "record.db"
bench.pass_unwatched(4090.0)
bench.begin("boot-2", boot_at_s=4080.0)
bench.service.tick()
print(bench.service.batch_ids)
bench.run_until(5200.0)
print(sorted(alarm.alarm for alarm in bench.service.watches["lantern"].snapshot().alarms))
"""


def test_a_record_on_a_read_only_card_is_read_and_the_watch_goes_on(cut, public_folder, tmp_path):
    """What a file system mounted anew as read-only is to a user: folder and files that he may not write."""
    card = public_folder / "card"
    card.mkdir()
    (public_folder / "wires").mkdir(mode=0o777)
    (public_folder / "wires").chmod(0o777)
    whole = card / "record.db"
    with closing(sqlite3.connect(cut)) as db, closing(sqlite3.connect(whole)) as copy:
        db.backup(copy)
        copy.execute("PRAGMA journal_mode = WAL")
    for part in card.iterdir():
        part.chmod(0o444)
    card.chmod(0o555)
    before = whole.read_bytes()
    script = _READ_ONLY.format(
        paths=[path for path in sys.path if path],
        folder=str(public_folder),
        own=str(tmp_path),
        user=65_534,
    )
    try:
        ran = subprocess.run(
            [sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=PATIENCE_S
        )
    finally:
        card.chmod(0o755)
    assert ran.returncode == 0, ran.stderr
    first, last = ran.stdout.splitlines()
    assert first == "{'lantern': 1}"
    assert "record-failing" in last and "below-floor" in last
    assert whole.read_bytes() == before


def test_a_card_that_only_gives_errors_ends_no_watch_and_loses_no_alarm(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(4000.0)
    with FailingDisk(bench.record):
        bench.run_until(5200.0)
        assert {AlarmId.RECORD_FAILING, AlarmId.BELOW_FLOOR} <= standing(bench).keys()
        (said,) = [one for one in raised(bench.events) if one.alarm is AlarmId.RECORD_FAILING]
        assert said.t_s < 4000.0 + 120.0
        assert str(bench.record) in said.text
    bench.run_until(5300.0)
    bench.run_until()
    bench.service.stop()
    assert alarms(bench).count(AlarmId.RECORD_FAILING) == 1
    with closing(sqlite3.connect(bench.record)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with Store.open_read_only(bench.record) as store:
        times_s = [sample.t_s for sample in store.samples(POT, 0.0)]
        assert times_s == [5.0 * i for i in range(len(times_s))]
        (row,) = store.batches()
        assert AlarmId.BELOW_FLOOR in [one.alarm for one in raised(store.events(row.id))]


@pytest.fixture
def public_folder():
    """A folder that another user may enter, unlike those of pytest."""
    folder = Path("/tmp") / f"potvigil-public-{os.getpid()}"
    folder.mkdir(mode=0o777)
    folder.chmod(0o777)
    yield folder
    shutil.rmtree(folder)


def test_a_slow_card_delays_a_tick_by_one_commit_not_by_each_event(tmp_path, monkeypatch):
    """Each durable commit may take a bad card 5 s and more: a tick stays well inside the watchdog."""
    commits: list[int] = [0]
    real = Database.transaction

    def counted(self: Database, *, durable: bool):
        commits[-1] += durable
        return real(self, durable=durable)

    monkeypatch.setattr(Database, "transaction", counted)
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    tick = bench.service.tick

    def noted() -> None:
        commits.append(0)
        tick()

    monkeypatch.setattr(bench.service, "tick", noted)
    bench.run_until()
    begun, *ticks = commits
    assert len(ticks) > 2000 and sum(ticks) > 10
    assert max(ticks) <= 2  # one, and one more where details of the last batch are taken over
    assert begun * 5.0 < WATCHDOG_S


def test_a_locked_record_delays_a_tick_only_by_its_timeout(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(3300.0)
    with closing(sqlite3.connect(bench.record, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        longest_s, begun_s = 0.0, time.monotonic()
        while bench.now_s < 3700.0 and time.monotonic() - begun_s < 5.0:
            tick_s = time.monotonic()
            bench.run_until(bench.now_s + 5.0)
            longest_s = max(longest_s, time.monotonic() - tick_s)
        other.execute("ROLLBACK")
    assert BUSY_TIMEOUT_S * 0.9 < longest_s < BUSY_TIMEOUT_S * 2 + 2.0 < WATCHDOG_S / 2.0
    bench.run_until(bench.now_s + 30.0)
    last = bench.store.last_sample(POT)
    bench.service.stop()
    assert last is not None and last.t_s > 3300.0


def test_readings_dropped_from_memory_are_counted_in_the_alarm_and_once_afterwards(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger, "BUFFER_SAMPLES", 100)
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(300.0)
    with FullDisk(8192):
        bench.run_until(700.0)
        assert "could not be kept" not in failing_text(bench)
        bench.run_until(1200.0)
        assert "reading" in failing_text(bench) and "could not be kept" in failing_text(bench)
        bench.run_until(3000.0)
        told = failing_text(bench)
        assert not [one for one in notes(bench) if one.note is NoteId.READINGS_LOST]
    bench.run_until(3300.0)
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        kept_s = {sample.t_s for sample in store.samples(POT, 0.0)}
        (row,) = store.batches()
        of_record = [one for one in store.events(row.id) if isinstance(one, NoteEvent)]
    lost = len({5.0 * i for i in range(660)} - kept_s)
    (note,) = [one for one in notes(bench) if one.note is NoteId.READINGS_LOST]
    assert note in of_record and 3000.0 <= note.t_s <= 3000.0 + RETRY_PERIOD_S + 5.0
    assert lost > 400 and f" {lost} readings could not be kept" in note.text
    # as of when it was last announced, 20 min after the time before
    (counted,) = re.findall(r" (\d+) readings could not be kept", told)
    assert 200 < int(counted) <= lost


def failing_text(bench: Bench) -> str:
    standing_alarms = bench.service.watches[POT].snapshot().alarms
    return next(each.text for each in standing_alarms if each.alarm is AlarmId.RECORD_FAILING)


def notes(bench: Bench) -> list[NoteEvent]:
    return [event for event in bench.events if isinstance(event, NoteEvent)]
