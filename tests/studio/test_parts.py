"""The studio without a database: addresses, SQL, retries, one-line errors."""

import logging
import os
import threading
from pathlib import Path
from types import SimpleNamespace
from uuid import UUID

import pytest
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import DBAPIError

from potvigil.record.errors import AwayRecordError, RecordError
from potvigil.record.identity import Identity
from potvigil.settings.studio import StudioSettings
from potvigil.studio import address as address_views
from potvigil.studio import shipper as shipper_views
from potvigil.studio.address import Address, StudioError, address_of, first_line, owner_engine
from potvigil.studio.copying import RecordCopy
from potvigil.studio.dialect import for_record, parameters, plain_text
from potvigil.studio.news import ForkedRecordError, Gone, Marks, Parcel, Rows
from potvigil.studio.preparing import ANY_WORKSHOP, MACHINE, admit
from potvigil.studio.reading import RecordThere
from potvigil.studio.shipper import LOOK_S, RETRY_MOST_S, RETRY_S, Shipper
from potvigil.studio.tables import OF_A_RECORD, key_of
from shipped import identity, short_record

# --- where it is


TO = Address((("a.example", 5432), ("b.example", 5433)), "potvigil", "lantern-pi", "s3cret")


def arguments_of(engine) -> dict:
    return engine.dialect.create_connect_args(engine.url)[1]


@pytest.fixture
def given(monkeypatch):
    """Yield the arguments of create_engine, without making an engine."""
    calls = []
    monkeypatch.setattr(address_views, "create_engine", lambda url, **how: calls.append((url, how)))
    return calls


def test_writing_uses_the_writable_server_and_gives_up_in_time(given) -> None:
    """Names and units as in the PostgreSQL manual, 34.1.2: seconds; tcp_user_timeout and timeouts in ms."""
    TO.engine()
    ((url, how),) = given
    assert (url.drivername, url.username, url.password, url.database) == (
        *("postgresql+psycopg", "lantern-pi", "s3cret", "potvigil"),
    )
    assert how["connect_args"] == {
        "sslmode": "verify-full",
        "sslrootcert": "system",
        "application_name": "potvigil",
        "host": "a.example,b.example",
        "port": "5432,5433",
        "target_session_attrs": "read-write",
        "connect_timeout": 10,
        "keepalives_idle": 30,
        "keepalives_interval": 10,
        "keepalives_count": 3,
        "tcp_user_timeout": 30_000,
        "options": "-c statement_timeout=120000 -c lock_timeout=30000",
    }
    assert how["poolclass"].__name__ == "NullPool"


def test_reading_may_use_a_standby_with_a_few_snapshot_connections(given) -> None:
    TO.reading_engine()
    ((_, how),) = given
    assert how["connect_args"]["target_session_attrs"] == "any"
    assert how["connect_args"]["options"].startswith("-c statement_timeout=20000 ")
    assert (how["pool_size"], how["max_overflow"], how["pool_timeout"]) == (5, 5, 20)
    assert how["pool_pre_ping"] is True and how["isolation_level"] == "REPEATABLE READ"
    assert how["execution_options"] == {"postgresql_readonly": True}


def test_a_local_connection_need_not_be_encrypted(given) -> None:
    Address((("localhost", 5432),), "potvigil", "me", encrypted=False).engine()
    assert not {"sslmode", "sslrootcert"} & set(given[0][1]["connect_args"])
    Address((("a", 1),), "d", "u", ca_file=Path("/ca.crt")).engine()
    assert given[1][1]["connect_args"]["sslrootcert"] == "/ca.crt"


def test_the_address_is_shown_without_the_password() -> None:
    assert TO.name == "lantern-pi@a.example:5432,b.example:5433/potvigil"


def studio_settings(**changes) -> StudioSettings:
    known = {
        "host": "a.example", "standby": None, "port": 5432, "database": "potvigil", "username": "me",
        "password_file": None, "ca_file": None, "encrypted": True,
    }  # fmt: skip
    return SimpleNamespace(**(known | changes))


