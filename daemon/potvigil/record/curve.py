"""A pot's curve for a screen: the lowest and highest reading in each of so many stretches of time.

The arithmetic is done in the database: a night has 36 000 samples and a screen a thousand dots. No peak and
no dip is lost.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from potvigil.record.readable import Readable

# A sample that is the mean of several keeps their range.
_LOW, _HIGH = (
    f"CASE WHEN spread IS NULL THEN {{0}} ELSE coalesce(json_extract(spread, '$.{{0}}[{i}]'), {{0}}) END"
    for i in (0, 1)
)


@dataclass(frozen=True, slots=True)
class Bucket:
    """The samples from from_s up to, not including, to_s; counts: how many of them have a count.

    low_count, high_count: of the transducer, or its share of the supply's count where that was asked for.
    ambient_pa: their mean, None where it was not asked for. The other pairs are as in a Sample.
    """

    from_s: float
    to_s: float
    counts: int
    low_count: float | None
    high_count: float | None
    low_supply: float | None
    high_supply: float | None
    low_gauge_pa: float | None
    high_gauge_pa: float | None
    low_absolute_pa: float | None
    high_absolute_pa: float | None
    ambient_pa: float | None


@dataclass(frozen=True, slots=True)
class Extent:
    """The extent of a pot's samples: the last instant, None where there are none, and their number."""

    last_s: float | None
    samples: int


def extent(db: Readable, pot_id: str, from_s: float, to_s: float, most: int) -> Extent:
    """Return the extent from from_s up to, not including, to_s, counting at most to `most`."""
    where = "WHERE pot = (SELECT id FROM pot WHERE name = ?1) AND t_s >= ?2 AND t_s < ?3"
    (row,) = db.rows(
        f"SELECT (SELECT t_s FROM sample {where} ORDER BY t_s DESC LIMIT 1), "
        f"(SELECT count(*) FROM (SELECT 1 FROM sample {where} LIMIT ?4) AS counted)",
        (pot_id, from_s, to_s, most),
    )
    return Extent(*row)


def buckets(
    db: Readable,
    pot_id: str,
    from_s: float,
    to_s: float,
    count: int,
    *,
    usual_supply: float | None,
    ambient: bool,
    thinned: bool,
) -> Iterator[Bucket]:
    """Yield the readings in `count` equal stretches of from_s to to_s; those without a sample are left out.

    usual_supply: count of the supply, where a sample has none; None to ignore the supply. ambient: the
    barometer too. thinned: whether some samples may be means of several. What is not requested costs nothing:
    a hold of three days has 260 000 samples.
    """
    wide_s = (to_s - from_s) / count
    numbers = db.rows("SELECT id FROM pot WHERE name = ?", (pot_id,))
    per = "" if usual_supply is None else " / coalesce(supply_count, ?1)"

    def asking(low: str, high: str) -> str:
        columns = (
            "max(t_s), count(spread)" if thinned else "max(t_s), 0",
            "count(transducer_count)",
            f"min({low.format('transducer_count')}{per}), max({high.format('transducer_count')}{per})",
            "min(supply_count), max(supply_count)",
            *(f"min({low.format(each)}), max({high.format(each)})" for each in ("gauge_pa", "absolute_pa")),
            "avg(ambient_pa)" if ambient else "NULL",
        )
        return f"SELECT {', '.join(columns)} FROM sample WHERE pot = ?2 AND t_s >= ?3 AND t_s < ?4"

    # One by one, not by GROUP BY, which sorts rows already in order and takes twice as long.
    single, of_means = asking("{0}", "{0}"), asking(_LOW, _HIGH)
    for (pot,) in numbers:
        within = [(usual_supply, pot, from_s + i * wide_s, from_s + (i + 1) * wide_s) for i in range(count)]
        found = [rows[0] for rows in db.rows_of_each(single, within)]
        coarse = [i for i, (_, means, *_) in enumerate(found) if means]
        again = db.rows_of_each(of_means, [within[i] for i in coarse])
        for i, rows in zip(coarse, again, strict=True):
            found[i] = rows[0]
        for (*_, begin_s, end_s), (last_s, _, *read) in zip(within, found, strict=True):
            if last_s is not None:
                yield Bucket(begin_s, end_s, *read)


def settings_within(db: Readable, from_s: float, to_s: float) -> list[tuple[float, str]]:
    """Return the settings in force from from_s to to_s, and since when.

    The oldest may have started before from_s; consecutive runs with the same settings count as one.
    """
    rows: list[tuple[float, str]] = db.rows(
        "SELECT start_t_s, settings FROM run WHERE start_t_s <= ?2 AND id >= coalesce("
        "(SELECT max(id) FROM run WHERE start_t_s <= ?1), 0) ORDER BY id",
        (from_s, to_s),
    )
    return [row for i, row in enumerate(rows) if i == 0 or row[1] != rows[i - 1][1]]


def utc_less_t_s(db: Readable, pot_id: str, to_s: float) -> float | None:
    """Return Unix time less the record's axis, by the newest dated sample up to `to_s`."""
    rows = db.rows(
        "SELECT utc_s - t_s FROM sample WHERE pot = (SELECT id FROM pot WHERE name = ?) AND t_s <= ? "
        "AND utc_s NOTNULL ORDER BY t_s DESC LIMIT 1",
        (pot_id, to_s),
    )
    return rows[0][0] if rows else None
