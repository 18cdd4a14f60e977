"""The record exported: events as JSON lines, readings as a CSV log.

JSON lines: pressures kPa gauge, times in seconds from `origin_s` (the first sample) plus `time` (RFC 3339)
where known; unknown is null. The names are published: add to them, never rename.
"""

import json
import math
from collections.abc import Iterable, Iterator
from typing import Any, TextIO

from potvigil.model.events import (
    AlarmEvent,
    BatchClosed,
    BatchSummary,
    Detail,
    EditEvent,
    Event,
    Interval,
    NoteEvent,
    StageEvent,
)
from potvigil.model.pot import Pot, Reference
from potvigil.model.reading import Place, Quality, Reading, Sample
from potvigil.record.rows import EditRow, ListedBatch
from potvigil.units import PA_PER_HPA, PA_PER_KPA, PRESSURE_UNITS_PA, SECONDS_PER_HOUR
from potvigil.wording.quantities import rfc3339

# No sensor here resolves less than a pascal, and no event is timed to better than a tenth of a second.
_KPA_DIGITS = 3
_SECONDS_DIGITS = 1
_FLOW_SIGNIFICANT_DIGITS = 4
# Far finer than any sensor, so that a replay gives the same numbers.
_CSV_DIGITS = 6


def event_line(event: Event, origin_s: float) -> dict[str, Any]:
    """Return an event as a JSON line's object. `kind`: stage, alarm, note, edit, batch-opened or batch."""
    if isinstance(event, BatchClosed):
        return batch_line(event.summary, origin_s)
    if isinstance(event, EditEvent):
        return edit_line(event, origin_s)
    line: dict[str, Any] = {"kind": "batch-opened", "elapsed_s": _seconds(event.t_s, origin_s)}
    if event.utc_s is not None:
        line["time"] = rfc3339(event.utc_s)
    match event:
        case StageEvent():
            line |= {"kind": "stage", "stage": event.stage}
        case NoteEvent():
            line |= {"kind": "note", "note": event.note, "text": event.text}
        case AlarmEvent():
            line |= {
                "kind": "alarm",
                "alarm": event.alarm,
                "state": event.state,
                "priority": event.priority,
                "text": event.text,
                "leak_rate_kpa_per_h": kpa_per_h(event.leak_rate_pa_per_s),
                "floor_forecast_s": _seconds(event.floor_forecast_s, origin_s),
                "repeat": event.repeat,
                "do": event.do,
                "by_s": _seconds(event.by_s, origin_s),
            }
            if event.by_whom:
                line["by_whom"] = event.by_whom
    return line


def edit_line(edit: EditEvent | EditRow, origin_s: float) -> dict[str, Any]:
    """Return an edit of a detail as a JSON line's object."""
    line: dict[str, Any] = {"kind": "edit", "elapsed_s": _seconds(edit.t_s, origin_s)}
    if edit.utc_s is not None:
        line["time"] = rfc3339(edit.utc_s)
    return line | {"field": edit.field, "old": edit.old, "new": edit.new, "by": edit.by}


