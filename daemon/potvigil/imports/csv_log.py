"""A recorded log (CSV) as samples: one header row, then one row a sample."""

import csv
import difflib
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from potvigil.model.reading import MOST_T_S, MOST_UTC_S, Place, Sample
from potvigil.units import PA_PER_BAR, PA_PER_HPA, PA_PER_KPA, PA_PER_PSI, ZERO_CELSIUS_K

_TIME_COLUMNS = ("elapsed_s", "time")

# column -> field of Sample, and the factor that makes it Pa or degrees C
_VALUE_COLUMNS = {
    "gauge_pressure_psi": ("gauge_pa", PA_PER_PSI),
    "gauge_pressure_kpa": ("gauge_pa", PA_PER_KPA),
    "gauge_pressure_bar": ("gauge_pa", PA_PER_BAR),
    "absolute_pressure_psi": ("absolute_pa", PA_PER_PSI),
    "absolute_pressure_kpa": ("absolute_pa", PA_PER_KPA),
    "absolute_pressure_bar": ("absolute_pa", PA_PER_BAR),
    **{f"{place}_temperature_c": (f"{place}_c", 1.0) for place in Place},
    "ambient_pressure_hpa": ("ambient_pa", PA_PER_HPA),
    "ambient_pressure_kpa": ("ambient_pa", PA_PER_KPA),
}
_PRESSURE_FIELDS = ("gauge_pa", "absolute_pa")

_MOST_COLUMNS = 200

# Impossible measurements, so that -999 for "no reading" is not taken for one. The pot's own pressure is not
# judged here: a dead transducer's reading is part of the night.
_ABOVE = {**{f"{place}_c": -ZERO_CELSIUS_K for place in Place}, "ambient_pa": 0.0}

# Also impossible: far beyond any pot's transducer, whose span ends at 7 MPa, and any thermometer near resin.
_MOST = {
    "gauge_pa": 2e7,
    "absolute_pa": 2e7,
    **{f"{place}_c": 300.0 for place in Place},
    "ambient_pa": 2e5,
}

# RFC 3339, section 5.6, full-date "T" full-time; a space for the T as its note allows.
_RFC3339 = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII
)  # date, hour and minute, second, fraction, offset


class LogError(ValueError):
    """A log cannot be used; one line that says file, line, column, value and what is allowed."""


class LogFileError(LogError, OSError):
    """A log cannot be read at all."""


@dataclass(frozen=True, slots=True)
class Log:
    """A recorded log. notes: what a person should know, such as skipped columns."""

    samples: list[Sample]
    notes: list[str]


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    index: int
    field: str
    factor: float


@dataclass(frozen=True, slots=True)
class _Layout:
    time_name: str  # the axis
    time_index: int
    clock_index: int | None  # of the wall clock beside it
    columns: tuple[_Column, ...]
    width: int


def read_log(path: Path | str) -> Log:
    """Read a log; return all its samples, t_s counted from the first row.

    utc_s follows from a `time` column and is None with `elapsed_s` alone; with both, `elapsed_s` is the axis
    and `time` says what the clock showed, which may jump or be empty. An empty cell is None. Raise LogError
    for anything doubtful, before any sample is returned; LogFileError, which is also an OSError, when the
    file cannot be read.
    """
    path = Path(path)
    rows = _rows(path)
    try:
        line, header = next(rows)
    except StopIteration:
        raise LogError(f"{path}: empty; the first line names the columns") from None
    where = f"{path}:{line}"
    layout, notes = _layout(where, header)
    samples = _samples(path, layout, rows)
    if not samples:
        raise LogError(f"{path}: only a header; each further line is one sample")
    return Log(samples, [f"{where}: {note}" for note in notes])


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Yield line number and cells of each line that is not blank."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogFileError(f"{path}: {error.strerror}; name a CSV log that can be read") from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise LogError(f"{path}:{line}: not UTF-8; save it as CSV in UTF-8") from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for row in reader:
            if row and (len(row) > 1 or row[0].strip()):
                yield reader.line_num, row
    except csv.Error as error:
        raise LogError(
            f"{path}:{reader.line_num}: {error}; one row a line, cells separated by commas"
        ) from error


def _layout(where: str, header: list[str]) -> tuple[_Layout, list[str]]:
    if len(header) > _MOST_COLUMNS:
        raise LogError(f"{where}: {len(header)} columns; at most {_MOST_COLUMNS}, commas between")
    names = [_shown(name, "") for name in header]
    for name in names:
        if name and names.count(name) > 1:
            raise LogError(f"{where}: {name}: the column appears twice; once is allowed")
    times = [name for name in _TIME_COLUMNS if name in names]
    if not times:
        raise LogError(f"{where}: no time column among {_some(names)}; elapsed_s or time, commas between")
    columns: dict[str, _Column] = {}
    notes = []
    for index, name in enumerate(names):
        if name in _TIME_COLUMNS:
            continue
        if name not in _VALUE_COLUMNS:
            notes.append(_passed_over(name))
            continue
        field, factor = _VALUE_COLUMNS[name]
        if field in columns:
            raise LogError(f"{where}: {name}: duplicates {columns[field].name}; keep one of them")
        columns[field] = _Column(name, index, field, factor)
    if not any(field in columns for field in _PRESSURE_FIELDS):
        known = ", ".join(name for name, (field, _) in _VALUE_COLUMNS.items() if field in _PRESSURE_FIELDS)
        raise LogError(f"{where}: no pressure of the pot among {_some(names)}; one of {known}")
    time_name = times[0]
    clock_index = names.index("time") if len(times) == 2 else None
    return _Layout(time_name, names.index(time_name), clock_index, tuple(columns.values()), len(names)), notes


