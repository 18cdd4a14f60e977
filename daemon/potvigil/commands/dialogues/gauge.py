"""The dialogue of a calibration: the open pot, then points against the pot's own gauge."""

from collections.abc import Callable
from dataclasses import dataclass

from potvigil.clock import Clock
from potvigil.commands.shared.common import UseError
from potvigil.diagnosis.calibration import (
    LARGEST_DRIFT,
    Anchor,
    Calibration,
    CalibrationError,
    CalibrationPoint,
    Steady,
    bare,
    calibrate,
    in_own_reference,
    is_steady,
    own_pa,
    steady,
    zero_of,
)
from potvigil.drivers.station import Station
from potvigil.model.pot import Pot
from potvigil.model.reading import Quality
from potvigil.sensing.conversion import convert
from potvigil.units import PRESSURE, PRESSURE_DECIMALS, PRESSURE_UNITS_PA, Quantity
from potvigil.wording.quantities import pressure, shown

# A zero takes twenty readings; a point ten before and five after a person reads the gauge.
_ZERO_READINGS, _POINT_READINGS, _CHECK_READINGS = 20, 10, 5
_POINTS = 3
# Filling warms the air, which then cools for minutes.
_PATIENCE_S = 900.0
# EN 837-1: the accuracy class of the usual small gauge, in % of its full scale
_USUAL_CLASS = "2.5"


@dataclass(frozen=True, slots=True)
class Bench:
    """What the dialogue works on. bring: brings a simulated pot to a gauge pressure; None: open the vent.

    gauge_pa: the reading of a simulated gauge, None where a person must read it.
    """

    pot: Pot
    station: Station
    clock: Clock
    period_s: float
    ask: Callable[[str], str]
    bring: Callable[[float | None], None]
    gauge_pa: Callable[[], float] | None = None

    def read(self, count: int) -> tuple[Steady, float]:
        """Read `count` times; return the reported pressures, and what an open pot should read."""
        uncalibrated = bare(self.pot)
        readings, open_pot_pa = [], 0.0
        for _ in range(count):
            now = self.clock.now()
            sample = dict(self.station.read(now.boot_s, now))[self.pot.pot_id]
            reading = convert(sample, uncalibrated)
            value = own_pa(reading, self.pot)
            if value is None or reading.quality is Quality.BAD:
                raise UseError(f"{self.pot.pot_id}: {reading.fault}; see `potvigil check --hardware`")
            readings.append((now.boot_s, value))
            open_pot_pa = in_own_reference(0.0, reading, self.pot)
            self.clock.sleep_until(now.boot_s + self.period_s)
        return steady(readings), open_pot_pa


def take_zero(bench: Bench) -> Anchor:
    pot = bench.pot
    bench.ask(
        "Zero. Shut the supply and open the vent fully; wait until the pot's gauge shows zero. "
        "Then press Enter: "
    )
    bench.bring(None)
    judged, open_pot_pa = bench.read(_ZERO_READINGS)
    anchor = zero_of(judged, open_pot_pa, pot)
    off, spread = fine(judged.mean_pa - open_pot_pa, pot), fine(judged.spread_pa, pot)
    print(f"The transducer says {off}, give or take {spread}.")
    return anchor


def take_points(
    bench: Bench, anchor: Anchor | None, gauge: str | None, gauge_class: str | None
) -> tuple[Calibration, str]:
    pot, unit = bench.pot, bench.pot.pressure_unit
    full_scale = _full_scale(bench, gauge)
    share = _class_share(bench, gauge_class)
    error_pa = share * full_scale.si
    points = [
        _take_point(bench, number, target_pa, full_scale, error_pa)
        for number, target_pa in enumerate(targets_pa(pot), start=1)
    ]
    found = calibrate(points, anchor, error_pa, pot)
    print("\npoint  gauge       line minus gauge")
    for number, (point, residual_pa) in enumerate(zip(points, found.residuals_pa, strict=True), start=1):
        print(f"{number:<6} {pressure(point.gauge_pa, unit):<11} {fine(residual_pa, pot)}")
    if found.slope_interval is not None:
        low, high = found.slope_interval.low, found.slope_interval.high
        print(f"slope {found.slope:.4f} ({low:.4f} to {high:.4f}), if the gauge is right overall")
    worst_pa = max(map(abs, found.residuals_pa))
    note = (
        f"{len(points)} points to {pressure(max(point.gauge_pa for point in points), unit)}"
        f"{'' if anchor is None else ' and the open pot'}; gauge {full_scale}, class {100.0 * share:g}; "
        f"largest residual {fine(worst_pa, pot)}"
    )
    return found, note


