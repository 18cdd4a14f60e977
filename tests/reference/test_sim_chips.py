"""The simulated chips against their datasheets' tables, byte for byte."""

from pathlib import Path
from typing import Any

import pytest

from potvigil.sim.chips import OneWireFolder, SimAds1115, SimBmp280, SimBus, crc8

PROBE = "28-0316a4c5f2ff"


def ads1115_code(volts: float, config: int) -> int:
    bus = SimBus({0x48: SimAds1115([lambda: volts], busy_polls=0)})
    bus.write_i2c_block_data(0x48, 1, [config >> 8, config & 0xFF])
    high, low = bus.read_i2c_block_data(0x48, 0, 2)
    return high << 8 | low


def test_ads1115_wakes_with_its_reset_config_and_no_conversion() -> None:
    # SBAS444: config register resets to 8583h (from memory), conversion register to 0
    bus = SimBus({0x48: SimAds1115([])})
    assert bus.read_i2c_block_data(0x48, 1, 2) == [0x85, 0x83]
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0, 0]


@pytest.mark.parametrize(
    ("pga", "full_scale_v", "lsb_v"),
    [
        (0, 6.144, 187.5e-6),
        (1, 4.096, 125e-6),
        (2, 2.048, 62.5e-6),
        (3, 1.024, 31.25e-6),
        (4, 0.512, 15.625e-6),
        (5, 0.256, 7.8125e-6),
        (7, 0.256, 7.8125e-6),
    ],
)
def test_ads1115_codes_are_those_of_the_datasheet(pga: int, full_scale_v: float, lsb_v: float) -> None:
    # SBAS444, PGA table and table "input signal versus ideal output code"
    config = 0xC103 | pga << 9
    assert ads1115_code(full_scale_v, config) == 0x7FFF
    assert ads1115_code(full_scale_v * 32767 / 32768, config) == 0x7FFF
    assert ads1115_code(lsb_v, config) == 0x0001
    assert ads1115_code(0.0, config) == 0x0000
    assert ads1115_code(-lsb_v, config) == 0xFFFF
    assert ads1115_code(-full_scale_v, config) == 0x8000
    assert ads1115_code(-2 * full_scale_v, config) == 0x8000


@pytest.mark.parametrize(("volts", "code"), [(4.5, 24000), (0.5, 2667), (2.5, 13333)])
def test_ads1115_shows_a_five_volt_transducer_by_hand_computed_counts(volts: float, code: int) -> None:
    # 6.144 V over 32768 counts; C103h is AIN0, 6.144 V, single shot, 8 samples/s
    assert ads1115_code(volts, 0xC103) == code


def bmp280_bus(pressure_pa: float, celsius: float) -> SimBus:
    return SimBus({0x76: SimBmp280(lambda: pressure_pa, lambda: celsius, noise_pa=0.0)})


def test_bmp280_gives_the_bytes_of_the_datasheets_example() -> None:
    # BST-BMP280-DS001, 3.12: 25.08 C (25.0825 before rounding), 100653.27 Pa (100653.258 recomputed):
    # adc_T = 519888, adc_P = 415148
    bus = bmp280_bus(100_653.258, 25.08248)
    bus.write_i2c_block_data(0x76, 0xF4, [0b101_101_01])
    assert bus.read_i2c_block_data(0x76, 0xF7, 6) == [0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00]


def test_bmp280_keeps_the_trimming_of_the_example_little_endian() -> None:
    # BST-BMP280-DS001, 3.11.2 and 3.12
    bus = bmp280_bus(1e5, 20.0)
    data = bytes(bus.read_i2c_block_data(0x76, 0x88, 24))
    words = [int.from_bytes(data[i : i + 2], "little", signed=i not in (0, 6)) for i in range(0, 24, 2)]
    assert words == [27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000]
    assert bus.read_i2c_block_data(0x76, 0xD0, 1) == [0x58]


def compensated_int64(adc_p: int, adc_t: int) -> tuple[float, float]:
    """The 64-bit integer code of BST-BMP280-DS001, 3.11.3, with the example's trimming; Pa and degrees C."""
    t1, t2, t3 = 27504, 26435, -1000
    p1, p2, p3, p4, p5, p6, p7, p8, p9 = 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000
    var1 = (((adc_t >> 3) - (t1 << 1)) * t2) >> 11
    var2 = (((((adc_t >> 4) - t1) * ((adc_t >> 4) - t1)) >> 12) * t3) >> 14
    t_fine = var1 + var2
    var1 = t_fine - 128000
    var2 = var1 * var1 * p6 + ((var1 * p5) << 17) + (p4 << 35)
    var1 = ((var1 * var1 * p3) >> 8) + ((var1 * p2) << 12)
    var1 = (((1 << 47) + var1) * p1) >> 33
    p = 1048576 - adc_p
    p = (((p << 31) - var2) * 3125) // var1
    var1 = (p9 * (p >> 13) * (p >> 13)) >> 25
    var2 = (p8 * p) >> 19
    return (((p + var1 + var2) >> 8) + (p7 << 4)) / 256.0, ((t_fine * 5 + 128) >> 8) / 100.0


