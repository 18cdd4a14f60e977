"""Old samples become means: of a closed batch over as long as the core averages, between batches over longer.

Each column is the mean of the samples that have it, and empty where none has. `spread` keeps their number and
each column's lowest and highest; faults are kept. The row has the mean time of its samples: on a ramp the
mean of the readings is the reading at that time, so a leak keeps its slope. Full resolution is kept where a
mean would smear what matters: around every event and command, where the pressure steps, in batches on a
regulated supply (its feeds are steps that no event records), and in what a restart replays.

No sample is lost in a crash: a step is one transaction. SQLite reuses the freed pages for new samples, so the
file stops growing, but it does not shrink either: shrinking it (VACUUM) would block a live watch for minutes.
"""

import json
import time
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import groupby
from math import inf
from pathlib import Path
from typing import Any

from potvigil.model.reading import Sample
from potvigil.record.codec import SAMPLE_COLUMNS, faults_from_text, sample_values
from potvigil.record.database import Database
from potvigil.record.errors import LockedRecordError, RecordError
from potvigil.record.store import Store
from potvigil.record.tables.faults import FAULTS_TEXT, numbers_of

# As leak/estimator.py averages, whose files this room may not import.
BIN_S = 20.0
# An open pot matters little, and a workshop's day is longer than its night. A multiple of the other length.
BETWEEN_BIN_S = 60.0
# Stages depend on the last minute, a top-up on the readings before it, the scatter on 40 readings.
KEPT_AROUND_S = 120.0
# What service/restart.py replays around a batch.
FED_BEFORE_S, FED_AFTER_S = 120.0, 3600.0
# A bin in which the pressure or the barometer moves by a larger share, or a thermometer by more, contains a
# step or an outlier: five times the scatter of a 0.03 psi transducer.
STEADY_SHARE, STEADY_C = 0.01, 1.0
LEAST_SAMPLES = 6  # a mean with its spread takes the space of three samples
STEP_S = 1200.0  # of samples in one transaction: some ms, some tens on a Pi

_COLUMNS = SAMPLE_COLUMNS[2:]  # all but the times
_PRESSURES = slice(2, 6)  # of a row: the columns that give the pot's pressure
_SPREAD_DIGITS = 6  # a tenth of a count, a pascal, a thermometer's step
_ROW = f"t_s, utc_s, {', '.join(_COLUMNS)}, faults, spread"
_READ = _ROW.replace("faults", FAULTS_TEXT)
_DATED_WITHIN_S = 60.0
Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Thinned:
    """What thinning did: samples became means. longest_step_s: for how long the record was locked at most."""

    samples: int
    means: int
    steps: int
    longest_step_s: float


def thin(
    path: Path,
    keep_s: float,
    now_utc_s: float,
    *,
    rest_s: float = 0.05,
    progress: Callable[[str, int], None] = lambda pot_id, samples: None,
) -> Thinned:
    """Thin what is older than `keep_s`; may be stopped at any moment and done again.

    now_utc_s: Unix time of a clock that is trusted. rest_s: pause after each step, so that the watch gets a
    turn. progress: pot, samples replaced so far. A sample's age comes from its own wall clock or a later
    one's; samples dated by neither are left alone. Raises a RecordError; finished steps stay.
    """
    samples = means = steps = 0
    longest_s = 0.0
    with closing(Database.open(path, create=False)) as db, _damage_told(db):
        for pot, pot_id in db.rows("SELECT id, name FROM pot ORDER BY id"):
            old_until_s = _old_until(db, pot, now_utc_s - keep_s)
            plan = _Plan(db, pot, pot_id)
            for bins in _steps(db, pot, plan, old_until_s):
                longest_s = max(longest_s, _replace(db, pot, bins))
                samples += sum(map(len, bins))
                means += len(bins)
                steps += 1
                progress(pot_id, samples)
                time.sleep(rest_s)
    return Thinned(samples, means, steps, longest_s)


