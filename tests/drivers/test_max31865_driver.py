"""The MAX31865's driver on the wire, its schedule, and each fault in words."""

import pytest

from potvigil.drivers.buses.spi import SpiError
from potvigil.drivers.thermometers.ds18b20 import ThermometerError
from potvigil.drivers.thermometers.max31865 import Max31865, RtdProbe, RtdWiring
from scripted_spi import ScriptedPins

# Config (Maxim 19-6478, page 13): bias 80, once 20, three wires 10, clear 02, 50 Hz 01
START = [(1, [0x80, 0x93], [0, 0]), (1, [0x80, 0xB1], [0, 0])]
ASK = [0x00, *[0] * 8]
OFF = (1, [0x80, 0x11], [0, 0])
WIRING = RtdWiring(select=1, wires=3, reference_ohm=400.0)


def registers(word: int = 0x4000, fault: int = 0, config: int = 0x91) -> list[int]:
    return [0xFF, config, word >> 8, word & 0xFF, 0xFF, 0xFF, 0, 0, fault]


def test_a_measurement_waits_for_bias_and_conversion_and_switches_the_bias_off() -> None:
    waited: list[float] = []
    with ScriptedPins(*START, (1, ASK, registers()), OFF) as pins:
        assert RtdProbe(WIRING, lambda: pins, waited.append).measure() == pytest.approx(0.0, abs=1e-9)
    # page 13: 10.5 time constants of the input filter and 1 ms; page 3: 62.5 ms for 50 Hz
    assert waited[0] >= 0.010
    assert waited[1] >= 0.0625
    assert pins.opened[0].clock_mode == 1


def test_a_result_is_read_one_tick_later_and_the_next_started_10_s_after() -> None:
    with ScriptedPins(*START, (1, ASK, registers(0x44FC)), OFF, *START) as pins:
        probe = RtdProbe(WIRING, lambda: pins, lambda _: None)
        assert probe.latest(100.0) == (None, None)
        assert probe.latest(100.05) == (None, None)
        for now_s in (101.0, 105.0, 110.0):
            celsius, fault = probe.latest(now_s)
            assert celsius == pytest.approx(20.0, abs=0.05)  # table 9: 44FCh
            assert fault is None


# Fault status, pages 15 and 21
@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (registers(0xFFFF, 0xA0), "the wire to the probe is broken"),
        (registers(0xFFFE), "the wire to the probe is broken"),
        (registers(0x0001, 0x40), "shorted"),
        (registers(0x0000), "shorted"),
        (registers(0x4001, 0x20), "a wire of it is off"),
        (registers(0x4001, 0x10), "FORCE-"),
        (registers(0x4001, 0x08), "RTDIN-"),
        (registers(0x4001, 0x04), "a voltage comes in from outside"),
        (registers(config=0x00), "no MAX31865 answers (0x00 instead of 0x91)"),
        ([0xFF] * 9, "no MAX31865 answers (0xFF instead of 0x91)"),
    ],
)
def test_each_fault_of_the_chip_has_its_words(answer: list[int], words: str) -> None:
    with ScriptedPins(*START, (1, ASK, answer), OFF) as pins:
        probe = RtdProbe(WIRING, lambda: pins, lambda _: None)
        probe.latest(0.0)
        assert words in str(probe.latest(1.0)[1])
        assert "chip select 1" in str(probe.latest(2.0)[1])


def test_a_pt1000_configured_as_a_pt100_gives_no_temperature() -> None:
    with ScriptedPins(*START, (1, ASK, registers(0x4000)), OFF) as pins:
        probe = RtdProbe(RtdWiring(1, 3, 100.0, 4300.0), lambda: pins, lambda _: None)
        with pytest.raises(ThermometerError, match="check the settings' device and reference"):
            probe.measure()


def test_two_and_four_wires_use_the_same_setting() -> None:
    for wires in (2, 4):
        with ScriptedPins((0, [0x80, 0x83], [0, 0]), (0, [0x80, 0xA1], [0, 0])) as pins:
            Max31865(0, wires, pins).start(lambda _: None)


def test_a_failed_transfer_is_a_fault_and_the_last_value_is_used_for_a_minute() -> None:
    failing = (1, [0x80, 0x93], OSError(5, "Input/output error"))
    with ScriptedPins(*START, (1, ASK, registers()), OFF, failing, *[failing] * 6) as pins:
        probe = RtdProbe(WIRING, lambda: pins, lambda _: None)
        probe.latest(0.0)
        assert probe.latest(1.0)[0] == pytest.approx(0.0, abs=1e-9)
        for now_s in range(10, 60, 10):
            assert probe.latest(float(now_s))[1] is None
        celsius, fault = probe.latest(70.0)
        assert celsius is None
        assert "transfer failed" in str(fault)
        with pytest.raises(SpiError):
            probe.measure()