def batch_line(summary: BatchSummary, origin_s: float) -> dict[str, Any]:
    """Return a batch's summary as a JSON line's object."""
    change, leak = summary.change, summary.leak
    onset = leak.onset_s if leak else None
    rate = leak.rate_pa_per_s if leak else None
    flow = leak.pa_m3_per_s if leak else None
    std_flow = leak.std_cm3_per_min if leak else None
    line: dict[str, Any] = {
        "kind": "batch",
        "verdict": summary.verdict,
        "stages": {
            stage: _seconds(t_s, origin_s)
            for stage, t_s in sorted(summary.stages.items(), key=lambda item: item[1])
        },
        "start_s": _seconds(summary.start_s, origin_s),
        "hold_start_s": _seconds(summary.hold_start_s, origin_s),
        "hold_end_s": _seconds(summary.hold_end_s, origin_s),
        "gauge_pressure_kpa": {
            "hold_start": kpa(summary.hold_start_gauge_pa),
            "hold_end": kpa(summary.hold_end_gauge_pa),
            "lowest": kpa(summary.lowest_gauge_pa),
        },
        "change_kpa": {
            "total": kpa(change.total_pa if change else None),
            "cooling": kpa(change.cooling_pa if change else None),
            "barometer": kpa(change.barometer_pa if change else None),
            "leak": kpa(change.leak_pa if change else None),
            "top_up": kpa(change.top_up_pa if change else None),
        },
        "leak": {
            "rate_kpa_per_h": kpa_per_h(rate.value if rate else None),
            "low": kpa_per_h(rate.low if rate else None),
            "high": kpa_per_h(rate.high if rate else None),
            "onset_s": _seconds(onset.value if onset else None, origin_s),
            "onset_low_s": _seconds(onset.low if onset else None, origin_s),
            "onset_high_s": _seconds(onset.high if onset else None, origin_s),
            **_flow("pa_m3_per_s", flow),
            **_flow("std_cm3_per_min", std_flow),
            "orifice_mm": _significant(leak.orifice_m * 1e3 if leak else None),
            "established": leak.established if leak else None,
        },
        "floor": {
            "crossed_s": _seconds(summary.floor_crossed_s, origin_s),
            "forecast_s": _seconds(summary.floor_forecast_s, origin_s),
        },
        "cure": {
            "progress": _rounded(summary.cure.progress, 3),
            "done_s": _seconds(summary.cure.done_s, origin_s),
            "early_s": _seconds(summary.cure.early_s, origin_s),
            "late_s": _seconds(summary.cure.late_s, origin_s),
        },
        "alarms": [
            {
                "alarm": alarm.alarm,
                "raised_s": _seconds(alarm.raised_s, origin_s),
                "returned_s": _seconds(alarm.returned_s, origin_s),
            }
            for alarm in summary.alarms
        ],
        "pot": summary.pot_id,
        "label": summary.label,
        "note": summary.note,
        "reason": summary.reason,
        "complete": summary.complete,
        "end_s": _seconds(summary.end_s, origin_s),
        "top_ups": summary.top_ups,
        **{
            field.replace("-", "_"): summary.details.get(field) or None
            for field in (Detail.RESIN, Detail.MOULD, Detail.COLOUR, Detail.MASS, Detail.MIXED_AT)
        },
        "outcome": summary.details.get(Detail.OUTCOME) or None,
        "pictures": summary.details.get(Detail.PICTURES, "").splitlines(),
        "known_from": summary.known_from,
    }
    if summary.start_utc_s is not None:
        line["time"] = rfc3339(summary.start_utc_s)
    return line


def listed_line(row: ListedBatch) -> dict[str, Any]:
    """Return a listed batch as a JSON line's object; the leak is as of the hold's end."""
    leak = row.leak_pa_per_s
    return {
        "kind": "listed",
        "batch": row.id,
        "pot": row.pot_id,
        "start": None if row.start_utc_s is None else rfc3339(row.start_utc_s),
        "end": None if row.end_utc_s is None else rfc3339(row.end_utc_s),
        "verdict": row.verdict,
        "leak": {
            "rate_kpa_per_h": kpa_per_h(leak.value if leak else None),
            "low": kpa_per_h(leak.low if leak else None),
            "high": kpa_per_h(leak.high if leak else None),
            "established": row.leak_established if leak else None,
        },
        "alarms": row.alarms,
        "rehearsed": row.rehearsed,
        **{field.replace("-", "_"): row.details.get(field) or None for field in Detail},
    }


