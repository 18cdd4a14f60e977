"""Simulated I2C chips, byte for byte at their registers, and the kernel's 1-Wire files.

A device has two methods, `write(register, data)` and `read(register, length)`, as its datasheet describes
them; `SimBus` offers them through the interface of `smbus2.SMBus`. What the chips measure comes from
callables, called when a conversion starts. No formula is shared with the drivers.
"""

from collections.abc import Callable, Sequence
from math import copysign, sqrt
from pathlib import Path
from random import Random
from typing import Protocol

_EREMOTEIO = 121  # the kernel's error when nothing acknowledges the address
_ETIMEDOUT = 110  # its error when SDA or SCL is held low


class Device(Protocol):
    """A chip as seen from the bus: bytes are written to a register or read from one."""

    def write(self, register: int, data: Sequence[int]) -> None: ...

    def read(self, register: int, length: int) -> list[int]: ...


class SimBus:
    """An I2C bus with the block methods of `smbus2.SMBus`, and its errors.

    devices: by address. absent: addresses that do not answer for now. fail_every: every n-th transfer fails,
    0 for none. held_low: a shorted line; every transfer times out.
    """

    def __init__(self, devices: dict[int, Device] | None = None) -> None:
        self.devices: dict[int, Device] = devices or {}
        self.absent: set[int] = set()
        self.fail_every = 0
        self.held_low = False
        self._transfers = 0

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: Sequence[int]) -> None:
        """Write up to 32 bytes. Raises OSError as the kernel does, ValueError for more bytes."""
        if len(data) > 32:
            raise ValueError("Data length cannot exceed 32 bytes")
        self._answering(i2c_addr).write(register, data)

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        """Read up to 32 bytes. Raises OSError as the kernel does, ValueError for more bytes."""
        if length > 32:
            raise ValueError("Desired block length over 32 bytes")
        return self._answering(i2c_addr).read(register, length)

    def close(self) -> None:
        """Do nothing: the bus may be used again."""

    def _answering(self, address: int) -> Device:
        if self.held_low:
            raise TimeoutError(_ETIMEDOUT, "Connection timed out")
        if self.fail_every:
            self._transfers += 1
            if self._transfers % self.fail_every == 0:
                raise OSError(_EREMOTEIO, "Remote I/O error")
        device = self.devices.get(address)
        if device is None or address in self.absent:
            raise OSError(_EREMOTEIO, "Remote I/O error")
        return device


_ADS1115_RESET_CONFIG = 0x8583
_FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
_INPUT_PAIRS = ((0, 1), (0, 3), (1, 3), (2, 3), (0, None), (1, None), (2, None), (3, None))

_OS = 0x8000
_SINGLE_SHOT = 0x0100


