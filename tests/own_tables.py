"""Which tables of a record hold what was read, done and said; the others are its notes of itself."""

import sqlite3

# whose rows they are, and which are no longer what they were: another record's are others
_OF_ITSELF = ("identity", "change", "sqlite_sequence")


def names_of(db: sqlite3.Connection) -> list[str]:
    """Return the names of those tables, in order."""
    found = db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
    return [name for (name,) in found if name not in _OF_ITSELF]
