"""What a row must contain so that every reader of the record can read it.

The tables themselves refuse a wrong type and a missing parent row. This checks what they cannot: values of an
enumeration, JSON inside a text, numbers no clock could have given.
"""

import functools
import json
import sys
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import is_dataclass
from enum import StrEnum
from typing import Any, TypeVar

from potvigil.model.batch_details import DetailError, mixed_utc_s
from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    BatchSummary,
    Detail,
    Event,
    Outcome,
    Stage,
    Verdict,
)
from potvigil.model.maintenance import Part
from potvigil.model.reading import MOST_T_S, MOST_UTC_S, Fault, Sample
from potvigil.record.codec import (
    KINDS,
    SAMPLE_COLUMNS,
    event_from_text,
    faults_from_text,
    found_from_text,
    readings_from_text,
    summary_from_text,
)
from potvigil.record.errors import RefusedError

# Of format 1, which its successor turned into edits.
_ONCE_ACTIONS = ("label", "note")
_SPREAD_COLUMNS = frozenset(SAMPLE_COLUMNS) - {"t_s", "utc_s"}
_MISFIT = "a value in it is missing or of the wrong type"
_T = TypeVar("_T")
Row = Mapping[str, Any]


def wrong_with(table: str, row: Row) -> str | None:
    """Return what is wrong with a row of a table, by its columns; None when it can be read."""
    try:
        for column, value in row.items():
            if type(value) is float or type(value) is int:
                _check_number(column, value)
            elif type(value) is str:
                value.encode()  # half a surrogate pair could not be written anywhere
        check = _CHECKS.get(table)
        if check is not None:
            check(row)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        return _said(error)
    return None


def refuse(table: str, row: Row) -> None:
    """Raise RefusedError for a row to be kept that no reader of the record accepts."""
    wrong = wrong_with(table, row)
    if wrong is not None:
        raise RefusedError(f"not saved: {wrong}; give another value")


def _said(error: Exception) -> str:
    text = "nested too deeply" if isinstance(error, RecursionError) else str(error)
    return text.splitlines()[0][:200] if text else type(error).__name__


def _check_run(row: Row) -> None:
    if not isinstance(_json("settings", row["settings"]), dict):
        raise ValueError("settings: not a JSON object")


def _check_batch(row: Row) -> None:
    _check_word("verdict", row["verdict"], Verdict)
    if row["summary"] is None:
        return
    _json("summary", row["summary"])
    summary = _made("summary", lambda: summary_from_text(row["summary"]))
    _check_kind("summary", BatchSummary, summary)
    for field, text in summary.details.items():
        _check_detail(field, text)


def _check_edit(row: Row) -> None:
    _check_word("field", row["field"], Detail)
    _check_detail(row["field"], row.get("new"))
    _check_detail(row["field"], row.get("old"))


def _check_event(row: Row) -> None:
    if row["kind"] not in KINDS.values():
        raise ValueError(f"kind: {row['kind']!r} is not known")
    _check_word("alarm", row["alarm"], AlarmId)
    _json("line", row["line"])
    event = _made("line", lambda: event_from_text(row["kind"], row["line"]))
    _check_kind("line", Event, event)
    if row["alarm"] != (event.alarm if isinstance(event, AlarmEvent) else None):
        raise ValueError(f"alarm: {row['alarm']!r} is not what the line says")


def _check_command(row: Row) -> None:
    if not ("field" not in row and row["action"] in _ONCE_ACTIONS):
        _check_word("action", row["action"], Action)
    _check_word("alarm", row["alarm"], AlarmId)
    _check_word("field", row.get("field"), Detail)
    _check_word("outcome", row.get("outcome"), Outcome)


def _check_delivery(row: Row) -> None:
    _check_word("alarm", row["alarm"], AlarmId)


def _check_trace(row: Row) -> None:
    _check_word("stage", row["stage"], Stage)
    _check_leak(row)


def _check_care(row: Row) -> None:
    _check_word("part", row["part"], Part)
    _check_leak(row)
    if row.get("readings") is not None:
        _json("readings", row["readings"])
        readings = _made("readings", lambda: readings_from_text(row["readings"]))
        _check_kind("readings", tuple[Sample, ...], tuple(readings))


def _check_taught(row: Row) -> None:
    if row["batches"] < 1:
        raise ValueError("batches: none taught it")
    _json("found", row["found"])
    _made("found", lambda: found_from_text(row["found"]))


def _check_leak(row: Row) -> None:
    leak = (row["leak_pa_per_s"], row["leak_low_pa_per_s"], row["leak_high_pa_per_s"])
    if None in leak and leak != (None, None, None):
        raise ValueError("leak_pa_per_s: without its interval")


