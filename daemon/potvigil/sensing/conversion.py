"""From counts to pressures: count -> volt -> signal -> gauge -> absolute, with fault bands."""

from potvigil.model.pot import Pot, Reference, Transducer
from potvigil.model.reading import Quality, Reading, Sample, Sensor
from potvigil.model.signal import RATIOMETRIC, Of, Signal
from potvigil.units import ZERO_CELSIUS_K

# The transducer's supply may be off by a tenth before it is a fault of its own (5 V +/- 0.5 V is what
# ratiometric transducers are commonly made for).
SUPPLY_TOLERANCE = 0.1
# Weather stays within this band even on an inhabited mountain; a barometer outside it is broken.
LOWEST_AMBIENT_PA, HIGHEST_AMBIENT_PA = 30_000.0, 110_000.0
# DS18B20 range, datasheet.
LOWEST_TEMPERATURE_C, HIGHEST_TEMPERATURE_C = -55.0, 125.0


def convert(sample: Sample, pot: Pot) -> Reading:
    """Convert a sample of `pot` to engineering units; what is unknown is None, with the fault named."""
    ambient_pa = sample.ambient_pa
    if ambient_pa is None or not LOWEST_AMBIENT_PA <= ambient_pa <= HIGHEST_AMBIENT_PA:
        ambient_pa = pot.ambient_pa
    gauge_pa = sample.gauge_pa
    absolute_pa = sample.absolute_pa
    quality, fault = Quality.GOOD, None

    if gauge_pa is None and absolute_pa is None:
        own_pa, quality, fault = _transducer_pressure(sample, pot.transducer)
        if pot.transducer is not None and pot.transducer.reference is Reference.ABSOLUTE:
            absolute_pa = own_pa
        else:
            gauge_pa = own_pa
    if absolute_pa is None and gauge_pa is not None:
        absolute_pa = gauge_pa + ambient_pa
    elif gauge_pa is None and absolute_pa is not None:
        gauge_pa = absolute_pa - ambient_pa
    if absolute_pa is not None and absolute_pa <= 0.0:
        gauge_pa = absolute_pa = None
        quality, fault = Quality.BAD, "the absolute pressure would be below zero; check the calibration"

    return Reading(
        sample.t_s,
        sample.utc_s,
        gauge_pa,
        absolute_pa,
        ambient_pa,
        _kelvin(sample.gas_c),
        _kelvin(sample.wall_c),
        _kelvin(sample.room_c),
        quality,
        fault,
        _kelvin(sample.contents_c),
    )


def _transducer_pressure(
    sample: Sample, transducer: Transducer | None
) -> tuple[float | None, Quality, str | None]:
    count = sample.transducer_count
    if count is None:
        for named in sample.faults:
            if named.sensor is Sensor.TRANSDUCER:
                return None, Quality.BAD, named.detail
        return None, Quality.BAD, "no reading"
    if transducer is None:
        return None, Quality.BAD, "counts without a transducer in the settings"

    supply_v = transducer.supply_v
    if transducer.supply_volts_per_count is not None and sample.supply_count is not None:
        measured_v = sample.supply_count * transducer.supply_volts_per_count
        if abs(measured_v - supply_v) > SUPPLY_TOLERANCE * supply_v:
            return None, Quality.BAD, f"its supply is {measured_v:.2f} V, not {supply_v:g} V"
        supply_v = measured_v

    signal = transducer.signal
    signal_v = count * transducer.volts_per_count
    value = signal_v / supply_v if signal is RATIOMETRIC else transducer.value_of(signal_v)
    low, high = signal.failed
    if not low < value < high:
        reason = signal.too_low if value <= low else signal.too_high
        return None, Quality.BAD, f"{_said(signal, signal_v, value)}: {reason}"

    reported_pa = (value - signal.zero) / (signal.full - signal.zero) * transducer.span_pa
    pressure_pa = (reported_pa - transducer.zero_pa) * transducer.slope
    low, high = signal.trusted
    if not low <= value <= high:
        return pressure_pa, Quality.SUSPECT, f"{_said(signal, signal_v, value)} {signal.doubt}"
    return pressure_pa, Quality.GOOD, None


def _said(signal: Signal, signal_v: float, value: float) -> str:
    return f"signal {value:.2f} mA" if signal.of is Of.MILLIAMPERE else f"signal {signal_v:.2f} V"


def _kelvin(celsius: float | None) -> float | None:
    if celsius is None or not LOWEST_TEMPERATURE_C <= celsius <= HIGHEST_TEMPERATURE_C:
        return None
    return celsius + ZERO_CELSIUS_K
