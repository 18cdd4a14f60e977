"""Events and faults as JSON text, and back: exact, in the core's own names and units."""

import dataclasses
import functools
import json
import math
import operator
import types
import typing
from collections.abc import Callable, Iterable, Mapping
from enum import StrEnum
from typing import Any

from potvigil.model.events import (
    AlarmEvent,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    EditEvent,
    Event,
    NoteEvent,
    StageEvent,
)
from potvigil.model.reading import Fault, Place, Sample, Sensor

KINDS: dict[type, str] = {
    StageEvent: "stage",
    AlarmEvent: "alarm",
    NoteEvent: "note",
    EditEvent: "edit",
    BatchOpened: "batch-opened",
    BatchClosed: "batch-closed",
}
_CLASSES = {kind: cls for cls, kind in KINDS.items()}

# The columns of the table of samples, named and ordered as Sample's fields, and their values; faults are a
# text.
SAMPLE_COLUMNS = tuple(field.name for field in dataclasses.fields(Sample) if field.name != "faults")
sample_values: Callable[[Sample], tuple[Any, ...]] = operator.attrgetter(*SAMPLE_COLUMNS)


def to_text(value: Event | BatchSummary) -> str:
    """Return an event or a summary as one line of JSON."""
    return json.dumps(dataclasses.asdict(value), ensure_ascii=False, separators=(",", ":"))


def event_from_text(kind: str, text: str) -> Event:
    """Return the event that `to_text` wrote; `kind` as in KINDS."""
    event: Event = build(_CLASSES[kind], json.loads(text))
    return event


def summary_from_text(text: str) -> BatchSummary:
    """Return the summary that `to_text` wrote."""
    summary: BatchSummary = build(BatchSummary, json.loads(text))
    return summary


def faults_to_text(faults: tuple[Fault, ...]) -> str | None:
    """Return faults as a compact JSON list [sensor, detail, place?], None when there are none."""
    if not faults:
        return None
    rows = [[f.sensor, f.detail] if f.place is None else [f.sensor, f.detail, f.place] for f in faults]
    return json.dumps(rows, ensure_ascii=False, separators=(",", ":"))


def faults_from_text(text: str | None) -> tuple[Fault, ...]:
    """Return the faults that `faults_to_text` wrote."""
    if text is None:
        return ()
    return tuple(
        Fault(Sensor(sensor), detail, Place(place[0]) if place else None)
        for sensor, detail, *place in json.loads(text)
    )


def readings_to_text(samples: Iterable[Sample]) -> str:
    """Return the readings of a test as a compact JSON list, with pressures as in a recorded log.

    [seconds from the first, Pa gauge, degrees C of gas, wall and room, Pa outside, degrees C of the contents
    where they are known]; rounded to less than any wire resolves.
    """
    rows: list[list[float | None]] = []
    begun_s: float | None = None
    for s in samples:
        begun_s = s.t_s if begun_s is None else begun_s
        digits = ((s.gauge_pa, 0), (s.gas_c, 3), (s.wall_c, 3), (s.room_c, 3), (s.ambient_pa, 0))
        known = [None if value is None else round(value, places) for value, places in digits]
        contents = [] if s.contents_c is None else [round(s.contents_c, 3)]
        rows.append([round(s.t_s - begun_s, 1), *known, *contents])
    return json.dumps(rows, separators=(",", ":"))


def readings_from_text(text: str) -> list[Sample]:
    """Return the samples that `readings_to_text` wrote, the first at 0 s."""
    names = ("t_s", "gauge_pa", "gas_c", "wall_c", "room_c", "ambient_pa", "contents_c")
    rows = json.loads(text)
    if not all(len(row) in (len(names) - 1, len(names)) for row in rows):
        raise ValueError("readings: a row of another length")
    return [Sample(**dict(zip(names, row, strict=False))) for row in rows]


def found_to_text(found: Mapping[str, tuple[float, float]]) -> str:
    """Return what was learnt about a pot, mean and 1 sigma by name, as a compact JSON object."""
    return json.dumps(found, separators=(",", ":"))


def found_from_text(text: str) -> dict[str, tuple[float, float]]:
    """Return what `found_to_text` wrote; raises ValueError for anything else."""
    try:
        found = {str(name): (float(mean), float(sigma)) for name, (mean, sigma) in json.loads(text).items()}
    except (AttributeError, TypeError, RecursionError, OverflowError):
        raise ValueError("no mean and standard deviation by name") from None
    if not all(math.isfinite(mean) and 0.0 <= sigma < math.inf for mean, sigma in found.values()):
        raise ValueError("a figure is out of range")
    return found


@functools.cache
def _field_types(cls: type) -> dict[str, Any]:
    return typing.get_type_hints(cls)


def build(kind: Any, value: Any) -> Any:
    """Build a value of type `kind` from its JSON form; unknown fields are ignored.

    Raises ValueError, KeyError or TypeError where that is impossible.
    """
    if value is None:
        return None
    origin = typing.get_origin(kind)
    if origin in (types.UnionType, typing.Union):
        kind = next(member for member in typing.get_args(kind) if member is not types.NoneType)
        return build(kind, value)
    if origin is dict:
        key_kind, value_kind = typing.get_args(kind)
        return {build(key_kind, key): build(value_kind, item) for key, item in value.items()}
    if origin is tuple:
        return tuple(build(typing.get_args(kind)[0], item) for item in value)
    if dataclasses.is_dataclass(kind):
        hints = _field_types(typing.cast(type, kind))
        return kind(**{name: build(hint, value[name]) for name, hint in hints.items() if name in value})  # type: ignore[operator]
    if kind is float or issubclass(kind, StrEnum):
        return kind(value)
    return value