def thinned(samples: Iterable[Sample], moments: Iterable[float], until_s: float) -> Iterator[Sample]:
    """Yield the samples of a batch as `thin` would leave them, means before `until_s`; nothing is written.

    moments: t_s of events and commands. Replaying three days takes a twentieth of the time.
    """
    kept = Spans((t_s - KEPT_AROUND_S, t_s + KEPT_AROUND_S) for t_s in moments)
    old_until_s = until_s // BIN_S * BIN_S
    for number, group in groupby(samples, key=lambda s: s.t_s // BIN_S if s.t_s < old_until_s else None):
        if number is None:
            yield from group
            continue
        whole = list(group)
        rows = [_row(sample) for sample in whole]
        is_plain = len(rows) >= LEAST_SAMPLES and not any(sample.faults for sample in whole)
        if is_plain and not kept.touches(rows[0][0], rows[-1][0]) and _is_steady(rows):
            *read, _, _ = mean_of(rows)
            yield Sample(*read)
        else:
            yield from whole


def _row(s: Sample) -> Row:
    return (*sample_values(s), None, None)


@contextmanager
def _damage_told(db: Database) -> Iterator[None]:
    try:
        yield
    except (TypeError, ValueError, LookupError) as error:
        if isinstance(error, RecordError):
            raise
        raise db.damaged(f"unreadable row: {error}") from error


class Spans:
    """Stretches of the axis, ends included."""

    def __init__(self, spans: Iterable[tuple[float, float]]) -> None:
        self._starts: list[float] = []
        self._ends: list[float] = []
        for from_s, to_s in sorted(spans):
            if self._ends and from_s <= self._ends[-1]:
                self._ends[-1] = max(self._ends[-1], to_s)
            else:
                self._starts.append(from_s)
                self._ends.append(to_s)

    def touches(self, from_s: float, to_s: float) -> bool:
        """Return whether one of them overlaps `from_s` to `to_s`."""
        i = bisect_right(self._starts, to_s)
        return i > 0 and self._ends[i - 1] >= from_s


class _Plan:
    """Which samples of a pot are averaged over how long, and which are kept."""

    def __init__(self, db: Database, pot: int, pot_id: str) -> None:
        batches = db.rows(
            "SELECT b.start_t_s, b.end_t_s, r.settings FROM batch b LEFT JOIN run r ON r.id = b.run "
            "WHERE b.pot = ? ORDER BY b.id",
            (pot,),
        )
        moments = db.rows(
            "SELECT t_s FROM event WHERE pot = ?1 UNION SELECT t_s FROM command "
            "WHERE pot = ?1 AND t_s NOTNULL UNION SELECT start_t_s FROM run "
            "UNION SELECT start_t_s FROM batch WHERE pot = ?1 "
            "UNION SELECT end_t_s FROM batch WHERE pot = ?1 AND end_t_s NOTNULL",
            (pot,),
        )
        kept = [(t_s - KEPT_AROUND_S, t_s + KEPT_AROUND_S) for (t_s,) in moments]
        kept += [(start_s - FED_BEFORE_S, inf) for start_s, end_s, _ in batches if end_s is None]
        kept += [(s, e) for s, e, settings in batches if e is not None and _is_regulated(settings, pot_id)]
        unseen = Store(db).latest_unseen_batch(pot_id)
        if unseen is not None and unseen.end_t_s is not None:
            kept.append((unseen.start_t_s - FED_BEFORE_S, unseen.end_t_s + FED_AFTER_S))
        self._kept = Spans(kept)
        self._batches = Spans((start_s, inf if end_s is None else end_s) for start_s, end_s, _ in batches)

    def bin_of(self, row: Row) -> tuple[float, float]:
        """Return the length of the bin of a sample, and its number."""
        length_s = BIN_S if self._batches.touches(row[0], row[0]) else BETWEEN_BIN_S
        return length_s, row[0] // length_s

    def averages(self, length_s: float, rows: Sequence[Row]) -> bool:
        """Return whether the samples of a bin become one."""
        if len(rows) < LEAST_SAMPLES or any(row[-1] is not None for row in rows):
            return False
        if self._kept.touches(rows[0][0], rows[-1][0]):
            return False
        return length_s != BIN_S or _is_steady(rows)


def _is_regulated(settings: str | None, pot_id: str) -> bool:
    try:
        return bool(json.loads(settings or "{}")["pots"][pot_id]["supply"] == "regulated")
    except (ValueError, LookupError, TypeError):
        return False


def _is_steady(rows: Sequence[Row]) -> bool:
    for i, column in enumerate(_COLUMNS, start=2):
        values = [row[i] for row in rows if row[i] is not None]
        if not values:
            continue
        low, high = min(values), max(values)
        if high - low > (STEADY_C if column.endswith("_c") else STEADY_SHARE * max(-low, high)):
            return False
    return True


def _old_until(db: Database, pot: int, horizon_utc_s: float) -> float:
    """Return up to where on the axis every sample of a pot is certainly older than the horizon."""
    young_s = db.rows(
        "SELECT min(t_s) FROM (SELECT t_s FROM event WHERE utc_s >= ?1 UNION ALL SELECT start_t_s FROM run "
        "WHERE start_utc_s >= ?1 UNION ALL SELECT start_t_s FROM batch WHERE start_utc_s >= ?1)",
        (horizon_utc_s,),
    )[0][0]
    first_s, last_s = db.rows("SELECT min(t_s), max(t_s) FROM sample WHERE pot = ?", (pot,))[0]
    if first_s is None:
        return -inf
    old_s, low_s, high_s = -inf, first_s, min(last_s + 1.0, inf if young_s is None else young_s)
    while high_s - low_s > _DATED_WITHIN_S:
        middle_s = (low_s + high_s) / 2.0
        dated = db.rows(
            "SELECT t_s, utc_s FROM sample WHERE pot = ? AND t_s >= ? AND t_s < ? AND utc_s NOTNULL "
            "ORDER BY t_s LIMIT 1",
            (pot, middle_s, high_s),
        )
        if dated and dated[0][1] < horizon_utc_s:
            old_s = low_s = dated[0][0]
        else:
            high_s = middle_s
    return old_s // BETWEEN_BIN_S * BETWEEN_BIN_S  # whole bins


def _steps(db: Database, pot: int, plan: _Plan, until_s: float) -> Iterator[list[list[Row]]]:
    """Yield the bins to average, those of each STEP_S together; a step without any is skipped."""
    at_s = -inf
    while True:
        (first_s,) = db.rows(
            "SELECT min(t_s) FROM sample WHERE pot = ? AND t_s >= ? AND t_s < ?", (pot, at_s, until_s)
        )[0]
        if first_s is None:
            return
        from_s = first_s // STEP_S * STEP_S
        at_s = from_s + STEP_S
        rows = db.rows(
            f"SELECT {_READ} FROM sample WHERE pot = ? AND t_s >= ? AND t_s < ? ORDER BY t_s",
            (pot, from_s, min(at_s, until_s)),
        )
        groups = ((length_s, list(group)) for (length_s, _), group in groupby(rows, key=plan.bin_of))
        bins = [group for length_s, group in groups if plan.averages(length_s, group)]
        if bins:
            yield bins


def _replace(db: Database, pot: int, bins: Sequence[Sequence[Row]]) -> float:
    """Write the means in place of their samples; return how long the record was locked, s."""
    means = [mean_of(rows) for rows in bins]
    marks = ", ".join("?" * (len(_COLUMNS) + 5))
    begun_s = time.perf_counter()
    with db.transaction(durable=False):
        for rows in bins:
            gone = db.execute(
                "DELETE FROM sample WHERE pot = ? AND t_s BETWEEN ? AND ? AND spread IS NULL",
                (pot, rows[0][0], rows[-1][0]),
            )
            if gone != len(rows):
                raise LockedRecordError(f"{db.path} is being thinned by another program; let it finish")
        numbers = numbers_of(db, (faults for *_, faults, _ in means))
        db.execute_many(
            f"INSERT INTO sample (pot, {_ROW}) VALUES ({marks})",
            ((pot, *read, numbers[faults], spread) for *read, faults, spread in means),
        )
    return time.perf_counter() - begun_s


def mean_of(rows: Sequence[Row]) -> Row:
    """Return the one sample that stands for several, each as of _READ; it has the faults themselves."""
    timed = [row for row in rows if any(value is not None for value in row[_PRESSURES])] or rows
    t_s = _mean([row[0] for row in timed])
    ahead = [row[1] - row[0] for row in rows if row[1] is not None]
    means: list[float | None] = []
    spread: dict[str, Any] = {"n": len(rows)}
    for i, column in enumerate(_COLUMNS, start=2):
        values = [row[i] for row in rows if row[i] is not None]
        means.append(_mean(values) if values else None)
        if values:
            spread[column] = [float(f"{end:.{_SPREAD_DIGITS}g}") for end in (min(values), max(values))]
    faults = tuple(dict.fromkeys(fault for row in rows for fault in faults_from_text(row[-2])))
    utc_s = t_s + _mean(ahead) if ahead else None
    return (t_s, utc_s, *means, faults, json.dumps(spread, separators=(",", ":")))


def _mean(values: Sequence[float]) -> float:
    # within the values, so that a constant reading stays exactly what it was: the core recognises a stuck
    # sensor by that
    low, high = min(values), max(values)
    return min(max(low + sum(value - low for value in values) / len(values), low), high)
