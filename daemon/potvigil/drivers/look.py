"""What answers on the buses, for whoever sets up a machine.

Only addresses of known devices are accessed. One register that each has anyway is read, and
nothing is written.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from potvigil.drivers.barometers import bmp280, bmp388
from potvigil.drivers.barometers.barometer import ADDRESSES as BAROMETERS
from potvigil.drivers.buses.i2c import Bus, BusError, open_bus, read_bytes
from potvigil.drivers.converters.ads1115 import ADDRESSES as CONVERTERS
from potvigil.drivers.converters.ads1115 import CONFIG_REGISTER
from potvigil.drivers.thermometers.ds18b20 import ONE_WIRE_ROOT, ThermometerError, find_probes, read_celsius
from potvigil.units import celsius_to_kelvin, degrees

# Of a Pi's header and its overlays; 0 and 2 belong to add-on boards and the display.
USUAL_BUSES = (1, 3, 4, 5, 6)


@dataclass(frozen=True, slots=True)
class I2cDevice:
    """A chip on I2C. device: as the settings call it, '' for one that is not known."""

    bus: int
    address: int
    device: str


@dataclass(frozen=True, slots=True)
class OneWireProbe:
    """A DS18B20. celsius: what it reads now, None where it could not be read."""

    rom_id: str
    celsius: float | None

    def reads(self, unit: str) -> str:
        """Return 'reads 21.5 °C' in that unit, or that it does not."""
        if self.celsius is None:
            return "does not read"
        return f"reads {degrees(celsius_to_kelvin(self.celsius), unit, 1)}"


@dataclass(frozen=True, slots=True)
class Survey:
    """The devices found. selects: of SPI. faults: why a bus could not be read; off: missing buses."""

    answers: tuple[I2cDevice, ...] = ()
    probes: tuple[OneWireProbe, ...] = ()
    selects: tuple[int, ...] = ()
    off: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()

    @property
    def converters(self) -> tuple[I2cDevice, ...]:
        return tuple(each for each in self.answers if each.address in CONVERTERS)

    @property
    def barometers(self) -> tuple[I2cDevice, ...]:
        return tuple(each for each in self.answers if each.address in BAROMETERS and each.device)


def look(
    bus_opener: Callable[[int], Bus] = open_bus,
    one_wire_root: Path = ONE_WIRE_ROOT,
    *,
    buses: Sequence[int] | None = None,
    devices: Path = Path("/dev"),
) -> Survey:
    """Ask every bus; takes a second for each thermometer. buses: of I2C; None for those below `devices`."""
    if buses is None:
        buses = [number for number in USUAL_BUSES if (devices / f"i2c-{number}").exists()]
    selects = tuple(select for select in (0, 1) if (devices / f"spidev0.{select}").exists())
    off = [] if buses else ["I2C"]
    off += [] if one_wire_root.exists() else ["1-Wire"]
    off += [] if selects else ["SPI"]
    answers: list[I2cDevice] = []
    faults: list[str] = []
    for number in buses:
        try:
            bus = bus_opener(number)
        except OSError as error:
            faults.append(str(error))
            continue
        try:
            answers += _answering(bus, number)
        finally:
            bus.close()
    probes = tuple(
        OneWireProbe(rom_id, _celsius(one_wire_root, rom_id)) for rom_id in find_probes(one_wire_root)
    )
    return Survey(tuple(answers), probes, selects, tuple(off), tuple(faults))


def _answering(bus: Bus, number: int) -> list[I2cDevice]:
    found = []
    for address in CONVERTERS:
        if _read(bus, number, address, CONFIG_REGISTER, 2) is not None:
            found.append(I2cDevice(number, address, "ads1115"))  # an ADS1015 answers just the same
    for address in BAROMETERS:
        device = None
        for register, names in ((bmp280.CHIP_ID, bmp280.NAMES), (bmp388.CHIP_ID, bmp388.NAMES)):
            read = _read(bus, number, address, register, 1)
            if read is not None:
                device = device or names.get(read[0], "")
        if device is not None:
            found.append(I2cDevice(number, address, device))
    return found


def _read(bus: Bus, number: int, address: int, register: int, length: int) -> bytes | None:
    try:
        return read_bytes(bus, number, address, register, length)
    except BusError:
        return None


def _celsius(root: Path, rom_id: str) -> float | None:
    try:
        return read_celsius(root, rom_id)
    except ThermometerError:
        return None