def test_the_address_is_that_of_the_settings(tmp_path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("pass\nrest")
    secret.chmod(0o600)
    ca_file = Path("/ca")
    of = address_of(
        studio_settings(standby="b.example", password_file=secret, ca_file=ca_file, encrypted=False)
    )
    assert of == Address((("a.example", 5432), ("b.example", 5432)), "potvigil", "me", "pass", ca_file, False)
    assert address_of(studio_settings()) == Address((("a.example", 5432),), "potvigil", "me")
    with pytest.raises(StudioError, match=r"^studio\.password_file: .*none") as error:
        address_of(studio_settings(password_file=tmp_path / "none"))
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("uri", ["postgresql://u@h/d", "postgres://u:p@h:5433/d", "postgresql+psycopg://h/d"])
def test_an_owner_connects_by_a_libpq_address(uri) -> None:
    if uri.startswith("postgres://"):
        assert owner_engine(uri).url.host == "h"
    assert owner_engine(uri).url.drivername == "postgresql+psycopg"


@pytest.mark.parametrize("uri", ["nonsense", "mysql://u@h/d", "sqlite:///x", ""])
def test_any_other_address_is_refused_with_an_example(uri) -> None:
    with pytest.raises(StudioError, match="give postgresql://user@host/database"):
        owner_engine(uri)


def test_only_the_first_line_of_a_database_error_is_shown() -> None:
    error = DBAPIError("SELECT 1", {}, Exception("\n  no such table  \nLINE 1: ..."))
    assert first_line(error) == "no such table"
    assert first_line(ValueError("one\ntwo")) == "one"
    assert first_line(KeyError()) == "KeyError"


@pytest.mark.parametrize("name", ["", "Pi", "1pi", "a" * 64, "a b", "a;b", 'a"b', "-a", "ä"])
def test_a_name_that_would_need_quoting_is_refused(name) -> None:
    with pytest.raises(StudioError, match="lower-case letters, digits, - and _, a letter first"):
        admit(None, name, MACHINE, [ANY_WORKSHOP])


# --- its SQL


def test_a_query_is_restricted_to_the_rows_of_one_record() -> None:
    sql = for_record(
        "SELECT b.id FROM batch b JOIN pot p ON p.id = b.pot WHERE p.name LIKE '%x' AND b.id > ?"
    )
    assert sql == (
        "WITH pot AS NOT MATERIALIZED (SELECT * FROM potvigil.pot WHERE record = %(record)s), "
        "batch AS NOT MATERIALIZED (SELECT * FROM potvigil.batch WHERE record = %(record)s) "
        "SELECT b.id FROM batch b JOIN pot p ON p.id = b.pot WHERE p.name LIKE '%%x' AND b.id > %(p1)s"
    )
    assert "WHERE record = shipped.id)" in for_record("SELECT 1 FROM pot", "shipped.id")


@pytest.mark.parametrize(
    ("sqlite", "postgresql"),
    [
        ("SELECT ? , ? , ? FROM pot", "SELECT %(p1)s , %(p2)s , %(p3)s FROM pot"),
        (
            "SELECT ?2, ?1, ? FROM pot",
            "SELECT %(p2)s, %(p1)s, %(p2)s FROM pot",
        ),  # ? is the last number plus one
        ("SELECT instr(a, ?) FROM pot", "SELECT strpos(a, %(p1)s) FROM pot"),
        ("SELECT lower(a) FROM pot", 'SELECT lower(CAST(a AS text) COLLATE "C") FROM pot'),
        (
            "SELECT json_extract(spread, '$.x[1]') FROM pot",
            "SELECT (spread::json #>> '{x,1}')::double precision FROM pot",
        ),
        (
            "SELECT json_group_object(field, new) FROM pot",
            "SELECT coalesce(json_object_agg(field, new), '{}')::text FROM pot",
        ),
    ],
)
def test_what_postgresql_spells_differently(sqlite, postgresql) -> None:
    """SQLite: ?NNN and ? as in its documentation of bind parameters."""
    assert for_record(sqlite).endswith(f") {postgresql}")


def test_the_id_of_a_fault_is_text() -> None:
    assert "(SELECT id::text AS id, faults FROM potvigil.fault WHERE" in for_record("SELECT 1 FROM fault")


def test_values_are_named_by_their_positions() -> None:
    from potvigil.model.events import AlarmId

    assert parameters((1, "a", None, AlarmId.LEAK)) == {"p1": 1, "p2": "a", "p3": None, "p4": "leak"}
    assert plain_text("a\0b") == "a\ufffdb" and plain_text(b"\0") == b"\0" and plain_text("ab") == "ab"
    assert parameters(("\0",)) == {"p1": "\ufffd"}


def test_each_table_has_a_key_that_identifies_its_rows() -> None:
    for table, columns in OF_A_RECORD.items():
        assert {c.name for c in columns.primary_key} == {"record", *key_of(table)}
        assert not any(c.nullable for c in columns.primary_key)
        assert not [c.name for c in columns.primary_key if c.autoincrement is True]
    assert (key_of("sample"), key_of("taught"), key_of("event")) == (("pot", "t_s"), ("batch",), ("id",))
    assert OF_A_RECORD["batch"].c.end_t_s.nullable and not OF_A_RECORD["batch"].c.pot.nullable


def test_an_empty_batch_of_queries_runs_none() -> None:
    there = RecordThere(None, UUID(int=1))
    assert there.rows_of_each("SELECT 1 FROM pot", []) == []
    assert (
        str(there.damaged("row 5")) == f"the record {UUID(int=1)}, as the studio has it, is damaged (row 5)"
    )
    assert issubclass(AwayRecordError, RecordError)


# --- the shipper


@pytest.fixture
def shipper(monkeypatch):
    shipper = Shipper(Path("/nowhere"), None, "harbour", by_the_minute=False, pictures=False)
    shipper.failing = []

    def ship(is_over):
        shipper.is_over = is_over
        if shipper.failing:
            error = shipper.failing.pop(0)
            if error is not None:
                raise error
        return 0

    monkeypatch.setattr(shipper, "_ship", ship)
    return shipper


def test_the_wait_doubles_after_each_failure_up_to_five_minutes(shipper, caplog) -> None:
    shipper.failing = [StudioError("gone")] * 9 + [None, RecordError("held")]
    waits = [shipper.try_once(threading.Event()) for _ in range(12)]
    assert waits == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 300.0, 300.0, 300.0, LOOK_S, 5.0, LOOK_S]
    assert (RETRY_S, RETRY_MOST_S, LOOK_S) == (5.0, 300.0, 5.0)
    assert [record.getMessage() for record in caplog.records] == [
        "the studio gets nothing (gone); retrying",
        "the studio has all of the record again",
        "the studio gets nothing (held); retrying",
        "the studio has all of the record again",
    ]
    assert {record.levelno for record in caplog.records} == {logging.WARNING}


