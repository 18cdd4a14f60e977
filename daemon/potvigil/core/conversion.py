"""From counts to pressures: count -> volt -> share of the supply -> gauge -> absolute, with fault bands."""

from potvigil.core.pot import Pot, Reference, Transducer
from potvigil.core.reading import Quality, Reading, Sample, Sensor
from potvigil.units import ZERO_CELSIUS_K

# A ratiometric transducer answers between 10 % and 90 % of its supply (0.5-4.5 V at 5 V). Outside
# 5-95 % (0.25-4.75 V) a wire is open or shorted; common practice of transducer makers.
LOWEST_WIRED_SHARE, HIGHEST_WIRED_SHARE = 0.05, 0.95
# Between those and the scale's ends the reading is kept but doubted.
LOWEST_TRUSTED_SHARE, HIGHEST_TRUSTED_SHARE = 0.08, 0.92
# The transducer's supply may be off by a tenth before it is a fault of its own (5 V +/- 0.5 V is what
# ratiometric transducers are commonly made for).
SUPPLY_TOLERANCE = 0.1
# No weather on an inhabited mountain leaves this band; a barometer that does is broken.
LOWEST_AMBIENT_PA, HIGHEST_AMBIENT_PA = 30_000.0, 110_000.0
# DS18B20 range, datasheet.
LOWEST_TEMPERATURE_C, HIGHEST_TEMPERATURE_C = -55.0, 125.0


def convert(sample: Sample, pot: Pot) -> Reading:
    """Convert a sample of `pot` to engineering units; what cannot be told is None, with the fault named."""
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
        quality, fault = Quality.BAD, "the absolute pressure would be below nothing; check the calibration"

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

    signal_v = count * transducer.volts_per_count
    share = signal_v / supply_v
    if share < LOWEST_WIRED_SHARE:
        return None, Quality.BAD, f"signal {signal_v:.2f} V: broken wire or no supply"
    if share > HIGHEST_WIRED_SHARE:
        return None, Quality.BAD, f"signal {signal_v:.2f} V: wire shorted to the supply or ground lost"

    reported_pa = (share - 0.1) / 0.8 * transducer.span_pa
    pressure_pa = (reported_pa - transducer.zero_pa) * transducer.slope
    if not LOWEST_TRUSTED_SHARE <= share <= HIGHEST_TRUSTED_SHARE:
        return pressure_pa, Quality.SUSPECT, f"signal {signal_v:.2f} V is beyond the end of its scale"
    return pressure_pa, Quality.GOOD, None


def _kelvin(celsius: float | None) -> float | None:
    if celsius is None or not LOWEST_TEMPERATURE_C <= celsius <= HIGHEST_TEMPERATURE_C:
        return None
    return celsius + ZERO_CELSIUS_K
