"""What is new in a record since it was last shipped, a parcel at a time.

How far a copy has come is kept with the copy, never here: after a shipper is killed, or the copy restored
from a backup, shipping continues from where the copy is. New rows are those beyond a mark, the highest key
shipped, since a record adds rows in the order of their keys. The record itself notes what was rewritten
(record/schema.py, table `change`); such a part is deleted from the copy and sent again.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from potvigil.model.events import Detail
from potvigil.record.codec import SAMPLE_COLUMNS
from potvigil.record.database import Database
from potvigil.upkeep.thinning import mean_of

# The tables BY_POT are keyed by pot and axis, in parts of so many seconds; the others by id, a row a part.
PART_S = 3600.0
KEYS = {"sample": "t_s", "trace": "t_s", "taught": "batch"}
BY_POT = ("sample", "trace")
# In this order, so that what a row refers to is in the copy before it.
TABLES = (
    *("pot", "run", "batch", "edit", "event", "command", "delivery", "care", "taught", "fault", "trace"),
    "sample",
)
ROWS_A_PARCEL = 5000  # some 3 MB in memory
# The newest rows distinguish a record from another that began as its copy, by columns never rewritten.
_WITNESSES = {"run": "boot_id || ' ' || start_t_s", "event": "kind || ' ' || t_s"}
# With `by_the_minute`; so many rows span several minutes, whatever the sample period.
_MINUTE_S = 60.0
_MINUTES_AT_LEAST = ROWS_A_PARCEL

Row = tuple[Any, ...]
# Returns a batch's picture by name, None where it is not kept.
PictureReader = Callable[[int, str], bytes | None]


class ForkedRecordError(Exception):
    """The record is not the one whose rows were shipped: it diverged from a copy of it."""


@dataclass(slots=True)
class Marks:
    """How far a copy has come.

    highest: key of the newest row shipped, by `table` or `table/pot`. change: version of the newest change
    shipped. witnesses: what distinguishes this record from another that began as its copy, by table.
    """

    highest: dict[str, float] = field(default_factory=dict)
    change: int = 0
    witnesses: dict[str, str] = field(default_factory=dict)

    @classmethod
    def from_tree(cls, tree: Mapping[str, Any]) -> "Marks":
        """Return the marks that `tree` was made of."""
        return cls(dict(tree.get("highest", {})), int(tree.get("change", 0)), dict(tree.get("witnesses", {})))

    def tree(self) -> dict[str, Any]:
        """Return the marks for JSON."""
        return {"highest": self.highest, "change": self.change, "witnesses": self.witnesses}


@dataclass(frozen=True, slots=True)
class Gone:
    """Rows to delete from a copy: keys in [from_key, to_key). pot: None except in BY_POT."""

    table: str
    pot: int | None
    from_key: float
    to_key: float


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows to insert into one table of a copy, or to replace those of the same key."""

    table: str
    columns: Sequence[str]
    rows: Sequence[Row]


@dataclass(slots=True)
class Parcel:
    """Steps for a copy, in order, and the marks after them. whole: nothing is left for another parcel."""

    steps: list[Gone | Rows]
    marks: Marks
    whole: bool

    @property
    def count(self) -> int:
        return sum(len(step.rows) for step in self.steps if isinstance(step, Rows))