def test_a_different_failure_is_logged_too(shipper, caplog) -> None:
    shipper.failing = [StudioError("gone"), StudioError("full"), StudioError("full")]
    for _ in range(3):
        shipper.try_once(threading.Event())
    assert [record.getMessage() for record in caplog.records] == [
        "the studio gets nothing (gone); retrying",
        "the studio gets nothing (full); retrying",
    ]


def test_it_ships_until_stopped(shipper) -> None:
    stopping, times = threading.Event(), []

    def once(event):
        times.append(event is stopping)
        if len(times) == 3:
            stopping.set()
        return 0.0

    shipper.try_once = once
    shipper.run(stopping)
    assert times == [True] * 3
    stopping.set()
    shipper.run(stopping)
    assert times == [True] * 3


def test_a_forked_record_is_shipped_again_under_a_new_id(shipper, monkeypatch) -> None:
    renewed = []
    monkeypatch.setattr(shipper, "_fork", lambda: renewed.append(1))
    shipper.failing = [ForkedRecordError()]
    assert shipper.ship() == 0 and renewed == [1]
    assert shipper.is_over() is False
    shipper.failing = [ForkedRecordError(), ForkedRecordError()]
    with pytest.raises(ForkedRecordError):
        shipper.ship()


def test_it_ships_parcel_by_parcel_until_done_or_stopped(monkeypatch, tmp_path) -> None:
    taken = []

    class Copy:
        def __init__(self, engine, identity, workshop):
            self.whose = workshop

        def take(self, news, pictures):
            taken.append((self.whose, pictures is None))
            return SimpleNamespace(count=3, whole=len(taken) % 4 == 0)

    monkeypatch.setattr(shipper_views, "RecordCopy", Copy)
    record = short_record(tmp_path / "record.db", 2)
    of = Shipper(record, None, "harbour", by_the_minute=False, pictures=False)
    assert of.ship() == 12 and taken == [("harbour", True)] * 4
    ends = iter([False, True])
    assert of.ship(lambda: next(ends)) == 3
    with_pictures = Shipper(record, None, "harbour", by_the_minute=True, pictures=True)
    assert with_pictures.ship() == 9 and taken[-1] == ("harbour", False)


