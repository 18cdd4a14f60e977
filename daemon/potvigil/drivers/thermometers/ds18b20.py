"""The DS18B20 thermometer on the 1-Wire bus, through the kernel's driver.

Sources: DS18B20 datasheet (scratchpad, CRC, power-on value); kernel document `w1/slaves/w1_therm` (the file).
"""

import re
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

from potvigil.drivers.last_good import READ_INTERVAL_S, LastGood

ONE_WIRE_ROOT = Path("/sys/bus/w1/devices")
THE_ONLY_ONE = "without id"  # instead of a ROM id: whichever is on the bus, looked for at each read

_ROM_ID = re.compile(r"28-[0-9a-f]{12}")  # family 28; other families count differently
_POWER_ON_RAW = 0x0550  # +85 C is in the scratchpad until the first conversion
_INSUFFICIENT_POWER_RAW = 0x07FF  # 127.94 C: the supply broke down during the conversion
_LOWEST_RAW, _HIGHEST_RAW = -55 * 16, 125 * 16


class ThermometerError(ValueError):
    """A thermometer's answer cannot be used."""


def crc8(data: bytes) -> int:
    """Return the 1-Wire CRC, x^8 + x^5 + x^4 + 1, first bit sent first (Application Note 27)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc


def parse_w1_slave(text: str) -> float:
    """Return the temperature, degrees C (-55 to 125), in the kernel's file `w1_slave`.

    Only the first line counts: the bytes of the second are the last good ones, its t= is of this read.
    Raise ThermometerError for an answer that is empty, damaged, or no measurement.
    """
    lines = text.splitlines()
    if not lines or not lines[0].strip():
        raise ThermometerError("empty answer")
    scratchpad_text, _, check = lines[0].partition(":")
    scratchpad = _scratchpad(scratchpad_text)
    if check.split()[-1:] != ["YES"] or crc8(scratchpad[:8]) != scratchpad[8]:
        raise ThermometerError("checksum wrong; the cable picks up interference or is too long")
    if not any(scratchpad):
        raise ThermometerError("all bytes zero; the data line is shorted to ground")
    #  byte 0 LSB | 1 MSB | 2 TH | 3 TL | 4 config: 0 R1 R0 1 1 1 1 1 | 5 FFh | 6 reserved | 7 10h | 8 CRC
    raw = int.from_bytes(scratchpad[:2], "little", signed=True)
    if raw == _POWER_ON_RAW and scratchpad[6] == 0x0C:  # a measured 85 C leaves another value in byte 6
        raise ThermometerError("85 C is the power-on value, nothing was measured; check its supply wire")
    if raw == _INSUFFICIENT_POWER_RAW:
        raise ThermometerError("127.94 C means too little power to measure; check its supply wire")
    if not _LOWEST_RAW <= raw <= _HIGHEST_RAW:
        raise ThermometerError(f"{raw / 16} C is outside -55 to 125 C")
    undefined_bits = 3 - (scratchpad[4] >> 5 & 0b11)  # R1 R0 = 0 to 3: 9 to 12 bits are measured
    return (raw >> undefined_bits << undefined_bits) / 16.0


def read_celsius(root: Path, rom_id: str) -> float:
    """Read one thermometer; return degrees C. Takes 0.75 s.

    Raise ThermometerError, naming the thermometer, when it is absent or its answer cannot be used.
    """
    name = _name(rom_id)
    if rom_id == THE_ONLY_ONE:
        found = find_probes(root)
        if len(found) != 1:
            if found:
                raise ThermometerError(f"{name}: {len(found)} on the bus ({', '.join(found)}); give id:")
            raise ThermometerError(f"{name}: none on the bus; check its wires")
        rom_id = found[0]
    try:
        return parse_w1_slave((root / rom_id / "w1_slave").read_text(encoding="ascii", errors="replace"))
    except FileNotFoundError as error:
        raise ThermometerError(
            f"{name}: not on the bus; check its wires, and dtoverlay=w1-gpio in the boot configuration"
        ) from error
    except OSError as error:
        raise ThermometerError(f"{name}: {error.strerror or error}; check its wires") from error
    except ThermometerError as error:
        raise ThermometerError(f"{name}: {error}") from error


def find_probes(root: Path = ONE_WIRE_ROOT) -> list[str]:
    """Return the ROM ids of all DS18B20 on the bus, sorted; an empty list where there is no bus."""
    return sorted(path.name for path in root.glob("28-*") if _ROM_ID.fullmatch(path.name))


class Probe:
    """One thermometer, read on its own schedule and never waited for.

    Reading takes 0.75 s, so `executor` does it; a later call returns the result.
    Raise ValueError for a ROM id that is not a DS18B20's.
    """

    def __init__(self, rom_id: str, executor: Executor, root: Path = ONE_WIRE_ROOT) -> None:
        if rom_id != THE_ONLY_ONE and not _ROM_ID.fullmatch(rom_id):
            raise ValueError(f"thermometer {rom_id!r}; a DS18B20 is named 28- and twelve of 0-9 a-f")
        self._rom_id = rom_id
        self._executor = executor
        self._root = root
        self._last = LastGood(_name(rom_id))
        self._pending: Future[float] | None = None
        self._submitted_s = 0.0
        self._due_s = float("-inf")

    def latest(self, now_s: float) -> tuple[float | None, str | None]:
        """Return degrees C and no fault, or None and the fault; two None before a first answer was due.

        now_s: boot time. Never waits, never raises.
        """
        if self._pending is not None and self._pending.done():
            self._take(self._pending)
        if self._pending is None and now_s >= self._due_s:
            self._submit(now_s)
        return self._last.at(now_s)

    def _submit(self, now_s: float) -> None:
        self._due_s = now_s + READ_INTERVAL_S
        self._submitted_s = now_s
        try:
            future = self._executor.submit(read_celsius, self._root, self._rom_id)
        except RuntimeError as error:  # no thread to be had
            self._last.miss(f"{_name(self._rom_id)}: {error}")
            return
        if future.done():
            self._take(future)
        else:
            self._pending = future

    def _take(self, future: Future[float]) -> None:
        self._pending = None
        try:
            self._last.keep(future.result(), self._submitted_s)
        except ThermometerError as error:
            self._last.miss(str(error))


class InlineExecutor(Executor):
    """Runs submitted work at once, in the caller's thread: for rehearsals, where nothing takes time."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def _name(rom_id: str) -> str:
    return f"1-Wire thermometer {rom_id}"


def _scratchpad(text: str) -> bytes:
    pieces = text.split()
    if len(pieces) != 9:
        raise ThermometerError(f"{len(pieces)} bytes instead of nine")
    if not all(re.fullmatch("[0-9a-fA-F]{2}", piece) for piece in pieces):
        raise ThermometerError(f"{text.strip()[:40]!a} is not nine bytes in hexadecimal")
    return bytes(int(piece, 16) for piece in pieces)
