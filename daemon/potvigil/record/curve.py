"""A pot's curve for a screen: what was read in each of so many stretches of time, lowest and highest.

The arithmetic is done where the samples lie: a night has 36 000 of them and a screen a thousand dots. No peak
and no dip is lost to it.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from potvigil.record.database import Database

# A sample that is the mean of several keeps how far these went.
_LOW, _HIGH = (
    f"CASE WHEN spread IS NULL THEN {{0}} ELSE coalesce(json_extract(spread, '$.{{0}}[{i}]'), {{0}}) END"
    for i in (0, 1)
)
_BUCKET = ", ".join(
    (
        "count(*), count(transducer_count)",
        f"min({_LOW.format('transducer_count')}), max({_HIGH.format('transducer_count')})",
        f"min({_LOW.format('transducer_count')} / coalesce(supply_count, ?1))",
        f"max({_HIGH.format('transducer_count')} / coalesce(supply_count, ?1))",
        "min(supply_count), max(supply_count)",
        *(f"min({_LOW.format(each)}), max({_HIGH.format(each)})" for each in ("gauge_pa", "absolute_pa")),
        "avg(ambient_pa)",
    )
)


@dataclass(frozen=True, slots=True)
class Bucket:
    """The samples from from_s up to, not including, to_s: how many, how many of them with a count.

    low_share, high_share: of the transducer's count to the supply's, or to what was given as the usual one;
    the other pairs as in a Sample.
    """

    from_s: float
    to_s: float
    samples: int
    counts: int
    low_count: float | None
    high_count: float | None
    low_share: float | None
    high_share: float | None
    low_supply: float | None
    high_supply: float | None
    low_gauge_pa: float | None
    high_gauge_pa: float | None
    low_absolute_pa: float | None
    high_absolute_pa: float | None
    ambient_pa: float | None


@dataclass(frozen=True, slots=True)
class Extent:
    """What there is of a pot: first and last instant, how many samples; None where there is nothing."""

    first_s: float | None
    last_s: float | None
    samples: int


def extent(db: Database, pot_id: str, from_s: float, to_s: float) -> Extent:
    """Return what was read from `from_s` to `to_s`, both included."""
    (row,) = db.rows(
        "SELECT min(t_s), max(t_s), count(*) FROM sample "
        "WHERE pot = (SELECT id FROM pot WHERE name = ?) AND t_s >= ? AND t_s <= ?",
        (pot_id, from_s, to_s),
    )
    return Extent(*row)


def buckets(
    db: Database, pot_id: str, from_s: float, to_s: float, count: int, usual_supply: float
) -> Iterator[Bucket]:
    """Yield what was read in `count` equal stretches of from_s to to_s; those without a sample are left out.

    usual_supply: count of the transducer's supply, where a sample has none.
    """
    wide_s = (to_s - from_s) / count
    numbers = db.rows("SELECT id FROM pot WHERE name = ?", (pot_id,))
    # One by one and not by GROUP BY, which sorts what lies in order already and takes twice as long.
    sql = f"SELECT {_BUCKET} FROM sample WHERE pot = ?2 AND t_s >= ?3 AND t_s < ?4"
    for (pot,) in numbers:
        for i in range(count):
            begin_s, end_s = from_s + i * wide_s, from_s + (i + 1) * wide_s
            (row,) = db.rows(sql, (usual_supply, pot, begin_s, end_s))
            if row[0]:
                yield Bucket(begin_s, end_s, *row)


def settings_within(db: Database, from_s: float, to_s: float) -> list[tuple[float, str]]:
    """Return when the settings that were in force in from_s to to_s began to be, and what they were.

    The oldest of them may have begun before from_s; runs with the same settings are one.
    """
    rows: list[tuple[float, str]] = db.rows(
        "SELECT start_t_s, settings FROM run WHERE start_t_s <= ?2 AND id >= coalesce("
        "(SELECT max(id) FROM run WHERE start_t_s <= ?1), 0) ORDER BY id",
        (from_s, to_s),
    )
    return [row for i, row in enumerate(rows) if i == 0 or row[1] != rows[i - 1][1]]


def utc_less_t_s(db: Database, pot_id: str, to_s: float) -> float | None:
    """Return Unix time less the record's axis, by the newest sample up to `to_s` that knows it."""
    rows = db.rows(
        "SELECT utc_s - t_s FROM sample WHERE pot = (SELECT id FROM pot WHERE name = ?) AND t_s <= ? "
        "AND utc_s NOTNULL ORDER BY t_s DESC LIMIT 1",
        (pot_id, to_s),
    )
    return rows[0][0] if rows else None
