"""The live curve as JSON: the lowest and highest reading of each bucket, and the watch's estimates."""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from potvigil.history.gel import gelled_s
from potvigil.live_reader import LivePot
from potvigil.model.events import (
    AlarmEvent,
    AlarmState,
    Detail,
    Event,
    NoteEvent,
    NoteId,
    Stage,
    StageEvent,
    StandingAlarm,
)
from potvigil.model.pot import Pot, Reference
from potvigil.model.reading import UNSEEN_AFTER_S, Place, Sample
from potvigil.page.views import words
from potvigil.page.views.now import PotsOf
from potvigil.page.zone import zone_name
from potvigil.record.curve import Bucket
from potvigil.record.rows import BatchRow, TraceRow
from potvigil.record.store import Store
from potvigil.sensing.conversion import SUPPLY_TOLERANCE, convert
from potvigil.units import PRESSURE_DECIMALS, PRESSURE_UNITS_PA, SECONDS_PER_HOUR, in_degrees
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import shown

LEAST_POINTS, USUAL_POINTS, MOST_POINTS = 200, 1200, 4000
# Shown before the start of a batch, and for a pot without one.
BEFORE_S, WITHOUT_BATCH_S = 120.0, 6 * 3600.0
# With fewer readings per bucket than this, each reading is drawn by itself.
_LEAST_PER_BUCKET = 3
# Of a 16-bit converter, one polarity: tried in turn for one that does not read as a wiring fault.
_COUNTS = range(0, 32_768, 256)
_EXTRA_DECIMALS = 2  # beyond those shown as text: rounder points would draw steps

_Point = tuple[float, float | None, float | None]  # s, lowest and highest Pa gauge


@dataclass(frozen=True, slots=True)
class CurveQuery:
    """Which curve is wanted. row: None without an open batch. live: None while the watch is silent."""

    pot_id: str
    row: BatchRow | None
    live: LivePot | None
    from_s: float | None
    to_s: float | None
    points: int


def curve(store: Store, pots_of: PotsOf, query: CurveQuery) -> dict[str, Any]:
    """Return the curve. Raises RecordError."""
    from_s, to_s = _span(store, query)
    runs = store.settings_within(from_s, to_s)
    pot = pots_of(runs[-1][1]).get(query.pot_id) if runs else None
    unit = "psi" if pot is None else pot.pressure_unit
    temperature_unit = "C" if pot is None else pot.temperature_unit
    per_unit = PRESSURE_UNITS_PA[unit]
    points = _points(store, pots_of, query, runs, from_s, to_s)
    traces = store.traces(query.pot_id, from_s, to_s, about=query.points)
    live = query.live
    if live is not None and live.snapshot.t_s <= to_s and live.batch is not None:
        traces.append(TraceRow.of(live.snapshot))
    events = [] if query.row is None else store.events(query.row.id)
    digits = PRESSURE_DECIMALS[unit] + _EXTRA_DECIMALS

    def in_unit(pa: float | None) -> float | None:
        return None if pa is None else round(pa / per_unit, digits)

    return {
        "pot": query.pot_id,
        "batch": None if query.row is None else query.row.id,
        "unit": unit,
        "temperature_unit": temperature_unit,
        "zone": zone_name(None if pot is None else pot.tz, time.time()),
        "utc_less_t_s": store.utc_less_t_s(query.pot_id, to_s),
        "from": round(from_s, 2),
        "to": round(to_s, 2),
        "t": [round(t_s, 2) for t_s, _, _ in points],
        "low": [in_unit(low) for _, low, _ in points],
        "high": [in_unit(high) for _, _, high in points],
        "trace": _trace(traces, per_unit, digits, temperature_unit),
        "floor": None if pot is None else in_unit(pot.floor_pa),
        "working": None if pot is None else in_unit(pot.working_pa),
        "stages": [
            {"t": round(each.t_s, 2), "stage": each.stage.value, "word": words.STAGE_WORDS[each.stage]}
            for each in events
            if isinstance(each, StageEvent)
        ],
        "marks": sorted(_marks(events, query.row, pot, traces), key=lambda mark: mark["t"]),
        "cone": None if pot is None or live is None else _cone(live, pot, in_unit),
        "cure_done": _cure_done(query),
    }


