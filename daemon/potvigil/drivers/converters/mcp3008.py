"""The MCP3008 (10 bits) and MCP3208 (12 bits), converters with eight inputs on SPI, through gpiozero.

Sources: Microchip DS21295 (MCP3004/3008) and DS21298 (MCP3204/3208): code = 2^bits V_in / V_ref. So only
gpiozero's `raw_value` is used: its `value` and `voltage` are not code / 2^bits.
"""

import time
from collections.abc import Callable
from typing import Any, Final

from potvigil.drivers.buses.spi import PinFactory, opened, transfer_error

BITS: Final = {"mcp3008": 10, "mcp3208": 12}
CHANNELS: Final = 8

CONVERSIONS: Final = 4
# A conversion takes microseconds. Four of them spread over 18.2 ms, between both mains periods (20 and
# 16.7 ms), leave a tenth of the hum at either.
_SPACING_S: Final = 1 / 220


class Mcp:
    """One chip, its inputs opened when they are first read.

    A missing chip looks like 0 V or full scale: SPI acknowledges nothing.
    """

    def __init__(self, device: str, select: int, pins: PinFactory) -> None:
        """Open it. device: mcp3008 or mcp3208. Raise SpiError when SPI cannot be opened."""
        self._device = device
        self._select = select
        self._pins = pins
        self._inputs: dict[int, Any] = {}
        self._input(0)

    def read_mean_count(
        self, channel: int, conversions: int = CONVERSIONS, sleep: Callable[[float], None] = time.sleep
    ) -> float:
        """Measure CH<channel> against ground; return the mean count of several conversions, 0 to 2^bits - 1.

        `sleep` takes seconds. Raise SpiError when a transfer fails.
        """
        source = self._input(channel)
        total = 0
        for i in range(conversions):
            if i:
                sleep(_SPACING_S)
            try:
                total += source.raw_value
            except Exception as error:  # spidev's, and gpiozero's own
                raise transfer_error(self._select, error) from error
        return total / conversions

    def close(self) -> None:
        for each in self._inputs.values():
            each.close()
        self._inputs.clear()

    def _input(self, channel: int) -> Any:
        if channel not in self._inputs:
            import gpiozero

            kind = {"mcp3008": gpiozero.MCP3008, "mcp3208": gpiozero.MCP3208}[self._device]
            self._inputs[channel] = opened(
                self._select, lambda: kind(channel, device=self._select, pin_factory=self._pins)
            )
        return self._inputs[channel]
