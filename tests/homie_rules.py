"""The rules of the Homie convention, checked on a broker's retained and live messages.

Shares nothing with the program. Read in the released text, 5.0.0 of 11 May 2025,
https://homieiot.github.io/specification/spec-core-v5_0_0/; its sections are named in quotes. `faults` and
`stream_faults` return a line for every rule that is broken.
"""

import json
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

Published = tuple[str, bytes, bool, int]  # topic, payload, retained, QoS

STATES = {"init", "ready", "disconnected", "sleeping", "lost"}  # "Device Lifecycle"
MAY_CHANGE = {"", "init", "disconnected", "lost"}  # "Device Attributes": in these states $description may
LEVELS = {"debug", "info", "warn", "error", "fatal"}  # "Logging"
# "Units": the recommended ones that a pot's values could be in
RECOMMENDED_UNITS = {
    "°C",
    "°F",
    "°",
    "L",
    "gal",
    "%",
    "m",
    "m³",
    "ft",
    "Pa",
    "psi",
    "ppm",
    "s",
    "min",
    "h",
    "K",
    "#",
}
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
# "Topic IDs"; that none begins or ends with a hyphen is a rule of the drafts, kept as the stricter reading
ID = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?")
FLOAT = re.compile(r"-?(\d+\.?\d*|\.\d+)([eE]-?\d+)?")
INTEGER = re.compile(r"-?\d+")
DURATION = re.compile(r"PT(?=\d)(\d+H)?(\d+M)?(\d+S)?")
EMPTY_STRING = b"\x00"  # "Empty string values"


def payload_fault(datatype: str, format_: str | None, payload: bytes) -> str | None:
    """Return the fault of a property's payload ("Payloads", "Formats"), or None."""
    if payload == b"":
        return "a zero-length payload deletes the topic"
    try:
        text = "" if payload == EMPTY_STRING else payload.decode("utf-8")
    except UnicodeDecodeError:
        return "not UTF-8"
    match datatype:
        case "string" | "json" | "color":
            good = True
        case "integer":
            good = bool(INTEGER.fullmatch(text)) and -(2**63) <= int(text) < 2**63
        case "float":
            good = bool(FLOAT.fullmatch(text)) and _in_range(float(text), format_)
        case "boolean":
            good = text in ("true", "false")
        case "enum":
            good = text in (format_ or "").split(",")
        case "datetime":
            good = _is_datetime(text)
        case "duration":
            good = bool(DURATION.fullmatch(text))
        case _:
            return f"no such datatype {datatype!r}"
    return None if good else f"{text!r} is no {datatype}" + (f" of {format_}" if format_ else "")


def description_faults(device: str, payload: bytes) -> list[str]:
    """Return the faults of a device's `$description` ("Device Attributes", "Node Attributes")."""
    found = []
    try:
        described = json.loads(payload.decode("utf-8"), parse_constant=_no_constant)
    except ValueError as error:
        return [f"{device}: $description is no JSON: {error}"]
    if not re.fullmatch(r"5\.\d+", str(described.get("homie"))):
        found.append(f"{device}: homie {described.get('homie')!r} is not 5.x")
    version = described.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or abs(version) >= 2**53:
        found.append(f"{device}: version {version!r} is no integer that every JSON reader keeps")
    for child in described.get("children", []):
        if not ID.fullmatch(child):
            found.append(f"{device}: child id {child!r}")
    for node, about in described.get("nodes", {}).items():
        if not ID.fullmatch(node):
            found.append(f"{device}: node id {node!r}")
        for name, about_property in about.get("properties", {}).items():
            where = f"{device}/{node}/{name}"
            if not ID.fullmatch(name):
                found.append(f"{where}: property id")
            found += _property_faults(where, about_property)
    return found


def faults(messages: Mapping[str, bytes], domain: str, root: str) -> list[str]:
    """Return all that is wrong in the retained topics of a root device and its children."""
    found = []
    base = f"{domain}/5/"
    if "/" in domain:
        found.append(f"{domain}: the domain is one level")
    for topic in messages:
        if not topic.startswith(base):
            found.append(f"{topic}: not under {base}")
    found += _device_faults(messages, base, root, None)
    described = _description(messages, base, root)
    # "Device Attributes": root must be omitted there; "Device hierarchy": the root has no parent
    if "root" in described or "parent" in described:
        found.append(f"{root}: a root device has neither root nor parent")
    children = described.get("children", [])
    if not isinstance(children, list) or len(set(children)) != len(children):
        found.append(f"{root}: children {children!r} are no list of devices, each once")
    for child in children:
        found += _device_faults(messages, base, child, root)
    for topic in messages:
        if topic.startswith(base) and topic.split("/")[2] not in (root, *children):
            found.append(f"{topic}: of a device that the root does not name")
    return found


