"""A record in the studio gives the same answers as the original: same queries to SQLite and PostgreSQL."""

import shutil
import sqlite3
from dataclasses import replace
from itertools import product
from random import Random
from uuid import UUID, uuid4

import pytest
from sqlalchemy import text

from potvigil.model.events import (
    LAST_BATCH,
    AlarmId,
    AlarmState,
    BatchOpened,
    Detail,
    EditEvent,
    Interval,
    Verdict,
)
from potvigil.model.maintenance import Part
from potvigil.model.reading import Fault, Sensor
from potvigil.record.errors import AwayRecordError, RecordError, UnknownBatchError, UnwritableRecordError
from potvigil.record.requests.batch_query import OPEN, Wanted
from potvigil.record.requests.detail_input import habits_of
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from potvigil.studio.address import READERS
from potvigil.studio.preparing import READER, admit
from potvigil.studio.reading import StudioReader
from record_night import CLOSED, POT, UTC_S, alarm, night, sample
from rehearsal import rehearse
from shipped import WORKSHOP, Life, identity, shipper

FOREVER = (float("-inf"), float("inf"))
ODD = ("%", "_", "100 %_", "it's", 'the "blue" one', "\\", "?1", "Ä", "ä", "STRASSE", "ß", "α", "İ", "", "\n")


@pytest.fixture(scope="module")
def reader(postgres):
    password = admit(postgres.owner(), "front-page", READER, [WORKSHOP])
    reader = StudioReader(postgres.address("front-page", password).reading_engine())
    yield reader
    reader.close()


def answers(store, seed=0):
    """Yield everything a page or report asks of a record, with a name; the same for both engines."""
    rng = Random(seed)
    pots = store.pots()
    last_s = max([0.0, *(last.t_s for pot in pots if (last := store.last_sample(pot)) is not None)])
    ends = sorted(rng.uniform(-100.0, last_s + 100.0) for _ in range(4))
    yield "pots", pots
    yield "runs", (store.runs(), store.last_run(), habits_of(store), store.settings_within(*ends[:2]))
    yield "standing", store.standing_alarms()
    yield "asked", store.asked(range(10_000))
    batches = store.batches()
    yield "batches", (batches, store.batches(limit=3), store.batches("no such pot"))
    for batch in batches:
        yield f"batch {batch.id}", (store.batch(batch.id), store.events(batch.id), store.edits(batch.id))
        yield f"rehearsed {batch.id}", store.rehearsed(batch.id)
    for pot in pots:
        yield f"{pot} batches", (store.batches(pot, 2), store.open_batch_of(pot), store.leaks(pot))
        yield f"{pot} unseen", store.latest_unseen_batch(pot)
        cares = store.cares(pot)
        yield f"{pot} cares", (cares, [store.readings(each.id) for each in cares])
        for rehearsed, before in product((True, False), (None, 3)):
            known = store.taught(pot, rehearsed=rehearsed, before=before, limit=5)
            yield f"{pot} taught {rehearsed} {before}", known
        yield f"{pot} moments", (store.moments(pot, ends[0]), store.commands(pot, *ends[:2]))
        yield f"{pot} deliveries", (store.deliveries(pot, *FOREVER), store.deliveries(pot, *ends[1:3]))
        yield f"{pot} samples", (list(store.samples(pot, *ends[1:3])), store.last_sample(pot))
        yield f"{pot} first", list(store.samples(pot, float("-inf")))[:5000]
        yield f"{pot} traces", (store.traces(pot, *FOREVER), store.traces(pot, *ends[:2], about=7))
        yield f"{pot} extent", (store.extent(pot, *FOREVER, 100), store.extent(pot, *ends[:2], 10**6))
        yield f"{pot} wall", [store.utc_less_t_s(pot, end_s) for end_s in (*ends, float("inf"))]
        for supply, ambient, thinned in product((None, 26_000.0), (True, False), (True, False)):
            how = {"usual_supply": supply, "ambient": ambient, "thinned": thinned}
            yield f"{pot} curve {how}", store.curve(pot, ends[0], ends[3], 37, **how)
    for number, wanted in enumerate(lists(store, rng)):
        yield f"list {number} {wanted}", (store.listed(wanted), store.count(wanted))


