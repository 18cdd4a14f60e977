"""What is told over MQTT, as plain messages: the Homie convention, version 5. Pure; `mqtt.py` sends them.

The workshop is the root device, each pot a child `<workshop>-<pot>`. A retained topic without a payload is
unset: that is how an unknown value, and an alarm that stands no longer, are told. A rehearsal speaks under a
domain of its own, so that nothing that listens for the real pots (`homie/5/...`) can take it for one.

Source of the rules: The Homie Convention 5.0.0 (11 May 2025), https://homieiot.github.io.
"""

import hashlib
import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from potvigil.core import details
from potvigil.core.event import Action, AlarmId, AlarmState, Detail, Priority, Snapshot, Stage, StandingAlarm
from potvigil.core.pot import Pot
from potvigil.core.reading import Quality
from potvigil.core.words import alarm_state
from potvigil.units import (
    PA_PER_HPA,
    PRESSURE_UNITS_PA,
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    kelvin_to_celsius,
)

LONGEST_SET_BYTES = 4 * max(details.LONGEST.values())  # UTF-8 takes at most four bytes a character

_EMPTY_STRING = b"\x00"  # zero length would delete the topic
_UNSET = b""
ALERT = "/$alert/"  # before an alarm's id
_ID = re.compile(r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?")
_LATEST_UTC_S = 253_402_300_740.0  # a minute before the year 10000, where ISO 8601 needs an agreement
_DECIMALS = {
    "psi": 2,
    "bar": 3,
    "kPa": 1,
    "Pa": 0,
    "MPa": 4,
}  # of a pressure: finer than the sensor, no finer


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT message. slow: a number that may wait some seconds; all else goes out at once."""

    topic: str
    payload: bytes
    retained: bool = True
    qos: int = 1
    slow: bool = False


@dataclass(frozen=True, slots=True)
class SetCommand:
    """What somebody set over MQTT. alarm: None for all that stand; field, text: which detail, and to what."""

    pot_id: str
    action: Action
    alarm: AlarmId | None = None
    text: str = ""
    field: Detail | None = None


@dataclass(frozen=True, slots=True)
class Refusal:
    """A `/set` message that is not obeyed, and why, in one line."""

    reason: str


@dataclass(frozen=True, slots=True)
class _Property:
    """One line of the description. {p} in the unit stands for the pot's own pressure unit."""

    name: str
    datatype: str
    unit: str | None = None
    format: str | None = None
    settable: bool = False
    retained: bool = True


def _choice(values: Iterable[str]) -> str:
    return ",".join(values)


_STANDARD_FLOW = "standard cm³/min"
_NONE = "none"

# node -> its name and its properties; the dictionary of everything that is published
_NODES: dict[str, tuple[str, dict[str, _Property]]] = {
    "pressure": (
        "Pressure",
        {
            "gauge": _Property("Gauge pressure", "float", "{p}"),
            "absolute": _Property("Absolute pressure", "float", "{p}"),
            "corrected": _Property(
                "Gauge pressure at the hold's first temperature and barometer", "float", "{p}"
            ),
            "ambient": _Property("Pressure outside the pot, absolute", "float", "hPa"),
            "working": _Property("Working pressure, gauge", "float", "{p}"),
            "floor": _Property("Floor, gauge", "float", "{p}"),
            "maximum": _Property("Marked maximum, gauge", "float", "{p}"),
            "quality": _Property("Quality of the reading", "enum", format=_choice(Quality)),
            "fault": _Property("Fault of the reading", "string"),
        },
    ),
    "temperature": (
        "Temperature",
        {
            "gas": _Property("In the gas", "float", "°C"),
            "wall": _Property("On the wall", "float", "°C"),
            "room": _Property("In the room", "float", "°C"),
            "contents": _Property("In or on the mould", "float", "°C"),
        },
    ),
    "hold": (
        "Hold",
        {
            "stage": _Property("Stage", "enum", format=_choice(Stage)),
            "since": _Property("In this stage since", "datetime"),
            "change": _Property("Change of the gauge pressure since the hold began", "float", "{p}"),
            "change-cooling": _Property("of it, cooling", "float", "{p}"),
            "change-barometer": _Property("of it, barometer", "float", "{p}"),
            "change-leak": _Property("of it, air lost", "float", "{p}"),
            "change-top-up": _Property("of it, top-ups", "float", "{p}"),
            "top-ups": _Property("Top-ups", "integer", "#"),
        },
    ),
    "leak": (
        "Leak, estimates with 95 % interval",
        {
            "established": _Property("Air is being lost beyond doubt", "boolean"),
            "rate": _Property("Rate", "float", "{p}/h"),
            "rate-low": _Property("Rate, low end", "float", "{p}/h"),
            "rate-high": _Property("Rate, high end", "float", "{p}/h"),
            "flow": _Property("Flow, standard = 0 °C and 101325 Pa", "float", _STANDARD_FLOW),
            "flow-low": _Property("Flow, low end", "float", _STANDARD_FLOW),
            "flow-high": _Property("Flow, high end", "float", _STANDARD_FLOW),
            "pv-flow": _Property("pV flow at the gas temperature", "float", "Pa m³/s"),
            "orifice": _Property("Diameter of the ideal hole that loses as much", "float", "mm"),
            "onset": _Property("Began", "datetime"),
            "onset-earliest": _Property("Began, earliest", "datetime"),
            "onset-latest": _Property("Began, latest", "datetime"),
        },
    ),
    "forecast": (
        "Forecast of the floor, if nothing is done",
        {
            "floor": _Property("Floor is passed", "datetime"),
            "floor-earliest": _Property("Floor is passed, earliest", "datetime"),
            "floor-latest": _Property("Floor is passed, latest", "datetime"),
            "floor-in": _Property("Time left until the floor", "duration"),
            "before-cure-done": _Property("Floor is passed before the cure is done", "boolean"),
            "top-up-until": _Property("A top-up to working pressure now lasts until", "datetime"),
        },
    ),
    "cure": (
        "Cure",
        {
            "progress": _Property("Progress", "float", "%", "0:100"),
            "done": _Property("Done", "datetime"),
            "done-in": _Property("Time left until done", "duration"),
        },
    ),
    "batch": (
        "Batch",
        {
            "id": _Property("Number in the record", "integer"),
            "start": _Property("Begun", "datetime"),
            "label": _Property("Label", "string", settable=True),
            "note": _Property("Note", "string", settable=True),
            "resin": _Property("Resin", "string", settable=True),
            "mould": _Property("Mould", "string", settable=True),
            "colour": _Property("Colour", "string", settable=True),
            "mass": _Property("Mass poured, with its unit", "string", settable=True),
            "mixed-at": _Property("Mixed at", "datetime", settable=True),
            "rehearsed": _Property("A rehearsal, no real pot", "boolean"),
        },
    ),
    "alarms": (
        "Alarms",
        {
            "count": _Property("Alarms not back to normal or not yet seen", "integer", "#"),
            "unacknowledged": _Property("of them, not yet acknowledged", "integer", "#"),
            "highest": _Property("Highest priority among them", "enum", format=_choice((_NONE, *Priority))),
            "acknowledge": _Property(
                "Acknowledge: the id of an alarm, or all", "string", settable=True, retained=False
            ),
            "unshelve": _Property(
                "Take a shelving back: the id of an alarm, or all", "string", settable=True, retained=False
            ),
        },
    ),
}

# The pictures' names are for the record alone.
_DETAILS = {f"batch/{detail}": detail for detail in Detail if detail is not Detail.PICTURES}
_OF_ALARMS = {"alarms/acknowledge": Action.ACKNOWLEDGE, "alarms/unshelve": Action.UNSHELVE}
_SETTABLE = (*_OF_ALARMS, *_DETAILS)


def description(workshop: str, pots: Iterable[Pot], rehearsed: bool = False) -> list[Message]:
    """Return the `$description` of each pot and, last, of the workshop.

    The version of a description is made from its content: it differs whenever the content does, and a restart
    with the same settings keeps it. Raises ValueError for a workshop or pot that is no Homie id.
    """
    pots = list(pots)
    messages = []
    for pot in pots:
        device = {"name": _named(f"Pot {pot.pot_id}", rehearsed), "root": workshop, "nodes": _nodes(pot)}
        messages.append(_description(_base(workshop, pot.pot_id, rehearsed), device))
    children = [f"{workshop}-{pot.pot_id}" for pot in pots]
    root = {"name": _named(f"Workshop {workshop}", rehearsed), "children": children}
    messages.append(_description(_base(workshop, None, rehearsed), root))
    return messages


def states(workshop: str, pots: Iterable[Pot], state: str, rehearsed: bool = False) -> list[Message]:
    """Return `$state` (init, ready or disconnected) for each pot and, last, for the workshop."""
    bases = [_base(workshop, pot.pot_id, rehearsed) for pot in pots] + [_base(workshop, None, rehearsed)]
    return [Message(f"{base}/$state", state.encode()) for base in bases]


def last_will(workshop: str, rehearsed: bool = False) -> Message:
    """Return what the broker says when this program vanishes: of the root, it counts for all."""
    return Message(f"{_base(workshop, None, rehearsed)}/$state", b"lost")


def values(
    workshop: str, pot: Pot, snapshot: Snapshot, batch_id: int | None, rehearsed: bool = False
) -> list[Message]:
    """Return every retained property of a pot, whole; one that is unknown has an empty payload (unset)."""
    base = _base(workshop, pot.pot_id, rehearsed)
    known = _known(pot, snapshot, batch_id, rehearsed)
    return [
        Message(
            f"{base}/{node}/{name}",
            _payload(known.get(f"{node}/{name}")),
            slow=prop.datatype in ("float", "datetime", "duration"),
        )
        for node, (_, properties) in _NODES.items()
        for name, prop in properties.items()
        if prop.retained
    ]


def alert_topic(workshop: str, pot_id: str, alarm: AlarmId, rehearsed: bool = False) -> str:
    """Return the topic that tells of an alarm of a pot."""
    return f"{_base(workshop, pot_id, rehearsed)}{ALERT}{alarm}"


def alerts(workshop: str, pot: Pot, snapshot: Snapshot, rehearsed: bool = False) -> list[Message]:
    """Return `$alert/<id>` for every alarm there is: its text while it is not normal, else empty (unset).

    Shown too, and said at the start of the text: seen, put aside and until when, over but not yet seen.
    """
    base = _base(workshop, pot.pot_id, rehearsed)
    standing = {alarm.alarm: alarm for alarm in snapshot.alarms if alarm.state is not AlarmState.NORMAL}
    return [
        Message(
            f"{base}{ALERT}{alarm_id}",
            _alert_text(standing[alarm_id], pot, rehearsed).encode() if alarm_id in standing else _UNSET,
        )
        for alarm_id in AlarmId
    ]


def log_line(
    workshop: str, gone: Iterable[tuple[str, StandingAlarm]], rehearsed: bool = False
) -> Message | None:
    """Return the one warning about alarms (pot id, alarm) that came and went unheard; None without any."""
    parts = []
    for pot_id, alarm in gone:
        since = None if alarm.since_utc_s is None else _datetime(alarm.since_utc_s)
        parts.append(f"pot {pot_id}: {alarm.alarm}" + (f", raised {since}" if since else ""))
    if not parts:
        return None
    text = f"While the broker was away, alarms came and went: {'; '.join(parts)}. The record has the rest."
    return Message(f"{_base(workshop, None, rehearsed)}/$log/warn", text.encode(), retained=False)


def set_topics(workshop: str, pots: Iterable[Pot], rehearsed: bool = False) -> list[str]:
    """Return the `/set` topics to subscribe to."""
    return [f"{_base(workshop, pot.pot_id, rehearsed)}/{path}/set" for pot in pots for path in _SETTABLE]


def parse_set(
    workshop: str, topic: str, payload: bytes, rehearsed: bool = False
) -> SetCommand | Refusal | None:
    """Return what a `/set` message asks for, or a Refusal; None for a topic not ours. Never raises."""
    levels = topic.split("/")
    if len(levels) != 6 or levels[:2] != [_domain(rehearsed), "5"] or levels[5] != "set":
        return None
    path = f"{levels[3]}/{levels[4]}"
    pot_id = levels[2].removeprefix(f"{workshop}-")
    if path not in _SETTABLE or pot_id == levels[2] or not _ID.fullmatch(pot_id):
        return None
    text = _set_text(payload)
    if isinstance(text, Refusal):
        return text
    if path in _DETAILS:
        try:
            return SetCommand(
                pot_id, Action.EDIT, text=details.read(_DETAILS[path], text), field=_DETAILS[path]
            )
        except details.DetailError as error:
            return Refusal(str(error))
    if text == "all":
        return SetCommand(pot_id, _OF_ALARMS[path])
    if text not in set(AlarmId):
        return Refusal(f"{text[:40]!r} is no alarm; send all or one of {', '.join(AlarmId)}")
    return SetCommand(pot_id, _OF_ALARMS[path], AlarmId(text))


def echo(workshop: str, command: SetCommand, rehearsed: bool = False) -> Message | None:
    """Return what was accepted for an alarm, for its property topic; details answer by their new value.

    Neither retained nor repeated (QoS 0): it is a moment, not a state.
    """
    path = next((path for path, action in _OF_ALARMS.items() if action is command.action), None)
    if path is None:
        return None
    topic = f"{_base(workshop, command.pot_id, rehearsed)}/{path}"
    return Message(topic, (command.alarm or "all").encode(), retained=False, qos=0)


def _domain(rehearsed: bool) -> str:
    return "potvigil-rehearsal" if rehearsed else "homie"


def _base(workshop: str, pot_id: str | None, rehearsed: bool) -> str:
    for part in (workshop, pot_id):
        if part is not None and not _ID.fullmatch(part):
            raise ValueError(f"{part!r} cannot be an MQTT topic: use a-z, 0-9 and - (not at either end)")
    return f"{_domain(rehearsed)}/5/{workshop}" + (f"-{pot_id}" if pot_id is not None else "")


def _named(name: str, rehearsed: bool) -> str:
    return f"{name} (rehearsal)" if rehearsed else name


def _nodes(pot: Pot) -> dict[str, object]:
    return {
        node: {"name": name, "properties": {key: _property(prop, pot) for key, prop in properties.items()}}
        for node, (name, properties) in _NODES.items()
    }


def _property(prop: _Property, pot: Pot) -> dict[str, object]:
    described: dict[str, object] = {"name": prop.name, "datatype": prop.datatype}
    if prop.unit is not None:
        described["unit"] = prop.unit.format(p=pot.pressure_unit)
    if prop.format is not None:
        described["format"] = prop.format
    if prop.settable:
        described["settable"] = True
    if not prop.retained:
        described["retained"] = False
    return described


def _description(base: str, device: Mapping[str, object]) -> Message:
    device = {"homie": "5.0", **device}
    content = json.dumps(device, ensure_ascii=False, sort_keys=True).encode()
    version = int.from_bytes(
        hashlib.sha256(content).digest()[:6], "big"
    )  # 48 bits are exact in any JSON reader
    return Message(
        f"{base}/$description", json.dumps({**device, "version": version}, ensure_ascii=False).encode()
    )


def _known(pot: Pot, snapshot: Snapshot, batch_id: int | None, rehearsed: bool) -> dict[str, str | None]:
    """Return node/property -> payload text of what is known; the unknown is None or not there."""
    reading = snapshot.reading
    unit_pa = PRESSURE_UNITS_PA[pot.pressure_unit]
    decimals = _DECIMALS[pot.pressure_unit]
    # seconds to add to a time on the record's axis to make it UTC
    offset_s = None if snapshot.utc_s is None else snapshot.utc_s - snapshot.t_s

    def pressure(pa: float | None) -> str | None:
        return None if pa is None else _fixed(pa / unit_pa, decimals)

    def rate(pa_per_s: float) -> str | None:
        return _fixed(pa_per_s * SECONDS_PER_HOUR / unit_pa, decimals + 1)

    def celsius(kelvin: float | None) -> str | None:
        return None if kelvin is None else _fixed(kelvin_to_celsius(kelvin), 2)

    def when(t_s: float | None, step_s: float = SECONDS_PER_MINUTE) -> str | None:
        return None if t_s is None or offset_s is None else _datetime(t_s + offset_s, step_s)

    known: dict[str, str | None] = {
        "pressure/gauge": pressure(reading.gauge_pa),
        "pressure/absolute": pressure(reading.absolute_pa),
        "pressure/corrected": pressure(snapshot.corrected_gauge_pa),
        "pressure/ambient": _fixed(reading.ambient_pa / PA_PER_HPA, 1),
        "pressure/working": pressure(pot.working_pa),
        "pressure/floor": pressure(pot.floor_pa),
        "pressure/maximum": pressure(pot.maximum_pa),
        "pressure/quality": reading.quality,
        "pressure/fault": reading.fault,
        **{f"temperature/{place}": celsius(kelvin) for place, kelvin in reading.temperatures},
        "hold/stage": snapshot.stage,
        "hold/since": when(snapshot.stage_since_s, 1.0),
        "batch/rehearsed": _boolean(rehearsed),
        "alarms/count": str(len(snapshot.alarms)),
        "alarms/unacknowledged": str(
            sum(a.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED) for a in snapshot.alarms)
        ),
        "alarms/highest": _highest(snapshot.alarms),
    }
    if snapshot.batch_start_s is not None:
        known |= {
            "hold/top-ups": str(snapshot.top_ups),
            "batch/id": None if batch_id is None else str(batch_id),
            "batch/start": when(snapshot.batch_start_s, 1.0),
        }
        said = snapshot.details
        known |= {path: said.get(detail, "") for path, detail in _DETAILS.items()}
        known["batch/mixed-at"] = said.get(Detail.MIXED_AT) or None  # a datetime cannot be an empty text
    if (change := snapshot.change) is not None:
        known |= {
            "hold/change": pressure(change.total_pa),
            "hold/change-cooling": pressure(change.cooling_pa),
            "hold/change-barometer": pressure(change.barometer_pa),
            "hold/change-leak": pressure(change.leak_pa),
            "hold/change-top-up": pressure(change.top_up_pa),
        }
    if (leak := snapshot.leak) is not None:
        known |= {
            "leak/established": _boolean(leak.established),
            "leak/rate": rate(leak.rate_pa_per_s.value),
            "leak/rate-low": rate(leak.rate_pa_per_s.low),
            "leak/rate-high": rate(leak.rate_pa_per_s.high),
            "leak/flow": _fixed(leak.std_cm3_per_min.value, 2),
            "leak/flow-low": _fixed(leak.std_cm3_per_min.low, 2),
            "leak/flow-high": _fixed(leak.std_cm3_per_min.high, 2),
            "leak/pv-flow": _significant(leak.pa_m3_per_s.value),
            "leak/orifice": _fixed(leak.orifice_m * 1000.0, 4),
        }
        if (onset := leak.onset_s) is not None:
            known |= {
                "leak/onset": when(onset.value),
                "leak/onset-earliest": when(onset.low),
                "leak/onset-latest": when(onset.high),
            }
    if (forecast := snapshot.forecast) is not None:
        known |= {
            "forecast/floor": when(forecast.crossing_s),
            "forecast/floor-earliest": when(forecast.earliest_s),
            "forecast/floor-latest": when(forecast.latest_s),
            "forecast/floor-in": _duration(forecast.crossing_s - snapshot.t_s),
            "forecast/before-cure-done": _boolean(forecast.before_cure_done),
            "forecast/top-up-until": when(forecast.top_up_until_s),
        }
    if (cure := snapshot.cure) is not None:
        known |= {
            "cure/progress": _fixed(min(max(cure.progress, 0.0), 1.0) * 100.0, 1),
            "cure/done": when(cure.done_s),
            "cure/done-in": _duration(cure.done_s - snapshot.t_s),
        }
    return known


