"""The data of a batch's chart: readings thinned for drawing, and the limits of the panels."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import itemgetter

from potvigil.model.events import Stage
from potvigil.model.reading import Place
from potvigil.record.tables.ledger import TRACE_PERIOD_S
from potvigil.reports.model import BatchReport
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR, in_degrees

BUCKETS = 700  # two points each: more than the paper can show
_LEAST_HIGH_PSI_PER_H = 0.3  # least range of the leak's panel, so that noise looks like noise

Points = list[tuple[float, float | None]]


def thinned(points: Sequence[tuple[float, float | None]], buckets: int = BUCKETS) -> Points:
    """Return no more points than paper can show: the lowest and the highest of each bucket of time.

    Peaks and dips keep their time and height. A bucket with unknown values keeps one of them.
    """
    if len(points) <= 2 * buckets:
        return list(points)
    first_s, last_s = points[0][0], points[-1][0]
    wide_s = (last_s - first_s) / buckets or 1.0
    kept: Points = []
    bucket: Points = []
    end_s = first_s + wide_s
    for point in points:
        if point[0] >= end_s:
            kept += _extremes(bucket)
            bucket.clear()
            end_s += wide_s * (1 + (point[0] - end_s) // wide_s)
        bucket.append(point)
    return kept + _extremes(bucket)


def _extremes(bucket: Points) -> Points:
    known = [(value, t_s) for t_s, value in bucket if value is not None]
    unknown = [t_s for t_s, value in bucket if value is None][:1]
    ends = {min(known), max(known)} if known else set()
    return sorted([(t_s, value) for value, t_s in ends] + [(t_s, None) for t_s in unknown], key=_time)


def _time(point: tuple[float, float | None]) -> float:
    return point[0]


def rate_limits(report: BatchReport, unit: float) -> tuple[float, float]:
    """Return limits that hold the settled estimate, every established leak, and most of the band."""
    after_s = report.summary.start_s + 0.08 * (report.summary.end_s - report.summary.start_s)
    rates = [r for each in report.traces if (r := each.leak_pa_per_s) is not None and each.t_s > after_s]
    sure = [
        r.value for each in report.traces if each.leak_established and (r := each.leak_pa_per_s) is not None
    ]
    bottoms, tops = [0.0], [_LEAST_HIGH_PSI_PER_H * PA_PER_PSI / SECONDS_PER_HOUR / unit]
    tops += [rate / unit for rate in sure]  # an established leak is drawn, however late it came
    if rates:
        tops += [
            _share([rate.high for rate in rates], 0.75) / unit,
            _share([r.value for r in rates], 0.98) / unit,
        ]
        bottoms += [
            _share([r.low for r in rates], 0.25) / unit,
            _share([r.value for r in rates], 0.02) / unit,
        ]
    room = 0.06 * (max(tops) - min(bottoms))
    return min(bottoms) - 4.0 * room, max(tops) + room


def _share(values: list[float], share: float) -> float:
    return sorted(values)[int(share * len(values))]


def temperatures_of(report: BatchReport) -> dict[Place, Points]:
    """Return each thermometer's readings in the pot's unit, leaving out those that have none."""
    lines: dict[Place, Points] = {}
    unit = report.pot.temperature_unit
    for place in Place:
        kelvin = [(each.t_s, getattr(each, f"{place}_k")) for each in report.traces]
        if any(value is not None for _, value in kelvin):
            lines[place] = [(t_s, None if k is None else in_degrees(k, unit)) for t_s, k in kelvin]
    return lines


def temperature_limits(degrees: Sequence[float]) -> tuple[float, float]:
    """Return limits of the temperature panel: all but the outermost hundredth at either end, with a margin.

    The heat of a fill or top-up may leave the panel: it is gone in minutes and would flatten the night.
    """
    known = sorted(degrees) or [20.0]
    low, high = known[len(known) // 100], known[-1 - len(known) // 100]
    room = 0.1 * (high - low) + 0.2
    return low - room, high + room


def thermometer_gaps(report: BatchReport) -> Iterator[tuple[Place, float, float]]:
    """Yield (place, from, to) of each time a fitted thermometer gave no reading of a shut pot."""
    shut = [each for each in report.traces if each.stage in (Stage.SETTLING, Stage.HOLDING)]
    for place in Place:
        if place not in report.pot.thermometers:
            continue
        known = [getattr(each, f"{place}_k") is not None for each in shut]
        for is_known, stretch in groupby(zip(known, shut, strict=True), key=itemgetter(0)):
            if not is_known:
                times = [each.t_s for _, each in stretch]
                yield place, times[0], times[-1] + TRACE_PERIOD_S


def last_value(points: Points, until_s: float | None, unit: float) -> float | None:
    """Return the last known value up to a time, which is where a line is named."""
    known = [value for t_s, value in points if value is not None and (until_s is None or t_s <= until_s)]
    return known[-1] / unit if known else None