def test_it_looks_at_an_unchanged_record_but_asks_the_studio_seldom(monkeypatch, tmp_path) -> None:
    """A backup may have been restored there: it is asked every five minutes although nothing is new."""
    record, clock, shipped = tmp_path / "record.db", {"s": 1000.0}, []
    of = Shipper(record, None, "harbour", by_the_minute=False, pictures=False)
    monkeypatch.setattr(of, "_ship", lambda _: shipped.append(clock["s"]) or 0)
    monkeypatch.setattr(shipper_views.time, "monotonic", lambda: clock["s"])
    stopping = threading.Event()

    def look(after_s: float) -> int:
        clock["s"] += after_s
        assert of.try_once(stopping) == LOOK_S
        return len(shipped)

    assert look(0.0) == 1 and look(1.0) == 2  # as long as there is no record, its shipping tells why
    record.write_bytes(b"a")
    assert (look(5.0), look(5.0), look(294.5), look(0.5)) == (3, 3, 3, 4)
    record.write_bytes(b"ab")
    assert (look(5.0), look(5.0)) == (5, 5)
    Path(f"{record}-wal").write_bytes(b"")
    assert (look(5.0), look(5.0)) == (6, 6)
    os.utime(record, ns=(1, 1))
    assert (look(5.0), look(5.0)) == (7, 7)
    os.utime(record, ns=(1, 2))
    stopping.set()
    assert (look(5.0), look(5.0)) == (8, 9)  # cut short: not all of it may be there


def test_a_forked_record_gets_a_new_id_and_a_missing_one_is_not_made(tmp_path, caplog) -> None:
    record = short_record(tmp_path / "record.db", 2)
    of, missing = (
        Shipper(each, None, "harbour", by_the_minute=False, pictures=False)
        for each in (record, tmp_path / "none.db")
    )
    before = identity(record)
    of._fork()
    assert identity(record) != before
    assert f"as record {identity(record)}, and" in caplog.messages[0]
    with pytest.raises(RecordError):
        missing._fork()
    assert not (tmp_path / "none.db").exists()


# --- the copy


class Asked:
    """A connection that keeps what it is asked, as PostgreSQL's SQL and its values."""

    def __init__(self) -> None:
        self.asked = []

    def execute(self, statement, values=None):
        compiled = statement.compile(dialect=postgresql.dialect())
        self.asked.append((" ".join(str(compiled).split()), compiled.params if values is None else values))


@pytest.fixture
def copied():
    copy, connection = RecordCopy(None, Identity(UUID(int=7), None), "harbour"), Asked()
    return copy, connection


