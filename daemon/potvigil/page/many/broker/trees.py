"""What the watches of all workshops say now: the one owner of it, bounded, for several threads.

A pot speaks while its clock goes on: what is retained may be of a watch long gone, and a bridge that comes
back says it all again. So the first that is heard of a clock is no sign of life yet, and each later one that
differs is. How long ago it spoke is by our own clock; what its watch dates, on the record's axis, where it
does not matter whether its wall clock is right.
"""

import threading
from dataclasses import dataclass, field
from typing import Any

from potvigil.model.events import Stage, StandingAlarm
from potvigil.model.reading import Quality
from potvigil.outputs.broker.homie_tree import ID, device_id, root_topic
from potvigil.page.many.broker import reading

# A watch tells its clock every five seconds, or with each reading where these are ten seconds apart.
SPEAKS_S = 35.0
MOST_DEVICES = 500
_LONGEST_ID = 200
_JITTER_S = 2.0  # of the way here; what moves by more is another clock


@dataclass(frozen=True, slots=True)
class PotHeard:
    """A pot as its watch told of it last; None is unknown. Pressures in the pot's own unit, gauge.

    gone: `lost` or `disconnected` where its watch is, None where it is not. spoke_s: when, monotonic, None
    where it did not yet. axis_s: of its last reading, on the record's axis; at_utc_s: the same by our clock,
    by that of its watch where it did not speak yet; less_utc_s: what makes its watch's Unix time ours.
    rate_per_h: value, low, high end. warned: the last of its warnings, and when, monotonic.
    """

    gone: str | None
    spoke_s: float | None
    axis_s: float | None
    at_utc_s: float | None
    less_utc_s: float | None
    stage: Stage | None
    quality: Quality | None
    gauge: float | None
    corrected: float | None
    working: float | None
    established: bool | None
    rate_per_h: tuple[float, float, float] | None
    alarms: tuple[StandingAlarm, ...] | None
    warned: tuple[str, float] | None

    def speaks(self, now_s: float) -> bool:
        """Say whether its watch is heard now."""
        return self.gone is None and self.spoke_s is not None and now_s - self.spoke_s < SPEAKS_S


@dataclass(slots=True)
class _Device:
    said: dict[str, Any] = field(default_factory=dict)
    spoke_s: float | None = None
    zero_utc_s: float | None = None  # when the axis began, by our clock
    less_utc_s: float | None = None
    warned_s: float = 0.0


class Trees:
    """The trees as they are heard. ignored: how many messages were of another form, or too many."""

    def __init__(self) -> None:
        self.ignored = 0
        self._lock = threading.Lock()
        self._devices: dict[str, _Device] = {}

    @staticmethod
    def filters() -> list[str]:
        """Return the topic filters of what `hear` takes."""
        return [f"{root_topic(rehearsed=False)}/+/{path}" for path in reading.READ]

    def begin(self) -> None:
        """Begin a connection: what was heard in an earlier one says nothing of now."""
        with self._lock:
            self._devices.clear()

    def hear(self, topic: str, payload: bytes, now_s: float, now_utc_s: float) -> None:
        """Take a message. now_s: monotonic. Never raises."""
        base = f"{root_topic(rehearsed=False)}/"
        name, _, path = topic.removeprefix(base).partition("/")
        is_ours = topic.startswith(base) and len(name) <= _LONGEST_ID and ID.fullmatch(name)
        if not is_ours or path not in reading.READ:
            self.ignored += 1
            return
        try:
            value = reading.read(path, payload) if payload else None
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
            self.ignored += 1
            return
        with self._lock:
            device = self._devices.get(name)
            if device is None:
                if value is None:
                    return
                if len(self._devices) >= MOST_DEVICES:
                    self.ignored += 1
                    return
                device = self._devices[name] = _Device()
            _take(device, path, value, now_s, now_utc_s)
            if not device.said:
                del self._devices[name]

    def pot(self, workshop: str, pot_id: str) -> PotHeard | None:
        """Return what its watch says of a pot, None where there is no such pot."""
        try:
            name = device_id(workshop, pot_id)
        except ValueError:
            return None
        with self._lock:
            device, root = self._devices.get(name), self._devices.get(workshop)
            # whose a pot is, its description says: two workshops may make the same id of workshop and pot
            if device is None or device.said.get(reading.DESCRIPTION) != workshop:
                return None
            # the last will is the workshop's alone, and counts for its pots
            states = [each.said.get(reading.STATE) for each in (root, device) if each is not None]
            return _heard(device, next((state for state in states if state in reading.GONE), None))


def _take(device: _Device, path: str, value: Any, now_s: float, now_utc_s: float) -> None:
    said, before = device.said, device.said.get(path)
    if value is None:
        said.pop(path, None)
        return
    said[path] = value
    if path == reading.AXIS and before is not None and value != before:
        device.spoke_s = now_s
        zero_utc_s, known_utc_s = now_utc_s - value, device.zero_utc_s
        if known_utc_s is None or abs(zero_utc_s - known_utc_s) > _JITTER_S:
            device.zero_utc_s = zero_utc_s
        else:
            device.zero_utc_s = min(zero_utc_s, known_utc_s)  # the one that was least on its way
    elif path == reading.UTC and device.zero_utc_s is not None and reading.AXIS in said:
        device.less_utc_s = device.zero_utc_s + said[reading.AXIS] - value
    elif path == reading.WARNING:
        device.warned_s = now_s


def _heard(device: _Device, gone: str | None) -> PotHeard:
    said = device.said
    axis_s, warning = said.get(reading.AXIS), said.get(reading.WARNING)
    rates = [said.get(path) for path in (reading.RATE, reading.RATE_LOW, reading.RATE_HIGH)]
    known = [rate for rate in rates if rate is not None]
    return PotHeard(
        gone=gone,
        spoke_s=device.spoke_s,
        axis_s=axis_s,
        at_utc_s=_at_utc_s(device),
        less_utc_s=device.less_utc_s,
        stage=said.get(reading.STAGE),
        quality=said.get(reading.QUALITY),
        gauge=said.get(reading.GAUGE),
        corrected=said.get(reading.CORRECTED),
        working=said.get(reading.WORKING),
        established=said.get(reading.ESTABLISHED),
        rate_per_h=(known[0], known[1], known[2]) if len(known) == len(rates) else None,
        alarms=said.get(reading.ALARMS),
        warned=None if warning is None else (warning, device.warned_s),
    )


def _at_utc_s(device: _Device) -> float | None:
    axis_s: float | None = device.said.get(reading.AXIS)
    if axis_s is None or device.zero_utc_s is None:
        told_utc_s: float | None = device.said.get(reading.UTC)
        return told_utc_s
    return device.zero_utc_s + axis_s
