"""Translates the record's queries from SQLite to PostgreSQL, for the rows of one record.

Where the record has a table `batch`, the studio has one of that name for all records. A WITH clause before
the query selects the record's part, and the planner sees through it; views would need a setting on each
connection to know which record is meant. Row security still applies: these are the reader's own queries.
"""

import re
from enum import Enum
from functools import lru_cache
from typing import Any

from potvigil.studio.tables import OF_A_RECORD, SCHEMA

# What PostgreSQL spells differently. SQLite folds case in ASCII only, as the collation "C" does.
_REPLACEMENTS = (
    (r"json_group_object\((\w+), (\w+)\)", r"coalesce(json_object_agg(\1, \2), '{}')::text"),
    (r"json_extract\((\w+), '\$\.(\w+)\[(\d)\]'\)", r"(\1::json #>> '{\2,\3}')::double precision"),
    (r"\binstr\(", "strpos("),
    (r"\blower\(([^()]+)\)", r'lower(CAST(\1 AS text) COLLATE "C")'),
)
# A fault's id is compared with text; see record/schema.py, format 8.
_COLUMNS = {"fault": "id::text AS id, faults"}


@lru_cache(maxsize=256)
def for_record(sql: str, record: str = "%(record)s") -> str:
    """Return a query of the record's tables, restricted to one record; pass its values through `parameters`.

    record: an SQL expression for the record's id.
    """
    sql = sql.replace("%", "%%")
    for pattern, replacement in _REPLACEMENTS:
        sql = re.sub(pattern, replacement, sql)
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
    """Return a query's values by the names of their placeholders."""
    return {f"p{number}": _plain(value) for number, value in enumerate(values, 1)}


def plain_text(value: Any) -> Any:
    """Return a value that PostgreSQL can hold: its text has no NUL character."""
    if isinstance(value, str) and "\0" in value:
        return value.replace("\0", "\N{REPLACEMENT CHARACTER}")
    return value


def _plain(value: Any) -> Any:
    return plain_text(value.value if isinstance(value, Enum) else value)
