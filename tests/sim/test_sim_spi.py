"""Simulated SPI chips, BMP388, thermistor and platinum against data sheets and published tables."""

from math import exp, inf

import pytest
from gpiozero import MCP3008, MCP3208

from potvigil.sim.bmp388 import SimBmp388
from potvigil.sim.chips import SimAds1115, SimBmp280, SimBus
from potvigil.sim.spi_chips import SimMax31865, SimMcp, SimPins, pt100_ohm
from potvigil.sim.wires import Thermistor, Wires, beta_coefficients


def test_an_ads1015_gives_twelve_left_aligned_bits() -> None:
    # SBAS473, ideal output codes: +FS (2^11 - 1)/2^11 = 7FF0, one LSB = 0010, minus one = FFF0, -FS = 8000
    for volts, code in ((4.096, 0x7FF0), (2e-3, 0x0010), (0.0, 0), (-2e-3, 0xFFF0), (-5.0, 0x8000)):
        bus = SimBus({0x48: SimAds1115([lambda volts=volts: volts], busy_polls=0, bits=12)})
        bus.write_i2c_block_data(0x48, 1, [0xC3, 0x23])
        high, low = bus.read_i2c_block_data(0x48, 0, 2)
        assert high << 8 | low == code


# DS21295D figure 5-2: after B0 the result comes once more, lowest bit first, then zeros
def test_an_mcp3008_bit_by_bit() -> None:
    chip = SimMcp([lambda: 3.3 * 0x2A5 / 1024 + 1e-6], reference_v=3.3)
    answer = chip.exchange([0x01, 0x80, 0x00, 0x00, 0x00], mode=0)
    bits = "".join(f"{byte:08b}" for byte in answer)
    code = f"{0x2A5:010b}"
    assert bits[13] == "0"  # the null bit
    assert bits[14:24] == code
    assert bits[24:33] == code[-2::-1]
    assert set(bits[33:]) == {"0"}


@pytest.mark.parametrize(("kind", "bits"), [(MCP3008, 10), (MCP3208, 12)])
def test_gpiozero_reads_every_input(kind: type, bits: int) -> None:
    volts = [0.0, 0.4, 0.8, 1.2, 1.6, 2.4, 3.0, 3.4]
    pins = SimPins({1: SimMcp([lambda v=v: v for v in volts], reference_v=3.3, bits=bits)})
    for channel, v in enumerate(volts):
        with kind(channel, device=1, pin_factory=pins) as device:
            assert device.raw_value == min(int(v / 3.3 * 2**bits), 2**bits - 1)
    with kind(4, differential=True, device=1, pin_factory=pins) as device:
        assert device.raw_value == 0  # CH4 minus CH5 is negative
    with kind(5, differential=True, device=1, pin_factory=pins) as device:
        assert device.raw_value == pytest.approx(0.8 / 3.3 * 2**bits, abs=1.0)


def test_an_empty_spi_line_reads_zeros() -> None:
    pins = SimPins({0: SimMcp([lambda: 2.0])})
    with MCP3008(0, device=0, pin_factory=pins) as device:
        assert device.raw_value > 0
        pins.absent.add(0)
        assert device.raw_value == 0


# Maxim 19-6478 table 9 (page 19), 400 ohm: the word of the data registers
@pytest.mark.parametrize(("t", "word"), [(-50, 0x3366), (0, 0x4000), (20, 0x44FC), (100, 0x58A4)])
def test_a_max31865_reproduces_table_9(t: float, word: int) -> None:
    chip = SimMax31865(lambda: pt100_ohm(t), reference_ohm=400.0)
    chip.exchange([0x80, 0x80], mode=1)
    chip.exchange([0x80, 0xA0], mode=1)
    config, high, low, *_ = chip.exchange([0x00, 0, 0, 0], mode=1)[1:]
    assert config == 0x80  # "convert once" has reset itself
    assert abs((high << 8 | low) - word) <= 2  # the last bit is the fault's


def test_a_max31865_reports_a_broken_and_a_shorted_probe_until_cleared() -> None:
    for ohm, bit in ((inf, 0x80), (0.0, 0x40)):
        chip = SimMax31865(lambda ohm=ohm: ohm)
        chip.exchange([0x80, 0xA0], mode=3)
        answer = chip.exchange([0x01, *[0] * 7], mode=3)
        assert answer[2] & 1
        assert answer[7] & bit
        chip.exchange([0x80, 0x82], mode=3)
        assert chip.exchange([0x07, 0], mode=3)[1] == 0


