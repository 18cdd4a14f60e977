"""Killed, or a power cut, at any moment: announced events are kept, and the batch continues as one."""

import json
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from killed import ALLOWED_LOSS_S, PHASES_S, POT, before, check_integrity, killed_in, killed_while_migrating
from potvigil.model.events import Action, AlarmId, AlarmState, Command
from potvigil.model.reading import Fault, Sample, Sensor
from potvigil.record.database import Database
from potvigil.record.spool import Unwritten
from potvigil.record.store import Store
from potvigil.record.tables.ledger import SAMPLE_COMMIT_PERIOD_S
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench, raised

NIGHT = NIGHTS["lost-before-gel"]


def standing(bench: Bench) -> dict[AlarmId, AlarmState]:
    return {alarm.alarm: alarm.state for alarm in bench.service.watches[POT].snapshot().alarms}


# -- killed


@pytest.mark.parametrize("phase", PHASES_S)
def test_a_repeatedly_killed_watch_loses_no_announced_event(phase, tmp_path):
    prepared = before(tmp_path / "before", phase)
    loss = killed_in(tmp_path / "killed", prepared, phase, seed=0, kills=3)
    assert loss.events == 0
    assert loss.curve_s <= ALLOWED_LOSS_S
    assert loss.alarms_not_again == 0  # each active alarm is active again after the first tick
    assert loss.batches == 1
    assert loss.runs == loss.kills + 2  # a run begins at each gap, and says where it is
    assert loss.slowest_start_s < 10.0


def test_without_the_spool_a_killed_watch_loses_up_to_a_minute(tmp_path):
    """What a power cut costs, and proof that the test above would see it."""
    bench = Bench(NIGHT, tmp_path, sample_period_s=1.0)
    bench.begin()
    bench.run_until(1000.0)
    bench.run_until(bench.store._due_s - 2.0)  # shortly before the next commit
    bench.power_cut()
    with Store.open_read_only(bench.record) as store:
        last = store.last_sample(POT)
    assert last is not None
    assert ALLOWED_LOSS_S < bench.now_s - last.t_s <= SAMPLE_COMMIT_PERIOD_S


@pytest.fixture(scope="module")
def older(tmp_path_factory) -> Path:
    """A record of format 1 with batches enough for a migration to take a while."""
    path = tmp_path_factory.mktemp("older") / "record.db"
    with closing(Database.new(path, 1)) as db, db.transaction(durable=True):
        db.execute("INSERT INTO pot (name) VALUES ('lantern')")
        db.execute("INSERT INTO run VALUES (1, 'b', 0, 0, NULL, 1, '{}', NULL, '0.1.0')")
        rows = [(i, float(i)) for i in range(1, 1201)]
        db.execute_many("INSERT INTO batch (id, pot, run, start_t_s, label) VALUES (?, 1, 1, ?, 'a')", rows)
        db.execute_many("INSERT INTO sample (pot, t_s) VALUES (1, ?)", [(t_s,) for _, t_s in rows])
    return path


def test_a_killed_migration_leaves_the_old_record_or_the_new_one(older, tmp_path):
    in_time = [killed_while_migrating(tmp_path / f"{seed}.db", older, seed) for seed in range(8)]
    assert any(in_time)


def test_a_kill_between_commits_loses_nothing(tmp_path):
    bench = Bench(NIGHT, tmp_path, sample_period_s=1.0)
    bench.unwritten = tmp_path / "unwritten"
    bench.begin()
    bench.run_until(1058.0)
    bench.power_cut()  # of the record only: the file in memory is as it was, as after a kill
    bench.now_s += 20.0
    bench.begin()  # the same boot
    times_s = [sample.t_s for sample in bench.store.samples(POT, 0.0)]
    assert times_s == [float(second) for second in range(1059)]