def _check_fault(row: Row) -> None:
    _json("faults", row["faults"])
    faults = _made("faults", lambda: faults_from_text(row["faults"]))
    _check_kind("faults", tuple[Fault, ...], faults)


def _check_sample(row: Row) -> None:
    faults = row["faults"]
    if faults is not None and not (faults.isascii() and faults.isdecimal()):
        _check_fault(row)  # before format 8: the text itself
    if row.get("spread") is not None:
        _check_spread(_json("spread", row["spread"]))


def _check_spread(spread: Any) -> None:
    if not isinstance(spread, dict) or type(spread.pop("n", None)) is not int:
        raise ValueError("spread: does not say of how many")
    for column, ends in spread.items():
        if column not in _SPREAD_COLUMNS or not _fits(tuple[float, ...], tuple(ends)) or len(ends) != 2:
            raise ValueError(f"spread: {column!r} is not a column with its lowest and highest")


_CHECKS: dict[str, Callable[[Row], None]] = {
    "run": _check_run,
    "batch": _check_batch,
    "edit": _check_edit,
    "event": _check_event,
    "command": _check_command,
    "delivery": _check_delivery,
    "care": _check_care,
    "taught": _check_taught,
    "trace": _check_trace,
    "fault": _check_fault,
    "sample": _check_sample,
}


def _check_word(column: str, value: str | None, words: type[StrEnum]) -> None:
    if value is not None and value not in words._value2member_map_:
        raise ValueError(f"{column}: {value!r} is not known")


def _check_detail(field: str, text: str | None) -> None:
    if field == Detail.MIXED_AT and text:
        try:
            _check_number("mixed_utc_s", mixed_utc_s(text))
        except DetailError as error:
            raise ValueError(str(error)) from error


def _check_number(name: str, value: float) -> None:
    """Raise ValueError for a number that no clock or sensor of ours gives; `name` says which."""
    if not abs(value) <= _most(name):
        raise ValueError(f"{name}: {value if type(value) is float else 'a number'} is out of range")


@functools.cache
def _most(name: str) -> float:
    if name.endswith("utc_s"):
        return MOST_UTC_S
    if name.endswith("_s") and not name.endswith("_per_s") and not name.startswith("floor_"):
        return MOST_T_S  # a forecast of the floor may be any time ahead
    return sys.float_info.max


def _json(column: str, text: str) -> Any:
    """Return the value of a JSON text, strictly by the standard, with every number checked."""
    try:
        value = json.loads(text, object_pairs_hook=_unique, parse_constant=_refused)
    except ValueError as error:
        raise ValueError(f"{column}: {error}") from error
    _check_values(column, value)
    return value


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):  # SQLite takes the first, Python the last
        raise ValueError("a name appears twice in an object")
    return found


def _refused(constant: str) -> None:
    raise ValueError(f"{constant} is not JSON")


def _check_values(name: str, value: Any) -> None:
    if isinstance(value, dict):
        for key, item in value.items():
            key.encode()
            # bounds: of the kind of the interval; stages: times
            inner = "t_s" if name == "stages" else name if key in ("value", "low", "high") else key
            _check_values(inner, item)
    elif isinstance(value, list):
        for item in value:
            _check_values(name, item)
    elif isinstance(value, str):
        value.encode()  # half a surrogate pair could not be written anywhere
    elif isinstance(value, float | int):
        _check_number(name, value)


def _made(column: str, make: Callable[[], _T]) -> _T:
    try:
        return make()
    except (TypeError, KeyError, AttributeError):
        raise ValueError(f"{column}: {_MISFIT}") from None


def _check_kind(column: str, kind: Any, value: Any) -> None:
    if not _fits(kind, value):
        raise ValueError(f"{column}: {_MISFIT}")


def _fits(kind: Any, value: Any) -> bool:
    """Return whether a value matches a type hint, at every level."""
    origin = typing.get_origin(kind)
    if origin in (types.UnionType, typing.Union):
        return any(_fits(member, value) for member in typing.get_args(kind))
    if origin is dict:
        of_key, of_item = typing.get_args(kind)
        return isinstance(value, dict) and all(
            _fits(of_key, key) and _fits(of_item, item) for key, item in value.items()
        )
    if origin is tuple:
        return isinstance(value, tuple) and all(_fits(typing.get_args(kind)[0], item) for item in value)
    if kind is float:
        return type(value) is float or type(value) is int
    if kind is int or kind is bool:
        return type(value) is kind
    if not isinstance(value, kind):
        return False
    if is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return all(_fits(hint, getattr(value, name)) for name, hint in hints.items())
    return True
