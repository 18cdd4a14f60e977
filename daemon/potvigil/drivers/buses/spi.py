"""SPI through gpiozero, and what can keep it from being opened.

A pin factory is anything with gpiozero's `spi(**arguments)`; the drivers ask for nothing else. Only port 0 of
the 40-pin header is used, with its two chip selects: 0 is CE0, 1 is CE1.
"""

import warnings
from typing import Any, Protocol

from potvigil.drivers.buses.i2c import BusError
from potvigil.extras import how_to_install

# gpiozero masks the missing answer of a chip that is not there, and MISO without a driver reads as it likes.
SELECTS = (0, 1)


class PinFactory(Protocol):
    """The part of a gpiozero pin factory that is used."""

    def spi(self, **arguments: Any) -> Any: ...


class SpiError(BusError):
    """SPI cannot be opened, or a transfer on it failed."""


def system_pins() -> PinFactory:
    """Return gpiozero's factory for this machine's pins. Raise SpiError, saying what to do, without one."""
    try:
        from gpiozero import Device, PinFactoryFallback

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", PinFactoryFallback)  # any factory will do for SPI
            Device.ensure_pin_factory()
        factory: PinFactory = Device.pin_factory
    except Exception as error:  # each factory has its own, and its own libraries'
        raise SpiError(
            f"SPI: no GPIO library works here ({error}); install it with {how_to_install('spi')}"
        ) from error
    return factory


def opened(select: int, opener: Any) -> Any:
    """Return what `opener` opens. Raise SpiError, saying what to do, when that fails.

    gpiozero would take to shifting bits by hand where the kernel's SPI is missing: slow, and it hides that
    SPI is switched off. That is refused.
    """
    from gpiozero import SPISoftwareFallback

    where = f"SPI, chip select {select}"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", SPISoftwareFallback)
            return opener()
    except SpiError:
        raise
    except Exception as error:
        cause = error.__context__ if isinstance(error, SPISoftwareFallback) else error
        if isinstance(cause, ImportError):
            what = f"its library is missing; install it with {how_to_install('spi')}"
        elif isinstance(cause, FileNotFoundError):
            what = (
                f"there is no /dev/spidev0.{select}; enable SPI (raspi-config, Interface Options) and restart"
            )
        elif isinstance(cause, PermissionError):
            what = f"no permission for /dev/spidev0.{select}; add the user to the group spi"
        else:
            what = f"cannot be opened: {cause}; is a pin of it used for something else?"
        raise SpiError(f"{where}: {what}") from error


def transfer_error(select: int, error: Exception) -> SpiError:
    """Return the error that names the chip select for what a transfer raised."""
    return SpiError(f"SPI, chip select {select}: the transfer failed ({error}); check that SPI is enabled")