def json_text(line: dict[str, Any]) -> str:
    """Return an object as one line of JSON, without the line end."""
    return json.dumps(line, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def write_json_lines(
    file: TextIO,
    events: Iterable[Event],
    summary: BatchSummary | None,
    origin_s: float,
    edits: Iterable[EditRow] = (),
) -> None:
    """Write a batch: its events, the edits of its details, then `summary`, if there is one yet.

    A BatchClosed among the events is skipped: its summary is as of that time.
    """
    for event in events:
        if not isinstance(event, BatchClosed):
            file.write(json_text(event_line(event, origin_s)) + "\n")
    for edit in edits:
        file.write(json_text(edit_line(edit, origin_s)) + "\n")
    if summary is not None:
        file.write(json_text(batch_line(summary, origin_s)) + "\n")


def columns(pot: Pot, unit: str | None = None) -> tuple[str, ...]:
    """Return the column names for `readings`. unit: of the pressure, None for the pot's own."""
    pressure = f"{_kind(pot)}_pressure_{(unit or pot.pressure_unit).lower()}"
    temperatures = (f"{place}_temperature_c" for place in Place)
    return ("elapsed_s", "time", pressure, *temperatures, "ambient_pressure_hpa")


def readings(
    pairs: Iterable[tuple[Sample, Reading]], pot: Pot, unit: str | None = None
) -> Iterator[tuple[float | None, ...]]:
    """Yield samples as rows of a recorded log, by `columns`; `time` as Unix time, s.

    pairs: each sample with the reading the core made of it. The pressure is the reading's, gauge or absolute
    as the pot's transducer measures, None for a bad one. Temperatures and barometer are the sample's, because
    the reading's barometer may be assumed.
    """
    is_absolute, unit_pa = _kind(pot) == "absolute", PRESSURE_UNITS_PA[unit or pot.pressure_unit]
    first_s: float | None = None
    for sample, reading in pairs:
        if first_s is None:
            first_s = sample.t_s
        pressure_pa = None
        if reading.quality is not Quality.BAD:
            pressure_pa = reading.absolute_pa if is_absolute else reading.gauge_pa
        yield (
            _number(sample.t_s - first_s),
            sample.utc_s,
            _number(pressure_pa, unit_pa),
            *(_number(getattr(sample, f"{place}_c")) for place in Place),
            _number(sample.ambient_pa, PA_PER_HPA),
        )


def write_csv(
    file: TextIO, pairs: Iterable[tuple[Sample, Reading]], pot: Pot, unit: str | None = None
) -> int:
    """Write samples as a recorded log that can be replayed; return the number of rows.

    Unknown values are empty cells. A replay goes by `elapsed_s`, and takes the wall clock from `time`.
    """
    file.write(",".join(columns(pot, unit)) + "\n")
    count = 0
    for elapsed_s, utc_s, *numbers in readings(pairs, pot, unit):
        time = "" if utc_s is None else rfc3339(utc_s)
        file.write(",".join((_cell(elapsed_s), time, *map(_cell, numbers))) + "\n")
        count += 1
    return count


def _kind(pot: Pot) -> str:
    """Return whether the pressure of a recorded log is absolute or gauge."""
    is_absolute = pot.transducer is not None and pot.transducer.reference is Reference.ABSOLUTE
    return "absolute" if is_absolute else "gauge"


def _rounded(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits) + 0.0  # -0.0 becomes 0.0


def _significant(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{_FLOW_SIGNIFICANT_DIGITS}g}") + 0.0


def _seconds(t_s: float | None, origin_s: float) -> float | None:
    return None if t_s is None else _rounded(t_s - origin_s, _SECONDS_DIGITS)


def kpa(pressure_pa: float | None) -> float | None:
    """Return a pressure for a JSON line, None where it is unknown."""
    return None if pressure_pa is None else _rounded(pressure_pa / PA_PER_KPA, _KPA_DIGITS)


def kpa_per_h(rate_pa_per_s: float | None) -> float | None:
    """Return a rate of fall for a JSON line, None where it is unknown."""
    return None if rate_pa_per_s is None else kpa(rate_pa_per_s * SECONDS_PER_HOUR)


def _flow(name: str, flow: Interval | None) -> dict[str, float | None]:
    return {
        name: _significant(flow.value if flow else None),
        f"{name}_low": _significant(flow.low if flow else None),
        f"{name}_high": _significant(flow.high if flow else None),
    }


def _number(value: float | None, unit: float = 1.0) -> float | None:
    return None if value is None else _rounded(value / unit, _CSV_DIGITS)


def _cell(number: float | None) -> str:
    return "" if number is None else repr(number)
