"""Messages that let home automation discover the pots. Pure.

MQTT discovery as Home Assistant documents it: one retained message per pot (device-based, since 2024.11),
with topics of the Homie tree, so that no value is published twice. The node id in its topic is unique to this
workshop: by it, leftovers of an earlier run are found and cleared, even under another prefix.

Source: https://www.home-assistant.io/integrations/mqtt/#mqtt-discovery, and sensor.mqtt, binary_sensor.mqtt
and button.mqtt there.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from potvigil import __version__
from potvigil.model.events import AlarmId, Priority, Stage
from potvigil.model.pot import Pot
from potvigil.outputs.broker.homie_tree import NODES, NONE, STANDING, UNSET, Message, alarm_name, topic_base

Component = dict[str, Any]

# units of its device class `pressure` among those of a pot; with another it takes the number as it is
_PRESSURE_UNITS = ("Pa", "kPa", "bar", "psi")
# A value that is unset shows as unknown; without this the last one would stay.
_OR_UNKNOWN = "{{ value if value else 'None' }}"
_IF_READY = "{{ 'online' if value == 'ready' else 'offline' }}"
_LARGEST = 65_536  # bytes of an earlier message; ours are a third of it


def configs(prefix: str, workshop: str, pots: Mapping[str, Pot], rehearsed: bool) -> list[Message]:
    """Return the retained discovery message of each pot."""
    return [
        Message(_topic(prefix, workshop, pot_id, rehearsed), _payload(_config(workshop, pot, rehearsed)))
        for pot_id, pot in pots.items()
    ]


def config_filter(workshop: str, rehearsed: bool) -> str:
    """Return the topic filter that finds every such message of this workshop, whatever the prefix."""
    return _topic("+", workshop, "+", rehearsed)


def is_config(workshop: str, topic: str, rehearsed: bool) -> bool:
    levels = topic.split("/")
    return len(levels) == 5 and levels[1:3] + levels[4:] == [
        "device",
        _node_id(workshop, rehearsed),
        "config",
    ]


def without_dropped(now: Message, earlier: bytes) -> Message | None:
    """Return the message that removes entities that are gone, to be sent before `now`; None without any.

    A component with nothing but its platform is removed; the next message then leaves it out.
    """
    wanted = json.loads(now.payload)
    gone = {
        key: {"platform": component["platform"]}
        for key, component in _components(earlier)
        if key not in wanted["components"]
    }
    if not gone:
        return None
    return Message(now.topic, _payload({**wanted, "components": {**gone, **wanted["components"]}}))


def cleared(topic: str) -> Message:
    return Message(topic, UNSET)


def _topic(prefix: str, workshop: str, pot_id: str, rehearsed: bool) -> str:
    return f"{prefix}/device/{_node_id(workshop, rehearsed)}/{pot_id}/config"


def _node_id(workshop: str, rehearsed: bool) -> str:
    return f"potvigil{'-rehearsal' if rehearsed else ''}_{workshop}"  # no workshop's id has the underscore


def _payload(config: Mapping[str, Any]) -> bytes:
    return json.dumps(config, ensure_ascii=False, separators=(",", ":")).encode()


def _components(earlier: bytes) -> Iterator[tuple[str, Component]]:
    """Yield the components of an earlier message, whoever wrote it."""
    try:
        config = json.loads(earlier) if len(earlier) <= _LARGEST else None
    except (ValueError, RecursionError):
        return
    components = config.get("components") if isinstance(config, dict) else None
    if isinstance(components, dict):
        for key, component in components.items():
            if isinstance(component, dict) and isinstance(component.get("platform"), str):
                yield key, component


def _config(workshop: str, pot: Pot, rehearsed: bool) -> dict[str, Any]:
    device = f"{_node_id(workshop, rehearsed)}_{pot.pot_id}"
    bases = (topic_base(workshop, pot.pot_id, rehearsed), topic_base(workshop, None, rehearsed))
    components: dict[str, Component] = {}
    for path, component in _entities(pot, bases[0]):
        key = path.replace("/", "_")
        components[key] = {"unique_id": f"{device}_{key}", **component}
    return {
        "device": {
            "identifiers": [device],
            "name": f"Pot {pot.pot_id}{' (rehearsal)' if rehearsed else ''}",
            "manufacturer": "Potvigil",
            "model": f"Pressure pot of workshop {workshop}",
            "sw_version": __version__,
        },
        "origin": {"name": "Potvigil", "sw_version": __version__},
        # the last will is the root's alone, and counts for the pot
        "availability": [{"topic": f"{base}/$state", "value_template": _IF_READY} for base in bases],
        "availability_mode": "all",
        "components": components,
    }


def _entities(pot: Pot, base: str) -> Iterator[tuple[str, Component]]:
    """Yield each entity's Homie path and definition."""

    def sensor(path: str, name: str, **of: Any) -> tuple[str, Component]:
        return path, {
            "platform": "sensor",
            "name": name,
            "state_topic": f"{base}/{path}",
            "value_template": _OR_UNKNOWN,
            **of,
        }

    def button(path: str, name: str) -> tuple[str, Component]:
        command = {"command_topic": f"{base}/{path}/set", "payload_press": "all"}
        return path, {"platform": "button", "name": name, **command}

    unit = pot.pressure_unit
    pressure = {"device_class": "pressure"} if unit in _PRESSURE_UNITS else {}
    measured = {"state_class": "measurement"}
    yield sensor("pressure/gauge", "Gauge pressure", **pressure, unit_of_measurement=unit, **measured)
    for place in NODES["temperature"][1]:
        if place in pot.thermometers:
            warmth = {"device_class": "temperature", "unit_of_measurement": f"°{pot.temperature_unit}"}
            yield sensor(f"temperature/{place}", f"Temperature, {place}", **warmth, **measured)
    yield sensor("hold/stage", "Stage", device_class="enum", options=list(Stage))
    yield sensor("leak/rate", "Leak rate", unit_of_measurement=f"{unit}/h", **measured)
    yield sensor("forecast/floor", "Falls below the floor", device_class="timestamp")
    yield sensor("cure/progress", "Cure progress", unit_of_measurement="%", **measured)
    yield sensor("cure/done", "Cure done", device_class="timestamp")
    yield sensor("alarms/highest", "Highest alarm", device_class="enum", options=[NONE, *Priority])
    for alarm in AlarmId:
        path = f"{STANDING}/{alarm}"
        yield (
            path,
            {
                "platform": "binary_sensor",
                "name": alarm_name(alarm),
                "device_class": "problem",
                "state_topic": f"{base}/{path}",
                "payload_on": "true",
                "payload_off": "false",
            },
        )
    yield button("alarms/acknowledge", "Acknowledge all alarms")
    yield button("alarms/unshelve", "Unshelve all alarms")