def test_parts_are_deleted_by_their_keys_and_of_one_pot_where_they_have_one(copied) -> None:
    copy, connection = copied
    steps = [Gone("sample", 3, 3600.0, 7200.0), Gone("batch", None, 2, 3), Gone("taught", None, 4, 5)]
    copy._carry_out(connection, Parcel(steps, Marks(), True))
    (sample, of_sample), (batch, of_batch), (taught, _) = connection.asked
    assert sample.startswith("DELETE FROM potvigil.sample WHERE potvigil.sample.record = ")
    assert "sample.t_s >= " in sample and "sample.t_s < " in sample and "sample.pot = " in sample
    assert list(of_sample.values()) == [UUID(int=7), 3600.0, 7200.0, 3]
    assert "batch.id >= " in batch and "batch.id < " in batch and "batch.pot" not in batch
    assert list(of_batch.values()) == [UUID(int=7), 2, 3]
    assert "taught.batch >= " in taught


def test_rows_replace_those_of_the_same_key(copied) -> None:
    copy, connection = copied
    rows = Rows("pot", ("id", "name"), [(1, "lan\0tern"), (2, "mast")])
    copy._carry_out(connection, Parcel([rows, Rows("run", ("id",), [])], Marks(), True))
    ((sql, values),) = connection.asked
    assert "INSERT INTO potvigil.pot" in sql
    assert sql.endswith("ON CONFLICT (record, id) DO UPDATE SET name = excluded.name")
    assert values == [{"id": 1, "name": "lan\ufffdtern"}, {"id": 2, "name": "mast"}]


def test_a_picture_whose_file_is_missing_is_left_out(copied) -> None:
    copy, connection = copied
    files = {(1, "a.png"): b"a", (2, "b.png"): b""}
    named = [(1, "a.png"), (1, "lost.png"), (2, "b.png")]
    copy._take_pictures(connection, lambda *which: files.get(which), named)
    assert [(of["batch"], of["name"], of["content"]) for _, of in connection.asked] == [
        (1, "a.png", b"a"),
        (2, "b.png", b""),
    ]
    assert all("ON CONFLICT (record, batch, name) DO UPDATE" in sql for sql, _ in connection.asked)


# --- the owner of this machine's server


@pytest.mark.parametrize(
    ("uid", "uri", "is_as_owner"),
    [
        (0, "postgresql:///potvigil", True),
        (0, "postgresql://", True),
        (1000, "postgresql:///potvigil", False),
        (0, "postgresql://me@/potvigil", False),
        (0, "postgresql://there/potvigil", False),
        (0, "postgresql:///potvigil?host=/run/mine", False),
    ],
)
def test_only_root_connects_as_the_servers_owner_and_only_to_this_machine(
    given, monkeypatch, uid, uri, is_as_owner
) -> None:
    monkeypatch.setattr("os.geteuid", lambda: uid)
    owner_engine(uri)
    ((url, how),) = given
    assert (url.drivername, how["poolclass"].__name__) == ("postgresql+psycopg", "NullPool")
    assert ("creator" in how) is is_as_owner


def test_root_is_the_owner_for_the_time_of_connecting_only(given, monkeypatch) -> None:
    became = []
    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr("os.seteuid", became.append)
    monkeypatch.setattr(
        address_views, "getpwnam", lambda name: SimpleNamespace(pw_uid={"postgres": 112}[name])
    )
    monkeypatch.setattr(address_views.psycopg, "connect", lambda **how: (tuple(became), how))
    owner_engine("postgresql:///potvigil")
    owner_engine("postgresql://")
    (_, first), (_, second) = given
    assert first["creator"]() == ((112,), {"dbname": "potvigil", "user": "postgres"})
    assert became == [112, 0]
    assert second["creator"]()[1] == {"dbname": "", "user": "postgres"}

    def refuse(**_):
        raise OSError

    monkeypatch.setattr(address_views.psycopg, "connect", refuse)
    with pytest.raises(OSError):
        first["creator"]()
    assert became[-1] == 0
    monkeypatch.setattr(address_views, "getpwnam", {}.__getitem__)
    with pytest.raises(StudioError, match="this machine has no user postgres; install PostgreSQL"):
        first["creator"]()