def test_without_bias_or_in_another_clock_mode_nothing_is_measured() -> None:
    chip = SimMax31865(lambda: 100.0)
    chip.exchange([0x80, 0x20], mode=1)
    assert chip.exchange([0x01, 0, 0], mode=1)[1] == 0
    assert chip.exchange([0x01, 0, 0], mode=0) == [0xFF] * 3


@pytest.mark.parametrize("t", [-40.0, -3.3, 0.0, 21.7, 60.0, 118.0])
def test_platinum_between_the_rows_of_the_table(t: float) -> None:
    c = -4.183e-12 if t < 0.0 else 0.0
    ohm = 100.0 * (1.0 + 3.9083e-3 * t - 5.775e-7 * t**2 + c * (t - 100.0) * t**3)
    assert pt100_ohm(t) == pytest.approx(ohm, abs=0.008)  # 0.02 C


@pytest.mark.parametrize("t", [-20.0, 0.0, 25.0, 60.0])
def test_a_thermistor_by_beta_and_by_steinhart_and_hart(t: float) -> None:
    by_beta = Thermistor(0, beta_coefficients(3950.0, 10_000.0))
    assert by_beta.ohm(t) == pytest.approx(10_000.0 * exp(3950.0 * (1.0 / (t + 273.15) - 1.0 / 298.15)))
    # published with these coefficients: 32650 ohm at 0 C, 10000 at 25 C
    exact = Thermistor(0, (1.129148e-3, 2.34125e-4, 8.76741e-8))
    known = {0.0: 32650.0, 25.0: 10_000.0}
    if t in known:
        assert exact.ohm(t) == pytest.approx(known[t], rel=3e-4)
    half = Thermistor(0, exact.coefficients, resistor_ohm=exact.ohm(t))
    assert half.volts(t) == pytest.approx(1.65)


def test_a_bmp388_shows_the_reading_its_trimming_was_published_with() -> None:
    # 100876.0063 Pa and 30.4993 C with 979F6D and 73D885, see tests/reference/test_bmp388.py
    bus = SimBus({0x76: SimBmp388(lambda: 100_876.0063, lambda: 30.499314, noise_pa=0.0)})
    assert bus.read_i2c_block_data(0x76, 0x00, 1) == [0x50]
    assert (
        bytes(bus.read_i2c_block_data(0x76, 0x31, 21)).hex() == "236b5849f65cffcef42300ea636e79f3f6aa4312c4"
    )
    assert bus.read_i2c_block_data(0x76, 0x03, 1)[0] & 0x60 == 0
    bus.write_i2c_block_data(0x76, 0x1B, [0x13])
    status, *result = bus.read_i2c_block_data(0x76, 0x03, 7)
    assert status & 0x60 == 0x60
    assert abs(int.from_bytes(result[0:3], "little") - 0x6D9F97) <= 12  # 12 counts are 0.1 Pa
    assert abs(int.from_bytes(result[3:6], "little") - 0x85D873) <= 1


def test_the_other_chip_ids() -> None:
    assert SimBmp388(lambda: 1e5, lambda: 20.0, chip_id=0x60).read(0x00, 1) == [0x60]
    assert SimBmp280(lambda: 1e5, lambda: 20.0, chip_id=0x60).read(0xD0, 1) == [0x60]


@pytest.mark.parametrize(
    ("signal", "at_nothing_v", "at_span_v"),
    [
        ("0.5-4.5 V", 0.5, 4.5),
        ("0-5 V", 0.0, 5.0),
        ("1-5 V", 1.0, 5.0),
        ("0-10 V", 0.0, 10.0),
        ("4-20 mA", 0.4, 2.0),
    ],
)
def test_ends_of_the_signals(signal: str, at_nothing_v: float, at_span_v: float) -> None:
    wires = Wires(signal=signal, shunt_ohm=100.0)
    assert wires.signal_v(0.0, 5.0) == pytest.approx(at_nothing_v)
    assert wires.signal_v(1.0, 5.0) == pytest.approx(at_span_v)
