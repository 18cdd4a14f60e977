"""Faults that show only across blocks: one input, probe or pin used twice."""

import itertools
from typing import Any

from potvigil import units
from potvigil.model.reading import Place
from potvigil.settings.block import sound
from potvigil.settings.outline import Outline
from potvigil.settings.schema import BarometerSettings
from potvigil.settings.thermometer import ThermometerSettings
from potvigil.settings.transducer import ON_SPI, TransducerSettings
from potvigil.settings.values import pin_number


def compare_wires(pots: dict[str, dict[str, Any]], outline: Outline) -> None:
    """Look for two uses of one input of one converter; blocks at fault are skipped."""
    transducers = {pot: sound(TransducerSettings, keys.get("transducer", {})) for pot, keys in pots.items()}
    read_by: dict[tuple[tuple[str, int, int], int], str] = {}
    kinds: dict[tuple[str, int, int], tuple[str, str]] = {}
    for pot, wire in transducers.items():
        if wire is None:
            continue
        kind, owner = kinds.setdefault(wire.converter, (wire.device, pot))
        if kind != wire.device:
            text = f"{wire.device} is at the place of pots.{owner}'s {kind}; give another place"
            outline.add(("pots", pot, "transducer", "device"), text)
        if read_by.setdefault((wire.converter, wire.channel), pot) != pot:
            first = read_by[wire.converter, wire.channel]
            text = f"{wire.channel} at {_place(wire)} is read by pots.{first}; give another"
            outline.add(("pots", pot, "transducer", "channel"), text)
    for pot, wire in transducers.items():
        if wire and wire.supply_channel is not None:
            owner_of = read_by.get((wire.converter, wire.supply_channel))
            if owner_of:
                text = f"{wire.supply_channel} is the channel of pots.{owner_of}'s transducer; give another"
                outline.add(("pots", pot, "transducer", "supply_channel"), text)
        for path, probe in _probes(pot, pots[pot]):
            if wire and probe.device == "ntc":
                _compare_thermistor(path, probe, wire, read_by, outline)
            elif probe.is_platinum and ("SPI", 0, probe.spi_device or 0) in kinds:
                text = f"{probe.spi_device or 0} is the chip select of a converter; give the other"
                outline.add((*path, "spi_device"), text)


def _compare_thermistor(
    path: tuple[str | int, ...],
    probe: ThermometerSettings,
    wire: TransducerSettings,
    read_by: dict[tuple[tuple[str, int, int], int], str],
    outline: Outline,
) -> None:
    for key, channel in (("channel", probe.channel), ("supply_channel", probe.supply_channel)):
        if channel is None:
            continue
        if channel > 3 and wire.device not in ON_SPI:
            outline.add((*path, key), f"{channel} is too large; an {wire.device} has 0 to 3")
        owner = read_by.get((wire.converter, channel))
        if owner:
            outline.add((*path, key), f"{channel} is the channel of pots.{owner}'s transducer; give another")
    supply = probe.supply or units.VOLTAGE.read("3.3 V")
    if wire.device in ON_SPI and supply.si > wire.full_scale.si:
        text = (
            f"{supply} is above the converter's reference of {wire.full_scale}; supply the divider from that"
        )
        outline.add((*path, "supply"), text)
    if probe.channel == probe.supply_channel:
        outline.add((*path, "supply_channel"), f"{probe.channel} is its own channel; give another")


def _place(wire: TransducerSettings) -> str:
    return (
        f"bus {wire.bus}, {wire.address:#x}"
        if wire.converter[0] == "I2C"
        else f"chip select {wire.spi_device}"
    )


def _probes(pot: str, keys: dict[str, Any]) -> list[tuple[tuple[str | int, ...], ThermometerSettings]]:
    """Return a pot's sound thermometers, each with its path."""
    listed = keys.get("thermometer")
    found: list[tuple[tuple[str | int, ...], ThermometerSettings]] = []
    for index, tree in enumerate(listed if isinstance(listed, list) else [listed]):
        if probe := sound(ThermometerSettings, tree):
            found.append((("pots", pot, "thermometer", index), probe))
    return found


def compare_probes(pots: dict[str, dict[str, Any]], outline: Outline) -> None:
    """Look for two thermometers at one place or on one probe; a room's may serve several pots."""
    probes = [each for pot, keys in pots.items() for each in _probes(pot, keys)]
    for (path, probe), (other_path, other) in itertools.combinations(probes, 2):
        same_pot = path[1] == other_path[1]
        if same_pot and probe.place == other.place:
            outline.add((*other_path, "place"), f"{other.place} has a thermometer already; give another")
        if probe == other and not same_pot and probe.place == Place.ROOM:
            continue
        if probe.is_platinum and other.is_platinum and (probe.spi_device or 0) == (other.spi_device or 0):
            text = f"{other.spi_device or 0} is the chip select of another thermometer; give the other"
            outline.add((*other_path, "spi_device"), text)
        if probe.device != "ds18b20" or other.device != "ds18b20":
            continue
        if probe.id == other.id and probe.id:
            outline.add((*other_path, "id"), f"{other.id} is given twice; give each thermometer its own id")
        for unnamed in (at for at, one in ((path, probe), (other_path, other)) if one.id is None):
            outline.add((*unnamed, "id"), "is missing; with several thermometers give the id of each")


# Which pins of the 40-pin header a bus takes up. Raspberry Pi documentation: GPIO and the 40-pin header; I2C
# buses other than 1 lie where an overlay puts them.
_PINS_OF = {"I2C bus 1": (2, 3), "1-Wire": (4,), "SPI": (7, 8, 9, 10, 11)}


def compare_pins(outline: Outline, pots: dict[str, dict[str, Any]]) -> None:
    """Look for a signal pin that is used twice, or that a bus of the settings needs."""
    tree = outline.tree.get("signals") if isinstance(outline.tree, dict) else None
    if not isinstance(tree, dict):
        return
    taken = {pin: f"is taken by {bus}" for bus in _buses(outline.tree, pots) for pin in _PINS_OF.get(bus, ())}
    lamps = tree.get("lamp")
    named = [("lamp", key) for key in ("calm", "note", "alarm")] if isinstance(lamps, dict) else [("lamp",)]
    for path in [*named, ("buzzer",), ("button",)]:
        value: Any = tree
        for key in path:
            value = value.get(key)
        try:
            pin = pin_number(value)
        except ValueError:
            continue  # missing, or itself at fault
        dotted = "signals." + ".".join(path)
        if pin in taken:
            outline.add(("signals", *path), f"GPIO {pin} {taken[pin]}; give another pin")
        else:
            taken[pin] = f"is {dotted} already"


def _buses(tree: Any, pots: dict[str, dict[str, Any]]) -> set[str]:
    """Return the buses that the settings read from."""
    barometer = sound(BarometerSettings, tree.get("barometer", {}))
    buses = set() if barometer is None or barometer.device is None else {f"I2C bus {barometer.bus}"}
    for pot, keys in pots.items():
        wire = sound(TransducerSettings, keys.get("transducer", {}))
        if wire is not None:
            buses.add("SPI" if wire.device in ON_SPI else f"I2C bus {wire.bus}")
        for _, probe in _probes(pot, keys):
            if probe.is_platinum:
                buses.add("SPI")
            elif probe.device == "ds18b20":
                buses.add("1-Wire")
    return buses