def lists(store, rng):
    """Yield the filters of the list, alone and combined."""
    yield None
    texts = [*ODD, *(t for b in store.batches() for t in b.details.values() for t in (t.upper(), t[2:5]))]
    yield from (Wanted(text=text) for text in texts)
    began = [b.start_utc_s for b in store.batches() if b.start_utc_s is not None] or [UTC_S]
    for _ in range(20):
        yield Wanted(
            pot_id=rng.choice([None, None, *store.pots(), "it's"]),
            verdict=rng.choice([None, None, OPEN, *Verdict]),
            since_utc_s=rng.choice([None, *began]),
            before_utc_s=rng.choice([None, *began]),
            text=rng.choice([None, None, *texts]),
            alarm=rng.choice([None, None, *AlarmId]),
            limit=rng.choice([None, 0, 2, 50]),
            skip=rng.choice([0, 1, 3]),
        )


def assert_the_same(record, engine, reader, seed=0):
    shipper(record, engine).ship()
    with Store.open_read_only(record) as here, reader.opened(UUID(identity(record))) as there:
        for (asked, said), (asked_there, said_there) in zip(
            answers(here, seed), answers(there, seed), strict=True
        ):
            assert asked_there == asked
            # a mean is summed in another order
            assert said_there == said or rounded(said_there) == rounded(said), asked


def rounded(said):
    """Return the means of a curve to eleven digits, all else unchanged."""
    means = [None if each.ambient_pa is None else f"{each.ambient_pa:.11g}" for each in said]
    return means, [replace(each, ambient_pa=None) for each in said]


@pytest.mark.parametrize("seed", range(4))
def test_a_record_in_which_everything_happens(tmp_path, machine, reader, seed):
    life = Life(tmp_path / "record.db", seed)
    for _ in life.steps(60):
        pass
    life.close()
    assert_the_same(tmp_path / "record.db", machine, reader, seed)


def test_a_rehearsed_night(tmp_path, machine, reader):
    bench = rehearse(NIGHTS["lost-before-gel"], tmp_path)
    bench.store.close()
    assert_the_same(bench.record, machine, reader)


def test_rarely_used_rows(tmp_path, machine, reader):
    """Words with quotes and signs, faults, means of several readings, deliveries, care with readings."""
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.begin_run('{"units":{"pressure":"bar"}}', "boot", 0.0, UTC_S, None)
        for number, text in enumerate((*ODD, "Blaue Laterne für Åse", "LENS 100 %")):
            t_s = float(number)
            batch = store.open_batch(POT if number % 2 else "it's", BatchOpened(t_s, UTC_S + t_s))
            for field in (Detail.LABEL, Detail.NOTE):
                store.add_edit(batch, EditEvent(t_s, UTC_S, field, "", text, LAST_BATCH))
            store.add_edit(batch, EditEvent(t_s, None, Detail.LABEL, text, f"{text}!", 'An"na'))
            if number % 3 == 0:
                store.close_batch(batch, CLOSED)
                store.add_taught(batch, number + 1, {"uptake": (0.1, 0.02)})
            raised = alarm(t_s, AlarmState.UNACKNOWLEDGED, AlarmId.OVER_PRESSURE)
            store.add_event(POT, batch, raised)
        lost = (Fault(Sensor.THERMOMETER, 'the probe\'s "wire" is 100 % off'),)
        store.append(POT, sample(0.5, faults=lost, gauge_pa=4e5, transducer_count=None))
        for each in night(3000, start_s=1.0):
            store.append(POT, each)
        store.add_care(
            POT, UTC_S, Part.SEAL, "it's new", "Ben", UTC_S, UTC_S + 9e6, Interval(1.0, 0.5, 2.0), night(5)
        )
        deliveries = [
            DeliveryRow(1.0, UTC_S, pot, AlarmId.LEAK, "Anna", "raised", None) for pot in (POT, None)
        ]
        store.add_deliveries(deliveries)
    spread = '{"n":2,"transducer_count":[14000.25,16000.5],"supply_count":[25000.0,27000.0]}'
    with sqlite3.connect(path) as db:  # as thinning leaves it
        db.execute("UPDATE sample SET spread = ? WHERE t_s > 100 AND t_s < 2000", (spread,))
    assert_the_same(path, machine, reader)


def test_missing_things_are_refused_alike(tmp_path, machine, reader):
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
    shipper(tmp_path / "record.db", machine).ship()
    with reader.opened(UUID(identity(tmp_path / "record.db"))) as there:
        with pytest.raises(UnknownBatchError, match="which has no batch yet"):
            there.batch(1)
        assert there.listed(Wanted(text="nul \0")) == []
        with pytest.raises(UnwritableRecordError, match="on its own machine alone"):
            there.add_edits(POT, {Detail.NOTE: "mine"}, "page", UTC_S)
        with pytest.raises(RecordError):
            there.check()


