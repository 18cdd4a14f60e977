"""A record's copy in the studio's database: takes one parcel after another, each in a transaction.

The marks of how far the copy has come are written in the same transaction as the rows, and read under a lock
before each parcel: whatever is killed, cut or restored from a backup, the next parcel continues from what is
there, and two shippers of one record take turns.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, Engine, bindparam, delete, func, select, text, update
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.exc import DBAPIError

from potvigil.record.identity import Identity
from potvigil.studio.address import StudioError, first_line
from potvigil.studio.dialect import plain_text
from potvigil.studio.news import BY_POT, KEYS, Gone, Marks, News, Parcel, PictureReader, Rows
from potvigil.studio.tables import FORMAT, OF_A_RECORD, PICTURE, RECORD, SCHEMA, key_of

_PREPARE = "run `potvigil studio prepare` where the studio's database is"


class RecordCopy:
    """The copy of one record. workshop: whose it is."""

    def __init__(self, engine: Engine, identity: Identity, workshop: str) -> None:
        self._engine, self._identity, self._workshop = engine, identity, workshop

    def take(self, news: News, pictures: PictureReader | None = None) -> Parcel:
        """Take the next parcel, and return it.

        Raises StudioError, and ForkedRecordError as `News.since`; then nothing of the parcel was taken.
        """
        try:
            with self._engine.begin() as connection:
                check_format(connection)
                parcel = news.since(self._marks(connection))
                self._carry_out(connection, parcel)
                if pictures is not None:
                    self._take_pictures(connection, pictures, news.pictures(parcel))
                if parcel.steps:
                    values = {"marks": parcel.marks.tree(), "seen": func.now(), "workshop": self._workshop}
                    connection.execute(self._own(update(RECORD)).values(values))
        except DBAPIError as error:
            raise StudioError(first_line(error)) from error
        return parcel

    def _marks(self, connection: Connection) -> Marks:
        """Return how far the copy has come, and lock it until the end of the transaction."""
        marks = self._locked(connection)
        if marks is None:
            identity = self._identity
            values = {"id": identity.record, "workshop": self._workshop, "copied_from": identity.copied_from}
            connection.execute(insert(RECORD).values(values).on_conflict_do_nothing())
            marks = self._locked(connection)
        if marks is None:
            raise StudioError(
                f"the record {self._identity.record} belongs to another user of the database; ship it as "
                "that user, or have the database's owner change `owner` in the table record"
            )
        return Marks.from_tree(marks)

    def _locked(self, connection: Connection) -> Mapping[str, Any] | None:
        sql = select(RECORD.c.marks).where(RECORD.c.id == self._identity.record).with_for_update()
        marks: Mapping[str, Any] | None = connection.execute(sql).scalar_one_or_none()
        return marks

    def _own(self, statement: Any) -> Any:
        return statement.where(RECORD.c.id == self._identity.record)

    def _carry_out(self, connection: Connection, parcel: Parcel) -> None:
        for step in parcel.steps:
            if isinstance(step, Gone):
                self._delete(connection, step)
            elif step.rows:
                self._upsert(connection, step)

    def _delete(self, connection: Connection, gone: Gone) -> None:
        table = OF_A_RECORD[gone.table]
        key = table.c[KEYS.get(gone.table, "id")]
        sql = delete(table).where(
            table.c.record == self._identity.record, key >= gone.from_key, key < gone.to_key
        )
        if gone.table in BY_POT:
            sql = sql.where(table.c.pot == gone.pot)
        connection.execute(sql)

    def _upsert(self, connection: Connection, rows: Rows) -> None:
        table = OF_A_RECORD[rows.table]
        new = insert(table).values(
            {"record": self._identity.record} | {c: bindparam(c) for c in rows.columns}
        )
        key = key_of(rows.table)
        others = {name: new.excluded[name] for name in rows.columns if name not in key}
        sql = new.on_conflict_do_update(index_elements=["record", *key], set_=others)
        named = [dict(zip(rows.columns, map(plain_text, row), strict=True)) for row in rows.rows]
        connection.execute(sql, named)

    def _take_pictures(
        self, connection: Connection, read: PictureReader, named: Iterable[tuple[int, str]]
    ) -> None:
        for batch, name in named:
            content = read(batch, name)
            if content is not None:  # the file may be missing
                values = {"record": self._identity.record, "batch": batch, "name": name, "content": content}
                sql = insert(PICTURE).values(values)
                connection.execute(
                    sql.on_conflict_do_update(
                        index_elements=["record", "batch", "name"], set_={"content": content}
                    )
                )


def check(engine: Engine) -> None:
    """Raise StudioError unless the studio's database can be reached and has the tables."""
    try:
        with engine.connect() as connection:
            check_format(connection)
    except DBAPIError as error:
        raise StudioError(first_line(error)) from error


def check_format(connection: Connection) -> None:
    """Raise StudioError unless the studio's tables are there, in the format this version needs or a newer."""
    there = connection.execute(text(f"SELECT to_regclass('{SCHEMA}.alembic_version')")).scalar()
    if there is None:
        raise StudioError(f"the studio's tables are not there; {_PREPARE}")
    found = connection.execute(text(f"SELECT max(version_num::int) FROM {SCHEMA}.alembic_version")).scalar()
    if (found or 0) < FORMAT:
        raise StudioError(f"the studio's tables are of format {found}, {FORMAT} is needed; {_PREPARE}")