def _take_point(
    bench: Bench, number: int, target_pa: float, full_scale: Quantity, error_pa: float
) -> CalibrationPoint:
    pot, unit = bench.pot, bench.pot.pressure_unit
    span_pa = pot.transducer.span_pa if pot.transducer is not None else 0.0
    bench.ask(
        f"Point {number} of {_POINTS}. Bring the pot slowly to about {pressure(target_pa, unit)} and shut "
        "the supply. Then press Enter: "
    )
    bench.bring(target_pa)
    while True:
        before = _wait_until_steady(bench, span_pa)
        gauge_pa = _gauge_reading(bench, full_scale)
        if gauge_pa > pot.maximum_pa:
            raise CalibrationError(
                f"{pressure(gauge_pa, unit)} is above the marked maximum {pressure(pot.maximum_pa, unit)}: "
                "shut the supply, let the relief valve work and stay clear"
            )
        if gauge_pa > pot.working_pa + error_pa:
            print(f"That is above the working pressure. Let air out to {pressure(target_pa, unit)}.")
            continue
        after, open_pot_pa = bench.read(_CHECK_READINGS)
        if abs(after.mean_pa - before.mean_pa) <= 2.0 * LARGEST_DRIFT * span_pa:
            mean_pa = 0.5 * (before.mean_pa + after.mean_pa)
            return CalibrationPoint(gauge_pa, gauge_pa + open_pot_pa, mean_pa)
        moved = fine(after.mean_pa - before.mean_pa, pot)
        print(f"The pressure moved by {moved} meanwhile; wait, and read the gauge again.")


def _wait_until_steady(bench: Bench, span_pa: float) -> Steady:
    until_s = bench.clock.now().boot_s + _PATIENCE_S
    was_printed = False
    while True:
        judged, _ = bench.read(_POINT_READINGS)
        if is_steady(judged, span_pa):
            return judged
        if bench.clock.now().boot_s > until_s:
            raise CalibrationError(
                f"after {_PATIENCE_S / 60.0:.0f} min the reading still moves by "
                f"{fine(judged.drift_pa, bench.pot)} and scatters by {fine(judged.spread_pa, bench.pot)}: "
                "repair a pot that leaks this much first, after venting; for a noisy reading check the "
                "transducer's ground and supply"
            )
        if not was_printed:
            print("The air cools after filling; waiting until the reading is steady ...", flush=True)
            was_printed = True


def targets_pa(pot: Pot) -> list[float]:
    """Return the gauge pressures of the points: thirds of the working pressure, rounded down to marks."""
    mark_pa = {"psi": 1.0, "bar": 0.1, "kPa": 10.0}[pot.pressure_unit] * PRESSURE_UNITS_PA[pot.pressure_unit]
    # a whole mark stays one, even if rounding errors put it just below
    marks = [int(pot.working_pa * (i + 1) / _POINTS / mark_pa + 1e-6) for i in range(_POINTS)]
    return [max(mark, 1) * mark_pa for mark in marks]


def _gauge_reading(bench: Bench, full_scale: Quantity) -> float:
    unit = full_scale.written.lstrip("+-.0123456789eE ").strip()
    simulated_pa = None if bench.gauge_pa is None else bench.gauge_pa()
    if simulated_pa is not None:
        print(
            f"(the simulated gauge shows {simulated_pa / PRESSURE_UNITS_PA[unit]:.2f} {unit}; Enter takes it)"
        )
    while True:
        answer = bench.ask(f"What does the pot's gauge show, in {unit}? ").strip()
        if not answer and simulated_pa is not None:
            return simulated_pa
        try:
            reading = PRESSURE.read(answer if answer[-1:].isalpha() else f"{answer} {unit}").si
        except ValueError:
            print(f"{shown(answer)!r} is not a pressure; give a number like 20.5, in {unit}.")
            continue
        if 0.0 <= reading <= full_scale.si:
            return reading
        print(f"The gauge goes from 0 to {full_scale}.")


def _full_scale(bench: Bench, given: str | None) -> Quantity:
    text = given or bench.ask("What is the last figure on the gauge's scale, with its unit (like 100 psi)? ")
    try:
        full_scale = PRESSURE.read(text)
    except ValueError as error:
        raise UseError(f"the gauge's scale: {shown(text)!r} {error}") from None
    if full_scale.si < bench.pot.working_pa:
        raise UseError(
            f"a gauge that ends at {full_scale} cannot show the working pressure; give its full scale"
        )
    return full_scale


def _class_share(bench: Bench, given: str | None) -> float:
    text = (
        given or bench.ask(f"Its accuracy class, if one is printed (Enter: {_USUAL_CLASS})? ") or _USUAL_CLASS
    )
    try:
        percent = float(text)
    except ValueError:
        percent = 0.0
    if not 0.05 <= percent <= 10.0:
        raise UseError(
            f"the gauge's class: {shown(text)!r} is not one; give a number like 1.6 or 2.5, in % of its scale"
        )
    return percent / 100.0


def fine(pa: float, pot: Pot) -> str:
    """Return a pressure with one decimal more than elsewhere."""
    unit = pot.pressure_unit
    text = f"{pa / PRESSURE_UNITS_PA[unit]:.{PRESSURE_DECIMALS[unit] + 1}f}"
    return f"{text.lstrip('-') if not float(text) else text} {unit}"
