"""Which batches to list."""

from dataclasses import dataclass
from typing import Any

from potvigil.model.events import AlarmId, Verdict
from potvigil.record.readable import ALL_ROWS

# In place of a verdict: not closed yet.
OPEN = "open"


@dataclass(frozen=True, slots=True)
class Wanted:
    """The filter of a list of batches; None is any.

    text: in any of the details, ignoring case for ASCII. since_utc_s, before_utc_s: when the batch started;
    one that started without a wall clock is in no such span. numbers: of batches, at least one. skip: how
    many of the newest to leave out.
    """

    pot_id: str | None = None
    verdict: Verdict | str | None = None
    since_utc_s: float | None = None
    before_utc_s: float | None = None
    text: str | None = None
    alarm: AlarmId | None = None
    numbers: tuple[int, ...] | None = None
    limit: int | None = None
    skip: int = 0

    def where(self) -> tuple[str, tuple[Any, ...]]:
        """Return the clause that filters batch b of pot p, and its values."""
        tests: list[tuple[str, tuple[Any, ...]]] = []
        if self.pot_id is not None:
            tests.append(("p.name = ?", (self.pot_id,)))
        if self.verdict == OPEN:
            tests.append(("b.end_t_s IS NULL", ()))
        elif self.verdict is not None:
            tests.append(("b.verdict = ?", (self.verdict,)))
        if self.since_utc_s is not None:
            tests.append(("b.start_utc_s >= ?", (self.since_utc_s,)))
        if self.before_utc_s is not None:
            tests.append(("b.start_utc_s < ?", (self.before_utc_s,)))
        if self.alarm is not None:
            tests.append(("b.id IN (SELECT batch FROM event WHERE alarm = ?)", (self.alarm,)))
        if self.numbers is not None:
            tests.append((f"b.id IN ({', '.join('?' * len(self.numbers))})", self.numbers))
        if self.text is not None:
            # the newest edit of a field is its present value
            tests.append(
                (
                    "b.id IN (SELECT e.batch FROM edit e WHERE e.id = (SELECT max(n.id) FROM edit n "
                    "WHERE n.batch = e.batch AND n.field = e.field) AND instr(lower(e.new), lower(?)) > 0)",
                    (self.text,),
                )
            )
        where = f"WHERE {' AND '.join(test for test, _ in tests)} " if tests else ""
        values = tuple(value for _, each in tests for value in each)
        return where, values

    def sql(self) -> tuple[str, tuple[Any, ...]]:
        """Return the clauses after FROM, and their values."""
        where, values = self.where()
        limit = ALL_ROWS if self.limit is None else self.limit
        return f"{where}ORDER BY b.id DESC LIMIT ? OFFSET ?", (*values, limit, self.skip)
