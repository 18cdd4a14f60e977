"""The record's SQL, which is SQLite's, as PostgreSQL takes it, for the rows of one record.

The record's own tables ask for `batch`; here that is a part of the studio's table of that name. It is put
before the query (WITH), where the planner sees through it; views would need a setting on each connection to
know whose rows are meant. Row security goes on applying: these are the reader's own queries.
"""

import re
from enum import Enum
from functools import lru_cache
from typing import Any

from potvigil.studio.tables import OF_A_RECORD, SCHEMA

# The few words of the record's SQL that PostgreSQL says otherwise. Of upper and lower case SQLite knows
# ASCII alone, as the collation "C" does.
_WORDS = (
    (r"json_group_object\((\w+), (\w+)\)", r"coalesce(json_object_agg(\1, \2), '{}')::text"),
    (r"json_extract\((\w+), '\$\.(\w+)\[(\d)\]'\)", r"(\1::json #>> '{\2,\3}')::double precision"),
    (r"\binstr\(", "strpos("),
    (r"\blower\(([^()]+)\)", r'lower(CAST(\1 AS text) COLLATE "C")'),
)
# The number of a fault is compared with a text; see record/schema.py, format 8.
_COLUMNS = {"fault": "id::text AS id, faults"}


@lru_cache(maxsize=256)
def for_record(sql: str, record: str = "%(record)s") -> str:
    """Return a query of the record's tables for the rows of one record.

    record: an expression of its number. Its values are then `parameters`.
    """
    sql = sql.replace("%", "%%")
    for word, said in _WORDS:
        sql = re.sub(word, said, sql)
    count = 0

    def placeholder(match: re.Match[str]) -> str:
        nonlocal count
        count = int(match[1]) if match[1] else count + 1
        return f"%(p{count})s"

    sql = re.sub(r"\?(\d*)", placeholder, sql)
    named = [table for table in OF_A_RECORD if re.search(rf"\b(?:FROM|JOIN) {table}\b", sql)]
    parts = ", ".join(
        f"{table} AS NOT MATERIALIZED "
        f"(SELECT {_COLUMNS.get(table, '*')} FROM {SCHEMA}.{table} WHERE record = {record})"
        for table in named
    )
    return f"WITH {parts} {sql}"


def parameters(values: tuple[Any, ...]) -> dict[str, Any]:
    """Return the values of a query by the names of its placeholders."""
    return {f"p{number}": _plain(value) for number, value in enumerate(values, 1)}


def plain_text(value: Any) -> Any:
    """Return a value as PostgreSQL can hold it: its text has no character 0."""
    if isinstance(value, str) and "\0" in value:
        return value.replace("\0", "\N{REPLACEMENT CHARACTER}")
    return value


def _plain(value: Any) -> Any:
    return plain_text(value.value if isinstance(value, Enum) else value)