def test_a_store_reads_one_snapshot(tmp_path, machine, reader):
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        store.append(POT, sample(1.0))
    shipper(path, machine).ship()
    with reader.opened(UUID(identity(path))) as there:
        assert there.last_sample(POT).t_s == 1.0
        with Store.open(path, create=False) as store:
            store.append(POT, sample(2.0))
        shipper(path, machine).ship()
        assert there.last_sample(POT).t_s == 1.0
    with reader.opened(UUID(identity(path))) as there:
        assert there.last_sample(POT).t_s == 2.0


def test_all_records_at_once_in_one_order(tmp_path, machine, reader):
    """Each record's answers, with the record, in one order and limited to one page."""
    numbers = []
    for name in ("a", "b"):
        with Store.open(tmp_path / f"{name}.db") as store:
            store.begin_run("{}", name, 0.0, UTC_S, None)
            for each in (1, 2, 3):
                store.open_batch(f"all-{name}", BatchOpened(float(each), UTC_S + each))
        shipper(tmp_path / f"{name}.db", machine).ship()
        numbers.append(UUID(identity(tmp_path / f"{name}.db")))
    sql = "SELECT b.id, p.name FROM batch b JOIN pot p ON p.id = b.pot WHERE p.name LIKE ? AND b.id > ?"
    found = reader.of_each(sql, ("all-%", 1), order="2 DESC, 3", most=3, skip=1)
    assert found == [(numbers[1], (3, "all-b")), (numbers[0], (2, "all-a")), (numbers[1], (2, "all-b"))]


def test_a_record_is_past_once_its_successor_is_heard(tmp_path, machine, reader):
    path, kept = tmp_path / "record.db", tmp_path / "backup.db"
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
    shutil.copyfile(path, kept)
    with Store.open(path, create=False) as store:
        store.begin_run("{}", "later", 50.0, UTC_S, None)
    shipper(path, machine).ship()
    before = UUID(identity(path))
    assert not {each.id: each.is_past for each in reader.records()}[before]
    with Store.open(kept, create=False) as store:
        store.begin_run("{}", "restored", 70.0, UTC_S, None)
    shipper(kept, machine).ship()
    known = {each.id: each for each in reader.records()}
    assert known[before].is_past and not known[UUID(identity(kept))].is_past
    assert 0.0 <= known[UUID(identity(kept))].age_s < 600.0


def test_a_reader_sees_no_record_of_another_workshop(postgres, tmp_path, machine, reader):
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        store.append(POT, sample(1.0))
    shipper(tmp_path / "record.db", machine).ship()
    number = UUID(identity(tmp_path / "record.db"))
    assert number in [each.id for each in reader.records()]
    password = admit(postgres.owner(), "castle-page", READER, ["castle-models"])
    other = StudioReader(postgres.address("castle-page", password).reading_engine())
    assert other.records() == []
    assert other.of_each("SELECT name FROM pot", (), order="1") == []
    assert other.of_each("SELECT name FROM pot", (), order="1", among=[number]) == []
    assert reader.of_each("SELECT name FROM pot", (), order="1", among=[number]) == [(number, (POT,))]
    with other.opened(number) as there:
        assert there.pots() == [] and there.runs() == [] and there.last_sample(POT) is None
    other.close()


def test_an_absent_database_is_one_line(postgres):
    away = StudioReader(postgres.address("front-page", "wrong").reading_engine())
    with pytest.raises(AwayRecordError, match=r"does not answer.*password authentication") as said:
        away.opened(uuid4())
    assert "\n" not in str(said.value)


def test_connections_that_die_under_a_reader_raise_once_and_are_replaced(postgres, tmp_path, machine, reader):
    """A server that restarts more often than there are connections: one error of our own each time."""
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        store.append(POT, sample(1.0))
    shipper(tmp_path / "record.db", machine).ship()
    number = UUID(identity(tmp_path / "record.db"))
    sql = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'front-page'"
    for _ in range(2 * READERS + 2):
        with pytest.raises(AwayRecordError), reader.opened(number) as there:
            there.pots()
            with postgres.owner().connect() as connection:
                connection.execute(text(sql))
            there.pots()
        with reader.opened(number) as there:
            assert there.pots() == [POT]


def test_an_idle_connection_that_dies_is_no_error(postgres, reader):
    sql = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'front-page'"
    for _ in range(2 * READERS + 2):
        with reader.opened(uuid4()) as there:
            there.pots()
            with postgres.owner().connect() as connection:
                connection.execute(text(sql))
    assert reader.records() is not None
