"""Suggestions, from the devices found on the buses and earlier answers."""

from collections.abc import Mapping, Sequence
from typing import Any

from potvigil.drivers.look import I2cDevice, OneWireProbe, Survey
from potvigil.model.signal import RATIOMETRIC
from potvigil.setting_up.draft import Draft, get

UNITS = ("psi", "bar", "kPa")
TEMPERATURE_UNITS = ("C", "F")
# A common transducer of each unit's make.
SPANS = {"psi": "100 psi", "bar": "7 bar", "kPa": "700 kPa"}
# An example with a question, not a suggestion: the pot's marking has to be read there.
EXAMPLES = {"psi": ("80 psi", "60 psi"), "bar": ("5.5 bar", "4 bar"), "kPa": ("550 kPa", "400 kPa")}
_FLOOR_SHARE = 0.75
# As drawn in the guide: both inputs of a converter at 3.3 V behind 10 and 15 kohm.
DRAWN = {"channel": "0", "supply_channel": "1", "divider": "0.6"}


def temperature_unit(draft: Draft) -> str:
    return str(get(draft, ("units", "temperature")) or TEMPERATURE_UNITS[0])


def floor(working: str) -> str:
    """Return three quarters of a working pressure in its unit: '45 psi' of '60 psi'; '' for none."""
    number, _, unit = working.partition(" ")
    try:
        return f"{float(number) * _FLOOR_SHARE:g} {unit}"
    except ValueError:
        return ""


def transducer(found: Survey, unit: str, taken: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return how a pot's transducer is likely wired. taken: the transducers of the pots before it.

    The first pot as drawn in the guide; the next on the next converter that answers, else the next inputs.
    """
    converters = [each for each in found.converters if not any(_is_at(other, each) for other in taken)]
    at = next(iter(converters), None)
    keys: dict[str, str] = {}
    if at is not None and (at.bus, at.address) != (1, 0x48):
        keys = {"bus": str(at.bus), "address": f"0x{at.address:02x}"}
    step = 0 if at is not None else 2 * (len(taken) % 2)
    wired = DRAWN | {"channel": str(step), "supply_channel": str(step + 1)}
    return {**keys, **wired, "span": SPANS[unit]}


def barometer(found: Survey) -> dict[str, str]:
    """Return the keys of the barometer that answers; none where none does."""
    for each in found.barometers:
        keys = {"device": each.device, "address": f"0x{each.address:02x}"}
        return keys if each.bus == 1 else {**keys, "bus": str(each.bus)}
    return {}


def thermometers(places: Sequence[tuple[OneWireProbe, str]]) -> Any:
    """Return the thermometer key of probes and where they are; `none` is one that this pot does without."""
    used = [{"place": place, "id": probe.rom_id} for probe, place in places if place != "none"]
    if not used:
        return {"place": "none"}
    return used[0] if len(used) == 1 else used


def is_ratiometric(signal: str) -> bool:
    return signal == RATIOMETRIC.name


def _is_at(keys: Mapping[str, Any], answer: I2cDevice) -> bool:
    return (int(keys.get("bus", "1")), int(keys.get("address", "0x48"), 16)) == (answer.bus, answer.address)
