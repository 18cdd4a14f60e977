"""The studio's tables as the shipper writes them: the record's, with the record's id in each row."""

from pathlib import Path
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    DateTime,
    Float,
    LargeBinary,
    MetaData,
    Table,
    Text,
    Uuid,
    text,
)
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.types import TypeEngine

from potvigil.record.database import Database
from potvigil.studio.news import BY_POT, KEYS, TABLES

SCHEMA = "potvigil"
# The newest revision in migrations/versions.
FORMAT = 2
_TYPES: dict[str, TypeEngine[Any]] = {"REAL": Float(53), "INTEGER": BigInteger(), "TEXT": Text()}

metadata = MetaData(schema=SCHEMA)
RECORD = Table(
    "record",
    metadata,
    Column("id", Uuid(), primary_key=True),
    Column("owner", Text(), nullable=False, server_default=text("CURRENT_USER")),
    Column("workshop", Text(), nullable=False),
    Column("copied_from", Uuid()),
    Column("marks", JSONB(), nullable=False, server_default=text("'{}'")),
    Column("seen", DateTime(timezone=True), nullable=False, server_default=text("now()")),
)
MEMBER = Table(
    "member",
    metadata,
    Column("role", Text(), primary_key=True),
    Column("workshop", Text(), primary_key=True),
)
PICTURE = Table(
    "picture",
    metadata,
    Column("record", Uuid(), primary_key=True),
    Column("batch", BigInteger(), primary_key=True, autoincrement=False),
    Column("name", Text(), primary_key=True),
    Column("content", LargeBinary(), nullable=False),
)


def key_of(table: str) -> tuple[str, ...]:
    """Return the columns that identify a row within one record."""
    key = KEYS.get(table, "id")
    return ("pot", key) if table in BY_POT else (key,)


def _mirrored(db: Database, table: str) -> Table:
    key = key_of(table)
    columns: list[Column[Any]] = [
        Column(name, _TYPES[kind], primary_key=name in key, nullable=not needed, autoincrement=False)
        for name, kind, needed in db.rows(
            'SELECT name, type, "notnull" OR pk FROM pragma_table_info(?) ORDER BY cid', (table,)
        )
    ]
    return Table(table, metadata, Column("record", Uuid(), primary_key=True), *columns)


def _all_mirrored() -> dict[str, Table]:
    db = Database.stand_in(Path("in memory"))
    try:
        return {table: _mirrored(db, table) for table in TABLES}
    finally:
        db.close()


# By name; the columns are those in record/schema.py.
OF_A_RECORD = _all_mirrored()