@pytest.mark.parametrize("celsius", [-5.0, 8.25, 21.0, 39.9])
@pytest.mark.parametrize("pressure_pa", [84_000.0, 96_512.5, 101_325.0, 104_999.0])
def test_bmp280_counts_come_back_through_the_datasheets_integer_code(
    pressure_pa: float, celsius: float
) -> None:
    bus = bmp280_bus(pressure_pa, celsius)
    bus.write_i2c_block_data(0x76, 0xF4, [0b101_101_01])
    data = bytes(bus.read_i2c_block_data(0x76, 0xF7, 6))
    back = compensated_int64(int.from_bytes(data[:3], "big") >> 4, int.from_bytes(data[3:], "big") >> 4)
    assert back[0] == pytest.approx(pressure_pa, abs=0.5)  # the integer code keeps t_fine to 1/5120 K
    assert back[1] == pytest.approx(celsius, abs=0.01)


# DS18B20 datasheet rev. 042208, table 1, with the scratchpad's CRC for the bytes 4B 46 7F FF 0C 10 behind it;
# millidegrees as the kernel divides them
DS18B20_TABLE = [
    (125.0, 0x07D0, 125000, 0xF4),
    (85.0, 0x0550, 85000, 0x1C),
    (25.0625, 0x0191, 25062, 0x70),
    (10.125, 0x00A2, 10125, 0x74),
    (0.5, 0x0008, 500, 0xE2),
    (0.0, 0x0000, 0, 0xC8),
    (-0.5, 0xFFF8, -500, 0xC3),
    (-10.125, 0xFF5E, -10125, 0x6A),
    (-25.0625, 0xFE6F, -25062, 0xE8),
    (-55.0, 0xFC90, -55000, 0x4F),
]


@pytest.mark.parametrize(("celsius", "word", "millidegrees", "crc"), DS18B20_TABLE)
def test_ds18b20_shows_the_datasheets_table(
    tmp_path: Path, celsius: float, word: int, millidegrees: int, crc: int
) -> None:
    OneWireFolder(tmp_path).set_celsius(PROBE, celsius, 0.0)
    first, second = (tmp_path / PROBE / "w1_slave").read_text().splitlines()
    shown = bytes.fromhex(first.split(" : ")[0])
    assert int.from_bytes(shown[:2], "little") == word
    assert second.endswith(f" t={millidegrees}")
    assert crc8(shown[:2] + bytes.fromhex("4b467fff0c10")) == crc


def test_ds18b20_shows_a_genuine_capture(tmp_path: Path) -> None:
    # What a genuine part and the kernel showed at 23.125 C (from memory)
    OneWireFolder(tmp_path).set_celsius(PROBE, 23.125, 0.0)
    assert (tmp_path / PROBE / "w1_slave").read_text() == (
        "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
    )


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (
            bytes.fromhex("021cb801000000"),
            0xA2,
        ),  # Maxim application note 27, ROM in the order of transmission
        (bytes.fromhex("021cb801000000a2"), 0x00),
        (b"123456789", 0xA1),  # check value of CRC-8/MAXIM in the catalogue of parametrised CRCs
        (bytes.fromhex("5e01ffff7fffffff"), 0x52),  # a capture on a public question page
        (bytes(8), 0x00),
        (b"\xff" * 8, 0xC9),
    ],
)
def test_crc8_gives_published_values(data: bytes, crc: int) -> None:
    assert crc8(data) == crc


def test_the_simulated_bus_has_the_interface_of_smbus2() -> None:
    """Each method takes what smbus2 0.6's own takes, by position."""
    from inspect import signature

    from smbus2 import SMBus

    def names(method: Any) -> list[str]:
        return [name for name in signature(method).parameters if name != "force"]

    for name in ("write_i2c_block_data", "read_i2c_block_data", "close"):
        assert names(getattr(SimBus, name)) == names(getattr(SMBus, name))
