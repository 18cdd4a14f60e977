"""The BMP280 barometer on I2C. Source: Bosch Sensortec BST-BMP280-DS001 (section numbers are its own)."""

import struct
import time
from collections.abc import Callable
from dataclasses import dataclass

from potvigil.inputs.i2c import Bus, BusError, BusLine, register_name, transfer_error
from potvigil.inputs.last_good import READ_INTERVAL_S, LastGood
from potvigil.units import PA_PER_HPA

ADDRESSES = (0x76, 0x77)  # SDO pin to ground, to supply

_TRIMMING = 0x88
_CHIP_ID = 0xD0
_CTRL_MEAS = 0xF4
_PRESSURE = 0xF7

# 0x60 is the BME280: the same pressure and temperature part, with humidity beside it.
_CHIP_IDS = (0x58, 0x60)

# bit  7 6 5   4 3 2   1 0
#      osrs_t  osrs_p  mode     temperature twice, pressure 16 times (0.16 Pa), one forced conversion
_FORCE_CONVERSION = 0b010_101_01
CONVERSION_TIME_S = 0.05  # at most 43.2 ms at this oversampling (3.8.1)

_NOT_MEASURED = 0x80000  # stands in the result registers after a reset

LOWEST_PA, HIGHEST_PA = 300.0 * PA_PER_HPA, 1100.0 * PA_PER_HPA  # operating range (1)


class BarometerError(ValueError):
    """A barometer is not the chip it should be, or its answer cannot be used."""


@dataclass(frozen=True, slots=True)
class Trimming:
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


def parse_trimming(data: bytes) -> Trimming:
    """Return the trimming in the 24 bytes from register 0x88, little-endian."""
    return Trimming(*struct.unpack("<HhhHhhhhhhhh", data))


def compensate(trimming: Trimming, pressure_count: int, temperature_count: int) -> tuple[float, float]:
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


def read_trimming(bus: Bus, bus_number: int, address: int) -> Trimming:
    """Return the trimming, after a look whether this is the chip at all.

    Raise BarometerError when it is another, BusError when it does not answer.
    """
    chip_id = _read(bus, bus_number, address, _CHIP_ID, 1)[0]
    if chip_id not in _CHIP_IDS:
        where = register_name(bus_number, address, _CHIP_ID)
        raise BarometerError(f"{where}: chip id 0x{chip_id:02X} instead of 0x58; this is not a BMP280")
    trimming = parse_trimming(_read(bus, bus_number, address, _TRIMMING, 24))
    if trimming.t1 == 0 or trimming.p1 == 0:
        where = register_name(bus_number, address, _TRIMMING)
        raise BarometerError(f"{where}: the trimming is empty; check the supply, or the chip is defective")
    return trimming


def force_conversion(bus: Bus, bus_number: int, address: int) -> None:
    """Start one conversion; its result can be read after CONVERSION_TIME_S. Raise BusError."""
    try:
        bus.write_i2c_block_data(address, _CTRL_MEAS, [_FORCE_CONVERSION])
    except (OSError, ValueError) as error:
        raise transfer_error(bus_number, address, _CTRL_MEAS, error) from error


def read_result(bus: Bus, bus_number: int, address: int, trimming: Trimming) -> tuple[float, float]:
    """Return pressure, Pa absolute (30000 to 110000), and temperature, degrees C, of the last conversion.

    Raise BarometerError for a result that is none or is outside the range, BusError for a failed transfer.
    """
    data = _read(bus, bus_number, address, _PRESSURE, 6)
    # F7 F8 F9: pressure, FA FB FC: temperature, each 20 bits from the top, big-endian
    pressure_count = int.from_bytes(data[0:3], "big") >> 4
    temperature_count = int.from_bytes(data[3:6], "big") >> 4
    where = register_name(bus_number, address, _PRESSURE)
    if _NOT_MEASURED in (pressure_count, temperature_count):
        raise BarometerError(f"{where}: nothing was measured; the barometer was reset, check its supply")
    try:
        pressure_pa, celsius = compensate(trimming, pressure_count, temperature_count)
    except ZeroDivisionError:
        raise BarometerError(f"{where}: no pressure follows from the chip's trimming") from None
    if not LOWEST_PA <= pressure_pa <= HIGHEST_PA:
        raise BarometerError(
            f"{where}: {pressure_pa / PA_PER_HPA:.1f} hPa; a BMP280 measures 300 to 1100 hPa"
        )
    return pressure_pa, celsius


def measure(
    bus: Bus, bus_number: int, address: int, sleep: Callable[[float], None] = time.sleep
) -> tuple[float, float]:
    """Identify, convert once and wait; return Pa absolute and degrees C. Raise as `read_result` does."""
    trimming = read_trimming(bus, bus_number, address)
    force_conversion(bus, bus_number, address)
    sleep(CONVERSION_TIME_S)
    return read_result(bus, bus_number, address, trimming)


class Barometer:
    """One barometer that is read on a schedule of its own and never waited for.

    A conversion is forced at one call and its result read at a later one.
    """

    def __init__(self, line: BusLine, address: int) -> None:
        if address not in ADDRESSES:
            raise ValueError(f"barometer address 0x{address:02X}; a BMP280 has 0x76 or 0x77")
        self._line = line
        self._address = address
        self._last = LastGood(f"I2C bus {line.number}, address 0x{address:02X}, barometer")
        self._trimming: Trimming | None = None
        self._forced_s: float | None = None
        self._due_s = float("-inf")

    def latest(self, now_s: float) -> tuple[float | None, str | None]:
        """Return Pa absolute and no fault, or None and the fault; two None before a first answer was due.

        now_s: boot time. Never waits, never raises.
        """
        try:
            if self._forced_s is not None and now_s - self._forced_s >= CONVERSION_TIME_S:
                self._take(now_s, self._forced_s)
            if self._forced_s is None and now_s >= self._due_s:
                self._force(now_s)
        except BusError as error:
            self._forget(str(error))
            self._line.failed(now_s, error)
        except BarometerError as error:
            self._forget(str(error))
        return self._last.at(now_s)

    def _force(self, now_s: float) -> None:
        self._due_s = now_s + READ_INTERVAL_S
        bus = self._line.acquire(now_s)
        if self._trimming is None:
            self._trimming = read_trimming(bus, self._line.number, self._address)
        force_conversion(bus, self._line.number, self._address)
        self._forced_s = now_s

    def _take(self, now_s: float, forced_s: float) -> None:
        self._forced_s = None
        if self._trimming is not None:
            bus = self._line.acquire(now_s)
            pressure_pa, _ = read_result(bus, self._line.number, self._address, self._trimming)
            self._last.keep(pressure_pa, forced_s)

    def _forget(self, failure: str) -> None:
        self._forced_s = None
        self._trimming = None  # who knows which chip answers next
        self._last.miss(failure)


def _read(bus: Bus, bus_number: int, address: int, register: int, length: int) -> bytes:
    try:
        data = bytes(bus.read_i2c_block_data(address, register, length))
        if len(data) != length:
            raise ValueError(f"{len(data)} instead of {length}")
    except (OSError, ValueError) as error:
        raise transfer_error(bus_number, address, register, error) from error
    return data
