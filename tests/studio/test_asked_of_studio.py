"""What a reader asks of the studio's database, and how answers and errors come back; without a database."""

from contextlib import contextmanager
from types import SimpleNamespace
from uuid import UUID

import psycopg
import pytest
from sqlalchemy.exc import OperationalError

from potvigil.record.errors import AwayRecordError
from potvigil.studio.address import StudioError
from potvigil.studio.copying import RecordCopy, check, check_format
from potvigil.studio.preparing import MACHINE, READER, admit, prepare
from potvigil.studio.reading import RecordThere, Shipped, StudioReader
from potvigil.studio.tables import FORMAT

ONE, TWO = UUID(int=1), UUID(int=2)
DOWN = OperationalError("SELECT 1", {}, Exception("server closed the connection\nunexpectedly"))


class Answers:
    """An engine and its connection; each query takes the next of the answers, which may be an error."""

    def __init__(self, *answers) -> None:
        self._answers, self.asked, self.closed, self.disposed = list(answers), [], 0, 0

    @contextmanager
    def connect(self):
        yield self

    begin = connect

    def execute(self, statement, values=None):
        self.asked.append((" ".join(str(statement).split()), values))
        answer = self._answers.pop(0) if self._answers else None
        if isinstance(answer, Exception):
            raise answer
        rows = answer if isinstance(answer, list) else [answer]
        return _Rows(rows)

    exec_driver_sql = execute

    def close(self) -> None:
        self.closed += 1

    def dispose(self) -> None:
        self.disposed += 1


class _Rows(list):
    def scalar(self):
        return self[0] if self else None

    scalar_one_or_none = scalar

    def scalars(self):
        return self


# --- one record


def test_a_record_there_is_asked_for_its_own_rows_only() -> None:
    connection = Answers([(1, "a"), (2, "b")])
    there = RecordThere(connection, ONE)
    assert there.rows("SELECT id, name FROM pot WHERE id > ?", (0,)) == [(1, "a"), (2, "b")]
    ((sql, values),) = connection.asked
    assert sql.startswith("WITH pot AS NOT MATERIALIZED") and values == {"record": ONE, "p1": 0}
    assert str(there.path) == str(ONE)


def test_several_queries_are_asked_at_once_and_answered_in_their_order() -> None:
    class Cursor:
        results, closed, asked = [[(1,)], [], [(3,), (4,)]], False, None

        def executemany(self, sql, named, returning):
            Cursor.asked = (sql, named, returning)

        def fetchall(self):
            return self.results[0]

        def nextset(self):
            self.results = self.results[1:]
            return True if self.results else None

        def close(self) -> None:
            Cursor.closed = True

    there = RecordThere(SimpleNamespace(connection=SimpleNamespace(cursor=Cursor)), ONE)
    assert there.rows_of_each("SELECT 1 FROM pot WHERE id = ?", [(5,), (6,), (7,)]) == [
        *([(1,)], [], [(3,), (4,)]),
    ]
    assert Cursor.asked[1:] == ([{"record": ONE, "p1": each} for each in (5, 6, 7)], True)
    assert Cursor.closed


@pytest.mark.parametrize("error", [DOWN, psycopg.OperationalError("server closed the connection\nLINE 1")])
def test_an_error_of_the_database_is_one_line_for_a_person(error) -> None:
    for ask in (
        lambda: RecordThere(Answers(error), ONE).rows("SELECT 1 FROM pot"),
        StudioReader(Answers(error)).records,
        StudioReader(Answers(error)).beyond_reading,
        StudioReader(Answers(error)).check,
        lambda: StudioReader(Answers(error)).pictures(ONE, 1),
        lambda: StudioReader(Answers(error)).picture(ONE, 1, "a"),
        lambda: StudioReader(Answers(error)).of_each("SELECT 1 FROM pot", (), order="1"),
    ):
        with pytest.raises(AwayRecordError) as said:
            ask()
        assert str(said.value) == "the studio's database does not answer (server closed the connection)"


def test_any_other_error_stays_as_it_is() -> None:
    with pytest.raises(ZeroDivisionError):
        StudioReader(Answers(ZeroDivisionError())).records()


def test_a_dead_connection_can_be_returned() -> None:
    connection = Answers()
    RecordThere(connection, ONE).close()
    assert connection.closed == 1

    def close():
        raise DOWN

    connection.close = close
    RecordThere(connection, ONE).close()
    reader = StudioReader(connection)
    reader.close()
    assert connection.disposed == 1


# --- all records


