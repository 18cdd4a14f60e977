"""Every row of a record reaches the studio once, unchanged, whatever happens on the way."""

import shutil
import threading
from contextlib import closing
from random import Random
from types import SimpleNamespace

import pytest
from sqlalchemy import event
from sqlalchemy.exc import OperationalError

from potvigil.model.events import BatchOpened, Detail, EditEvent
from potvigil.record.database import Database
from potvigil.record.identity import identity_of
from potvigil.record.store import Store
from potvigil.studio import shipper as shipping_module
from potvigil.studio.address import StudioError
from potvigil.studio.copying import RecordCopy
from potvigil.studio.news import News
from potvigil.studio.shipper import ASK_S, LOOK_S
from potvigil.studio.tables import OF_A_RECORD
from potvigil.upkeep import pictures
from record_night import POT, UTC_S, night
from shipped import WORKSHOP, Life, differing, identity, rows_there, shipper

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))


@pytest.fixture
def record(tmp_path):
    return tmp_path / "record.db"


def test_every_row_arrives_once_and_unchanged(record, postgres, machine):
    life = Life(record, seed=1)
    for _ in life.steps(60):
        pass
    life.close()
    assert shipper(record, machine).ship() > 1000
    assert differing(record, postgres.owner()) == {}
    assert shipper(record, machine).ship() == 0


@pytest.mark.parametrize("seed", range(2, 6))
def test_rows_rewritten_removed_or_added_meanwhile_are_shipped_too(record, postgres, machine, seed):
    life, random = Life(record, seed), Random(seed)
    for _ in life.steps(40):
        if random.random() < 0.3:
            shipper(record, machine).ship()
            assert differing(record, postgres.owner()) == {}
        elif random.random() < 0.3:  # not all at once
            with closing(Database.open_read_only(record)) as db:
                copy = RecordCopy(machine, identity_of(db), WORKSHOP)
                copy.take(_few(News(db), random.randrange(1, 400)))
    life.close()
    shipper(record, machine).ship()
    assert differing(record, postgres.owner()) == {}


def _few(news, most):
    whole = news.since
    news.since = lambda marks: whole(marks, most)
    return news


@pytest.mark.parametrize("seed", range(10, 14))
def test_a_connection_lost_at_any_statement_loses_and_duplicates_nothing(record, postgres, machine, seed):
    life, random = Life(record, seed), Random(seed)
    left = [0]

    def break_it(*_: object) -> None:
        left[0] -= 1
        if left[0] == 0:
            raise OperationalError("", {}, ConnectionError("server closed the connection"))

    event.listen(machine, "before_cursor_execute", break_it)
    try:
        broken = 0
        for _ in life.steps(30):
            left[0] = random.randrange(1, 25)
            try:
                shipper(record, machine).ship()
            except StudioError:
                broken += 1
    finally:
        event.remove(machine, "before_cursor_execute", break_it)
    life.close()
    assert broken > 5
    shipper(record, machine).ship()
    assert differing(record, postgres.owner()) == {}


def test_the_studio_is_not_asked_while_the_record_does_not_change(record, postgres, machine, monkeypatch):
    now_s = [0.0]
    monkeypatch.setattr(shipping_module, "time", SimpleNamespace(monotonic=lambda: now_s[0]))
    stopping, shipping, connections = threading.Event(), shipper(record, machine), []
    event.listen(machine, "connect", lambda *_: connections.append(1))
    life = Life(record, seed=30)
    for steps in (20, 1, 1):
        for _ in life.steps(steps):
            pass
        assert shipping.try_once(stopping) == LOOK_S
        assert differing(record, postgres.owner()) == {}
        asked = len(connections)
        assert [shipping.try_once(stopping) for _ in range(5)] == [LOOK_S] * 5
        assert len(connections) == asked
    now_s[0] = ASK_S  # it may have been restored meanwhile
    shipping.try_once(stopping)
    assert len(connections) == asked + 1
    life.close()


def test_an_interrupted_shipment_does_not_count_as_shipped(record, postgres, machine):
    life = Life(record, seed=31)
    for _ in life.steps(20):
        pass
    stopping, shipping = threading.Event(), shipper(record, machine)
    stopping.set()
    shipping.try_once(stopping)
    stopping.clear()
    shipping.try_once(stopping)
    life.close()
    assert differing(record, postgres.owner()) == {}


def test_a_studio_restored_from_a_backup_gets_the_lost_rows_again(record, postgres, machine):
    life = Life(record, seed=20)
    for _ in life.steps(30):
        pass
    shipper(record, machine).ship()
    own, tables = identity(record), [*OF_A_RECORD, "record"]
    with postgres.owner().begin() as connection:
        for table in tables:
            connection.exec_driver_sql(f"CREATE TABLE kept_{table} AS TABLE potvigil.{table}")
    for _ in life.steps(30):
        pass
    life.close()
    shipper(record, machine).ship()
    with postgres.owner().begin() as connection:
        for table in tables:
            key = "id" if table == "record" else "record"
            connection.exec_driver_sql(f"DELETE FROM potvigil.{table} WHERE {key} = %s", (own,))
            connection.exec_driver_sql(
                f"INSERT INTO potvigil.{table} SELECT * FROM kept_{table} WHERE {key} = %s", (own,)
            )
            connection.exec_driver_sql(f"DROP TABLE kept_{table}")
    assert differing(record, postgres.owner()) != {}
    shipper(record, machine).ship()
    assert differing(record, postgres.owner()) == {}


def test_pictures_are_shipped_with_the_edit_that_names_them(record, postgres, machine):
    with Store.open(record) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        for each in night(3):
            store.append(POT, each)
    pictures.keep(record, 1, "cast-1.png", PNG)
    with Store.open(record) as store:
        store.open_batch(POT, BatchOpened(1.0, UTC_S))
        store.add_edit(1, EditEvent(2.0, UTC_S, Detail.PICTURES, "", "cast-1.png\ncast-2.png", "Anna"))
    shipper(record, machine).ship()
    with postgres.owner().connect() as connection:
        found = connection.exec_driver_sql(
            "SELECT batch, name, content FROM potvigil.picture WHERE record = %s", (identity(record),)
        ).all()
    assert [tuple(row) for row in found] == [(1, "cast-1.png", PNG)]


def test_a_record_restored_from_its_backup_is_shipped_as_another(record, postgres, machine, tmp_path, caplog):
    life = Life(record, seed=30)
    for _ in life.steps(20):
        pass
    life.close()
    backup = tmp_path / "backup.db"
    shutil.copy(record, backup)
    life = Life(record, seed=31)
    for _ in life.steps(20):
        pass
    life.close()
    shipper(record, machine).ship()
    before, first = rows_there(postgres.owner(), identity(record)), identity(record)

    shutil.copy(backup, record)
    for each in ("-wal", "-shm"):
        record.with_name(record.name + each).unlink(missing_ok=True)
    life = Life(record, seed=32)  # goes on differently, and further than the first
    for _ in life.steps(60):
        pass
    life.close()
    shipper(record, machine).ship()
    second = identity(record)
    assert second != first
    assert "all of it is shipped again" in caplog.text
    assert rows_there(postgres.owner(), first) == before
    assert differing(record, postgres.owner()) == {}
    with postgres.owner().connect() as connection:
        (copied_from,) = connection.exec_driver_sql(
            "SELECT copied_from::text FROM potvigil.record WHERE id = %s", (second,)
        ).one()
    assert copied_from == first


def test_a_newly_begun_record_is_another(record):
    Store.open(record).close()
    first = identity(record)
    record.unlink()
    Store.open(record).close()
    assert identity(record) != first
