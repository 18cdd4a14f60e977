"""Counts to pressures: what is believed, doubted or rejected; unknown stays unknown."""

from dataclasses import replace

import pytest

from potvigil.model.pot import Pot, Reference, Transducer
from potvigil.model.reading import Fault, Place, Quality, Reading, Sample, Sensor
from potvigil.sensing.conversion import convert
from shut_pot import ATMOSPHERE_PA, PSI, pot

LSB_V = 187.5e-6
TRANSDUCER = Transducer(volts_per_count=LSB_V, span_pa=100 * PSI)
ASSUMED = pot(transducer=TRANSDUCER)
MEASURED = pot(transducer=replace(TRANSDUCER, supply_volts_per_count=LSB_V))


def at_volt(volt: float, of: Pot = ASSUMED, **fields: object) -> Reading:
    return convert(replace(Sample(0.0, transducer_count=volt / LSB_V), **fields), of)


@pytest.mark.parametrize(
    ("volt", "quality"),
    [  # outside 0.25 to 4.75 V a wire is open or shorted, common practice of transducer makers
        (-0.01, Quality.BAD),
        (0.0, Quality.BAD),
        (0.2, Quality.BAD),
        (0.3, Quality.SUSPECT),
        (0.45, Quality.GOOD),
        (0.5, Quality.GOOD),
        (2.5, Quality.GOOD),
        (4.5, Quality.GOOD),
        (4.65, Quality.SUSPECT),
        (4.8, Quality.BAD),
        (5.0, Quality.BAD),
    ],
)
def test_each_band_of_the_signal_has_its_quality(volt: float, quality: Quality) -> None:
    reading = at_volt(volt)
    assert reading.quality is quality
    assert (reading.gauge_pa is None) is (quality is Quality.BAD)
    assert (reading.absolute_pa is None) is (quality is Quality.BAD)
    assert (reading.fault is None) is (quality is Quality.GOOD)


@pytest.mark.parametrize("place", Place)
def test_each_thermometer_is_converted_to_kelvin_at_its_place(place: Place) -> None:
    def kelvin(celsius: float) -> dict[Place, float | None]:
        reading = at_volt(2.5, **{f"{place}_c": celsius})
        assert dict(reading.temperatures) == {each: getattr(reading, f"{each}_k") for each in Place}
        return {each: found for each, found in reading.temperatures if found is not None}

    assert kelvin(31.25) == {place: 304.4}
    assert kelvin(150.0) == {}  # beyond the range of a DS18B20, datasheet


@pytest.mark.parametrize(
    ("celsius", "resin_k"),
    [
        ({"contents_c": 31.25, "gas_c": 20.0}, 304.4),
        ({"contents_c": 31.25}, 304.4),
        ({"gas_c": 20.0, "wall_c": 19.0}, 293.15),
        ({"room_c": 18.0}, 291.15),
        ({}, None),
    ],
)
def test_the_resin_temperature_is_the_moulds_else_the_nearest_to_the_gas(celsius, resin_k) -> None:
    reading = at_volt(2.5, **celsius)
    assert reading.resin_k == resin_k
    assert reading.nearest[0] is not Place.CONTENTS  # it is not the gas


@pytest.mark.parametrize(("volt", "word"), [(0.0, "broken wire"), (5.0, "shorted")])
def test_a_wiring_fault_names_the_wire_and_the_voltage(volt: float, word: str) -> None:
    fault = at_volt(volt).fault
    assert fault is not None
    assert word in fault
    assert f"{volt:.2f} V" in fault


@pytest.mark.parametrize(("supply_v", "good"), [(4.4, False), (4.6, True), (5.4, True), (5.6, False)])
def test_a_supply_out_of_tolerance_is_a_separate_fault(supply_v: float, good: bool) -> None:
    reading = at_volt(0.5 * supply_v, MEASURED, supply_count=supply_v / LSB_V)
    assert (reading.quality is Quality.GOOD) is good
    if good:
        assert reading.gauge_pa == pytest.approx(50 * PSI)
    else:
        assert reading.gauge_pa is None
        assert "supply" in str(reading.fault)