class SimAds1115:
    """An ADS1115 as in Texas Instruments SBAS444: conversion, config and the two threshold registers.

    bits: 12 for an ADS1015 (SBAS473), whose result is left-justified, with four zeros after it.

    inputs: volts at AIN0 to AIN3, one callable each; a missing one reads 0 V. noise_v: rms of the white noise
    on each input, per conversion. busy_polls: how many reads of the config register find a conversion still
    running, in place of a conversion time. While `stuck`, conversions end but the result never changes.

    config: OS 15 | MUX 14:12 | PGA 11:9 | MODE 8 | DR 7:5 | COMP_MODE, POL, LAT 4:2 | COMP_QUE 1:0
    """

    def __init__(
        self,
        inputs: Sequence[Callable[[], float]],
        noise_v: Sequence[float] = (),
        seed: int = 0,
        busy_polls: int = 1,
        bits: int = 16,
    ) -> None:
        unused = 4 - len(inputs)
        self._inputs = (*inputs, *[_grounded] * unused)
        self._noise_v = (*noise_v, *[0.0] * (4 - len(noise_v)))
        self._gauss = Random(seed).gauss
        self.busy_polls = busy_polls
        self._half = 1 << bits - 1
        self._left = 1 << 16 - bits
        self.stuck = False
        self.reset()

    def reset(self) -> None:
        """Reset as at power-up."""
        self._config = _ADS1115_RESET_CONFIG & ~_OS
        self._busy = 0
        self._ready = [0, 0]
        self._coming = self._ready
        self._thresholds = {2: [0x80, 0x00], 3: [0x7F, 0xFF]}

    def write(self, register: int, data: Sequence[int]) -> None:
        """Write a word, high byte first; a config word with OS and MODE set starts a conversion."""
        if len(data) < 2:
            return  # a half-written register keeps its value
        if register == 1:
            word = data[0] << 8 | data[1]
            self._config = word & ~_OS
            if word & _OS and word & _SINGLE_SHOT and not self._busy:
                self._coming = self._convert()
                self._busy = self.busy_polls
                if not self._busy:
                    self._ready = self._coming
        elif register in self._thresholds:
            self._thresholds[register] = list(data[:2])

    def read(self, register: int, length: int) -> list[int]:
        """Return a register's word, high byte first; OS reads 0 while a conversion is running."""
        if register == 0:
            if not self._config & _SINGLE_SHOT:
                self._ready = self._convert()  # continuous mode: always a fresh result
            answer = self._ready
        elif register == 1:
            word = self._config
            if self._busy:
                self._busy -= 1
                if not self._busy:
                    self._ready = self._coming
            else:
                word |= _OS
            answer = [word >> 8, word & 0xFF]
        else:
            answer = self._thresholds.get(register, [0xFF, 0xFF])
        if length == 2:
            return answer[:]
        return (answer + [0xFF] * length)[:length]

    def _convert(self) -> list[int]:
        if self.stuck:
            return self._ready
        config = self._config
        plus, minus = _INPUT_PAIRS[config >> 12 & 7]
        volts = self._volts(plus)
        if minus is not None:
            volts -= self._volts(minus)
        half = self._half
        code = round(volts * half / _FULL_SCALE_V[config >> 9 & 7])
        if code >= half:
            code = half - 1
        elif code < -half:
            code = -half
        code *= self._left
        return [code >> 8 & 0xFF, code & 0xFF]

    def _volts(self, channel: int) -> float:
        noise_v = self._noise_v[channel]
        volts = self._inputs[channel]()
        return volts + self._gauss(0.0, noise_v) if noise_v else volts


def _grounded() -> float:
    return 0.0


# Trimming of the worked example in BST-BMP280-DS001, 3.12: dig_T1 to dig_T3, dig_P1 to dig_P9
_T1, _T2, _T3 = 27504, 26435, -1000
_P1, _P2, _P3, _P4, _P5, _P6, _P7, _P8, _P9 = 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000
_BMP280_TRIMMING = (_T1, _T2, _T3, _P1, _P2, _P3, _P4, _P5, _P6, _P7, _P8, _P9)
_BMP280_CHIP_ID = 0x58
_SKIPPED = 0x80000  # result of a skipped measurement, and before the first one


