"""One barometer over a long night, whatever its chip."""

import time
from collections.abc import Callable
from typing import Any, Final, Protocol

from potvigil.drivers.barometers import bmp280, bmp388
from potvigil.drivers.barometers.errors import BarometerError
from potvigil.drivers.buses.i2c import Bus, BusError, BusLine
from potvigil.drivers.last_good import READ_INTERVAL_S, LastGood

ADDRESSES: Final = (0x76, 0x77)  # SDO pin to ground, to supply; the same for all of them


class Chip(Protocol):
    """What the file of a chip provides; Any is its own type of trimming."""

    CONVERSION_TIME_S: float

    def read_trimming(self, bus: Bus, bus_number: int, address: int, /) -> Any: ...

    def force_conversion(self, bus: Bus, bus_number: int, address: int, /) -> None: ...

    def read_result(
        self, bus: Bus, bus_number: int, address: int, trimming: Any, /
    ) -> tuple[float, float]: ...


CHIPS: Final[dict[str, Chip]] = {"bmp280": bmp280, "bme280": bmp280, "bmp388": bmp388, "bmp390": bmp388}


def measure(
    bus: Bus,
    bus_number: int,
    address: int,
    sleep: Callable[[float], None] = time.sleep,
    device: str = "bmp280",
) -> tuple[float, float]:
    """Identify, convert once and wait; return Pa absolute and degrees C. Raise BarometerError, BusError."""
    chip = CHIPS[device]
    trimming = chip.read_trimming(bus, bus_number, address)
    chip.force_conversion(bus, bus_number, address)
    sleep(chip.CONVERSION_TIME_S)
    return chip.read_result(bus, bus_number, address, trimming)


class Barometer:
    """One barometer, read on its own schedule and never waited for.

    A conversion is forced at one call and its result read at a later one.
    """

    def __init__(self, line: BusLine[Bus], address: int, device: str = "bmp280") -> None:
        if address not in ADDRESSES:
            raise ValueError(f"barometer address 0x{address:02X}; a {device.upper()} has 0x76 or 0x77")
        self._chip = CHIPS[device]
        self._line = line
        self._address = address
        self._last = LastGood(f"I2C bus {line.number}, address 0x{address:02X}, barometer")
        self._trimming: Any = None
        self._forced_s: float | None = None
        self._due_s = float("-inf")

    def latest(self, now_s: float) -> tuple[float | None, str | None]:
        """Return Pa absolute and no fault, or None and the fault; two None before a first answer was due.

        now_s: boot time. Never waits, never raises.
        """
        try:
            if self._forced_s is not None and now_s - self._forced_s >= self._chip.CONVERSION_TIME_S:
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
            self._trimming = self._chip.read_trimming(bus, self._line.number, self._address)
        self._chip.force_conversion(bus, self._line.number, self._address)
        self._forced_s = now_s

    def _take(self, now_s: float, forced_s: float) -> None:
        self._forced_s = None
        if self._trimming is not None:
            bus = self._line.acquire(now_s)
            number, trimming = self._line.number, self._trimming
            pressure_pa, _ = self._chip.read_result(bus, number, self._address, trimming)
            self._last.keep(pressure_pa, forced_s)

    def _forget(self, failure: str) -> None:
        self._forced_s = None
        self._trimming = None  # who knows which chip answers next
        self._last.miss(failure)
