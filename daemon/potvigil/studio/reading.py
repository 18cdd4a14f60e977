"""Reads the studio's database: all records a reader may see, or one as if it were local."""

from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
from sqlalchemy import Connection, Engine, select, text
from sqlalchemy.exc import SQLAlchemyError

from potvigil.record.errors import AwayRecordError, DamagedRecordError
from potvigil.record.readable import Readable
from potvigil.record.store import Store
from potvigil.studio.address import StudioError, first_line
from potvigil.studio.copying import check_format
from potvigil.studio.dialect import for_record, parameters
from potvigil.studio.tables import PICTURE, SCHEMA

# A watch writes samples every minute, a shipper looks every five seconds, and after a failure retries within
# five minutes.
SILENT_S = 300.0
# Queries by what they would allow, also through a role this user is a member of, inherited or not.
_BEYOND_READING = {
    "administer the server": "SELECT bool_or(rolsuper OR rolcreaterole OR rolcreatedb OR rolreplication OR "
    "rolbypassrls) FROM pg_roles WHERE pg_has_role(oid, 'MEMBER')",
    "make tables": f"SELECT bool_or(has_schema_privilege(oid, '{SCHEMA}', 'CREATE')) FROM pg_roles "
    "WHERE pg_has_role(oid, 'MEMBER')",
    "write rows": "SELECT bool_or(has_table_privilege(r.oid, c.oid, 'INSERT, UPDATE, DELETE, TRUNCATE') OR "
    "has_any_column_privilege(r.oid, c.oid, 'INSERT, UPDATE')) FROM pg_roles AS r, pg_class AS c "
    f"WHERE pg_has_role(r.oid, 'MEMBER') AND c.relnamespace = '{SCHEMA}'::regnamespace AND c.relkind = 'r'",
}


@dataclass(frozen=True, slots=True)
class Shipped:
    """A record that was shipped. heard_utc_s: when it was last shipped to, by the database's clock.

    age_s: how long ago that was. is_past: another record began as its copy, and was heard from since.
    owner: who ships it, by the name that was admitted. batches: a stamp that changes when there are new
    batches, care or settings, or anything was rewritten.
    """

    id: UUID
    workshop: str
    heard_utc_s: float
    age_s: float
    is_past: bool
    owner: str
    batches: str


class RecordThere(Readable):
    """One record in the studio's database, for a Store to read. It holds a connection."""

    def __init__(self, connection: Connection, record: UUID) -> None:
        self._connection, self._record = connection, record
        self.path = Path(str(record))

    def close(self) -> None:
        """Return the connection to the pool; may be repeated."""
        with suppress(SQLAlchemyError):  # a dead connection was reported already, or no longer matters
            self._connection.close()

    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[Any]:
        with _translated_errors():
            found = self._connection.exec_driver_sql(
                for_record(sql), {"record": self._record} | parameters(values)
            )
            return [tuple(row) for row in found]

    def rows_of_each(self, sql: str, several: Sequence[tuple[Any, ...]]) -> list[list[Any]]:
        """As `Readable`. The queries are pipelined: waiting for each answer would take a second in all."""
        if not several:
            return []
        cursor: Any  # psycopg's own: SQLAlchemy's returns no rows from executemany
        with _translated_errors(), closing(self._connection.connection.cursor()) as cursor:
            named = [{"record": self._record} | parameters(values) for values in several]
            cursor.executemany(for_record(sql), named, returning=True)
            found = [cursor.fetchall()]
            while cursor.nextset():
                found.append(cursor.fetchall())
            return found

    def damaged(self, detail: str) -> DamagedRecordError:
        return DamagedRecordError(f"the record {self.path}, as the studio has it, is damaged ({detail})")


class StudioReader:
    """Reads the studio's database with the rights of one of its users; thread-safe."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def close(self) -> None:
        self._engine.dispose()

    def check(self) -> None:
        """Raise StudioError or AwayRecordError unless the database has tables this version can read."""
        with _translated_errors(), self._engine.connect() as connection:
            check_format(connection)

    def beyond_reading(self) -> list[str]:
        """Return what this user may do in the database besides reading, in words. Raises AwayRecordError."""
        with _translated_errors(), self._engine.connect() as connection:
            return [may for may, sql in _BEYOND_READING.items() if connection.execute(text(sql)).scalar()]

    def records(self) -> list[Shipped]:
        """Return all records this user may see, by workshop. Raises AwayRecordError."""
        sql = text(
            "SELECT id, workshop, extract(epoch FROM seen)::float8, "
            "greatest(extract(epoch FROM clock_timestamp() - seen), 0)::float8, EXISTS (SELECT 1 FROM "
            f"{SCHEMA}.record AS later WHERE later.copied_from = record.id AND later.seen > record.seen), "
            "owner, concat_ws(' ', marks #>> '{highest,run}', marks #>> '{highest,batch}', "
            "marks #>> '{highest,care}', marks ->> 'change') "
            f"FROM {SCHEMA}.record ORDER BY workshop, id"
        )
        with _translated_errors(), self._engine.connect() as connection:
            return [Shipped(*row) for row in connection.execute(sql)]

    def opened(self, record: UUID) -> Store:
        """Return a snapshot of a record; the caller closes it. Raises AwayRecordError."""
        with _translated_errors():
            return Store(RecordThere(self._engine.connect(), record))

    def of_each(
        self,
        sql: str,
        values: tuple[Any, ...],
        *,
        order: str,
        among: Sequence[UUID] | None = None,
        most: int | None = None,
        skip: int = 0,
    ) -> list[tuple[UUID, Any]]:
        """Run a query of the record's tables on each record; return the results as (record, row).

        order: of all rows, by column number, where column 1 is the record. among: the records, None for all.
        Raises AwayRecordError.
        """
        query = (
            f"SELECT shipped.id, one.* FROM {SCHEMA}.record AS shipped "
            f"CROSS JOIN LATERAL ({for_record(sql, 'shipped.id')}) AS one "
            "WHERE %(among)s::uuid[] IS NULL OR shipped.id = ANY(%(among)s::uuid[]) "
            f"ORDER BY {order} LIMIT %(most)s OFFSET %(skip)s"
        )
        bounds = {"most": most, "skip": skip, "among": None if among is None else list(among)}
        with _translated_errors(), self._engine.connect() as connection:
            rows = connection.exec_driver_sql(query, parameters(values) | bounds)
            return [(row[0], tuple(row[1:])) for row in rows]

    def pictures(self, record: UUID, batch: int) -> set[str]:
        """Return the names of a batch's pictures that were shipped. Raises AwayRecordError."""
        sql = select(PICTURE.c.name).where(PICTURE.c.record == record, PICTURE.c.batch == batch)
        with _translated_errors(), self._engine.connect() as connection:
            return set(connection.execute(sql).scalars())

    def picture(self, record: UUID, batch: int, name: str) -> bytes | None:
        """Return a picture of a batch, None where none was shipped. Raises AwayRecordError."""
        sql = select(PICTURE.c.content).where(
            PICTURE.c.record == record, PICTURE.c.batch == batch, PICTURE.c.name == name
        )
        with _translated_errors(), self._engine.connect() as connection:
            content: bytes | None = connection.execute(sql).scalar_one_or_none()
            return content


@contextmanager
def _translated_errors() -> Iterator[None]:
    """Turn an error of the database library into one a person can act on."""
    try:
        yield
    except StudioError:
        raise
    except (SQLAlchemyError, psycopg.Error) as error:
        raise AwayRecordError(f"the studio's database does not answer ({first_line(error)})") from error