class SimBmp280:
    """A BMP280 as in Bosch Sensortec BST-BMP280-DS001, with the trimming of the datasheet's example.

    pressure_pa (absolute) and celsius are asked at each conversion. noise_pa: rms per conversion. Forced mode
    converts once per write of ctrl_meas and returns to sleep; the first read of status after that gives
    "measuring". Normal mode converts at each read of the results. Oversampling sets the resolution (16 to 20
    bits); the filter bits of config are kept but do not filter. While `stuck`, the results never change.
    chip_id: 0x60 for a BME280, without its humidity part.
    """

    def __init__(
        self,
        pressure_pa: Callable[[], float],
        celsius: Callable[[], float],
        noise_pa: float = 1.3,
        seed: int = 0,
        chip_id: int = _BMP280_CHIP_ID,
    ) -> None:
        self._chip_id = chip_id
        self._pressure_pa = pressure_pa
        self._celsius = celsius
        self._noise_pa = noise_pa
        self._gauss = Random(seed).gauss
        self.stuck = False
        self.reset()

    def reset(self) -> None:
        """Reset as at power-up or by a soft reset."""
        self._measuring = False
        self._memory = memory = bytearray(256)
        for i, word in enumerate(_BMP280_TRIMMING):
            memory[0x88 + 2 * i : 0x8A + 2 * i] = (word & 0xFFFF).to_bytes(2, "little")
        memory[0xD0] = self._chip_id
        memory[0xF7:0xFD] = _result_bytes(_SKIPPED) + _result_bytes(_SKIPPED)

    def write(self, register: int, data: Sequence[int]) -> None:
        """Write one byte to register, then pairs of register and byte (multiple byte writing, 5.2.1)."""
        pairs = [(register, data[0]), *zip(data[1::2], data[2::2], strict=False)] if data else []
        for each, value in pairs:
            if each == 0xE0 and value == 0xB6:
                self.reset()
            elif each == 0xF5:
                self._memory[0xF5] = value
            elif each == 0xF4:
                self._memory[0xF4] = value
                if value & 3 in (1, 2):
                    self._convert()
                    self._measuring = True
                    self._memory[0xF4] = value & ~3

    def read(self, register: int, length: int) -> list[int]:
        """Return bytes from register on, with auto-increment (5.2.2)."""
        if register == 0xF3 and self._measuring:
            self._measuring = False
            return ([0x08, *self._memory[0xF4:]])[:length]
        if self._memory[0xF4] & 3 == 3 and register <= 0xFC and register + length > 0xF7:
            self._convert()
        return list(self._memory[register : register + length])

    def _convert(self) -> None:
        if self.stuck:
            return
        ctrl_meas = self._memory[0xF4]
        adc_t = _resolved(_adc_of_celsius(self._celsius()), ctrl_meas >> 5 & 7)
        pressure_pa = self._pressure_pa()
        if self._noise_pa:
            pressure_pa += self._gauss(0.0, self._noise_pa)
        adc_p = _resolved(_adc_of_pressure(pressure_pa, adc_t), ctrl_meas >> 2 & 7)
        if adc_t == _SKIPPED:
            adc_p = _SKIPPED
        self._memory[0xF7:0xFD] = _result_bytes(adc_p) + _result_bytes(adc_t)


def _result_bytes(adc: int) -> bytes:
    return (adc << 4).to_bytes(3, "big")  # 20 bits, left-justified in msb, lsb, xlsb


def _resolved(adc: float, oversampling: int) -> int:
    if oversampling == 0:
        return _SKIPPED
    unit = 1 << max(0, 5 - oversampling)  # 16 bits at x1, one more for each doubling
    return min(max(round(adc / unit) * unit, 0), 0xFFFFF)


def _adc_of_celsius(celsius: float) -> float:
    """Solve 5120 t = T2 y + T3 y^2 / 64 for y = adc / 16384 - T1 / 1024 (3.11.3 in one line)."""
    y = _smaller_root(_T3 / 64.0, float(_T2), -5120.0 * celsius)
    return (y + _T1 / 1024.0) * 16384.0


def _adc_of_pressure(pressure_pa: float, adc_t: int) -> float:
    """Invert the pressure compensation at the temperature given by adc_t.

    With s = t_fine / 2 - 64000 the datasheet has p = q + (P9 q^2 / 2^31 + P8 q / 2^15 + P7) / 16 of the
    uncorrected q = 6250 (2^20 - adc - offset(s)) / gain(s).
    """
    y = adc_t / 16384.0 - _T1 / 1024.0
    s = (_T2 * y + _T3 * y * y / 64.0) / 2.0 - 64000.0
    gain = _P1 * (1.0 + (_P2 * s + _P3 * s * s / 2.0**19) / 2.0**34)
    offset = (_P4 * 65536.0 + (_P6 * s * s / 2.0**15 + 2.0 * _P5 * s) / 4.0) / 4096.0
    q = _smaller_root(_P9 / 2.0**35, 1.0 + _P8 / 2.0**19, _P7 / 16.0 - pressure_pa)
    return 2.0**20 - offset - q * gain / 6250.0


def _smaller_root(a: float, b: float, c: float) -> float:
    """Return the root of a x^2 + b x + c near -c / b, without the cancellation of the usual formula."""
    return -2.0 * c / (b + copysign(sqrt(b * b - 4.0 * a * c), b))


_POWER_ON_RAW = 0x0550  # +85 C
_BETWEEN_WRITES_S = 4.0