def _passed_over(name: str) -> str:
    near = difflib.get_close_matches(name.lower(), [*_VALUE_COLUMNS, *_TIME_COLUMNS], n=1, cutoff=0.8)
    hint = f"; {near[0]} is known" if near else ""
    return f"{name}: unknown column, ignored{hint}" if name else "column without a name, ignored"


def _samples(path: Path, layout: _Layout, rows: Iterator[tuple[int, list[str]]]) -> list[Sample]:
    samples: list[Sample] = []
    has_utc = layout.time_name == "time"
    columns = [
        (c.name, c.index, c.field, c.factor, _ABOVE.get(c.field, -math.inf), _MOST[c.field])
        for c in layout.columns
    ]
    first_s: float | None = None
    previous_s = -math.inf
    leap_seconds, in_leap_second = 0, False
    for line, row in rows:
        if len(row) != layout.width:
            raise LogError(
                f"{path}:{line}: {len(row)} cells; {layout.width} as in the header, "
                "and a point as decimal mark"
            )
        utc_s = None
        values: dict[str, Any] = {}
        name, cell = layout.time_name, row[layout.time_index]
        try:
            if has_utc:
                utc_s, is_leap_second = _utc_s(cell)
                # Unix time has no room for a leap second; elapsed time has.
                leap_seconds += in_leap_second and not is_leap_second
                in_leap_second = is_leap_second
                time_s = utc_s + leap_seconds
            else:
                time_s = _number(cell)
                if abs(time_s) > 0.5 * MOST_T_S:  # counted from the first row, it is then within the limit
                    raise ValueError(f"up to {0.5 * MOST_T_S:.0f}")
                if layout.clock_index is not None:
                    name, cell = "time", row[layout.clock_index]
                    utc_s = _utc_s(cell)[0] if cell.strip() else None
                    name, cell = layout.time_name, row[layout.time_index]
            if time_s <= previous_s:
                raise ValueError("a time later than in the row before")
            previous_s = time_s
            if first_s is None:
                first_s = time_s
            for column, index, field, factor, above, most in columns:
                name, cell = column, row[index]
                if cell and not cell.isspace():
                    values[field] = value = _number(cell, factor)
                    if value <= above:
                        raise ValueError(f"above {above / factor:g}, or an empty cell for no reading")
                    if abs(value) > most:
                        raise ValueError(f"up to {most / factor:.6g}, or an empty cell for no reading")
        except ValueError as error:
            raise LogError(f"{path}:{line}: {name}: {_shown(cell)}; {error}") from None
        samples.append(Sample(t_s=time_s - first_s, utc_s=utc_s, **values))
    return samples


def _shown(cell: str, empty: str = "nothing") -> str:
    """Return a cell on one line, not too long, without characters a terminal acts on."""
    text = "".join(sign if sign.isprintable() else "?" for sign in " ".join(cell.split())) or empty
    return text if len(text) <= 40 else f"{text[:40]}..."


def _some(names: list[str]) -> str:
    return ", ".join(names if len(names) <= 5 else [*names[:4], f"{len(names) - 4} more"])


def _number(cell: str, factor: float = 1.0) -> float:
    try:
        value = float(cell) * factor
    except ValueError:
        value = math.nan
    # float() takes "nan", "1e999", "1_000" and the digits of all scripts; none is a reading
    if not math.isfinite(value) or "_" in cell or not cell.isascii():
        raise ValueError("a number with a point as decimal mark")
    return value


def _utc_s(cell: str) -> tuple[float, bool]:
    """Return Unix time, s, of an RFC 3339 time, and whether it is in a leap second."""
    match = _RFC3339.fullmatch(cell.strip())
    if match is None:
        raise ValueError("RFC 3339 with Z or an offset, such as 2026-01-31T22:15:00Z")
    date, minute, second, fraction, offset = match.groups()
    is_leap_second = second == "60"
    whole = f"{date}T{minute}:{'59' if is_leap_second else second}{offset.upper()}"
    try:
        moment = datetime.fromisoformat(whole)
    except ValueError as error:
        raise ValueError(f"a time that exists ({error})") from None
    utc_s = moment.timestamp() + float(fraction or 0.0)
    if abs(utc_s) > MOST_UTC_S:
        raise ValueError("a year from 1654 to 2285")
    if not is_leap_second:
        return utc_s, False
    if utc_s // 1.0 % 86_400 != 86_399:
        raise ValueError("a second of 60 only at 23:59 UTC")
    return utc_s + 1.0, True