def test_the_records_and_rights_of_a_reader() -> None:
    row = (ONE, "harbour", 5.0, 1.0, False, "lantern-pi", "1 2")
    assert StudioReader(Answers([row])).records() == [Shipped(*row)]
    assert StudioReader(Answers(False, None, True)).beyond_reading() == ["write rows"]
    assert StudioReader(Answers(True, True, False)).beyond_reading() == [
        "administer the server",
        "make tables",
    ]
    assert StudioReader(Answers(["a.png", "b.png"])).pictures(ONE, 1) == {"a.png", "b.png"}
    assert StudioReader(Answers(b"a")).picture(ONE, 1, "a.png") == b"a"
    assert StudioReader(Answers([])).picture(ONE, 1, "a.png") is None


@pytest.mark.parametrize(
    ("among", "given"), [(None, None), ([], []), ((TWO, ONE), [TWO, ONE])], ids=["all", "none", "two"]
)
def test_a_query_of_each_record_says_whose_row_it_is(among, given) -> None:
    engine = Answers([(ONE, 5, "a"), (TWO, 6, "b")], [])
    found = StudioReader(engine).of_each("SELECT 1 FROM pot WHERE id = ?", (9,), order="2 DESC", among=among)
    assert found == [(ONE, (5, "a")), (TWO, (6, "b"))]
    ((sql, values),) = engine.asked
    assert values == {"p1": 9, "most": None, "skip": 0, "among": given}
    assert "WHERE record = shipped.id)" in sql and sql.endswith(
        "ORDER BY 2 DESC LIMIT %(most)s OFFSET %(skip)s"
    )
    StudioReader(engine).of_each("SELECT 1 FROM pot", (), order="1", most=50, skip=100)
    assert engine.asked[1][1] == {"most": 50, "skip": 100, "among": None}


# --- the format of the tables


@pytest.mark.parametrize(
    ("answers", "fault"),
    [
        ((None,), "the studio's tables are not there; run `potvigil studio prepare`"),
        (("there", None), "the studio's tables are of format"),
        (("there", FORMAT - 1), f"the studio's tables are of format {FORMAT - 1}, {FORMAT} is needed; run"),
        (("there", FORMAT), None),
        (("there", FORMAT + 1), None),
    ],
)
def test_tables_of_an_older_format_are_refused_and_of_a_newer_accepted(answers, fault) -> None:
    for ask in (check, check_format, lambda engine: StudioReader(engine).check()):
        if fault is None:
            ask(Answers(*answers))
        else:
            with pytest.raises(StudioError) as error:
                ask(Answers(*answers))
            assert str(error.value).startswith(fault)
    with pytest.raises(StudioError, match=r"^server closed the connection$"):
        check(Answers(DOWN))


def test_a_shipper_and_an_owner_hear_of_a_database_that_fails_in_one_line() -> None:
    copy = RecordCopy(Answers(DOWN), SimpleNamespace(record=ONE, copied_from=None), "harbour")
    for ask in (
        lambda: copy.take(None),
        lambda: prepare(Answers(DOWN)),
        lambda: admit(Answers(DOWN), "lantern-pi", MACHINE, ["harbour"]),
    ):
        with pytest.raises(StudioError, match=r"^server closed the connection$"):
            ask()


# --- admitting


@pytest.mark.parametrize(("group", "other"), [(MACHINE, READER), (READER, MACHINE)])
@pytest.mark.parametrize("is_known", [True, False])
def test_a_user_is_admitted_to_one_group_with_a_new_password(group, other, is_known) -> None:
    engine = Answers(1 if is_known else [])
    password = admit(engine, "lantern-pi", group, ["harbour", "castle", "harbour"])
    assert len(password) == 32 and password.replace("-", "").replace("_", "").isalnum()
    looked, *asked = engine.asked
    assert looked[1] == {"name": "lantern-pi"}
    assert [sql for sql, _ in asked[: 0 if is_known else 1]] == (
        [] if is_known else ['CREATE ROLE "lantern-pi" LOGIN']
    )
    assert [sql for sql, _ in asked[-5:-2]] == [
        f"ALTER ROLE \"lantern-pi\" LOGIN PASSWORD '{password}'",
        f'GRANT {group} TO "lantern-pi"',
        f'REVOKE {other} FROM "lantern-pi"',
    ]
    assert asked[-2][0].startswith("DELETE FROM potvigil.member WHERE")
    assert asked[-1][1] == [{"role": "lantern-pi", "workshop": each} for each in ("harbour", "castle")]
    assert len(asked) == (5 if is_known else 6)


@pytest.mark.parametrize(("length", "is_name"), [(1, True), (63, True), (64, False)])
def test_a_name_has_at_most_as_many_characters_as_postgresql_keeps(length, is_name) -> None:
    """63: PostgreSQL manual, 4.1.1."""
    if is_name:
        assert admit(Answers(1), "a" * length, READER, ["*"])
        return
    with pytest.raises(StudioError):
        admit(Answers(1), "a" * length, READER, ["*"])
