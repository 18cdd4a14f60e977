"""The BMP388's driver on the wire, and its faults; the BME280 by the other's driver."""

import struct

import pytest

from potvigil.drivers.barometers.barometer import Barometer, measure
from potvigil.drivers.barometers.errors import BarometerError
from potvigil.drivers.buses.i2c import BusLine
from scripted_bus import ScriptedBus, TableBus, read, write

# Trimming and reading of a real chip, see tests/reference/test_bmp388.py
TRIMMING = list(bytes.fromhex("236B5849F65CFFCEF42300EA636E79F3F6AA4312C4"))
RESULT = [0x70, *bytes.fromhex("979F6D73D885")]
# BST-BMP388-DS001: OSR 1C, temperature twice 001, pressure 16 times 100; PWR_CTRL 1B, forced 01, both on 11
FORCE = [write(0x76, 0x1C, [0b001_100]), write(0x76, 0x1B, [0b01_00_11])]


@pytest.mark.parametrize(("device", "chip_id"), [("bmp388", 0x50), ("bmp390", 0x60)])
def test_one_reading_identifies_forces_waits_and_reads(device: str, chip_id: int) -> None:
    waited: list[float] = []
    script = [
        read(0x76, 0x00, 1, [chip_id]),
        read(0x76, 0x31, 21, TRIMMING),
        *FORCE,
        read(0x76, 0x03, 7, RESULT),
    ]
    with ScriptedBus(*script) as bus:
        pressure_pa, celsius = measure(bus, 1, 0x76, waited.append, device)
    assert (pressure_pa, celsius) == (pytest.approx(100876.006, abs=0.01), pytest.approx(30.4993, abs=1e-3))
    # 3.9.2: 234 us + 392 us + 16 x 2020 us + 163 us + 2 x 2020 us
    assert sum(waited) >= 0.0371


def test_a_result_is_read_one_tick_after_its_conversion() -> None:
    start = [read(0x76, 0x00, 1, [0x50]), read(0x76, 0x31, 21, TRIMMING), *FORCE]
    with ScriptedBus(*start, read(0x76, 0x03, 7, RESULT), *FORCE) as bus:
        watched = Barometer(BusLine(1, lambda _: bus), 0x76, "bmp388")
        assert watched.latest(0.0) == (None, None)
        assert watched.latest(1.0)[0] == pytest.approx(100876.006, abs=0.01)
        watched.latest(10.0)


@pytest.mark.parametrize(
    ("registers", "why"),
    [
        ({0x00: [0x58]}, "0x58 instead of 0x50 or 0x60; this is not a BMP388"),
        ({0x31: [0] * 21}, "factory calibration is empty"),
        ({0x31: [0xFF] * 21}, "factory calibration is empty"),
        ({0x03: [0x10, *RESULT[1:]]}, "nothing was measured"),
        ({0x03: [0x70, 0, 0, 0, 0x73, 0xD8, 0x85]}, "300 to 1250 hPa"),
    ],
)
def test_an_unusable_response_is_an_error(registers: dict[int, list[int]], why: str) -> None:
    table = {0x00: [0x50], 0x31: TRIMMING, 0x03: RESULT} | registers
    bus = TableBus({(0x76, register): answer for register, answer in table.items()})
    with pytest.raises(BarometerError, match=why):
        measure(bus, 1, 0x76, lambda _: None, "bmp388")


def test_a_bme280_is_read_as_a_bmp280() -> None:
    # the worked example of BST-BMP280-DS001, 3.12, whose formula BST-BME280-DS002 repeats
    words = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
    table = {0xD0: [0x60], 0x88: list(struct.pack("<HhhHhhhhhhhh", *words))}
    table[0xF7] = [0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00]
    bus = TableBus({(0x77, register): answer for register, answer in table.items()})
    for device in ("bme280", "bmp280"):
        assert measure(bus, 1, 0x77, lambda _: None, device)[0] == pytest.approx(100653.25, abs=0.02)


def test_an_address_the_chip_cannot_have_is_refused() -> None:
    with pytest.raises(ValueError, match="a BMP390 has 0x76 or 0x77"):
        Barometer(BusLine(1, lambda _: TableBus({})), 0x48, "bmp390")
