"""The converters there can be, behind one way to read an input."""

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from potvigil.drivers.buses.i2c import Bus, BusLine
from potvigil.drivers.buses.spi import SELECTS, PinFactory
from potvigil.drivers.converters import ads1115, mcp3008
from potvigil.drivers.converters.mcp3008 import Mcp

# Either kind takes as many for one reading of the pressure.
CONVERSIONS = ads1115.CONVERSIONS


@dataclass(frozen=True, slots=True)
class Converter:
    """Which converter, and where. bus, address: of an ADS1115 or ADS1015. select: of an MCP3008 or MCP3208.

    full_scale_v: the range that is set, of an MCP its reference.
    """

    device: str = "ads1115"
    bus: int = 1
    address: int = 0x48
    select: int = 0
    full_scale_v: float = 6.144

    @property
    def on_i2c(self) -> bool:
        return self.device in ads1115.CHIPS

    @property
    def where(self) -> tuple[str, int, int]:
        """Return what only one chip can have."""
        return ("i2c", self.bus, self.address) if self.on_i2c else ("spi", 0, self.select)

    @property
    def volts_per_count(self) -> float:
        if self.on_i2c:
            return ads1115.volts_per_count(self.full_scale_v, ads1115.CHIPS[self.device])
        return self.full_scale_v / (1 << mcp3008.BITS[self.device])

    def __str__(self) -> str:
        place = (
            f"bus {self.bus}, address 0x{self.address:02X}" if self.on_i2c else f"chip select {self.select}"
        )
        return f"{self.device.upper()}, {place}"

    def check(self, channel: int) -> None:
        """Raise ValueError for what the converter does not have."""
        if self.on_i2c:
            if self.address not in ads1115.ADDRESSES:
                raise ValueError(f"converter address 0x{self.address:02X}; an ADS1115 has 0x48 to 0x4B")
            ads1115.config_word(channel, self.full_scale_v, chip=ads1115.CHIPS[self.device])
            return
        if self.device not in mcp3008.BITS:
            raise ValueError(f"converter {self.device}; there are ads1115, ads1015, mcp3008 and mcp3208")
        if self.select not in SELECTS or channel not in range(mcp3008.CHANNELS):
            raise ValueError(f"chip select {self.select}, channel {channel}; there are 0 and 1, and 0 to 7")


class Converters:
    """The open converters of a machine.

    bus_lines: of I2C, shared with other devices. pins: opens SPI when it is first needed.
    """

    def __init__(
        self,
        wired: Iterable[Converter],
        bus_lines: dict[int, BusLine[Bus]],
        pins: Callable[[], PinFactory],
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._bus_lines = bus_lines
        self._chips = {
            each.select: BusLine(each.select, _opener(each.device, pins)) for each in wired if not each.on_i2c
        }
        self._sleep = sleep

    def mean_count(self, of: Converter, channel: int, conversions: int, now_s: float | None = None) -> float:
        """Measure one input; return the mean count of several conversions.

        now_s: boot time, None to try at once whatever happened before. Raise BusError.
        """
        if not of.on_i2c:
            return self._chips[of.select].use(
                now_s, lambda mcp: mcp.read_mean_count(channel, conversions, self._sleep)
            )
        chip, full_scale_v = ads1115.CHIPS[of.device], of.full_scale_v
        return self._bus_lines[of.bus].use(
            now_s,
            lambda bus: ads1115.read_mean_count(
                bus, of.bus, of.address, channel, full_scale_v, conversions, self._sleep, chip
            ),
        )

    def close(self) -> None:
        for line in self._chips.values():
            line.close()


def _opener(device: str, pins: Callable[[], PinFactory]) -> Callable[[int], Mcp]:
    return lambda select: Mcp(device, select, pins())
