"""Is the record sound, and how long will its disk last?"""

import shutil
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from potvigil.model.reading import UNSEEN_AFTER_S
from potvigil.record.codec import summary_from_text
from potvigil.record.database import Database
from potvigil.record.errors import DamagedRecordError
from potvigil.record.tables.faults import without_text
from potvigil.record.validation import wrong_with
from potvigil.units import span

DAY_S = 86_400.0
# The record's growth rate is that of the newest month; less than a week is not enough.
RATE_OVER_S, RATE_LEAST_S = 30 * DAY_S, 7 * DAY_S
MOST_PROBLEMS = 20
# A step of a backup and the pause after it: the watch has the card for half of the time.
BACKUP_PAGES, BACKUP_REST_S = 256, 0.02


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of a batch's hold without samples, on the record's axis."""

    batch_id: int
    pot_id: str
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Checked:
    """The state of a record. None: unknown, because the file is damaged there or too young.

    file_bytes: with its log. free_bytes: pages inside that new samples will use first. disk_free_bytes: left
    on its disk. means: samples that stand for several. loose_events: of no batch, such as an alarm of an
    open pot. bytes_per_day: growth over the newest 30 days. problems: in words; none: sound.
    """

    path: Path
    file_bytes: int
    disk_free_bytes: int
    free_bytes: int | None
    pots: int | None
    batches: int | None
    samples: int | None
    means: int | None
    loose_events: int | None
    gaps: tuple[Gap, ...]
    bytes_per_day: float | None
    problems: tuple[str, ...]

    @property
    def lasts_days(self) -> float | None:
        """For how many days there is space at the present rate; None where unknown."""
        if self.bytes_per_day is None or self.free_bytes is None:
            return None
        return (self.disk_free_bytes + self.free_bytes) / self.bytes_per_day


def check(path: Path) -> Checked:
    """Read the whole record and return its state; never changes it. Seconds per 100 MB.

    Raises MissingRecordError, NotARecordError, NewerRecordError or OlderRecordError; damage is reported.
    """
    problems = _Problems()
    file_bytes = sum(_size(Path(f"{path}{ending}")) for ending in ("", "-wal"))
    disk_free_bytes = shutil.disk_usage(path.absolute().parent).free
    with problems.damage(), closing(Database.open_read_only(path)) as db, db.snapshot():
        _check_structure(db, problems)
        _check_rows(db, problems)
        _check_batches(db, problems)
        free = _known(db, "SELECT freelist_count * page_size FROM pragma_freelist_count, pragma_page_size")
        samples = _known(db, "SELECT count(*) FROM sample")
        return Checked(
            path=path,
            file_bytes=file_bytes,
            disk_free_bytes=disk_free_bytes,
            free_bytes=free,
            pots=_known(db, "SELECT count(*) FROM pot"),
            batches=_known(db, "SELECT count(*) FROM batch"),
            samples=samples,
            means=_known(db, "SELECT count(*) FROM sample WHERE spread IS NOT NULL"),
            loose_events=_known(db, "SELECT count(*) FROM event WHERE batch IS NULL"),
            gaps=tuple(_gaps(db, problems)),
            bytes_per_day=_bytes_per_day(db, file_bytes - (free or 0), samples),
            problems=problems.listed(),
        )
    return Checked(
        path,
        file_bytes,
        disk_free_bytes,
        *(None,) * 6,
        gaps=(),
        bytes_per_day=None,
        problems=problems.listed(),
    )


def check_lines(checked: Checked) -> list[str]:
    """Return the results as lines to print, problems last."""

    def count(number: int | None, one: str, many: str) -> str:
        return f"{many} not known" if number is None else f"{number:,} {one if number == 1 else many}"

    lines = [
        f"{checked.path}: {_bytes(checked.file_bytes)}"
        + ("" if not checked.free_bytes else f", {_bytes(checked.free_bytes)} of it free for new samples"),
        f"{count(checked.pots, 'pot', 'pots')}, {count(checked.batches, 'batch', 'batches')}, "
        f"{count(checked.samples, 'sample', 'samples')}"
        + (f", {checked.means:,} of them means" if checked.means else ""),
        f"{_bytes(checked.disk_free_bytes)} left on its disk: {_lasts(checked)}",
    ]
    lines += [
        f"batch {gap.batch_id} ({gap.pot_id}): no samples for {span(gap.to_s - gap.from_s)} in its hold"
        for gap in checked.gaps
    ]
    return [*lines, *(checked.problems or ("no fault found",))]


class _Problems:
    """Problems, in words; beyond MOST_PROBLEMS only their number."""

    def __init__(self) -> None:
        self._texts: list[str] = []
        self._more = 0

    def add(self, text: str) -> None:
        text = text.encode("ascii", "backslashreplace").decode()
        if text in self._texts:
            return
        if len(self._texts) < MOST_PROBLEMS:
            self._texts.append(text)
        else:
            self._more += 1

    @contextmanager
    def damage(self) -> Iterator[None]:
        """Note damage that could not be read, and go on after it."""
        try:
            yield
        except DamagedRecordError as error:
            self.add(str(error))

    def listed(self) -> tuple[str, ...]:
        more = (f"and {self._more} more",) if self._more else ()
        return (*self._texts, *more)


def _check_structure(db: Database, problems: _Problems) -> None:
    with problems.damage():
        for (answer,) in db.rows("PRAGMA integrity_check"):
            if answer != "ok":
                problems.add(f"the file is damaged: {' '.join(str(answer).split())}")
    with problems.damage():
        for table, row, parent, _ in db.rows("PRAGMA foreign_key_check"):
            which = "" if row is None else f" {row}"
            problems.add(f"{table}{which} belongs to a {parent} that is not in the record")
    with problems.damage():
        for _, t_s in without_text(db):
            problems.add(f"sample {t_s}: faults whose text is not in the record")


# The key that names a row, and which rows have to be checked.
_LOOKED_AT = {
    "run": ("id", "true"),
    "batch": ("id", "true"),
    "edit": ("id", "true"),
    "event": ("id", "true"),
    "command": ("id", "true"),
    "delivery": ("id", "true"),
    "care": ("id", "true"),
    "taught": ("batch", "true"),
    "trace": ("t_s", "true"),
    "fault": ("id", "true"),
    "sample": ("t_s", "faults IS NOT NULL OR spread IS NOT NULL"),
}


def _check_rows(db: Database, problems: _Problems) -> None:
    for table, (key, where) in _LOOKED_AT.items():
        with problems.damage():
            columns = list(db.columns(table))
            place = columns.index(key) if key in columns else 0
            for row in db.stream(f"SELECT {', '.join(columns)} FROM {table} WHERE {where}"):
                wrong = wrong_with(table, dict(zip(columns, row, strict=True)))
                if wrong is not None:
                    problems.add(f"{table} {row[place]}: {wrong}")


def _check_batches(db: Database, problems: _Problems) -> None:
    with problems.damage():
        for batch_id, pot_id in db.rows(
            "SELECT b.id, p.name FROM batch b JOIN pot p ON p.id = b.pot WHERE b.end_t_s IS NOT NULL AND NOT "
            "EXISTS (SELECT 1 FROM sample s WHERE s.pot = b.pot AND s.t_s BETWEEN b.start_t_s AND b.end_t_s)"
        ):
            problems.add(f"batch {batch_id} ({pot_id}) has no samples")
        for batch_id, pot_id in db.rows(
            "SELECT b.id, p.name FROM batch b JOIN pot p ON p.id = b.pot WHERE b.end_t_s IS NULL AND EXISTS "
            "(SELECT 1 FROM batch later WHERE later.pot = b.pot AND later.id > b.id)"
        ):
            problems.add(f"batch {batch_id} ({pot_id}) was never closed, though later ones were started")


def _gaps(db: Database, problems: _Problems) -> Iterator[Gap]:
    with problems.damage():
        for batch_id, pot, pot_id, summary_text in db.rows(
            "SELECT b.id, b.pot, p.name, b.summary FROM batch b JOIN pot p ON p.id = b.pot "
            "WHERE b.summary IS NOT NULL ORDER BY b.id"
        ):
            with suppress(ValueError, KeyError, TypeError, RecursionError):  # reported with its row
                summary = summary_from_text(summary_text)
                for from_s, to_s in db.rows(
                    "SELECT before_s, t_s FROM (SELECT t_s, lag(t_s) OVER (ORDER BY t_s) AS before_s "
                    "FROM sample WHERE pot = ? AND t_s BETWEEN ? AND ?) WHERE t_s - before_s > ?",
                    (pot, summary.hold_start_s, summary.hold_end_s, UNSEEN_AFTER_S),
                ):
                    if type(from_s) is type(to_s) is float:
                        yield Gap(batch_id, str(pot_id), from_s, to_s)


def _known(db: Database, sql: str) -> int | None:
    with suppress(DamagedRecordError):
        number: int = db.rows(sql)[0][0]
        return number
    return None


def _bytes_per_day(db: Database, used_bytes: int, samples: int | None) -> float | None:
    """Return the bytes per day of the newest samples, each taking the mean of all."""
    with suppress(DamagedRecordError, TypeError):  # of another type where it is damaged, which is reported
        first_s, last_s = db.rows("SELECT min(t_s), max(t_s) FROM sample")[0]
        if samples and last_s - first_s >= RATE_LEAST_S:
            over_s = min(RATE_OVER_S, last_s - first_s)
            newest = db.rows("SELECT count(*) FROM sample WHERE t_s > ?", (last_s - over_s,))[0][0]
            return float(used_bytes * newest / samples / (over_s / DAY_S))
    return None


def _lasts(checked: Checked) -> str:
    days = checked.lasts_days
    if days is None:
        return "how long that lasts is not known until a week is recorded"
    if days > 2 * 365:
        return f"room for about {days / 365.25:,.0f} years at the present rate"
    return f"room for about {days:.0f} days at the present rate"


def _bytes(number: float) -> str:
    for unit in ("B", "kB", "MB"):
        if number < 1000.0:
            return f"{number:.0f} {unit}"
        number /= 1000.0
    return f"{number:.1f} GB"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