@pytest.mark.parametrize("change", ["another boot", "another record", "another run", "no file"])
def test_a_spool_is_used_only_by_its_own_record_boot_and_run(change, tmp_path):
    memory = tmp_path / "unwritten"
    path = tmp_path / "record.db"
    with Store.open_for_watch(path, unwritten=memory) as store:
        store.begin_run("{}", "boot-a", 100.0, None, None)
    left = Unwritten(memory)
    with Store.open_read_only(path) as store:
        run = store.last_run()
    assert run is not None
    left.begin(run)
    silent = Fault(Sensor.BAROMETER, "bus 1: silent")
    read = Sample(130.0, None, 15_000.5, room_c=20.5, contents_c=31.25, faults=(silent,))
    left.add(POT, read)
    left.close()
    kept = memory.read_bytes()
    with Store.open_for_watch(path, unwritten=memory) as store:  # the one it belongs to
        store.begin_run("{}", "boot-a", 140.0, None, None)
        (sample,) = store.samples(POT, 0.0)
        assert sample == read
        store._db.rows("DELETE FROM sample")
        if change != "another run":
            store._db.rows("DELETE FROM run WHERE id = 2")
    memory.write_bytes(kept) if change != "no file" else memory.unlink()
    if change == "another record":
        path = tmp_path / "other.db"
        with Store.open(path) as store:
            store.begin_run("{}", "boot-a", 90.0, None, None)
    with Store.open_for_watch(path, unwritten=memory) as store:
        store.begin_run("{}", "boot-b" if change == "another boot" else "boot-a", 150.0, None, None)
        assert list(store.samples(POT, 0.0)) == []


def test_no_content_of_the_spool_ends_the_watch(tmp_path):
    memory = tmp_path / "unwritten"
    rng = random.Random(3)
    good = json.dumps([POT, 130.0, *[None] * 10, None])
    for number in range(12):
        path = tmp_path / f"{number}.db"
        with Store.open_for_watch(path, unwritten=memory) as store:
            store.begin_run("{}", "boot-a", 100.0, None, None)
        head = memory.read_bytes()
        odd = [
            rng.randbytes(rng.randrange(200)),
            b"[" * 100_000,
            b'["lantern", NaN, null]',
            b'["lantern", 1e999, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, null]',
            b'["lantern", 50.0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, null]',  # from before its own run
            b'["lantern", 131.0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, "[[7]]"]',
            b'["lantern", 132.0, 1, 1, 1, 1, 1, 1, 1, 1, 1, null]',  # of a version without the contents
            b'{"a": 1}',
            good[: rng.randrange(len(good))].encode(),
        ]
        rng.shuffle(odd)
        memory.write_bytes(head + good.encode() + b"\n" + b"\n".join(odd))
        with Store.open_for_watch(path, unwritten=memory) as store:
            store.begin_run("{}", "boot-a", 140.0, None, None)
            assert [sample.t_s for sample in store.samples(POT, 0.0)] == [130.0]


# -- power cuts


@pytest.fixture(scope="module")
def cut(tmp_path_factory) -> Path:
    """A record as left by a power cut in a leaking hold, with its log."""
    bench = Bench(NIGHT, tmp_path_factory.mktemp("cut"))
    bench.begin()
    bench.run_until(4000.0)
    bench.power_cut()
    return bench.record


def begin_from(cut: Path, folder: Path) -> Bench:
    """Start a watch in a new boot, 4090 s into the night, on a copy of a record and its side files."""
    bench = Bench(NIGHT, folder)
    for part in cut.parent.glob(f"{cut.name}*"):
        shutil.copyfile(part, folder / part.name.replace(cut.name, bench.record.name))
    bench.pass_unwatched(4090.0)
    bench.begin("boot-2", boot_at_s=4080.0)
    bench.service.tick()
    return bench


@pytest.mark.parametrize("seed", range(12))
def test_a_torn_write_ahead_log_loses_only_its_torn_end(cut, seed, tmp_path):
    rng = random.Random(seed)
    torn = tmp_path / "torn" / cut.name
    torn.parent.mkdir()
    shutil.copyfile(cut, torn)
    log = bytearray(Path(f"{cut}-wal").read_bytes())
    at = rng.randrange(len(log))
    # a partly written page, and what the card made of the rest
    log[at:] = (
        b"" if seed % 3 == 0 else bytes(len(log) - at) if seed % 3 == 1 else rng.randbytes(len(log) - at)
    )
    Path(f"{torn}-wal").write_bytes(log)
    (tmp_path / "watch").mkdir()
    bench = begin_from(torn, tmp_path / "watch")
    check_integrity(bench.record)
    bench.run_until(4300.0)
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        assert store.last_sample(POT).t_s > 4200.0


def test_a_missing_write_ahead_log_does_not_end_the_watch(cut, tmp_path):
    alone = tmp_path / "alone" / cut.name
    alone.parent.mkdir()
    shutil.copyfile(cut, alone)
    (tmp_path / "watch").mkdir()
    bench = begin_from(alone, tmp_path / "watch")
    bench.run_until(4300.0)
    bench.service.stop()
    check_integrity(bench.record)


