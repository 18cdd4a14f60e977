"""Opening SPI, and the words when that fails; a converter on it through a long night."""

import sys
import warnings
from typing import Any

import pytest
from gpiozero import BadPinFactory, Device, SPISoftwareFallback

from potvigil.drivers.buses.i2c import BusError
from potvigil.drivers.buses.spi import SpiError, opened, system_pins
from potvigil.drivers.converters.converter import Converter, Converters
from potvigil.drivers.converters.mcp3008 import Mcp
from scripted_spi import ScriptedPins


def fallen_back(cause: Exception) -> Any:
    """Do as gpiozero does: warn, and shift bits by hand instead."""
    try:
        raise cause
    except Exception as error:
        warnings.warn(SPISoftwareFallback(f"falling back to software (error was: {error!s})"), stacklevel=1)
    return "bits shifted by hand"


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        (ImportError("failed to import spidev"), "its library is missing; install it"),
        (FileNotFoundError(2, "No such file or directory"), "there is no /dev/spidev0.1; enable SPI"),
        (PermissionError(13, "Permission denied"), "add the user to the group spi"),
        (ValueError("pin 8 is already in use"), "is a pin of it used for something else?"),
    ],
)
def test_the_bit_banging_fallback_is_refused_with_its_cause(cause: Exception, words: str) -> None:
    with pytest.raises(SpiError, match="SPI, chip select 1: ") as caught:
        opened(1, lambda: fallen_back(cause))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_gpio_library_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> None:
        raise BadPinFactory("Unable to load any default pin factory!")

    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setattr(Device, "_default_pin_factory", staticmethod(none))
    with pytest.raises(SpiError, match="lgpio>="):
        system_pins()


def test_a_missing_gpiozero_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero", None)
    with pytest.raises(SpiError, match="SPI: no GPIO library works here"):
        system_pins()


def test_four_conversions_are_averaged_over_a_mains_period() -> None:
    waited: list[float] = []
    answers = [(0, [0x01, 0xA0, 0x00], [0, 0, code]) for code in (10, 11, 12, 15)]
    with ScriptedPins(*answers) as pins:
        assert Mcp("mcp3008", 0, pins).read_mean_count(2, 4, waited.append) == 12.0
    assert len(waited) == 3
    # four samples over 18.2 ms leave a tenth of the hum of 50 and of 60 Hz
    spacing_s = waited[0]
    for hertz in (50.0, 60.0):
        turns = [complex(0.0, 2.0 * 3.141592653589793 * hertz * spacing_s * i) for i in range(4)]
        left = abs(sum(2.718281828459045**turn for turn in turns)) / 4
        assert left < 0.12


def test_a_failed_transfer_names_the_chip_select() -> None:
    with ScriptedPins((1, [0x01, 0x80, 0x00], OSError(5, "Input/output error"))) as pins:
        mcp = Mcp("mcp3008", 1, pins)
        with pytest.raises(SpiError, match="chip select 1: the transfer failed"):
            mcp.read_mean_count(0)


def test_spi_that_cannot_be_opened_is_retried_every_10_s_forever() -> None:
    attempts = 0

    def pins() -> Any:
        nonlocal attempts
        attempts += 1
        raise SpiError("SPI: no GPIO library works here")

    converter = Converter("mcp3208", full_scale_v=3.3)
    converters = Converters([converter], {}, pins)
    for now_s in range(600):
        with pytest.raises(BusError, match="no GPIO library"):
            converters.mean_count(converter, 0, 4, float(now_s))
    assert attempts == 60


def test_a_chip_is_reopened_after_a_failure() -> None:
    failing = (0, [0x06, 0x00, 0x00], OSError(5, "Input/output error"))
    good = (0, [0x06, 0x00, 0x00], [0, 0x07, 0xFF])
    converter = Converter("mcp3208", full_scale_v=3.3)
    with ScriptedPins(good, failing, good) as pins:
        converters = Converters([converter], {}, lambda: pins, lambda _: None)
        assert converters.mean_count(converter, 0, 1, 0.0) == 2047
        with pytest.raises(SpiError):
            converters.mean_count(converter, 0, 1, 20.0)
        assert pins.opened[0].closed
        assert converters.mean_count(converter, 0, 1, 40.0) == 2047
        converters.close()
    assert all(spi.closed for spi in pins.opened)


@pytest.mark.parametrize(
    ("converter", "channel", "why"),
    [
        (Converter("mcp3008", select=2, full_scale_v=3.3), 0, "there are 0 and 1"),
        (Converter("mcp3208", full_scale_v=3.3), 8, "0 to 7"),
        (Converter("ads1015", full_scale_v=3.3), 0, "the ADS1015 has"),
        (Converter("ads1015", address=0x40), 0, "0x48 to 0x4B"),
        (Converter("hx711"), 0, "there are ads1115, ads1015, mcp3008 and mcp3208"),
    ],
)
def test_options_no_converter_has_are_refused(converter: Converter, channel: int, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        converter.check(channel)
