"""The I2C bus: opening it, naming it in errors, and getting it back after it was lost.

A bus is anything with the block methods of `smbus2.SMBus`; the drivers ask for nothing else.
"""

from collections.abc import Callable, Sequence
from typing import Any, Generic, Protocol, TypeVar

# A device that was unplugged answers again through the old handle; a bus adapter that was does not. Opening
# costs a millisecond, so a failing bus may be reopened this often, for ever.
REOPEN_INTERVAL_S = 10.0


class Bus(Protocol):
    """The part of `smbus2.SMBus` that is used."""

    def write_i2c_block_data(self, address: int, register: int, data: Sequence[int], /) -> None: ...

    def read_i2c_block_data(self, address: int, register: int, length: int, /) -> list[int]: ...

    def close(self) -> None: ...


class BusError(OSError):
    """A bus cannot be opened, or a transfer on it failed."""


class BusTimeoutError(BusError, TimeoutError):
    """A line of the bus is held down: each further transfer would take a second to fail as well."""


def open_bus(number: int) -> Bus:
    """Open /dev/i2c-<number>. Raise BusError, saying what to do, when that fails."""
    try:
        from smbus2 import SMBus

        return SMBus(number)
    except FileNotFoundError as error:
        raise BusError(
            f"I2C bus {number}: there is no /dev/i2c-{number}; "
            "enable I2C (raspi-config, Interface Options) and restart"
        ) from error
    except PermissionError as error:
        raise BusError(
            f"I2C bus {number}: no permission for /dev/i2c-{number}; add the user to the group i2c"
        ) from error
    except ImportError as error:
        raise BusError(f"I2C bus {number}: the package smbus2 is missing; pip install smbus2") from error
    except OSError as error:
        raise BusError(f"I2C bus {number}: cannot open /dev/i2c-{number}: {error.strerror}") from error


def transfer_error(bus_number: int, address: int, register: int, error: Exception) -> BusError:
    """Return the error that names bus, address and register for what a transfer raised."""
    where = register_name(bus_number, address, register)
    if isinstance(error, TimeoutError):
        return BusTimeoutError(
            f"{where}: timed out; SDA or SCL is held low: look for a short or a loose wire"
        )
    if isinstance(error, OSError):
        reason = error.strerror or str(error)
        return BusError(
            f"{where}: no answer ({reason}); check power, SDA and SCL (swapped looks the same), and address"
        )
    return BusError(f"{where}: wrong number of bytes ({error}); check SDA, SCL and supply")


def register_name(bus_number: int, address: int, register: int) -> str:
    """Return the words that open every error of a transfer."""
    return f"I2C bus {bus_number}, address 0x{address:02X}, register 0x{register:02X}"


def read_bytes(bus: Bus, bus_number: int, address: int, register: int, length: int) -> bytes:
    """Return `length` bytes from register on. Raise BusError, naming bus, address and register."""
    try:
        data = bytes(bus.read_i2c_block_data(address, register, length))
        if len(data) != length:
            raise ValueError(f"{len(data)} instead of {length}")
    except (OSError, ValueError) as error:
        raise transfer_error(bus_number, address, register, error) from error
    return data


def write_bytes(bus: Bus, bus_number: int, address: int, register: int, data: Sequence[int]) -> None:
    """Write bytes from register on. Raise BusError, naming bus, address and register."""
    try:
        bus.write_i2c_block_data(address, register, data)
    except (OSError, ValueError) as error:
        raise transfer_error(bus_number, address, register, error) from error


class Closable(Protocol):
    """What is open and can be closed."""

    def close(self) -> Any: ...


B = TypeVar("B", bound=Closable)
R = TypeVar("R")


class BusLine(Generic[B]):
    """One bus over a long night: opened when first needed, reopened when it fails.

    All devices on a bus share one line; a chip on SPI has its own. Times are boot-time seconds.
    """

    def __init__(self, number: int, opener: Callable[[int], B]) -> None:
        self.number = number
        self._opener = opener
        self._bus: B | None = None
        self._reason = ""
        self._next_attempt_s = float("-inf")

    def acquire(self, now_s: float) -> B:
        """Return the open bus. Raise BusError while it cannot be opened or is given a rest."""
        if self._bus is not None:
            return self._bus
        if now_s < self._next_attempt_s:
            raise BusError(self._reason)
        self._next_attempt_s = now_s + REOPEN_INTERVAL_S
        return self.open()

    def open(self) -> B:
        """Return the open bus, opening it whatever happened before. Raise BusError."""
        if self._bus is None:
            try:
                self._bus = self._opener(self.number)
            except OSError as error:
                self._reason = str(error)
                raise BusError(self._reason) from error
        return self._bus

    def use(self, now_s: float | None, transfer: Callable[[B], R]) -> R:
        """Do something with the open bus, and take note when it fails. Raise BusError.

        now_s: boot time, None to try at once whatever happened before.
        """
        bus = self.open() if now_s is None else self.acquire(now_s)
        try:
            return transfer(bus)
        except BusError as error:
            if now_s is not None:
                self.failed(now_s, error)
            raise

    def failed(self, now_s: float, error: BusError) -> None:
        """Take note that a transfer failed: reopen at the next use, or rest a while after a time-out."""
        hung = isinstance(error, BusTimeoutError)
        if hung:
            self._reason = str(error)
            self._next_attempt_s = now_s + REOPEN_INTERVAL_S
        if hung or now_s >= self._next_attempt_s:
            self.close()

    def close(self) -> None:
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.close()
            except OSError as error:
                self._reason = str(error)  # it was lost already; nothing is left to close
