"""Topics and messages; everything published for a pot: node -> its name and its properties."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from potvigil.model.events import AlarmId, Detail, Priority, Stage
from potvigil.model.reading import Quality

EMPTY_STRING = b"\x00"  # zero length would delete the topic
UNSET = b""
ALERT = "/$alert/"  # before an alarm's id
ID = re.compile(r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?")


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT message. slow: a number that may wait some seconds; all else goes out at once.

    Numbers go with QoS 0, so that a broker does not queue them for a sleeping subscriber: they would push out
    the alarms that it must see when it wakes.
    """

    topic: str
    payload: bytes
    retained: bool = True
    qos: int = 1
    slow: bool = False


@dataclass(frozen=True, slots=True)
class Property:
    """One line of the description. {p} and {t} in the unit stand for the pot's own units."""

    name: str
    datatype: str
    unit: str | None = None
    format: str | None = None
    settable: bool = False
    retained: bool = True


def choice(values: Iterable[str]) -> str:
    return ",".join(values)


def alarm_name(alarm: AlarmId) -> str:
    """Return the name of an alarm, e.g. 'Floor ahead'."""
    return alarm.replace("-", " ").capitalize()


STANDING = "standing"
STANDARD_FLOW = "standard cm³/min"
NONE = "none"

Nodes = dict[str, tuple[str, dict[str, Property]]]

