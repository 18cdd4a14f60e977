"""The format of MQTT discovery as Home Assistant documents it, checked on what a broker holds.

Shares nothing with the program. Sources, all of https://www.home-assistant.io: /integrations/mqtt/
("Discovery topic", "Device discovery payload", "Using Availability topics"), /integrations/sensor.mqtt/,
/integrations/binary_sensor.mqtt/, /integrations/button.mqtt/; device classes, units and state classes as in
/integrations/sensor/ and /integrations/binary_sensor/, as far as a pot has any.
"""

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

TOPIC = re.compile(r"[^/+#]+/device/(?:[a-zA-Z0-9_-]+/)?[a-zA-Z0-9_-]+/config")
ROOT_KEYS = {"device", "origin", "components", "availability", "availability_mode", "qos", "encoding"}
DEVICE_KEYS = {"identifiers", "name", "manufacturer", "model", "sw_version"}
COMMON = {"platform", "unique_id", "name", "device_class", "entity_category", "icon", "enabled_by_default"}
KEYS = {
    "sensor": COMMON
    | {"state_topic", "value_template", "unit_of_measurement", "state_class", "options"}
    | {"suggested_display_precision", "expire_after"},
    "binary_sensor": COMMON | {"state_topic", "value_template", "payload_on", "payload_off"},
    "button": COMMON | {"command_topic", "payload_press", "qos", "retain"},
}
REQUIRED = {"sensor": "state_topic", "binary_sensor": "state_topic", "button": "command_topic"}
UNITS = {
    "pressure": {"cbar", "bar", "hPa", "mmHg", "inHg", "kPa", "mbar", "Pa", "psi"},
    "temperature": {"°C", "°F", "K"},
}
WITHOUT_UNIT = {"timestamp", "enum"}
BINARY_CLASSES = {"problem", "running", "connectivity"}


def faults(messages: Mapping[str, bytes]) -> list[str]:
    """Return a line for every rule that a discovery message breaks; messages by their topics."""
    found: list[str] = []
    seen: set[str] = set()
    for topic, payload in messages.items():
        if not TOPIC.fullmatch(topic):
            found.append(f"{topic}: no discovery topic of a device")
        config = json.loads(payload)
        found += [f"{topic}: {fault}" for fault in _config_faults(config, seen)]
    return found


def entities(payload: bytes) -> dict[str, dict[str, Any]]:
    components: dict[str, dict[str, Any]] = json.loads(payload)["components"]
    return components


def _config_faults(config: Mapping[str, Any], seen: set[str]) -> Iterator[str]:
    yield from (f"unknown key {key}" for key in set(config) - ROOT_KEYS)
    device = config.get("device", {})
    if not device.get("identifiers"):
        yield "the device has no identifier"
    yield from (f"unknown key device.{key}" for key in set(device) - DEVICE_KEYS)
    if not config.get("origin", {}).get("name"):
        yield "origin has no name; a device must say where it comes from"
    if config.get("availability_mode", "latest") not in ("all", "any", "latest"):
        yield "availability_mode"
    for each in config.get("availability", []):
        if not _is_topic(each.get("topic")):
            yield f"availability topic {each.get('topic')!r}"
    for key, component in config.get("components", {}).items():
        yield from (f"{key}: {fault}" for fault in _component_faults(component, seen))
        name = component.get("name") or ""
        if name.startswith(device.get("name", "\0")):
            yield f"{key}: its name begins with the device's, which is put before it"


def _component_faults(component: Mapping[str, Any], seen: set[str]) -> Iterator[str]:
    platform = component.get("platform")
    if platform not in KEYS:
        yield f"platform {platform!r}"
        return
    yield from (f"unknown key {key}" for key in set(component) - KEYS[platform])
    if not _is_topic(component.get(REQUIRED[platform])):
        yield f"{REQUIRED[platform]} {component.get(REQUIRED[platform])!r}"
    unique_id = component.get("unique_id")
    if not unique_id or unique_id in seen:
        yield f"unique_id {unique_id!r} is missing or not unique"
    seen.add(str(unique_id))
    kind, unit = component.get("device_class"), component.get("unit_of_measurement")
    if platform == "binary_sensor" and kind not in BINARY_CLASSES:
        yield f"device class {kind!r}"
    if platform != "sensor":
        return
    if kind is not None and kind not in UNITS.keys() | WITHOUT_UNIT:
        yield f"device class {kind!r}"
    if kind in UNITS and unit not in UNITS[kind]:
        yield f"unit {unit!r} is none of {kind}"
    if kind in WITHOUT_UNIT and (unit is not None or "state_class" in component):
        yield f"{kind} has neither unit nor state class"
    if component.get("state_class") not in (None, "measurement", "total", "total_increasing"):
        yield f"state class {component['state_class']!r}"
    if ("options" in component) != (kind == "enum"):
        yield "options belong to an enum"


def _is_topic(topic: object) -> bool:
    return isinstance(topic, str) and bool(topic) and not set(topic) & set("+#\0")