def pages(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA page_count").fetchone()[0])


@pytest.mark.parametrize("what", ["first page", "every page", "half the file", "its end", "table list"])
def test_a_damaged_record_is_moved_aside_and_the_watch_goes_on_with_a_new_one(what, cut, tmp_path):
    whole = tmp_path / "whole.db"
    with Store.open_read_only(cut) as store, closing(sqlite3.connect(whole)) as copy:
        store._db._connection.backup(copy)
    data = bytearray(whole.read_bytes())
    if what == "first page":
        data[100:4096] = b"\x55" * 3996
    elif what == "every page":
        for page in range(1, len(data) // 4096):
            data[page * 4096 : page * 4096 + 16] = b"\x55" * 16
    elif what == "half the file":
        del data[len(data) // 2 :]
    elif what == "its end":
        del data[-4096 * 20 - 77 :]
    else:
        data = data.replace(b"CREATE TABLE sample", b"CREATE TABEL sample")
    folder = tmp_path / "watch"
    folder.mkdir()
    damaged = tmp_path / "damaged.db"
    damaged.write_bytes(data)
    bench = begin_from(damaged, folder)
    assert bench.service.watches[POT].snapshot().reading.gauge_pa is not None
    (aside,) = folder.glob("record-damaged-*.db")
    assert aside.read_bytes() == bytes(data)
    check_integrity(bench.record)
    bench.run_until(4300.0)
    (said,) = [one for one in raised(bench.events) if one.alarm is AlarmId.RECORD_FAILING]
    assert str(aside) in said.text and "\n" not in said.text
    bench.run_until(6000.0)
    # it does not stand for ever, but is shown until somebody saw it
    assert standing(bench)[AlarmId.RECORD_FAILING] is AlarmState.RETURNED
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        assert [row.verdict for row in store.batches()] == [None]
        assert store.last_sample(POT).t_s > 1000.0


def test_damaged_records_never_replace_each_other(tmp_path):
    for number in range(3):
        (tmp_path / "record.db").write_bytes(
            b"SQLite format 3\0" + b"\0" * 52 + b"PotV" + bytes([number]) * 500
        )
        with Store.open_for_watch(tmp_path / "record.db") as store:
            assert store.begun_anew is not None
            store.begin_run("{}", "boot-a", 1.0, None, None)
        (tmp_path / "record.db").unlink()
    assert len(list(tmp_path.glob("record-damaged-*.db"))) == 3


# -- active alarms return


def test_an_active_alarm_is_announced_again_at_the_first_tick_however_the_watch_ended(cut, tmp_path):
    bench = begin_from(cut, tmp_path)
    assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.UNACKNOWLEDGED
    assert bench.service.batch_ids == {POT: 1}


def test_old_samples_of_a_hold_are_replayed_as_means_with_the_same_verdict(tmp_path):
    """Of seven hours and a half the last three are fed in full."""
    bench = Bench(NIGHTS["slow-lid-leak"], tmp_path, sample_period_s=2.0)
    bench.begin()
    bench.run_until(7.5 * 3600.0)
    before_s = bench.service.watches[POT].snapshot()
    bench.power_cut()
    bench.pass_unwatched(30.0)
    bench.begin("boot-2", boot_at_s=bench.now_s)
    bench.service.tick()
    after = bench.service.watches[POT].snapshot()
    assert after.stage is before_s.stage
    assert {(a.alarm, a.state) for a in before_s.alarms} <= {(a.alarm, a.state) for a in after.alarms}
    said, was = after.leak.rate_pa_per_s, before_s.leak.rate_pa_per_s
    half_width = (was.high - was.low) / 2.0
    assert said.value == pytest.approx(was.value, abs=half_width / 2.0)  # thinning costs a third of it
    assert (said.high - said.low) / 2.0 == pytest.approx(half_width, rel=0.1)
    assert after.leak.established == before_s.leak.established


def test_commands_wait_for_the_watch_and_are_not_lost_with_it(tmp_path):
    with Store.open(tmp_path / "record.db") as store:
        store.add_commands([(POT, Command(Action.TEST_ALARM, 0.0))] * 3, None)
    with Store.open_for_watch(tmp_path / "record.db") as store:
        assert len(store.take_commands(1.0)) == 3