def test_a_missing_supply_reading_falls_back_to_the_configured_supply() -> None:
    assert at_volt(2.5, MEASURED).gauge_pa == pytest.approx(50 * PSI)


def test_calibration_subtracts_the_zero_and_scales() -> None:
    of = pot(transducer=replace(TRANSDUCER, zero_pa=1.0 * PSI, slope=1.02))
    assert at_volt(2.5, of).gauge_pa == pytest.approx(49.0 * 1.02 * PSI)


def test_an_absolute_transducer_is_not_taken_for_gauge() -> None:
    of = pot(transducer=replace(TRANSDUCER, reference=Reference.ABSOLUTE))
    reading = at_volt(2.5, of, ambient_pa=95_000.0)
    assert reading.absolute_pa == pytest.approx(50 * PSI)
    assert reading.gauge_pa == pytest.approx(50 * PSI - 95_000.0)
    gauge = at_volt(2.5, ambient_pa=95_000.0)
    assert gauge.gauge_pa == pytest.approx(50 * PSI)
    assert gauge.absolute_pa == pytest.approx(50 * PSI + 95_000.0)


def test_a_pressure_below_vacuum_is_unknown() -> None:
    of = pot(transducer=replace(TRANSDUCER, reference=Reference.ABSOLUTE, zero_pa=2 * PSI))
    reading = at_volt(0.5, of)
    assert (reading.gauge_pa, reading.absolute_pa, reading.quality) == (None, None, Quality.BAD)


def test_an_empty_sample_gives_an_unknown_reading() -> None:
    reading = convert(Sample(5.0), ASSUMED)
    assert (reading.gauge_pa, reading.absolute_pa) == (None, None)
    assert (reading.gas_k, reading.wall_k, reading.room_k) == (None, None, None)
    assert reading.quality is Quality.BAD
    assert reading.fault is not None


def test_a_failed_read_passes_its_fault_to_the_reading() -> None:
    fault = Fault(Sensor.TRANSDUCER, "no answer on bus 1 at 0x48")
    other = Fault(Sensor.THERMOMETER, "gone")
    assert convert(Sample(0.0, faults=(other, fault)), ASSUMED).fault == fault.detail
    assert convert(Sample(0.0, faults=(other,)), ASSUMED).fault == "no reading"


@pytest.mark.parametrize("broken_pa", [None, 0.0, 29_000.0, 111_000.0])
def test_an_impossible_barometer_value_is_not_believed(broken_pa: float | None) -> None:
    of = pot(ambient_pa=90_000.0)
    reading = convert(Sample(0.0, gauge_pa=60 * PSI, ambient_pa=broken_pa), of)
    assert reading.ambient_pa == 90_000.0
    assert reading.absolute_pa == pytest.approx(60 * PSI + 90_000.0)


@pytest.mark.parametrize("celsius", [-56.0, 126.0, -300.0, None])
def test_a_temperature_outside_the_range_of_the_thermometer_is_unknown(celsius: float | None) -> None:
    reading = convert(Sample(0.0, gas_c=celsius, wall_c=celsius, room_c=21.0), ASSUMED)
    assert (reading.gas_k, reading.wall_k) == (None, None)
    assert reading.room_k == pytest.approx(294.15)


def test_zero_celsius_is_a_temperature() -> None:
    assert convert(Sample(0.0, gas_c=0.0), ASSUMED).gas_k == pytest.approx(273.15)


def test_a_log_of_absolute_pressures_is_converted_to_gauge() -> None:
    reading = convert(Sample(0.0, absolute_pa=60 * PSI + ATMOSPHERE_PA, ambient_pa=ATMOSPHERE_PA), ASSUMED)
    assert reading.gauge_pa == pytest.approx(60 * PSI)
    assert reading.quality is Quality.GOOD
