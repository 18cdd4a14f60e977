"""Zero and slope of a transducer, from its readings and true pressures; and how its zero drifts.

true = slope * (reported - zero), as in sensing/conversion.py. "Reported" is the transducer's reading with a
zero of 0 and a slope of 1, "own" the pressure it measures: gauge or absolute. An open pot is certainly at
zero; at any other point the pot's own gauge is taken as true, within the error of its class. The errors are
the gauge's, as a transducer's noise is far smaller: so least squares fit the gauge.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from potvigil.model.events import Interval
from potvigil.model.pot import Pot, Reference
from potvigil.model.reading import Quality, Reading, Sample
from potvigil.sensing.conversion import convert
from potvigil.statistics.small_samples import student
from potvigil.statistics.straight_line import straight_line
from potvigil.wording.quantities import pressure

# Shares of the transducer's span. A cheap transducer is within 1 to 2.5 % in all (common practice of makers'
# data sheets): a zero beyond 3 % is a pot under pressure, or not this transducer. Noise of a sound wiring is
# 0.03 % and less; a reading counts as steady when it moves by no more than its last shown figure.
LARGEST_ZERO, LARGEST_SPREAD, LARGEST_DRIFT = 0.03, 0.002, 0.001
LOWEST_SLOPE, HIGHEST_SLOPE = 0.9, 1.1
# The points must span at least this share of the working pressure.
LEAST_RANGE = 0.25
LEAST_READINGS = 10


class CalibrationError(ValueError):
    """These readings are not usable for a calibration; one line for a person."""


@dataclass(frozen=True, slots=True)
class Steady:
    """Readings of one state, Pa. spread: of one reading, 1 sigma. drift: from the first to the last."""

    mean_pa: float
    spread_pa: float
    drift_pa: float


@dataclass(frozen=True, slots=True)
class Fit:
    """y = intercept + slope x by least squares, with standard errors; None where they are unknown."""

    intercept: float
    slope: float
    residuals: tuple[float, ...]
    residual_sd: float | None
    intercept_sd: float | None
    slope_sd: float | None


@dataclass(frozen=True, slots=True)
class Anchor:
    """The open pot: the reported and the true pressure, in the transducer's own reference, Pa."""

    reported_pa: float
    own_pa: float


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One comparison. gauge_pa: the pot's gauge; own_pa: the same in the transducer's own reference."""

    gauge_pa: float
    own_pa: float
    reported_pa: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """zero_pa, slope: as in the settings. residuals_pa: line less gauge at each point."""

    zero_pa: float
    slope: float
    slope_interval: Interval | None
    residuals_pa: tuple[float, ...]


def bare(pot: Pot) -> Pot:
    """Return the pot as if its transducer had never been calibrated."""
    if pot.transducer is None:
        raise CalibrationError(
            f"{pot.pot_id} has no transducer in the settings; there is nothing to calibrate"
        )
    return replace(pot, transducer=replace(pot.transducer, zero_pa=0.0, slope=1.0))


def own_pa(reading: Reading, pot: Pot) -> float | None:
    """Return what the transducer measures, gauge or absolute, Pa."""
    return reading.absolute_pa if _is_absolute(pot) else reading.gauge_pa


def in_own_reference(gauge_pa: float, reading: Reading, pot: Pot) -> float:
    """Return a gauge pressure as this transducer measures it, Pa."""
    return gauge_pa + reading.ambient_pa if _is_absolute(pot) else gauge_pa


def steady(readings: Sequence[tuple[float, float]]) -> Steady:
    """Summarise readings of one state: (t_s, Pa), in order of time, at least three."""
    times, values = zip(*readings, strict=True)
    fit = line_fit(times, values)
    mean_pa = math.fsum(values) / len(values)
    spread_pa = math.sqrt(math.fsum((value - mean_pa) ** 2 for value in values) / (len(values) - 1))
    return Steady(
        mean_pa,
        fit.residual_sd if fit.residual_sd is not None else spread_pa,
        fit.slope * (times[-1] - times[0]),
    )


def is_steady(judged: Steady, span_pa: float) -> bool:
    return abs(judged.drift_pa) <= LARGEST_DRIFT * span_pa and judged.spread_pa <= LARGEST_SPREAD * span_pa


def zero_of(judged: Steady, own_at_zero_pa: float, pot: Pot) -> Anchor:
    """Take the readings of an open pot. Raises CalibrationError where the pot is not open, or too noisy.

    own_at_zero_pa: 0, or the atmosphere for a transducer that measures absolute pressure.
    """
    span_pa, unit = _span_pa(pot), pot.pressure_unit
    off_pa = judged.mean_pa - own_at_zero_pa
    if abs(off_pa) > LARGEST_ZERO * span_pa:
        raise CalibrationError(
            f"it reads {pressure(off_pa, unit)}: that is not an open pot. Open the vent fully and confirm "
            "zero on the pot's gauge; if that shows zero, check the transducer's span, supply, divider"
        )
    if judged.spread_pa > LARGEST_SPREAD * span_pa:
        raise CalibrationError(
            f"the reading scatters by {pressure(judged.spread_pa, unit)}: too noisy to calibrate. Look at "
            "ground and supply of the transducer, and keep its cable away from motors and mains"
        )
    if abs(judged.drift_pa) > LARGEST_DRIFT * span_pa:
        raise CalibrationError(
            f"the reading still moves, by {pressure(judged.drift_pa, unit)} just now: air is still moving. "
            "Wait until the vent is quiet, then try again"
        )
    return Anchor(judged.mean_pa, own_at_zero_pa)


def line_fit(xs: Sequence[float], ys: Sequence[float]) -> Fit:
    """Fit a straight line; at least two different xs."""
    n = len(xs)
    fit = straight_line(xs, ys, [1.0] * n)
    residuals = fit.residuals(xs, ys)
    intercept = fit.y_mean - fit.slope * fit.x_mean
    if n < 3:
        return Fit(intercept, fit.slope, residuals, None, None, None)
    sd = math.sqrt(math.fsum(r * r for r in residuals) / (n - 2))
    intercept_sd = sd * math.sqrt(1.0 / n + fit.x_mean**2 / fit.sxx)
    return Fit(intercept, fit.slope, residuals, sd, intercept_sd, sd / math.sqrt(fit.sxx))


def anchored_fit(xs: Sequence[float], ys: Sequence[float]) -> Fit:
    """Fit a straight line through the origin."""
    sxx = math.fsum(x * x for x in xs)
    slope = math.fsum(x * y for x, y in zip(xs, ys, strict=True)) / sxx
    residuals = tuple(slope * x - y for x, y in zip(xs, ys, strict=True))
    if len(xs) < 2:
        return Fit(0.0, slope, residuals, None, None, None)
    sd = math.sqrt(math.fsum(r * r for r in residuals) / (len(xs) - 1))
    return Fit(0.0, slope, residuals, sd, 0.0, sd / math.sqrt(sxx))


def zero_alone(anchor: Anchor, pot: Pot) -> Calibration:
    """Return the calibration that changes the zero and keeps the slope."""
    slope = pot.transducer.slope if pot.transducer is not None else 1.0
    return Calibration(anchor.reported_pa - anchor.own_pa / slope, slope, None, ())


def calibrate(
    points: Sequence[CalibrationPoint], anchor: Anchor | None, gauge_error_pa: float, pot: Pot
) -> Calibration:
    """Return zero and slope from points against the pot's gauge.

    anchor: the open pot, through which the line must then pass. gauge_error_pa: by how much the gauge may be
    wrong. Raises CalibrationError for too few points, or inconsistent ones.
    """
    unit = pot.pressure_unit
    if len(points) < 2:
        raise CalibrationError(f"{len(points)} of at least two points; take more")
    known = [0.0] if anchor is not None else []
    gauges = [point.gauge_pa for point in points]
    if max(gauges) - min(gauges + known) < LEAST_RANGE * pot.working_pa or len(set(gauges)) < 2:
        raise CalibrationError(
            f"the points lie within {pressure(max(gauges) - min(gauges + known), unit)}; a slope needs a "
            f"quarter of the working pressure {pressure(pot.working_pa, unit)}. Take them farther apart"
        )
    ordered = sorted(points, key=lambda point: point.gauge_pa)
    for low, high in pairwise(ordered):
        if high.gauge_pa > low.gauge_pa and high.reported_pa <= low.reported_pa:
            raise CalibrationError(
                f"the gauge rose from {pressure(low.gauge_pa, unit)} to {pressure(high.gauge_pa, unit)} and "
                "the transducer did not: is its port blocked, or is it on another pot?"
            )
    reported = [point.reported_pa for point in points]
    own = [point.own_pa for point in points]
    if anchor is None:
        fit, freedom = line_fit(reported, own), len(points) - 2
        zero_pa = -fit.intercept / fit.slope
    else:
        fit = anchored_fit([r - anchor.reported_pa for r in reported], [o - anchor.own_pa for o in own])
        freedom = len(points) - 1
        zero_pa = anchor.reported_pa - anchor.own_pa / fit.slope
    _check(fit, zero_pa, points, anchor, gauge_error_pa, pot)
    interval = None
    if fit.slope_sd is not None and freedom > 0:
        half = student(0.975, freedom) * fit.slope_sd
        interval = Interval(fit.slope, fit.slope - half, fit.slope + half)
    return Calibration(zero_pa, fit.slope, interval, fit.residuals)


def _check(
    fit: Fit,
    zero_pa: float,
    points: Sequence[CalibrationPoint],
    anchor: Anchor | None,
    gauge_error_pa: float,
    pot: Pot,
) -> None:
    unit = pot.pressure_unit
    if not LOWEST_SLOPE <= fit.slope <= HIGHEST_SLOPE:
        raise CalibrationError(
            f"a slope of {fit.slope:.3f} is too far from 1 for a sound transducer: span, supply or divider "
            "in the settings do not match the wiring. Correct that first"
        )
    for number, (point, residual_pa) in enumerate(zip(points, fit.residuals, strict=True), start=1):
        if abs(residual_pa) > gauge_error_pa:
            raise CalibrationError(
                f"point {number}, {pressure(point.gauge_pa, unit)} on the gauge, is "
                f"{pressure(abs(residual_pa), unit)} off the line, more than the gauge may be wrong "
                f"({pressure(gauge_error_pa, unit)}): read it again, or doubt the gauge"
            )
    if anchor is None and abs(zero_pa) > LARGEST_ZERO * _span_pa(pot) + gauge_error_pa:
        raise CalibrationError(
            f"the points give a zero of {pressure(zero_pa, unit)}, too far off: take it with the pot open"
        )


# --- how the zero drifts


@dataclass(frozen=True, slots=True)
class VentZero:
    """The reading of the open pot after a batch, Pa: the zero that the settings should have."""

    t_s: float
    utc_s: float | None
    zero_pa: float


def zero_at_vent(samples: Iterable[Sample], pot: Pot) -> VentZero | None:
    """Return the zero from samples between two batches; None where the pot was not open and at rest."""
    uncalibrated = bare(pot)
    assert pot.transducer is not None
    readings: list[tuple[float, float]] = []
    own_at_zero: list[float] = []
    first: Reading | None = None
    for sample in samples:
        reading = convert(sample, uncalibrated)
        value = own_pa(reading, pot)
        if value is None or reading.quality is Quality.BAD:
            continue
        first = first or reading
        readings.append((reading.t_s, value))
        own_at_zero.append(in_own_reference(0.0, reading, pot))
    if first is None or len(readings) < LEAST_READINGS:
        return None
    try:
        anchor = zero_of(steady(readings), math.fsum(own_at_zero) / len(own_at_zero), pot)
    except CalibrationError:
        return None
    return VentZero(first.t_s, first.utc_s, anchor.reported_pa - anchor.own_pa / pot.transducer.slope)


def drift(zeros: Sequence[VentZero]) -> Interval | None:
    """Return how fast the zero drifts, Pa/s; None for fewer than three zeros."""
    if len(zeros) < 3:
        return None
    fit = line_fit([zero.t_s for zero in zeros], [zero.zero_pa for zero in zeros])
    assert fit.slope_sd is not None
    half = student(0.975, len(zeros) - 2) * fit.slope_sd
    return Interval(fit.slope, fit.slope - half, fit.slope + half)


def _span_pa(pot: Pot) -> float:
    assert pot.transducer is not None
    return pot.transducer.span_pa


def _is_absolute(pot: Pot) -> bool:
    return pot.transducer is not None and pot.transducer.reference is Reference.ABSOLUTE