def _payload(text: str | None) -> bytes:
    if text is None:
        return _UNSET
    return text.encode("utf-8", "replace") or _EMPTY_STRING


def _boolean(value: bool) -> str:
    return "true" if value else "false"


def _fixed(value: float, decimals: int) -> str | None:
    """Return a float payload with so many decimals; None where the convention has no word (NaN, infinity)."""
    if not math.isfinite(value):
        return None
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text  # no minus before a zero


def _significant(value: float) -> str | None:
    """Return a float payload with three digits; the convention allows an exponent, but no plus sign in it."""
    return f"{value:.3g}".replace("e+", "e") if math.isfinite(value) else None


def _datetime(utc_s: float, step_s: float = 1.0) -> str | None:
    if not 0.0 <= utc_s < _LATEST_UTC_S:  # nor NaN
        return None
    return datetime.fromtimestamp(round(utc_s / step_s) * step_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _duration(seconds: float) -> str | None:
    """Return an ISO 8601 duration in whole minutes; what is over has none left."""
    if not math.isfinite(seconds):
        return None
    hours, minutes = divmod(round(max(seconds, 0.0) / SECONDS_PER_MINUTE), 60)
    return f"PT{hours}H{minutes}M"


def _highest(alarms: Iterable[StandingAlarm]) -> str:
    priorities = {alarm.priority for alarm in alarms}
    return next((priority for priority in Priority if priority in priorities), _NONE)


def _alert_text(alarm: StandingAlarm, pot: Pot, rehearsed: bool) -> str:
    stamps = ["REHEARSAL"] if rehearsed else []
    if alarm.alarm is AlarmId.TEST:
        stamps.append("TEST")
    stamps.append(f"{alarm.priority} alarm, {alarm_state(alarm, pot.tz)}")
    return ": ".join([*stamps, alarm.text])


def _set_text(payload: bytes) -> str | Refusal:
    """Return the text of a payload, trimmed; refuse what is no text, or longer than any detail may be."""
    if not payload:
        return Refusal("no payload; an empty text is the one byte 0x00")
    if len(payload) > LONGEST_SET_BYTES:
        return Refusal(f"{len(payload)} bytes, at most {LONGEST_SET_BYTES} are taken")
    if payload == _EMPTY_STRING:
        return ""
    try:
        return payload.decode("utf-8").strip(" \t\n\r")
    except UnicodeDecodeError:
        return Refusal("not UTF-8")
