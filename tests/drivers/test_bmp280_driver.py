"""The barometer's driver on the wire, its schedule, and its faults."""

import struct

import pytest

from potvigil.drivers.barometers.barometer import Barometer, measure
from potvigil.drivers.barometers.errors import BarometerError
from potvigil.drivers.buses.i2c import BusError, BusLine
from scripted_bus import ScriptedBus, TableBus, read, write

# Trimming and result registers of the example in BST-BMP280-DS001, 3.12
TRIMMING = list(
    struct.pack("<HhhHhhhhhhhh", 27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
)
RESULT = [0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00]
NO_ANSWER = OSError(121, "Remote I/O error")

IDENTIFY = [read(0x77, 0xD0, 1, [0x58]), read(0x77, 0x88, 24, TRIMMING)]
# ctrl_meas (4.3.4): osrs_t 010 = twice, osrs_p 101 = 16 times, mode 01 = forced
FORCE = write(0x77, 0xF4, [0b01010101])
TAKE = read(0x77, 0xF7, 6, RESULT)


def barometer(bus: object) -> Barometer:
    return Barometer(BusLine(1, lambda _: bus), 0x77)  # type: ignore[arg-type, return-value]


def test_a_result_is_read_one_tick_after_its_conversion_and_the_next_started_10_s_later() -> None:
    with ScriptedBus(*IDENTIFY, FORCE, TAKE, FORCE, TAKE) as bus:
        watched = barometer(bus)
        assert watched.latest(100.0) == (None, None)
        assert watched.latest(100.02) == (None, None)  # 43 ms are needed
        for now_s in (101.0, 102.0, 109.0, 110.0, 111.0, 112.0):
            pressure_pa, fault = watched.latest(now_s)
            assert pressure_pa == pytest.approx(100653.25, abs=0.02)
            assert fault is None


def test_ticks_far_apart_read_and_start_at_once() -> None:
    with ScriptedBus(*IDENTIFY, FORCE, TAKE, FORCE) as bus:
        watched = barometer(bus)
        watched.latest(0.0)
        assert watched.latest(30.0)[0] == pytest.approx(100653.25, abs=0.02)


def test_measure_waits_for_the_conversion() -> None:
    waited: list[float] = []
    with ScriptedBus(*IDENTIFY, FORCE, TAKE) as bus:
        assert measure(bus, 1, 0x77, waited.append)[1] == pytest.approx(25.08, abs=0.005)
    assert sum(waited) >= 0.0432  # table 13 of the datasheet, typical and maximum measurement time


@pytest.mark.parametrize(
    ("registers", "why"),
    [
        ({0xD0: [0x00]}, "0x00 instead of 0x58"),
        ({0xD0: [0xFF]}, "0xFF instead of 0x58"),
        ({0x88: [0] * 24}, "factory calibration is empty"),
        ({0xF7: [0x80, 0, 0, 0x80, 0, 0]}, "nothing was measured"),
        ({0xF7: [0x10, 0, 0, 0x7E, 0xED, 0]}, "300 to 1100 hPa"),
        ({0xF7: [0xFF, 0xFF, 0xF0, 0x7E, 0xED, 0]}, "300 to 1100 hPa"),
    ],
)
def test_an_impossible_response_names_the_register(registers: dict[int, list[int]], why: str) -> None:
    answers = {0xD0: [0x58], 0x88: TRIMMING, 0xF7: RESULT} | registers
    bus = TableBus({(0x77, register): data for register, data in answers.items()})
    with pytest.raises(BarometerError, match=why) as caught:
        measure(bus, 1, 0x77, lambda _: None)
    (register,) = registers
    assert f"I2C bus 1, address 0x77, register 0x{register:02X}" in str(caught.value)


def test_a_bme280_works_as_a_bmp280() -> None:
    bus = TableBus({(0x77, 0xD0): [0x60], (0x77, 0x88): TRIMMING, (0x77, 0xF7): RESULT})
    assert measure(bus, 1, 0x77, lambda _: None)[0] == pytest.approx(100653.25, abs=0.02)


def test_a_short_response_is_an_error() -> None:
    with ScriptedBus(read(0x77, 0xD0, 1, [])) as bus, pytest.raises(BusError, match="bytes"):
        measure(bus, 1, 0x77)


def test_an_absent_barometer_is_named_at_once_and_retried_every_10_s() -> None:
    bus = TableBus({})
    watched = barometer(bus)
    for now_s in range(10):
        pressure_pa, fault = watched.latest(float(now_s))
        assert pressure_pa is None
        assert fault is not None and "I2C bus 1, address 0x77, register 0xD0" in fault
    assert bus.calls == 1
    bus.closed = False
    bus.table |= {(0x77, 0xD0): [0x58], (0x77, 0x88): TRIMMING, (0x77, 0xF7): RESULT}
    watched.latest(10.0)
    bus.closed = False  # it was closed after the failure and reopened
    assert watched.latest(11.0)[0] == pytest.approx(100653.25, abs=0.02)


def test_an_old_value_is_used_for_a_minute_then_unknown() -> None:
    bus = TableBus({(0x77, 0xD0): [0x58], (0x77, 0x88): TRIMMING, (0x77, 0xF7): RESULT})
    watched = Barometer(BusLine(1, lambda _: TableBus(bus.table)), 0x77)
    watched.latest(0.0)
    watched.latest(1.0)
    bus.table[0x77, 0xF7] = NO_ANSWER
    seen = {s: watched.latest(float(s)) for s in range(2, 70)}
    assert seen[60][0] == pytest.approx(100653.25, abs=0.02)
    assert seen[61][0] is None
    assert "register 0xF7" in str(seen[61][1]) and "no reading for 1 min" in str(seen[61][1])


def test_an_impossible_chip_address_is_refused() -> None:
    with pytest.raises(ValueError, match="0x76 or 0x77"):
        Barometer(BusLine(1, lambda _: TableBus({})), 0x48)
