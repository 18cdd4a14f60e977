"""MCP3008 and MCP3208: the bytes of Microchip's data sheets, and clock by clock on gpiozero's mock pins."""

from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockSPIDevice

from potvigil.drivers.converters.converter import Converter
from potvigil.drivers.converters.mcp3008 import Mcp
from scripted_spi import ScriptedPins


# DS21295D figure 6-1 (page 21): start bit at the end of byte 0, then single-ended, D2 D1 D0; ten bits in the
# last two bytes, the six above them undefined
@pytest.mark.parametrize("channel", range(8))
@pytest.mark.parametrize(
    ("high", "low", "code"), [(0, 0, 0), (0xFC | 2, 0, 512), (3, 0xFF, 1023), (3, 0x99, 921)]
)
def test_bytes_of_an_mcp3008(channel: int, high: int, low: int, code: int) -> None:
    with ScriptedPins((1, [0x01, 0x80 | channel << 4, 0x00], [0xFF, high, low])) as pins:
        assert Mcp("mcp3008", 1, pins).read_mean_count(channel, 1) == code


# DS21298E figure 6-1 (page 21): the same, aligned for twelve bits
@pytest.mark.parametrize("channel", range(8))
@pytest.mark.parametrize(("high", "low", "code"), [(0, 0, 0), (0xE8, 0, 2048), (0x0F, 0xFF, 4095)])
def test_bytes_of_an_mcp3208(channel: int, high: int, low: int, code: int) -> None:
    sent = [0x06 | channel >> 2, channel << 6 & 0xFF, 0x00]
    with ScriptedPins((0, sent, [0xFF, high, low])) as pins:
        assert Mcp("mcp3208", 0, pins).read_mean_count(channel, 1) == code


# DS21295, equation 4-2: code = 1024 V_in / V_ref
@pytest.mark.parametrize(("code", "volts"), [(102, 0.498), (512, 2.5), (921, 4.497)])
def test_volts_of_a_count(code: int, volts: float) -> None:
    assert code * Converter("mcp3008", full_scale_v=5.0).volts_per_count == pytest.approx(volts, abs=5e-4)
    assert Converter("mcp3208", full_scale_v=5.0).volts_per_count == pytest.approx(5.0 / 4096)


Wires = tuple[int, int, int, int]  # BCM numbers of clock, MOSI, MISO, select


class ClockedMcp(MockSPIDevice):
    """Answers each clock as DS21295D figure 5-1 draws it: null bit, then B9 to B0."""

    def __init__(self, bits: int, codes: list[int], pins: MockFactory, wires: Wires) -> None:
        super().__init__(*wires, pin_factory=pins)
        self.bits, self.codes = bits, codes
        self.on_start()

    def on_start(self) -> None:
        self.taken: list[int] = []
        super().on_start()

    def on_bit(self) -> None:
        super().on_bit()
        self.taken.append(self.rx_buf[-1])
        if 1 not in self.taken:
            return
        since = len(self.taken) - self.taken.index(1)
        if since == 5:
            single, *address = self.taken[-4:]
            assert single == 1
            code = self.codes[address[0] << 2 | address[1] << 1 | address[2]]
            self.tx_word(code, self.bits + 2)  # a clock for the sample, the null bit, the result


class SelectedPins:
    """The mock factory's pins on a select of its own, where shifting by hand is what one asked for."""

    def __init__(self, pins: MockFactory, wires: Wires) -> None:
        self._pins, self._wires = pins, wires

    def spi(self, **arguments: Any) -> Any:
        clock, mosi, miso, select = self._wires
        return self._pins.spi(clock_pin=clock, mosi_pin=mosi, miso_pin=miso, select_pin=select, shared=True)


# gpiozero keeps a shared bus for the whole process: each device has pins of its own
@pytest.mark.parametrize(
    ("device", "bits", "wires"), [("mcp3008", 10, (11, 10, 9, 5)), ("mcp3208", 12, (21, 20, 19, 6))]
)
def test_clock_by_clock_through_gpiozero(
    device: str, bits: int, wires: Wires, monkeypatch: pytest.MonkeyPatch
) -> None:
    pins = MockFactory()
    monkeypatch.setattr(Device, "pin_factory", pins)
    codes = [0, 1, 102, 341, 512, 682, 921, (1 << bits) - 1]
    chip = ClockedMcp(bits, codes, pins, wires)
    mcp = Mcp(device, 0, SelectedPins(pins, wires))
    try:
        assert [mcp.read_mean_count(channel, 1) for channel in range(8)] == codes
    finally:
        mcp.close()
        chip.close()
        pins.reset()
