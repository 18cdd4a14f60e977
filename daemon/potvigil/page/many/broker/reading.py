"""Which topics of a watch are read, and how their payloads are parsed; anything malformed is refused. Pure.

A bridge that was cut forwards retained values, but not that one was cleared meanwhile. So a value that can be
cleared is used only together with one, always published, that says whether it is valid.
"""

import json
import math
import re
from collections.abc import Callable
from datetime import datetime
from typing import Any

from potvigil.model.events import AlarmId, AlarmState, Priority, Stage, StandingAlarm
from potvigil.model.reading import MOST_T_S, MOST_UTC_S, Quality

STATE, WARNING, DESCRIPTION = "$state", "$log/warn", "$description"
AXIS, UTC, ALARMS, STAGE = "clock/axis", "clock/utc", "alarms/states", "hold/stage"
GAUGE, CORRECTED, WORKING, QUALITY = (
    *("pressure/gauge", "pressure/corrected"),
    *("pressure/working", "pressure/quality"),
)
ESTABLISHED, RATE, RATE_LOW, RATE_HIGH = (
    *("leak/established", "leak/rate"),
    *("leak/rate-low", "leak/rate-high"),
)
GONE = ("lost", "disconnected")
_LARGEST_TEXT, _LARGEST_NUMBER, _LARGEST_ALARMS, _LARGEST_DESCRIPTION = 1000, 40, 16_384, 65_536
_NUMBER = re.compile(r"-?(\d+\.?\d*|\.\d+)([eE]-?\d+)?")  # a float in Homie 5.0.0
_STATES = ("init", "ready", "disconnected", "sleeping", "lost")  # Homie 5.0.0, "Device Lifecycle"


def read(path: str, payload: bytes) -> Any:
    """Parse a payload. path: a key of `READ`. Raises ValueError."""
    largest, reader = READ[path]
    if len(payload) > largest:
        raise ValueError(f"{len(payload)} bytes")
    return reader(payload.decode("utf-8"))


def _number(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise ValueError("no number")
    return _finite(float(text))


def _axis(text: str) -> float:
    return _within(_number(text), MOST_T_S)


def _utc(text: str) -> float:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError("no time zone")
    return moment.timestamp()


def _boolean(text: str) -> bool:
    return ("false", "true").index(text) == 1


def _state(text: str) -> str:
    return _STATES[_STATES.index(text)]


def _root(text: str) -> str:
    """Return the workshop a device description names as its root; "" for a workshop's own device."""
    described = _object(json.loads(text))
    return _text(described.get("root", ""))


def _alarms(text: str) -> tuple[StandingAlarm, ...]:
    listed = json.loads(text)
    if not isinstance(listed, list) or len(listed) > len(AlarmId):
        raise ValueError("no list of alarms")
    alarms = tuple(_alarm(_object(each)) for each in listed)
    if len({each.alarm for each in alarms}) < len(alarms):
        raise ValueError("an alarm stands twice")
    return alarms


def _alarm(fields: dict[str, Any]) -> StandingAlarm:
    until_utc_s, by_s = fields.get("until_utc_s"), fields.get("by_s")
    return StandingAlarm(
        AlarmId(_text(fields.get("alarm"))),
        Priority(_text(fields.get("priority"))),
        AlarmState(_text(fields.get("state"))),
        _within(fields.get("since_s"), MOST_T_S),
        None,
        _text(fields.get("text", "")),
        None if until_utc_s is None else _within(until_utc_s, MOST_UTC_S),
        _text(fields.get("do", "")),
        None if by_s is None else _within(by_s, MOST_T_S),
        by_whom=_text(fields.get("by_whom", "")),
    )


def _object(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError("not a JSON object")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("no text")
    value.encode()  # raises on a lone surrogate, which could not be shown
    return value


def _within(value: object, most: float) -> float:
    number = _finite(value)
    if abs(number) > most:
        raise ValueError("out of range")
    return number


def _finite(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("no number")
    return float(value)


_Reader = tuple[int, Callable[[str], Any]]
_FLOAT: _Reader = (_LARGEST_NUMBER, _number)

# For each path of a device: the most bytes, and the parser.
READ: dict[str, _Reader] = {
    STATE: (_LARGEST_NUMBER, _state),
    WARNING: (_LARGEST_TEXT, _text),
    DESCRIPTION: (_LARGEST_DESCRIPTION, _root),
    AXIS: (_LARGEST_NUMBER, _axis),
    UTC: (_LARGEST_NUMBER, _utc),
    ALARMS: (_LARGEST_ALARMS, _alarms),
    STAGE: (_LARGEST_NUMBER, Stage),
    QUALITY: (_LARGEST_NUMBER, Quality),
    ESTABLISHED: (_LARGEST_NUMBER, _boolean),
    **dict.fromkeys((GAUGE, CORRECTED, WORKING, RATE, RATE_LOW, RATE_HIGH), _FLOAT),
}
