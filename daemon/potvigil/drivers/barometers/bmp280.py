"""The BMP280 barometer on I2C, and the BME280, which measures humidity besides.

Source: Bosch Sensortec BST-BMP280-DS001 (section numbers are its own). Pressure and temperature of the BME280
have the same registers, trimming and formula (BST-BME280-DS002, 4.2.3); only its chip id differs. The one is
often sold as the other, so either is taken for either.
"""

import struct
from dataclasses import dataclass

from potvigil.drivers.barometers.errors import BarometerError
from potvigil.drivers.buses.i2c import Bus, read_bytes, register_name, write_bytes
from potvigil.units import PA_PER_HPA

_TRIMMING = 0x88
CHIP_ID = 0xD0
_CTRL_MEAS = 0xF4
_PRESSURE = 0xF7

NAMES = {0x58: "bmp280", 0x60: "bme280"}  # its contents

# bit  7 6 5   4 3 2   1 0
#      osrs_t  osrs_p  mode     temperature twice, pressure 16 times (0.16 Pa), one forced conversion
_FORCE_CONVERSION = 0b010_101_01
CONVERSION_TIME_S = 0.05  # at most 43.2 ms at this oversampling (3.8.1)

_NOT_MEASURED = 0x80000  # in the result registers after a reset

LOWEST_PA, HIGHEST_PA = 300.0 * PA_PER_HPA, 1100.0 * PA_PER_HPA  # operating range (1)


@dataclass(frozen=True, slots=True)
class Bmp280Trimming:
    """The chip's own constants, dig_T1 to dig_P9 (3.11.2). Only t1 and p1 are without sign."""

    t1: int
    t2: int
    t3: int
    p1: int
    p2: int
    p3: int
    p4: int
    p5: int
    p6: int
    p7: int
    p8: int
    p9: int


def parse_trimming(data: bytes) -> Bmp280Trimming:
    """Return the trimming in the 24 bytes from register 0x88, little-endian."""
    return Bmp280Trimming(*struct.unpack("<HhhHhhhhhhhh", data))


def compensate(trimming: Bmp280Trimming, pressure_count: int, temperature_count: int) -> tuple[float, float]:
    """Return pressure, Pa absolute, and temperature, degrees C, of two 20-bit counts.

    Double precision (8.1), where the letters have no further meaning. Raise ZeroDivisionError where the
    trimming is no chip's.
    """
    c = trimming
    var1 = (temperature_count / 16384.0 - c.t1 / 1024.0) * c.t2
    var2 = (temperature_count / 131072.0 - c.t1 / 8192.0) ** 2 * c.t3
    t_fine = var1 + var2

    var1 = t_fine / 2.0 - 64000.0
    var2 = var1 * var1 * c.p6 / 32768.0 + var1 * c.p5 * 2.0
    var2 = var2 / 4.0 + c.p4 * 65536.0
    var1 = (c.p3 * var1 * var1 / 524288.0 + c.p2 * var1) / 524288.0
    var1 = (1.0 + var1 / 32768.0) * c.p1
    p = (1048576.0 - pressure_count - var2 / 4096.0) * 6250.0 / var1
    var1 = c.p9 * p * p / 2147483648.0
    var2 = p * c.p8 / 32768.0
    return p + (var1 + var2 + c.p7) / 16.0, t_fine / 5120.0


def read_trimming(bus: Bus, bus_number: int, address: int) -> Bmp280Trimming:
    """Return the trimming, after a look whether this is the chip at all.

    Raise BarometerError when it is another, BusError when it does not answer.
    """
    chip_id = read_bytes(bus, bus_number, address, CHIP_ID, 1)[0]
    if chip_id not in NAMES:
        where = register_name(bus_number, address, CHIP_ID)
        raise BarometerError(
            f"{where}: chip id 0x{chip_id:02X} instead of 0x58; this is not a BMP280 or BME280"
        )
    trimming = parse_trimming(read_bytes(bus, bus_number, address, _TRIMMING, 24))
    if trimming.t1 == 0 or trimming.p1 == 0:
        where = register_name(bus_number, address, _TRIMMING)
        raise BarometerError(f"{where}: its factory calibration is empty; check its supply, else replace it")
    return trimming


def force_conversion(bus: Bus, bus_number: int, address: int) -> None:
    """Start one conversion; its result can be read after CONVERSION_TIME_S. Raise BusError."""
    write_bytes(bus, bus_number, address, _CTRL_MEAS, [_FORCE_CONVERSION])


def read_result(bus: Bus, bus_number: int, address: int, trimming: Bmp280Trimming) -> tuple[float, float]:
    """Return pressure, Pa absolute (30000 to 110000), and temperature, degrees C, of the last conversion.

    Raise BarometerError for an invalid result or one outside the range, BusError for a failed transfer.
    """
    data = read_bytes(bus, bus_number, address, _PRESSURE, 6)
    # F7 F8 F9: pressure, FA FB FC: temperature, each 20 bits from the top, big-endian
    pressure_count = int.from_bytes(data[0:3], "big") >> 4
    temperature_count = int.from_bytes(data[3:6], "big") >> 4
    where = register_name(bus_number, address, _PRESSURE)
    if _NOT_MEASURED in (pressure_count, temperature_count):
        raise BarometerError(f"{where}: nothing was measured; the barometer was reset, check its supply")
    try:
        pressure_pa, celsius = compensate(trimming, pressure_count, temperature_count)
    except ZeroDivisionError:
        raise BarometerError(
            f"{where}: its factory calibration gives no pressure; check its supply, else replace it"
        ) from None
    if not LOWEST_PA <= pressure_pa <= HIGHEST_PA:
        raise BarometerError(
            f"{where}: {pressure_pa / PA_PER_HPA:.1f} hPa; a BMP280 measures 300 to 1100 hPa: check its "
            "supply and wires"
        )
    return pressure_pa, celsius
