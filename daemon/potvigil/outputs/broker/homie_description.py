"""The `$description` of each device, its version, and what an earlier one named that no longer exists. Pure.

A changed description has a higher version, and a restart with the same content keeps it. The version is kept
in the retained description itself: those who compare it read it there, it is lost only together with it, and
moving or replacing the record changes nothing. Where the broker has none, it starts at the time, so that it
is higher than any that somebody may remember. (Homie 5.0.0, "Device attributes", asks for a new version with
each change and names a timestamp as one; its drafts up to October 2024 asked for a higher one.)

The description is also the list of what was published: what an earlier one names and this program no longer
has is cleared from the broker ("Device reconfiguration", "Removing children").
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from potvigil.model.events import AlarmId
from potvigil.model.pot import Pot
from potvigil.outputs.broker.homie_tree import (
    ALERT,
    ID,
    NODES,
    ROOT_NODES,
    STANDING,
    UNSET,
    Message,
    Nodes,
    Property,
    device_id,
    root_topic,
)

Described = dict[str, Any]  # a $description, read
_LARGEST = 65_536  # bytes of an earlier description; ours are a tenth of it
_HIGHEST_VERSION = 2**53 - 1  # exact in any JSON reader


def descriptions(workshop: str, pots: Iterable[Pot], rehearsed: bool = False) -> dict[str, Described]:
    """Return the description of each pot and, last, of the workshop, by device id; without their versions.

    Raises ValueError for a workshop or pot that is no Homie id.
    """
    found: dict[str, Described] = {}
    for pot in pots:
        named = {"name": _named(f"Pot {pot.pot_id}", rehearsed), "root": workshop, "parent": workshop}
        found[device_id(workshop, pot.pot_id)] = {"homie": "5.0", **named, "nodes": _nodes(NODES, pot)}
    root: Described = {"homie": "5.0", "name": _named(f"Workshop {workshop}", rehearsed)}
    found[device_id(workshop, None)] = root | {"children": list(found), "nodes": _nodes(ROOT_NODES)}
    return found


def with_version(described: Described, earlier: Described | None, now_s: int) -> Described:
    """Return a description with its version. earlier: the last one that was published, None for none."""
    if earlier is None:
        return {**described, "version": now_s}
    version = _version(earlier)
    if {key: value for key, value in earlier.items() if key != "version"} != described:
        version = max(version + 1, now_s)
    return {**described, "version": version}


def newest(*known: Described | None) -> Described | None:
    """Return the description with the highest version."""
    return max((each for each in known if each is not None), key=_version, default=None)


def message(device: str, described: Described, rehearsed: bool = False) -> Message:
    topic = f"{root_topic(rehearsed)}/{device}/$description"
    return Message(topic, json.dumps(described, ensure_ascii=False).encode())


def description_filter(rehearsed: bool) -> str:
    """Return the topic filter that finds every description there is."""
    return f"{root_topic(rehearsed)}/+/$description"


def read(workshop: str, topic: str, payload: bytes, rehearsed: bool) -> tuple[str, Described] | None:
    """Return the device and the description of a retained message, None where it is not of this workshop."""
    base, _, device = topic.removesuffix("/$description").rpartition("/")
    if base != root_topic(rehearsed) or not topic.endswith("/$description") or len(payload) > _LARGEST:
        return None
    try:
        described = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(described, dict) or not ID.fullmatch(device):
        return None
    is_child = device.startswith(f"{workshop}-") and described.get("root") == workshop
    return (device, described) if device == workshop or is_child else None


def dropped(device: str, earlier: Described, described: Described, rehearsed: bool) -> list[Message]:
    """Return what clears the values and alerts that a device no longer has."""
    base = f"{root_topic(rehearsed)}/{device}"
    paths = [path for path in _retained(earlier) if path not in set(_retained(described))]
    alerts = [alarm for alarm in _alarms(earlier) if alarm not in set(AlarmId)]
    return [
        *(Message(f"{base}/{path}", UNSET) for path in paths),
        *(Message(f"{base}{ALERT}{alarm}", UNSET) for alarm in alerts),
    ]


def removal(device: str, described: Described, rehearsed: bool) -> list[Message]:
    """Return what removes a device: its state first, and its description, which lists the rest, last."""
    base = f"{root_topic(rehearsed)}/{device}"
    alerts = dict.fromkeys([*AlarmId, *_alarms(described)]) if "root" in described else {}
    paths = ["$state", *_retained(described), *(f"{ALERT[1:]}{alarm}" for alarm in alerts), "$description"]
    return [Message(f"{base}/{path}", UNSET) for path in paths]


def _version(described: Described) -> int:
    version = described.get("version")
    is_usable = isinstance(version, int) and 0 <= version < _HIGHEST_VERSION
    return int(version) if is_usable and version is not None else 0


def _named(name: str, rehearsed: bool) -> str:
    return f"{name} (rehearsal)" if rehearsed else name


def _nodes(nodes: Nodes, pot: Pot | None = None) -> Described:
    """Return what describes the nodes. pot: whose units they have; None for the workshop, which has none."""
    return {
        node: {
            "name": name,
            "properties": {str(key): _property(prop, pot) for key, prop in properties.items()},
        }
        for node, (name, properties) in nodes.items()
    }


def _property(prop: Property, pot: Pot | None) -> Described:
    described: Described = {"name": prop.name, "datatype": prop.datatype}
    if prop.unit is not None and pot is not None:
        described["unit"] = prop.unit.format(p=pot.pressure_unit, t=f"°{pot.temperature_unit}")
    if prop.format is not None:
        described["format"] = prop.format
    if prop.settable:
        described["settable"] = True
    if not prop.retained:
        described["retained"] = False
    return described


def _retained(described: Mapping[str, Any]) -> Iterator[str]:
    """Yield node/property of what is retained; whatever is no id or of another form is passed over."""
    for node, about in _objects(described, "nodes"):
        for name, prop in _objects(about, "properties"):
            if prop.get("retained") is not False:
                yield f"{node}/{name}"


def _alarms(described: Mapping[str, Any]) -> Iterator[str]:
    return (
        path.removeprefix(f"{STANDING}/") for path in _retained(described) if path.startswith(f"{STANDING}/")
    )


def _objects(of: Mapping[str, Any], key: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    inner = of.get(key)
    if isinstance(inner, dict):
        yield from (
            (name, each) for name, each in inner.items() if ID.fullmatch(name) and isinstance(each, dict)
        )