# node -> its name and its properties; the dictionary of everything that is published
NODES: Nodes = {
    "pressure": (
        "Pressure",
        {
            "gauge": Property("Gauge pressure", "float", "{p}"),
            "absolute": Property("Absolute pressure", "float", "{p}"),
            "corrected": Property(
                "Gauge pressure at the hold's first temperature and barometer", "float", "{p}"
            ),
            "ambient": Property("Pressure outside the pot, absolute", "float", "hPa"),
            "working": Property("Working pressure, gauge", "float", "{p}"),
            "floor": Property("Floor, gauge", "float", "{p}"),
            "maximum": Property("Marked maximum, gauge", "float", "{p}"),
            "quality": Property("Quality of the reading", "enum", format=choice(Quality)),
            "fault": Property("Fault of the reading", "string"),
        },
    ),
    "temperature": (
        "Temperature",
        {
            "gas": Property("In the gas", "float", "{t}"),
            "wall": Property("On the wall", "float", "{t}"),
            "room": Property("In the room", "float", "{t}"),
            "contents": Property("In or on the mould", "float", "{t}"),
        },
    ),
    "hold": (
        "Hold",
        {
            "stage": Property("Stage", "enum", format=choice(Stage)),
            "since": Property("In this stage since", "datetime"),
            "change": Property("Change of the gauge pressure since the hold began", "float", "{p}"),
            "change-cooling": Property("of it, cooling", "float", "{p}"),
            "change-barometer": Property("of it, barometer", "float", "{p}"),
            "change-leak": Property("of it, air lost", "float", "{p}"),
            "change-top-up": Property("of it, top-ups", "float", "{p}"),
            "top-ups": Property("Top-ups", "integer", "#"),
        },
    ),
    "leak": (
        "Leak, estimates with 95 % interval",
        {
            "established": Property("Air is being lost beyond doubt", "boolean"),
            "rate": Property("Rate", "float", "{p}/h"),
            "rate-low": Property("Rate, low end", "float", "{p}/h"),
            "rate-high": Property("Rate, high end", "float", "{p}/h"),
            "flow": Property("Flow, standard = 0 °C and 101325 Pa", "float", STANDARD_FLOW),
            "flow-low": Property("Flow, low end", "float", STANDARD_FLOW),
            "flow-high": Property("Flow, high end", "float", STANDARD_FLOW),
            "pv-flow": Property("pV flow at the gas temperature", "float", "Pa m³/s"),
            "orifice": Property("Diameter of the ideal hole that loses as much", "float", "mm"),
            "onset": Property("Began", "datetime"),
            "onset-earliest": Property("Began, earliest", "datetime"),
            "onset-latest": Property("Began, latest", "datetime"),
        },
    ),
    "forecast": (
        "Forecast of the floor, if nothing is done",
        {
            "floor": Property("Falls below the floor", "datetime"),
            "floor-earliest": Property("Falls below the floor, earliest", "datetime"),
            "floor-latest": Property("Falls below the floor, latest", "datetime"),
            "floor-in": Property("Time left until the floor", "duration"),
            "before-cure-done": Property("Falls below the floor before the cure is done", "boolean"),
            "top-up-until": Property("A top-up to working pressure now lasts until", "datetime"),
        },
    ),
    "cure": (
        "Cure",
        {
            "progress": Property("Progress", "float", "%", "0:100"),
            "done": Property("Done", "datetime"),
            "done-in": Property("Time left until done", "duration"),
        },
    ),
    "batch": (
        "Batch",
        {
            "id": Property("Number in the record", "integer"),
            "start": Property("Begun", "datetime"),
            "label": Property("Label", "string", settable=True),
            "note": Property("Note", "string", settable=True),
            "resin": Property("Resin", "string", settable=True),
            "mould": Property("Mould", "string", settable=True),
            "colour": Property("Colour", "string", settable=True),
            "mass": Property("Mass poured, with its unit", "string", settable=True),
            "mixed-at": Property("Mixed at", "datetime", settable=True),
            "outcome": Property("How the cast came out: good, or flawed: why", "string", settable=True),
            "rehearsed": Property("A rehearsal, no real pot", "boolean"),
        },
    ),
    "alarms": (
        "Alarms",
        {
            "count": Property("Alarms not back to normal or not acknowledged", "integer", "#"),
            "unacknowledged": Property("of them, not yet acknowledged", "integer", "#"),
            "highest": Property("Highest priority among them", "enum", format=choice((NONE, *Priority))),
            "acknowledge": Property(
                "Acknowledge: the id of an alarm, or all; then, if known, by and who",
                "string",
                settable=True,
                retained=False,
            ),
            "unshelve": Property(
                "Unshelve: the id of an alarm, or all", "string", settable=True, retained=False
            ),
            "states": Property("Those that are not normal, with state, words and by whom seen", "json"),
            "announced": Property("An alarm, at each announcement", "string", retained=False),
        },
    ),
    # Published with every reading, so that listeners know the time of the rest.
    "clock": (
        "Clock of the watch, at the last reading",
        {
            "axis": Property("Seconds on the record's axis", "float", "s"),
            "utc": Property("Wall time", "datetime"),
        },
    ),
    STANDING: (
        "Alarms that are not normal",
        {alarm: Property(alarm_name(alarm), "boolean") for alarm in AlarmId},
    ),
    "notes": (
        "Notes: top-up, cure done, maintenance due and the like",
        {"last": Property("A note, as it is made", "string", retained=False)},
    ),
}

OWNER = "watch/machine"
# the same of the workshop's own device
ROOT_NODES: Nodes = {
    "watch": ("Watch", {"machine": Property("Machine that watches: its id, and its name", "string")}),
}

# The names of pictures are only in the record.
DETAILS = {f"batch/{detail}": detail for detail in Detail if detail is not Detail.PICTURES}


def domain(rehearsed: bool) -> str:
    return "potvigil-rehearsal" if rehearsed else "homie"


def device_id(workshop: str, pot_id: str | None) -> str:
    """Return the id of a pot's device, of the workshop's for None. Raises ValueError for no Homie id."""
    for part in (workshop, pot_id):
        if part is not None and not ID.fullmatch(part):
            raise ValueError(f"{part!r} cannot be an MQTT topic: use a-z, 0-9 and - (not at either end)")
    return workshop + (f"-{pot_id}" if pot_id is not None else "")


def root_topic(rehearsed: bool) -> str:
    return f"{domain(rehearsed)}/5"


def topic_base(workshop: str, pot_id: str | None, rehearsed: bool) -> str:
    """Return the base topic of a pot's device, of the workshop's for None. Raises as `device_id`."""
    return f"{root_topic(rehearsed)}/{device_id(workshop, pot_id)}"
