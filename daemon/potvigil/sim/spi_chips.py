"""Simulated SPI chips: bits in, bits out, behind a pin factory like gpiozero's.

A chip has one method, `exchange(words, mode)`: it takes the bytes clocked in while its select is low, and
returns those it answers. No formula is shared with the drivers.
"""

from collections.abc import Callable, Sequence
from random import Random
from typing import Any, Protocol


class SpiChip(Protocol):
    def exchange(self, words: Sequence[int], mode: int) -> list[int]: ...


class SimPins:
    """The pin factory: one chip per chip select. absent: selects whose chip does not answer for now."""

    def __init__(self, chips: dict[int, SpiChip] | None = None) -> None:
        self.chips = chips or {}
        self.absent: set[int] = set()

    def spi(self, **arguments: Any) -> "SimSpi":
        return SimSpi(self, int(arguments.get("device", 0)))


class SimSpi:
    """One chip select, with those parts of gpiozero's SPI that devices use."""

    bits_per_word = 8

    def __init__(self, pins: SimPins, select: int) -> None:
        self._pins = pins
        self._select = select
        self.clock_mode = 0

    def transfer(self, words: Sequence[int]) -> list[int]:
        """Exchange bytes. An undriven line reads zeros."""
        chip = self._pins.chips.get(self._select)
        if chip is None or self._select in self._pins.absent:
            return [0] * len(words)
        return chip.exchange(words, self.clock_mode)

    def close(self) -> None:
        """Do nothing: there is nothing to release."""


class SimMcp:
    """An MCP3008 (bits 10) or MCP3208 (bits 12) as in Microchip DS21295 and DS21298, section 5.

    inputs: volts at CH0 to CH7, one callable each; a missing one reads 0 V. noise_v: rms of the white noise
    on each, per conversion. The start bit is followed by the single-ended bit and three bits of the channel;
    a clock later come a low null bit, the result highest bit first, again lowest first, then zeros.
    """

    def __init__(
        self,
        inputs: Sequence[Callable[[], float]],
        noise_v: Sequence[float] = (),
        reference_v: float = 3.3,
        bits: int = 10,
        seed: int = 0,
    ) -> None:
        self._inputs = inputs
        self._noise_v = noise_v
        self._reference_v = reference_v
        self._bits = bits
        self._gauss = Random(seed).gauss
        self._held: dict[tuple[int, bool], int] = {}
        self.stuck = False

    def exchange(self, words: Sequence[int], mode: int) -> list[int]:
        sent = "".join(f"{word & 0xFF:08b}" for word in words)
        start = sent.find("1")
        if mode not in (0, 3) or start < 0 or start + 5 > len(sent):
            return [0xFF] * len(words)
        single, channel = sent[start + 1] == "1", int(sent[start + 2 : start + 5], 2)
        result = f"{self._code(channel, single):0{self._bits}b}"
        answer = "1" * (start + 6) + "0" + result + result[-2::-1]
        answer = answer[: len(sent)].ljust(len(sent), "0")
        return [int(answer[i : i + 8], 2) for i in range(0, len(answer), 8)]

    def _code(self, channel: int, single: bool) -> int:
        if self.stuck and (channel, single) in self._held:
            return self._held[channel, single]
        volts = self._volts(channel)
        if not single:
            volts -= self._volts(channel ^ 1)
        top = 1 << self._bits
        code = min(max(int(volts / self._reference_v * top), 0), top - 1)  # truncated, not rounded
        self._held[channel, single] = code
        return code

    def _volts(self, channel: int) -> float:
        volts = self._inputs[channel]() if channel < len(self._inputs) else 0.0
        noise_v = self._noise_v[channel] if channel < len(self._noise_v) else 0.0
        return volts + self._gauss(0.0, noise_v) if noise_v else volts


# Pt100, ohm from -50 C in steps of 10 C: table of IEC 60751:2008
_FIRST_C, _STEP_C = -50.0, 10.0
_PT100_OHM = (
    *(80.31, 84.27, 88.22, 92.16, 96.09, 100.00, 103.90, 107.79, 111.67, 115.54, 119.40, 123.24, 127.08),
    *(130.90, 134.71, 138.51, 142.29, 146.07, 149.83, 153.58),
)


def pt100_ohm(celsius: float) -> float:
    """Return the resistance of a Pt100, -50 to 140 C, interpolated in the standard's table."""
    row = min(max(int((celsius - _FIRST_C) // _STEP_C), 0), len(_PT100_OHM) - 2)
    below, above = _PT100_OHM[row : row + 2]
    return below + (above - below) * ((celsius - _FIRST_C) / _STEP_C - row)


class SimMax31865:
    """A MAX31865 as in Maxim 19-6478: eight registers, read from 0x00, written from 0x80.

    ohm: of the probe, asked at each conversion; infinite where it is broken. Conversions take no time;
    without bias they measure nothing. Thresholds as after power-up: only the ends of the scale are faults.
    """

    def __init__(self, ohm: Callable[[], float], reference_ohm: float = 430.0) -> None:
        self._ohm = ohm
        self._reference_ohm = reference_ohm
        self.reset()

    def reset(self) -> None:
        """Reset as at power-up."""
        self._memory = bytearray((0x00, 0x00, 0x00, 0xFF, 0xFF, 0x00, 0x00, 0x00))

    def exchange(self, words: Sequence[int], mode: int) -> list[int]:
        if mode not in (1, 3) or not words:
            return [0xFF] * len(words)
        at = words[0] & 0x7F
        if not words[0] & 0x80:
            return [0, *(self._memory[(at + i) % 8] for i in range(len(words) - 1))]
        for i, value in enumerate(words[1:]):
            self._write((at + i) % 8, value)
        return [0] * len(words)

    def _write(self, register: int, value: int) -> None:
        if register == 0:
            if value & 0x02:
                self._memory[7] = 0
            if value & 0x20:
                self._convert(bias=bool(value & 0x80))
            self._memory[0] = value & ~0x2E  # start, fault detection and clear reset themselves
        elif 3 <= register <= 6:
            self._memory[register] = value

    def _convert(self, bias: bool) -> None:
        share = min(self._ohm() / self._reference_ohm, 1.0) if bias else 0.0
        code = min(int(share * 32768.0), 32767)
        if code == 32767:
            self._memory[7] |= 0x80 | 0x20
        elif code == 0:
            self._memory[7] |= 0x40
        self._memory[1:3] = (code << 1 | bool(self._memory[7])).to_bytes(2, "big")
