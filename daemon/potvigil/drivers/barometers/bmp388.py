"""The BMP388 and BMP390 barometers on I2C, which differ in their chip id and in how well they measure.

Source: Bosch Sensortec BST-BMP388-DS001 rev. 1.7 (section numbers are its own); BST-BMP390-DS002 has the same
registers and formula.
"""

import struct
from dataclasses import dataclass

from potvigil.drivers.barometers.errors import BarometerError
from potvigil.drivers.buses.i2c import Bus, read_bytes, register_name, write_bytes
from potvigil.units import PA_PER_HPA

CHIP_ID = 0x00
_STATUS = 0x03
_PWR_CTRL = 0x1B
_OSR = 0x1C
_TRIMMING = 0x31

NAMES = {0x50: "bmp388", 0x60: "bmp390"}  # its contents

# bit  5 4 3   2 1 0
#      osr_t   osr_p        temperature twice, pressure 16 times
_OVERSAMPLING = 0b001_100
# bit  5 4   1        0
#      mode  temp_en  press_en      both, one forced conversion
_FORCE_CONVERSION = 0b01_00_11
_READY = 0x60  # drdy_temp, drdy_press
CONVERSION_TIME_S = 0.05  # 37.1 ms at this oversampling (3.9.2), with room for a slow clock

LOWEST_PA, HIGHEST_PA = 300.0 * PA_PER_HPA, 1250.0 * PA_PER_HPA  # operating range (1)


@dataclass(frozen=True, slots=True)
class Bmp388Trimming:
    """The chip's own constants, PAR_T1 to PAR_P11, as real numbers (9.1)."""

    t1: float
    t2: float
    t3: float
    p1: float
    p2: float
    p3: float
    p4: float
    p5: float
    p6: float
    p7: float
    p8: float
    p9: float
    p10: float
    p11: float


# What is taken off each word, and the power of two it is divided by (9.1)
_OFFSETS = (0, 0, 0, 1 << 14, 1 << 14, *[0] * 9)
_POWERS = (-8, 30, 48, 20, 29, 32, 37, -3, 6, 8, 15, 48, 48, 65)


def parse_trimming(data: bytes) -> Bmp388Trimming:
    """Return the trimming in the 21 bytes from register 0x31, little-endian."""
    words = struct.unpack("<HHbhhbbHHbbhbb", data)
    return Bmp388Trimming(
        *((word - off) / 2.0**power for word, off, power in zip(words, _OFFSETS, _POWERS, strict=True))
    )


def compensate(trimming: Bmp388Trimming, pressure_count: int, temperature_count: int) -> tuple[float, float]:
    """Return pressure, Pa absolute, and temperature, degrees C, of two 24-bit counts (9.2, 9.3)."""
    c = trimming
    above = temperature_count - c.t1
    t = above * c.t2 + above * above * c.t3
    offset_pa = c.p5 + t * (c.p6 + t * (c.p7 + t * c.p8))
    slope = c.p1 + t * (c.p2 + t * (c.p3 + t * c.p4))
    u = float(pressure_count)
    return offset_pa + u * (slope + u * (c.p9 + t * c.p10 + u * c.p11)), t


def read_trimming(bus: Bus, bus_number: int, address: int) -> Bmp388Trimming:
    """Return the trimming, after a look whether this is the chip at all.

    Raise BarometerError when it is another, BusError when it does not answer.
    """
    chip_id = read_bytes(bus, bus_number, address, CHIP_ID, 1)[0]
    if chip_id not in NAMES:
        where = register_name(bus_number, address, CHIP_ID)
        raise BarometerError(
            f"{where}: chip id 0x{chip_id:02X} instead of 0x50 or 0x60; this is not a BMP388 or BMP390"
        )
    data = read_bytes(bus, bus_number, address, _TRIMMING, 21)
    if not any(data) or data == b"\xff" * 21:
        where = register_name(bus_number, address, _TRIMMING)
        raise BarometerError(f"{where}: its factory calibration is empty; check its supply, else replace it")
    return parse_trimming(data)


def force_conversion(bus: Bus, bus_number: int, address: int) -> None:
    """Start one conversion; its result can be read after CONVERSION_TIME_S. Raise BusError."""
    write_bytes(bus, bus_number, address, _OSR, [_OVERSAMPLING])
    write_bytes(bus, bus_number, address, _PWR_CTRL, [_FORCE_CONVERSION])


def read_result(bus: Bus, bus_number: int, address: int, trimming: Bmp388Trimming) -> tuple[float, float]:
    """Return pressure, Pa absolute (30000 to 125000), and temperature, degrees C, of the last conversion.

    Raise BarometerError for an invalid result or one outside the range, BusError for a failed transfer.
    """
    # 03: status; 04 05 06: pressure, 07 08 09: temperature, 24 bits each, little-endian
    data = read_bytes(bus, bus_number, address, _STATUS, 7)
    where = register_name(bus_number, address, _STATUS)
    if data[0] & _READY != _READY:
        raise BarometerError(f"{where}: nothing was measured; the barometer was reset, check its supply")
    counts = int.from_bytes(data[1:4], "little"), int.from_bytes(data[4:7], "little")
    pressure_pa, celsius = compensate(trimming, *counts)
    if not LOWEST_PA <= pressure_pa <= HIGHEST_PA:
        raise BarometerError(
            f"{where}: {pressure_pa / PA_PER_HPA:.1f} hPa; it measures 300 to 1250 hPa: check its supply "
            "and wires"
        )
    return pressure_pa, celsius
