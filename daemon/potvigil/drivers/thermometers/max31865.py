"""The MAX31865, which measures a Pt100 or Pt1000 on SPI, through gpiozero.

Source: Maxim Integrated 19-6478, rev. 3 (page numbers are its own).
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from potvigil.drivers.buses.i2c import BusError, BusLine
from potvigil.drivers.buses.spi import PinFactory, opened, transfer_error
from potvigil.drivers.last_good import READ_INTERVAL_S, LastGood
from potvigil.drivers.thermometers import pt100
from potvigil.drivers.thermometers.ds18b20 import ThermometerError

_CONFIG = 0x00  # read here, written at 0x80
_WRITE = 0x80
_CLOCK_MODE = 1  # modes 1 and 3 (page 15)

# bit  7 bias on | 6 convert for ever | 5 convert once | 4 three wires | 3 2 test for faults
#      | 1 clear faults | 0 filter for 50 Hz
_BIAS, _ONCE, _THREE_WIRES, _CLEAR, _FILTER_50_HZ = 0x80, 0x20, 0x10, 0x02, 0x01
# The bias is on only while needed: its current warms a Pt100 by some tenths of a degree.
_SETTLING_S = 0.0105  # ten time constants of the input filter and 1 ms (page 13)
CONVERSION_TIME_S = 0.066  # 62.5 ms typical with the 50 Hz filter, 66 ms at most (page 3)

# Fault status (register 7, pages 15 and 21): what each bit most often comes from
_FAULTS = {
    0x80: "the wire to the probe is broken",
    0x40: "the probe or its cable is shorted",
    0x20: "the probe is broken or a wire of it is off",
    0x10: "a wire of the probe is off on its FORCE- side",
    0x08: "a wire of the probe is off on its RTDIN- side",
    0x04: "a voltage comes in from outside, or the chip lacks its supply",
}
_LARGEST_CODE = 0x7FFF


class Max31865:
    """One chip. wires: 2, 3 or 4 to the probe; with 2 the cable's own resistance is read along."""

    def __init__(self, select: int, wires: int, pins: PinFactory) -> None:
        """Open it. Raise SpiError when SPI cannot be opened."""
        self._select = select
        self._kept = (_THREE_WIRES if wires == 3 else 0) | _FILTER_50_HZ
        self._spi: Any = opened(select, lambda: pins.spi(port=0, device=select))
        self._spi.clock_mode = _CLOCK_MODE

    def start(self, sleep: Callable[[float], None] = time.sleep) -> None:
        """Begin a conversion; its result can be read after CONVERSION_TIME_S. Takes 10 ms. Raise SpiError."""
        self._write(self._kept | _BIAS | _CLEAR)
        sleep(_SETTLING_S)
        self._write(self._kept | _BIAS | _ONCE)

    def read_ohm(self, reference_ohm: float) -> float:
        """Return the probe's resistance, ohm, by the last conversion, and switch the bias off.

        reference_ohm: of the resistor on the board. Raise ThermometerError for a fault that the chip found,
        or where no such chip answers, SpiError for a failed transfer.
        """
        # config | RTD high, low | thresholds high, low, high, low | fault status
        data = self._transfer([_CONFIG, *[0] * 8])[1:]
        self._write(self._kept)
        if data[0] != self._kept | _BIAS:  # "convert once" clears itself
            raise ThermometerError(
                f"SPI, chip select {self._select}: no MAX31865 answers (0x{data[0]:02X} instead of "
                f"0x{self._kept | _BIAS:02X}); check its power, and SDI, SDO, CLK and CS"
            )
        code = (data[1] << 8 | data[2]) >> 1  # 15 bits; the last of 16 flags a fault
        found = [text for bit, text in _FAULTS.items() if data[7] & bit]
        if found or code in (0, _LARGEST_CODE):
            raise ThermometerError(
                f"MAX31865 on SPI, chip select {self._select}: {found[0] if found else _at_the_end(code)}"
            )
        return code * reference_ohm / 32768.0

    def close(self) -> None:
        self._spi.close()

    def _write(self, config: int) -> None:
        self._transfer([_WRITE | _CONFIG, config])

    def _transfer(self, data: Sequence[int]) -> list[int]:
        try:
            answer: list[int] = list(self._spi.transfer(list(data)))
        except Exception as error:  # spidev's, and gpiozero's own
            raise transfer_error(self._select, error) from error
        return answer


def read_celsius(chip: Max31865, reference_ohm: float, at_0_c_ohm: float) -> float:
    """Return degrees C (-200 to 850) of the last conversion. Raise as `Max31865.read_ohm` does."""
    try:
        return pt100.celsius(chip.read_ohm(reference_ohm), at_0_c_ohm)
    except ThermometerError:
        raise
    except ValueError as error:
        raise ThermometerError(f"{error}; check the settings' device and reference") from error


def _at_the_end(code: int) -> str:
    return _FAULTS[0x80] if code else _FAULTS[0x40]


@dataclass(frozen=True, slots=True)
class RtdWiring:
    """A Pt100 (at_0_c_ohm 100) or Pt1000 (1000) and its chip. reference_ohm: the resistor on the board."""

    select: int = 0
    wires: int = 2
    at_0_c_ohm: float = 100.0
    reference_ohm: float = 430.0

    def __str__(self) -> str:
        return f"Pt{self.at_0_c_ohm:g}, MAX31865, chip select {self.select}"


class RtdProbe:
    """One platinum thermometer, read every ten seconds: started at one call, its result taken at a later."""

    def __init__(
        self, wiring: RtdWiring, pins: Callable[[], PinFactory], sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._wiring = wiring
        self._line = BusLine(wiring.select, lambda select: Max31865(select, wiring.wires, pins()))
        self._sleep = sleep
        self._last = LastGood(str(wiring))
        self._started_s: float | None = None
        self._due_s = float("-inf")

    def latest(self, now_s: float) -> tuple[float | None, str | None]:
        """Return degrees C and no fault, or None and the fault; two None before a first answer was due.

        now_s: boot time. Takes 10 ms at most, never raises.
        """
        try:
            if self._started_s is not None and now_s - self._started_s >= CONVERSION_TIME_S:
                started_s, self._started_s = self._started_s, None
                self._last.keep(self._line.use(now_s, self._take), started_s)
            if self._started_s is None and now_s >= self._due_s:
                self._due_s = now_s + READ_INTERVAL_S
                self._line.use(now_s, lambda chip: chip.start(self._sleep))
                self._started_s = now_s
        except (BusError, ThermometerError) as error:
            self._started_s = None
            self._last.miss(str(error))
        return self._last.at(now_s)

    def measure(self) -> float:
        """Convert once and wait; return degrees C. Raise SpiError or ThermometerError."""
        self._line.use(None, lambda chip: chip.start(self._sleep))
        self._sleep(CONVERSION_TIME_S)
        return self._line.use(None, self._take)

    def close(self) -> None:
        self._line.close()

    def _take(self, chip: Max31865) -> float:
        return read_celsius(chip, self._wiring.reference_ohm, self._wiring.at_0_c_ohm)