class OneWireFolder:
    """The folder in which the kernel shows DS18B20 probes: root/28-xxxxxxxxxxxx/w1_slave.

    Probes have ids of `28-` and twelve hexadecimal digits. A file is written only when its content changes,
    and for a mere change of temperature at most every four simulated seconds.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir(parents=True, exist_ok=True)
        self._raw: dict[str, int] = {}  # sixteenths of a degree, as last shown
        self._next_write_s: dict[str, float] = {}

    def set_celsius(self, probe_id: str, celsius: float, t_s: float) -> None:
        """Make a probe read a temperature, -55 to 125 C, in 12-bit steps; that ends a fault."""
        raw = round(celsius * 16.0)
        if raw == self._raw.get(probe_id) or t_s < self._next_write_s.get(probe_id, t_s):
            return
        self._raw[probe_id] = raw
        self._next_write_s[probe_id] = t_s + _BETWEEN_WRITES_S
        self._show(probe_id, _scratchpad(raw, 0x10 - (raw & 0x0F)), raw)

    def remove(self, probe_id: str) -> None:
        """Make a probe absent: the kernel removes its folder."""
        folder = self.root / probe_id
        if folder.exists():
            (folder / "w1_slave").unlink()
            folder.rmdir()
        self._forget(probe_id)

    def power_on(self, probe_id: str) -> None:
        """Make a probe read its power-on value of 85 C, as if it lost its supply before it had converted."""
        self._show(probe_id, _scratchpad(_POWER_ON_RAW, 0x0C), _POWER_ON_RAW)
        self._forget(probe_id)

    def bad_crc(self, probe_id: str) -> None:
        """Make a read come in as all ones. Line two keeps the last good bytes; t= is of the bad ones."""
        last_raw = self._raw.get(probe_id, _POWER_ON_RAW)
        last_good = _scratchpad(last_raw, 0x10 - (last_raw & 0x0F))
        ones = bytes([0xFF] * 9)
        said = f"{ones.hex(' ')} : crc={crc8(ones[:8]):02x} NO\n{last_good.hex(' ')} t={_millidegrees(-1)}\n"
        self._write(probe_id, said)
        self._forget(probe_id)

    def empty(self, probe_id: str) -> None:
        """Make the kernel's file empty."""
        self._write(probe_id, "")
        self._forget(probe_id)

    def _forget(self, probe_id: str) -> None:
        """Force the next temperature to be written."""
        self._raw.pop(probe_id, None)
        self._next_write_s.pop(probe_id, None)

    def _show(self, probe_id: str, scratchpad: bytes, raw: int) -> None:
        shown = scratchpad.hex(" ")
        text = f"{shown} : crc={scratchpad[8]:02x} YES\n{shown} t={_millidegrees(raw)}\n"
        self._write(probe_id, text)

    def _write(self, probe_id: str, text: str) -> None:
        # written aside and moved, so that a reader in another thread never sees half a file
        folder = self.root / probe_id
        folder.mkdir(exist_ok=True)
        aside = self.root / f".{probe_id}"
        aside.write_text(text, encoding="ascii")
        aside.replace(folder / "w1_slave")


def _scratchpad(raw: int, count_remain: int) -> bytes:
    """Return the nine bytes of a DS18B20's scratchpad.

    temperature low, high | alarm high 75, low 70 | config: 12 bits | FF | count remain | 10 | CRC. As in real
    parts, reserved byte 6 is 0C after power-on, and 10 less the four fraction bits after a conversion.
    """
    start = (raw & 0xFFFF).to_bytes(2, "little") + bytes((0x4B, 0x46, 0x7F, 0xFF, count_remain, 0x10))
    return start + bytes((crc8(start),))


def _millidegrees(raw: int) -> int:
    whole = abs(raw) * 1000 // 16  # the kernel's integer division truncates towards zero
    return whole if raw >= 0 else -whole


def crc8(data: bytes) -> int:
    """Return the 1-Wire CRC-8 (Maxim application note 27): x^8 + x^5 + x^4 + 1, least significant bit first.

    Computed as long division of the bit stream by the polynomial.
    """
    stream = int("".join(f"{byte:08b}"[::-1] for byte in data) or "0", 2) << 8
    for place in range(stream.bit_length() - 1, 7, -1):
        if stream >> place & 1:
            stream ^= 0b1_0011_0001 << place - 8
    return int(f"{stream:08b}"[::-1], 2)