class News:
    """Reads one record for its copy. by_the_minute: samples as one-minute means."""

    def __init__(self, db: Database, *, by_the_minute: bool = False) -> None:
        self._db, self._by_the_minute = db, by_the_minute
        self._columns = {table: tuple(db.columns(table)) for table in TABLES}
        self._columns["sample"] = ("pot", *SAMPLE_COLUMNS, "faults", "spread")  # as mean_of takes them

    def since(self, marks: Marks, most: int = ROWS_A_PARCEL) -> Parcel:
        """Return the next parcel, of about so many rows. Raises ForkedRecordError."""
        with self._db.snapshot():
            self._check_witnesses(marks)
            new = Marks(dict(marks.highest), marks.change, dict(marks.witnesses))
            steps: list[Gone | Rows] = []
            left = most
            for table in TABLES:
                for pot in self._pots() if table in BY_POT else (None,):
                    if left > 0:
                        rows, read = self._beyond(new, table, pot, left)
                        left -= read
                        if rows.rows:
                            steps.append(rows)
            for version, table, pot, part in self._changed(new.change):
                if left <= 0:
                    break
                gone, rows = self._again(new, table, pot, part)
                steps += [gone, rows]
                left -= 1 + len(rows.rows)
                new.change = version
            for table, what in _WITNESSES.items():
                if table in new.highest:
                    found = self._db.rows(f"SELECT {what} FROM {table} WHERE id = ?", (new.highest[table],))
                    new.witnesses[table] = found[0][0]
        return Parcel(steps, new, left > 0)

    def _check_witnesses(self, marks: Marks) -> None:
        (newest,) = self._db.rows("SELECT coalesce(max(version), 0) FROM change")[0]
        if newest < marks.change:
            raise ForkedRecordError
        for table, known in marks.witnesses.items():
            rows = self._db.rows(
                f"SELECT {_WITNESSES[table]} FROM {table} WHERE id = ?", (marks.highest[table],)
            )
            if not rows or rows[0][0] != known:
                raise ForkedRecordError

    def _pots(self) -> list[int]:
        return [pot for (pot,) in self._db.rows("SELECT id FROM pot ORDER BY id")]

    def _changed(self, since: int) -> list[tuple[int, str, int, int]]:
        return self._db.rows(
            "SELECT version, tbl, pot, part FROM change WHERE version > ? ORDER BY version", (since,)
        )

    def _beyond(self, marks: Marks, table: str, pot: int | None, most: int) -> tuple[Rows, int]:
        """Move a table's mark; return the rows beyond it, and how many were read for them."""
        key, name = KEYS.get(table, "id"), table if pot is None else f"{table}/{pot}"
        where = f"{key} > ?" if name in marks.highest else ""
        values = (marks.highest[name],) if where else ()
        is_coarse = table == "sample" and self._by_the_minute
        rows = self._read(table, pot, where, values, max(most, _MINUTES_AT_LEAST) if is_coarse else most)
        at, read = self._columns[table].index(key), len(rows)
        if is_coarse and rows:  # the last minute may be incomplete
            last = rows[-1][at] // _MINUTE_S
            rows = [row for row in rows if row[at] // _MINUTE_S < last]
        if rows:
            marks.highest[name] = rows[-1][at]
        return Rows(table, self._columns[table], self._coarse(table, rows)), read

    def _again(self, marks: Marks, table: str, pot: int, part: int) -> tuple[Gone, Rows]:
        """Return how to replace a part as far as it was shipped before: what to delete, what to insert."""
        key = KEYS.get(table, "id")
        if table not in BY_POT:
            rows = self._read(table, None, f"{key} = ? AND {key} <= ?", (part, marks.highest.get(table, -1)))
            return Gone(table, None, part, part + 1), Rows(table, self._columns[table], rows)
        gone = Gone(table, pot, part * PART_S, (part + 1) * PART_S)
        highest = marks.highest.get(f"{table}/{pot}", float("-inf"))
        where = f"{key} >= ? AND {key} < ? AND {key} <= ?"
        rows = self._read(table, pot, where, (gone.from_key, gone.to_key, highest))
        return gone, Rows(table, self._columns[table], self._coarse(table, rows))

    def _read(
        self, table: str, pot: int | None, where: str, values: Row, most: int | None = None
    ) -> list[Row]:
        key = KEYS.get(table, "id")
        conditions = " AND ".join(each for each in ("" if pot is None else "pot = ?", where) if each)
        return self._db.rows(
            f"SELECT {', '.join(self._columns[table])} FROM {table} "
            f"{f'WHERE {conditions} ' if conditions else ''}ORDER BY {key} LIMIT ?",
            (*(() if pot is None else (pot,)), *values, -1 if most is None else most),
        )

    def _coarse(self, table: str, rows: list[Row]) -> list[Row]:
        """Return samples as one-minute means where that is asked for; minutes with a fault stay."""
        if table != "sample" or not self._by_the_minute:
            return rows
        coarse: list[Row] = []
        for _, group in groupby(rows, key=lambda row: row[1] // _MINUTE_S):
            several = list(group)
            if len(several) == 1 or any(row[-1] is not None or row[-2] is not None for row in several):
                coarse += several
            else:
                *read, _, spread = mean_of([row[1:] for row in several])
                coarse.append((several[0][0], *read, None, spread))
        return coarse

    def pictures(self, parcel: Parcel) -> Iterator[tuple[int, str]]:
        """Yield batch and name of each picture that the parcel's edits name."""
        for step in parcel.steps:
            if isinstance(step, Rows) and step.table == "edit":
                at = [step.columns.index(each) for each in ("batch", "field", "new")]
                for batch, field_, new in ([row[i] for i in at] for row in step.rows):
                    if field_ == Detail.PICTURES:
                        yield from ((batch, name) for name in str(new).splitlines() if name)