def _span(store: Store, query: CurveQuery) -> tuple[float, float]:
    """Return the time span shown: the one asked for, within the one there is."""
    row, live = query.row, query.live
    last = store.last_sample(query.pot_id)
    newest_s = max([0.0 if last is None else last.t_s, *([] if live is None else [live.snapshot.t_s])])
    to_s = newest_s if row is None or row.end_t_s is None else row.end_t_s
    from_s = to_s - WITHOUT_BATCH_S if row is None else row.start_t_s - BEFORE_S
    if row is None:  # a pot may be looked at further back
        lowest_s, highest_s = float("-inf"), newest_s
    else:
        lowest_s, highest_s = from_s, to_s
    if query.from_s is not None:
        from_s = min(max(query.from_s, lowest_s), highest_s)
    if query.to_s is not None:
        to_s = min(max(query.to_s, lowest_s), highest_s)
    return (from_s, to_s) if from_s < to_s else (to_s - 1.0, to_s)


# --- pressures


def _points(
    store: Store,
    pots_of: PotsOf,
    query: CurveQuery,
    runs: Sequence[tuple[float, str]],
    from_s: float,
    to_s: float,
) -> list[_Point]:
    points: list[_Point] = []
    begins = [max(start_s, from_s) for start_s, _ in runs]
    # the span includes its end, a bucket excludes it
    ends = [*begins[1:], to_s + 0.001]
    for (_, settings), begin_s, end_s in zip(runs, begins, ends, strict=True):
        pot = pots_of(settings).get(query.pot_id)
        if pot is not None and end_s > begin_s:
            share = max(round(query.points * (end_s - begin_s) / (to_s - from_s)), 1)
            # samples of an open batch are never thinned: a restart feeds them again
            thinned = query.row is None or query.row.end_t_s is not None
            points += _converted(store, pot, begin_s, end_s, share, thinned)
    if query.live is not None:
        newest_s = points[-1][0] if points else from_s
        points += [(t_s, pa, pa) for t_s, pa in query.live.recent if newest_s < t_s <= to_s]
    wide_s = (to_s - from_s) / query.points
    return list(_with_gaps(points, UNSEEN_AFTER_S + wide_s))


