"""Simulated BMP388 and BMP390: registers as in Bosch Sensortec BST-BMP388-DS001.

The trimming is that of a real chip, published with one of its readings in the tests of the open-source
library bmp3xx for Elixir.
"""

from collections.abc import Callable, Sequence
from random import Random

_T1, _T2, _T3 = 27427, 18776, -10
_P = (-164, -2866, 35, 0, 25578, 31086, -13, -10, 17322, 18, -60)  # P1 to P11
# Bytes of each, in register order from 0x31: T1 to T3, then P1 to P11
_WIDTHS = (2, 2, 1, 2, 2, 1, 1, 2, 2, 1, 1, 2, 1, 1)
_EMPTY = 0x800000  # a result before the first measurement


class SimBmp388:
    """chip_id: 0x60 for a BMP390. pressure_pa (absolute) and celsius are asked at each forced conversion."""

    def __init__(
        self,
        pressure_pa: Callable[[], float],
        celsius: Callable[[], float],
        noise_pa: float = 0.9,
        seed: int = 0,
        chip_id: int = 0x50,
    ) -> None:
        self._pressure_pa = pressure_pa
        self._celsius = celsius
        self._noise_pa = noise_pa
        self._gauss = Random(seed).gauss
        self._chip_id = chip_id
        self.reset()

    def reset(self) -> None:
        """Reset as at power-up or by a soft reset."""
        self._memory = memory = bytearray(256)
        memory[0x00] = self._chip_id
        memory[0x03] = 0x10  # ready for a command, nothing measured
        memory[0x04:0x0A] = _EMPTY.to_bytes(3, "little") * 2
        at = 0x31
        for word, width in zip((_T1, _T2, _T3, *_P), _WIDTHS, strict=True):
            memory[at : at + width] = (word % (1 << 8 * width)).to_bytes(width, "little")
            at += width

    def write(self, register: int, data: Sequence[int]) -> None:
        """Write one byte to register, then pairs of register and byte (5.2)."""
        pairs = [(register, data[0]), *zip(data[1::2], data[2::2], strict=False)] if data else []
        for each, value in pairs:
            if each == 0x7E and value == 0xB6:
                self.reset()
            elif each == 0x1C:
                self._memory[0x1C] = value
            elif each == 0x1B:
                self._memory[0x1B] = value & 0x03  # after a forced conversion it sleeps
                if value & 0x30 in (0x10, 0x20) and value & 3 == 3:
                    self._convert()

    def read(self, register: int, length: int) -> list[int]:
        """Return bytes from register on; reading a result clears its data-ready flag."""
        answer = list(self._memory[register : register + length])
        if register <= 0x09 and register + length > 0x04:
            self._memory[0x03] &= ~0x60
        return answer

    def _convert(self) -> None:
        celsius = self._celsius()
        pressure_pa = self._pressure_pa() + self._gauss(0.0, self._noise_pa)
        self._memory[0x04:0x07] = _count_of_pressure(pressure_pa, celsius).to_bytes(3, "little")
        self._memory[0x07:0x0A] = _count_of_celsius(celsius).to_bytes(3, "little")
        self._memory[0x03] |= 0x60


def _count_of_celsius(celsius: float) -> int:
    """Solve t = T2 x / 2^30 + T3 x^2 / 2^48 for x = count - 256 T1, by bisection."""
    return _bisected(lambda x: x * (_T2 * 2.0**18 + _T3 * x) / 2.0**48, celsius, 0, 1 << 24, 256 * _T1)


def _count_of_pressure(pressure_pa: float, celsius: float) -> int:
    """Find the count that gives this pressure at that temperature, by bisection (9.3 term by term)."""
    p1, p2, p3, p4, p5, p6, p7, p8, p9, p10, p11 = _P
    t = celsius

    def pressure(count: float) -> float:
        flat = p5 * 8.0 + p6 * t / 64.0 + p7 * t**2 / 256.0 + p8 * t**3 / 32768.0
        linear = (
            (p1 - 16384) / 2.0**20 + (p2 - 16384) * t / 2.0**29 + p3 * t**2 / 2.0**32 + p4 * t**3 / 2.0**37
        )
        bent = (p9 + p10 * t) * count**2 / 2.0**48 + p11 * count**3 / 2.0**65
        return flat + linear * count + bent

    # the pressure falls with the count
    return _bisected(lambda count: -pressure(count), -pressure_pa, 0, 1 << 24, 0)


def _bisected(rising: Callable[[float], float], wanted: float, low: int, high: int, shift: int) -> int:
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if rising(float(middle - shift)) <= wanted else (low, middle)
    return low