def stream_faults(heard: Iterable[Published], domain: str) -> list[str]:
    """Return all that is wrong in messages as they were published, one after the other."""
    found: list[str] = []
    state: dict[str, str] = {}
    described: dict[str, dict[str, Any]] = {}
    for topic, payload, retained, qos in heard:
        _, _, device, *levels = topic.split("/")
        where = f"{topic} {payload[:40]!r}"
        match levels:
            case ["$state"]:
                if payload and payload.decode() not in STATES:
                    found.append(f"{where}: no state")
                if payload == b"ready" and device not in described:
                    found.append(f"{where}: before it was described")
                if not payload:  # "Device Lifecycle": removed
                    described.pop(device, None)
                state[device] = payload.decode()
                found += [f"{where}: not retained"] * (not retained)
            case ["$description"]:
                found += [f"{where}: not retained"] * (not retained)
                about = json.loads(payload) if payload else {}
                known = described.get(device)
                if payload and known is not None and known != about:
                    if known["version"] == about["version"]:
                        found.append(f"{where}: changed, and its version did not")
                    if state.get(device, "") not in MAY_CHANGE:
                        found.append(f"{where}: changed while {state[device]}")
                if payload:
                    described[device] = about
            case ["$log", level]:  # "Logging"
                if level not in LEVELS or retained or not payload:
                    found.append(f"{where}: no log line")
            case ["$alert", _]:  # "Alert topic"
                found += [f"{where}: not retained"] * (not retained)
            case [node, name] if not node.startswith("$"):
                prop = (
                    described.get(device, {}).get("nodes", {}).get(node, {}).get("properties", {}).get(name)
                )
                if prop is None:
                    found += [f"{where}: not described"] * bool(payload)
                    continue
                is_state = prop.get("retained", True)
                if retained is not is_state or not (is_state or qos == 0):
                    found.append(
                        f"{where}: retained {retained} with QoS {qos}"
                    )  # "QoS and retained messages"
                if payload and (fault := payload_fault(prop["datatype"], prop.get("format"), payload)):
                    found.append(f"{where}: {fault}")
            case [_, _, "set"]:  # of a controller
                found += [f"{where}: retained"] * retained
            case _:
                found.append(f"{where}: no topic of the convention")
    return found


def _device_faults(messages: Mapping[str, bytes], base: str, device: str, root: str | None) -> list[str]:
    found = [] if ID.fullmatch(device) else [f"device id {device!r}"]
    prefix = f"{base}{device}/"
    state = messages.get(f"{prefix}$state", b"").decode()
    if state not in STATES:
        found.append(f"{device}: $state {state!r}")
    if f"{prefix}$description" not in messages:
        return [*found, f"{device}: no $description"]
    found += description_faults(device, messages[f"{prefix}$description"])
    described = _description(messages, base, device)
    if root is not None and described.get("root") != root:
        found.append(f"{device}: root is {described.get('root')!r}, not {root!r}")
    # required where it is not the root's child, else as good as left out
    if root is not None and described.get("parent", root) != root:
        found.append(f"{device}: parent is {described.get('parent')!r}, and no child of it names it")
    for topic, payload in messages.items():
        if not topic.startswith(prefix):
            continue
        levels = topic.removeprefix(prefix).split("/")
        match levels:
            case ["$state"] | ["$description"]:
                pass
            case ["$alert", alert]:
                if not ID.fullmatch(alert):
                    found.append(f"{topic}: alert id")
            case [node, name] if not node.startswith("$"):
                about = described.get("nodes", {}).get(node, {}).get("properties", {}).get(name)
                if about is None:
                    found.append(f"{topic}: not in the description")
                elif about.get("retained") is False:
                    found.append(f"{topic}: retained, and described as not retained")
                elif fault := payload_fault(about["datatype"], about.get("format"), payload):
                    found.append(f"{topic}: {fault}")
            case _:
                found.append(f"{topic}: not a topic that is retained")
    return found


def _property_faults(where: str, about: dict[str, object]) -> list[str]:
    found = []
    if about.get("datatype") not in DATATYPES:
        found.append(f"{where}: datatype {about.get('datatype')!r}")
    for flag in ("settable", "retained"):
        if not isinstance(about.get(flag, True), bool):
            found.append(f"{where}: {flag} is no boolean")
    choices = str(about.get("format", "")).split(",")
    if about.get("datatype") == "enum" and ("" in choices or len(set(choices)) != len(choices)):
        found.append(f"{where}: an enum needs a format without blanks or duplicates")
    unit = str(about.get("unit", ""))
    # look-alikes of the degree sign, which is C2 B0 in UTF-8
    if any(character in unit for character in "º˚⁰℃℉"):
        found.append(f"{where}: unit {unit!r} is not written with the convention's characters")
    return found


def _description(messages: Mapping[str, bytes], base: str, device: str) -> dict[str, object]:
    try:
        described: dict[str, object] = json.loads(messages[f"{base}{device}/$description"])
    except (KeyError, ValueError):
        return {}
    return described


def _in_range(value: float, format_: str | None) -> bool:
    low, high = (format_ or ":").split(":")[:2]
    return (not low or value >= float(low)) and (not high or value <= float(high))


def _is_datetime(text: str) -> bool:
    try:
        return "T" in text and datetime.fromisoformat(text) is not None
    except ValueError:
        return False


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not JSON")
