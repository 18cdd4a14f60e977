"""What the studio has of all records a reader may see, and of one as if it lay here."""

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

# A watch writes its samples each minute, a shipper looks each five seconds, and after a failure tries again
# within five minutes.
SILENT_S = 300.0
# By what may be done; also by a role that this user is a member of, whether he inherits its rights or not.
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
    """A record that was shipped. heard_utc_s: when something of it came last, by the database's clock.

    age_s: how long ago that was. is_past: another record began as its copy, and was heard from since.
    owner: who ships it, by the name that was admitted. batches: is another when something of its batches, its
    care or its settings is new, or anything was rewritten.
    """

    id: UUID
    workshop: str
    heard_utc_s: float
    age_s: float
    is_past: bool
    owner: str
    batches: str


class RecordThere(Readable):
    """One record in the studio's database, of which a Store can be made. It keeps its connection."""

    def __init__(self, connection: Connection, record: UUID) -> None:
        self._connection, self._record = connection, record
        self.path = Path(str(record))

    def close(self) -> None:
        """Give the connection back; may be repeated."""
        with suppress(SQLAlchemyError):  # it died meanwhile, which was told or no longer matters
            self._connection.close()

    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[Any]:
        with _told():
            found = self._connection.exec_driver_sql(
                for_record(sql), {"record": self._record} | parameters(values)
            )
            return [tuple(row) for row in found]

    def rows_of_each(self, sql: str, several: Sequence[tuple[Any, ...]]) -> list[list[Any]]:
        """As of one. Sent one after the other without waiting for the answers, which would take a second."""
        if not several:
            return []
        cursor: Any  # psycopg's own: SQLAlchemy's gives no rows of many
        with _told(), closing(self._connection.connection.cursor()) as cursor:
            named = [{"record": self._record} | parameters(values) for values in several]
            cursor.executemany(for_record(sql), named, returning=True)
            found = [cursor.fetchall()]
            while cursor.nextset():
                found.append(cursor.fetchall())
            return found

    def damaged(self, detail: str) -> DamagedRecordError:
        return DamagedRecordError(f"the record {self.path}, as the studio has it, is damaged ({detail})")


class StudioReader:
    """Reads the studio's database with the rights of one of its users; may be used by several threads."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def close(self) -> None:
        self._engine.dispose()

    def check(self) -> None:
        """Raise StudioError or AwayRecordError unless there is what this version reads."""
        with _told(), self._engine.connect() as connection:
            check_format(connection)

    def beyond_reading(self) -> list[str]:
        """Return what this user may do in the database beside reading, in words. Raises AwayRecordError."""
        with _told(), self._engine.connect() as connection:
            return [may for may, sql in _BEYOND_READING.items() if connection.execute(text(sql)).scalar()]

    def records(self) -> list[Shipped]:
        """Return all records there are for this user, by workshop. Raises AwayRecordError."""
        sql = text(
            "SELECT id, workshop, extract(epoch FROM seen)::float8, "
            "greatest(extract(epoch FROM clock_timestamp() - seen), 0)::float8, EXISTS (SELECT 1 FROM "
            f"{SCHEMA}.record AS later WHERE later.copied_from = record.id AND later.seen > record.seen), "
            "owner, concat_ws(' ', marks #>> '{highest,run}', marks #>> '{highest,batch}', "
            "marks #>> '{highest,care}', marks ->> 'change') "
            f"FROM {SCHEMA}.record ORDER BY workshop, id"
        )
        with _told(), self._engine.connect() as connection:
            return [Shipped(*row) for row in connection.execute(sql)]

    def opened(self, record: UUID) -> Store:
        """Return a record to be read, and closed, all as it is at one moment. Raises AwayRecordError."""
        with _told():
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
        """Return what each record answers to a query of the record's tables, as (record, row).

        order: of all of them, by numbers of columns, where the first is the record. among: of which records,
        None for all. Raises AwayRecordError.
        """
        asked = (
            f"SELECT shipped.id, one.* FROM {SCHEMA}.record AS shipped "
            f"CROSS JOIN LATERAL ({for_record(sql, 'shipped.id')}) AS one "
            "WHERE %(among)s::uuid[] IS NULL OR shipped.id = ANY(%(among)s::uuid[]) "
            f"ORDER BY {order} LIMIT %(most)s OFFSET %(skip)s"
        )
        bounds = {"most": most, "skip": skip, "among": None if among is None else list(among)}
        with _told(), self._engine.connect() as connection:
            rows = connection.exec_driver_sql(asked, parameters(values) | bounds)
            return [(row[0], tuple(row[1:])) for row in rows]

    def pictures(self, record: UUID, batch: int) -> set[str]:
        """Return the names of the pictures of a batch that were shipped. Raises AwayRecordError."""
        sql = select(PICTURE.c.name).where(PICTURE.c.record == record, PICTURE.c.batch == batch)
        with _told(), self._engine.connect() as connection:
            return set(connection.execute(sql).scalars())

    def picture(self, record: UUID, batch: int, name: str) -> bytes | None:
        """Return a picture of a batch, None where none was shipped. Raises AwayRecordError."""
        sql = select(PICTURE.c.content).where(
            PICTURE.c.record == record, PICTURE.c.batch == batch, PICTURE.c.name == name
        )
        with _told(), self._engine.connect() as connection:
            content: bytes | None = connection.execute(sql).scalar_one_or_none()
            return content


@contextmanager
def _told() -> Iterator[None]:
    """Turn what the database's library raises into an error a person can act on."""
    try:
        yield
    except StudioError:
        raise
    except (SQLAlchemyError, psycopg.Error) as error:
        raise AwayRecordError(f"the studio's database does not answer ({first_line(error)})") from error