def _converted(
    store: Store, pot: Pot, from_s: float, to_s: float, points: int, thinned: bool
) -> list[_Point]:
    """Return the readings from from_s up to to_s, in at most so many points."""
    extent = store.extent(pot.pot_id, from_s, to_s, _LEAST_PER_BUCKET * points)
    if extent.last_s is None:
        return []
    if extent.samples <= points:
        samples = store.samples(pot.pot_id, from_s, to_s)
        read = ((sample.t_s, convert(sample, pot).gauge_pa) for sample in samples)
        return [(t_s, pa, pa) for t_s, pa in read if t_s < to_s]
    count = min(points, extent.samples // _LEAST_PER_BUCKET) or 1
    extremes = _Extremes(store, pot, thinned)
    return [
        # a bucket's middle, but never later than the last reading
        (min((each.from_s + each.to_s) / 2.0, extent.last_s), *extremes.of(each))
        for each in extremes.buckets(from_s, to_s, count)
    ]


class _Extremes:
    """The lowest and highest pressure of a bucket, Pa gauge; None if no sample in it is a valid reading.

    Pressure rises with the count, and valid counts form one range: if the lowest and highest are valid, all
    between are too. If one of them is a wiring fault, every sample is converted.
    """

    def __init__(self, store: Store, pot: Pot, thinned: bool) -> None:
        self._store, self._pot, self._thinned = store, pot, thinned
        wire = pot.transducer
        self._supply_v = 0.0 if wire is None else wire.supply_v
        self._supply_v_per_count = None if wire is None else wire.supply_volts_per_count
        self.usual_supply = self._supply_v / self._supply_v_per_count if self._supply_v_per_count else 1.0
        self._valid_count = next((each for each in _COUNTS if self._at(each) is not None), None)
        self._is_ratiometric = self._find_ratiometric()

    def buckets(self, from_s: float, to_s: float, count: int) -> list[Bucket]:
        """Return the samples in `count` buckets."""
        wire = self._pot.transducer
        return self._store.curve(
            self._pot.pot_id,
            from_s,
            to_s,
            count,
            usual_supply=self.usual_supply if self._is_ratiometric else None,
            ambient=wire is not None and wire.reference is Reference.ABSOLUTE,
            thinned=self._thinned,
        )

    def of(self, bucket: Bucket) -> tuple[float | None, float | None]:
        kinds = (bucket.counts > 0, bucket.low_gauge_pa is not None, bucket.low_absolute_pa is not None)
        match kinds:
            case (False, False, False):
                return None, None
            case (False, True, False):
                ends = (bucket.low_gauge_pa, bucket.high_gauge_pa)
                return self._both(*(Sample(0.0, gauge_pa=pa) for pa in ends))
            case (False, False, True):
                ends = (bucket.low_absolute_pa, bucket.high_absolute_pa)
                return self._both(*(Sample(0.0, absolute_pa=pa, ambient_pa=bucket.ambient_pa) for pa in ends))
            case (True, False, False) if self._is_supply_good(bucket):
                return self._by_counts(bucket)
        return self._each(bucket)

    def _by_counts(self, bucket: Bucket) -> tuple[float | None, float | None]:
        low, high = bucket.low_count or 0.0, bucket.high_count or 0.0
        if self._is_ratiometric:  # shares of the supply: back to counts at its nominal voltage
            low, high = low * self.usual_supply, high * self.usual_supply
        low_pa, high_pa = self._at(low, bucket.ambient_pa), self._at(high, bucket.ambient_pa)
        if low_pa is not None and high_pa is not None:
            return low_pa, high_pa
        if self._valid_count is None or (high_pa is None and high < self._valid_count):
            return None, None
        if low_pa is None and low > self._valid_count:
            return None, None
        return self._each(bucket)

    def _at(self, count: float, ambient_pa: float | None = None) -> float | None:
        supply = self.usual_supply if self._supply_v_per_count else None
        sample = Sample(0.0, transducer_count=count, supply_count=supply, ambient_pa=ambient_pa)
        return convert(sample, self._pot).gauge_pa

    def _find_ratiometric(self) -> bool:
        if self._valid_count is None or not self._supply_v_per_count:
            return False
        other = Sample(0.0, transducer_count=self._valid_count, supply_count=1.01 * self.usual_supply)
        return convert(other, self._pot).gauge_pa != self._at(self._valid_count)

    def _is_supply_good(self, bucket: Bucket) -> bool:
        """Return whether the supply stayed within tolerance throughout."""
        if self._supply_v_per_count is None or bucket.low_supply is None or bucket.high_supply is None:
            return True
        ends = (bucket.low_supply, bucket.high_supply)
        shares = [each * self._supply_v_per_count / self._supply_v for each in ends]
        return min(shares) >= 1.0 - SUPPLY_TOLERANCE and max(shares) <= 1.0 + SUPPLY_TOLERANCE

    def _both(self, low: Sample, high: Sample) -> tuple[float | None, float | None]:
        ends = convert(low, self._pot).gauge_pa, convert(high, self._pot).gauge_pa
        return (None, None) if None in ends else ends

    def _each(self, bucket: Bucket) -> tuple[float | None, float | None]:
        samples = self._store.samples(self._pot.pot_id, bucket.from_s, bucket.to_s)
        read = [convert(sample, self._pot).gauge_pa for sample in samples if sample.t_s < bucket.to_s]
        known = [pa for pa in read if pa is not None]
        return (min(known), max(known)) if known else (None, None)


def _with_gaps(points: list[_Point], gap_s: float) -> Iterator[_Point]:
    for i, point in enumerate(points):
        if i and point[0] - points[i - 1][0] > gap_s:
            yield (points[i - 1][0] + point[0]) / 2.0, None, None
        yield point


# --- the watch's estimates


def _trace(
    traces: Sequence[TraceRow], per_unit: float, digits: int, temperature_unit: str
) -> dict[str, list[float | None]]:
    per_unit_h = SECONDS_PER_HOUR / per_unit
    rates = [each.leak_pa_per_s for each in traces]
    lines: dict[str, list[float | None]] = {
        "corrected": [each.corrected_gauge_pa for each in traces],
        "leak": [None if rate is None else rate.value * per_unit_h for rate in rates],
        "leak_low": [None if rate is None else rate.low * per_unit_h for rate in rates],
        "leak_high": [None if rate is None else rate.high * per_unit_h for rate in rates],
        **{place.value: [getattr(each, f"{place}_k") for each in traces] for place in Place},
    }
    lines["corrected"] = [None if pa is None else pa / per_unit for pa in lines["corrected"]]
    for place in Place:
        lines[place] = [None if k is None else in_degrees(k, temperature_unit) for k in lines[place]]
    known = {name: line for name, line in lines.items() if any(value is not None for value in line)}
    rounded: dict[str, list[float | None]] = {
        name: [None if value is None else round(value, digits) for value in line]
        for name, line in known.items()
    }
    return {"t": [round(each.t_s, 2) for each in traces], **rounded}


def _marks(
    events: Sequence[Event], row: BatchRow | None, pot: Pot | None, traces: Sequence[TraceRow]
) -> Iterator[dict[str, Any]]:
    for event in events:
        match event:
            case AlarmEvent(state=AlarmState.UNACKNOWLEDGED, repeat=False):
                standing = StandingAlarm(
                    event.alarm, event.priority, event.state, event.t_s, event.utc_s, event.text
                )
                yield _mark(event.t_s, "alarm", ALARM_WORDS[event.alarm], words.alarm_level(standing))
            case NoteEvent(note=NoteId.TOP_UP):
                yield _mark(event.t_s, "top-up", shown(event.text), words.Severity.NOTE)
            case NoteEvent(note=NoteId.CURE_DONE):
                yield _mark(event.t_s, "cure-done", "cure done", words.Severity.CALM)
            case StageEvent(stage=Stage.VENTING):
                yield _mark(event.t_s, "vented", "vented", words.Severity.NOTE)
    gel_s = None
    if row is not None and pot is not None:
        gel_s = gelled_s(pot.resin(row.details.get(Detail.RESIN)), traces)
    if gel_s is not None:
        yield _mark(gel_s, "gel", "gel", words.Severity.NOTE)


def _mark(t_s: float, kind: str, text: str, level: words.Severity) -> dict[str, Any]:
    return {"t": round(t_s, 2), "kind": kind, "text": text, "level": level.value}


def _cone(live: LivePot, pot: Pot, in_unit: Any) -> dict[str, Any] | None:
    """Return the forecast fall of the pressure to the floor, None without a forecast."""
    snapshot = live.snapshot
    forecast, gauge_pa = snapshot.forecast, snapshot.reading.gauge_pa
    shut = snapshot.stage in (Stage.SETTLING, Stage.HOLDING)
    if forecast is None or gauge_pa is None or not shut or TraceRow.of(snapshot).leak_pa_per_s is None:
        return None
    return {
        "t0": round(snapshot.t_s, 2),
        "p0": in_unit(gauge_pa),
        "t": round(forecast.crossing_s, 2),
        "early": round(forecast.earliest_s, 2),
        "late": None if forecast.latest_s is None else round(forecast.latest_s, 2),
        "floor": in_unit(pot.floor_pa),
    }


def _cure_done(query: CurveQuery) -> float | None:
    if query.row is None:
        return None
    if query.row.summary is not None:
        return round(query.row.summary.cure.done_s, 2)
    cure = None if query.live is None else query.live.snapshot.cure
    return None if cure is None else round(cure.done_s, 2)
