"""Rights in the studio's database: a machine writes its own records, a page sees its workshops."""

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from potvigil.studio.address import StudioError
from potvigil.studio.preparing import ANY_WORKSHOP, MACHINE, READER, admit
from potvigil.studio.shipper import Shipper
from shipped import identity, shipper, short_record

OTHER = "castle-models"


def engine_of(postgres, name, group, workshops):
    return postgres.address(name, admit(postgres.owner(), name, group, workshops)).engine()


@pytest.fixture
def record(tmp_path):
    return short_record(tmp_path / "record.db", 20)


@pytest.fixture
def shipped(record, machine):
    shipper(record, machine).ship()
    return identity(record)


def counted(engine, table, record):
    with engine.connect() as connection:
        sql = text(f"SELECT count(*) FROM potvigil.{table} WHERE record = :record")
        return connection.execute(sql, {"record": record}).scalar()


def test_a_machine_neither_sees_nor_changes_the_record_of_another(postgres, shipped, record):
    other = engine_of(postgres, "castle-pi", MACHINE, [OTHER, "harbour-models"])
    assert counted(postgres.owner(), "sample", shipped) == 20
    assert counted(other, "sample", shipped) == 0
    with other.begin() as connection:
        for table in ("sample", "pot"):
            gone = connection.execute(text(f"DELETE FROM potvigil.{table} WHERE record = :r"), {"r": shipped})
            assert gone.rowcount == 0
        sql = text("UPDATE potvigil.record SET marks = '{}' WHERE id = :r")
        assert connection.execute(sql, {"r": shipped}).rowcount == 0
    with pytest.raises(DBAPIError, match="row-level security"), other.begin() as connection:
        connection.execute(text("INSERT INTO potvigil.pot VALUES (:r, 9, 'x')"), {"r": shipped})
    with pytest.raises(StudioError, match="belongs to another user"):
        shipper(record, other).ship()


def records_looked_through(engine, sql, record):
    """Return how many rows of `record` a query reads, according to its plan."""
    with engine.begin() as connection:
        connection.execute(text("SET LOCAL plan_cache_mode = force_custom_plan"))
        explain = text(f"EXPLAIN (ANALYZE, TIMING OFF, FORMAT JSON) {sql}")
        nodes = [connection.execute(explain, {"r": record}).scalar()[0]["Plan"]]
        connection.rollback()
    rows = 0
    while nodes:
        node = nodes.pop()
        nodes += node.get("Plans", [])
        if node.get("Relation Name") == "record":
            rows += (node["Actual Rows"] + node.get("Rows Removed by Filter", 0)) * node["Actual Loops"]
    return rows


def test_the_cost_of_checking_rights_does_not_grow_with_the_number_of_records(postgres, machine, shipped):
    reader = engine_of(postgres, "all-seeing", READER, [ANY_WORKSHOP])
    with postgres.owner().begin() as connection:
        connection.execute(
            text(
                "INSERT INTO potvigil.record (id, owner, workshop) "
                "SELECT gen_random_uuid(), 'many-' || n, 'harbour-models' FROM generate_series(1, 2000) AS n"
            )
        )
        connection.execute(text("ANALYZE"))
    newest = "SELECT * FROM potvigil.sample WHERE record = :r AND pot = 1 ORDER BY t_s DESC LIMIT 1"
    new = "INSERT INTO potvigil.pot VALUES (:r, 1, 'x') ON CONFLICT (record, id) DO UPDATE SET name = 'x'"
    try:
        assert records_looked_through(reader, newest, shipped) == 0
        assert records_looked_through(machine, newest, shipped) < 100  # its own
        assert records_looked_through(machine, new, shipped) < 100
    finally:
        with postgres.owner().begin() as connection:
            connection.execute(text("DELETE FROM potvigil.record WHERE owner LIKE 'many-%'"))


def test_a_machine_ships_for_its_own_workshops_only(postgres, record):
    stranger = engine_of(postgres, "stranger-pi", MACHINE, [OTHER])
    with pytest.raises(StudioError, match="row-level security"):
        shipper(record, stranger).ship()


def test_nobody_can_give_a_record_to_another_user(postgres, machine, shipped):
    with pytest.raises(DBAPIError, match="permission denied"), machine.begin() as connection:
        connection.execute(text("UPDATE potvigil.record SET owner = 'x' WHERE id = :r"), {"r": shipped})
    with pytest.raises(DBAPIError, match="permission denied"), machine.begin() as connection:
        connection.execute(text("INSERT INTO potvigil.member VALUES ('lantern-pi', '*')"))


@pytest.mark.parametrize(
    ("workshops", "is_seen"),
    [(["harbour-models"], True), ([OTHER], False), ([OTHER, "harbour-models"], True), ([ANY_WORKSHOP], True)],
)
def test_a_page_sees_the_workshops_it_may_see(postgres, shipped, workshops, is_seen):
    page = engine_of(postgres, "front-page", READER, workshops)
    for table in ("sample", "run", "pot"):
        assert (counted(page, table, shipped) > 0) is is_seen
    with page.connect() as connection:
        sql = text("SELECT count(*) FROM potvigil.record WHERE id = :r")
        assert connection.execute(sql, {"r": shipped}).scalar() == is_seen


def test_a_page_changes_nothing(postgres, shipped):
    page = engine_of(postgres, "front-page", READER, [ANY_WORKSHOP])
    for change in ("DELETE FROM potvigil.pot", "UPDATE potvigil.record SET seen = now()"):
        with pytest.raises(DBAPIError, match="permission denied"), page.begin() as connection:
            connection.execute(text(change))


def test_admitting_again_replaces_the_password_and_the_rights(postgres, shipped):
    old = postgres.address("front-page", admit(postgres.owner(), "front-page", MACHINE, [ANY_WORKSHOP]))
    new = engine_of(postgres, "front-page", READER, [OTHER])
    with pytest.raises(DBAPIError, match="password authentication failed"):
        old.engine().connect()
    assert counted(new, "sample", shipped) == 0
    with pytest.raises(DBAPIError, match="permission denied"), new.begin() as connection:
        connection.execute(text("DELETE FROM potvigil.pot"))


@pytest.mark.parametrize("name", ["", "Pi", 'pi"; DROP ROLE x', "9pi", "a" * 64])
def test_a_name_that_would_need_quoting_is_refused(postgres, name):
    with pytest.raises(StudioError, match="give a name of lower-case letters"):
        admit(postgres.owner(), name, MACHINE, [OTHER])


def test_wrong_passwords_and_missing_servers_are_one_line(postgres, record):
    address = postgres.address("lantern-pi", "wrong")
    with pytest.raises(StudioError, match="password authentication failed") as refused:
        Shipper(record, address.engine(), OTHER, by_the_minute=False, pictures=False).ship()
    assert "\n" not in str(refused.value)
