"""The live state of the watches of all workshops, bounded in size and thread-safe.

A pot is live while its clock advances. Retained messages may come from a watch long gone, and a bridge that
reconnects replays them: so the first clock value is no sign of life, but each later one that differs is. Its
age is measured on our own clock; the watch's times are on the record's axis, independent of its wall clock.
"""

import threading
from dataclasses import dataclass, field
from typing import Any

from potvigil.model.events import Stage, StandingAlarm
from potvigil.model.reading import Quality
from potvigil.outputs.broker.homie_tree import ID, device_id, root_topic
from potvigil.page.many.broker import reading

# A watch publishes its clock every five seconds, or with each reading if those are ten seconds apart.
LIVE_WITHIN_S = 35.0
MOST_DEVICES = 500
_LONGEST_ID = 200
_JITTER_S = 2.0  # of delivery; a larger jump is a new clock


@dataclass(frozen=True, slots=True)
class PotHeard:
    """A pot as its watch last published it; None is unknown. Pressures in the pot's own unit, gauge.

    gone: `lost` or `disconnected` if its watch is, else None. alive_s: last sign of life, monotonic, or None.
    axis_s: time of its last reading on the record's axis. at_utc_s: the same by our clock, or by the watch's
    before a sign of life. clock_offset_s: our Unix time minus the watch's. rate_per_h: value, low end, high
    end. warned: its last warning and when that came, monotonic.
    """

    gone: str | None
    alive_s: float | None
    axis_s: float | None
    at_utc_s: float | None
    clock_offset_s: float | None
    stage: Stage | None
    quality: Quality | None
    gauge: float | None
    corrected: float | None
    working: float | None
    established: bool | None
    rate_per_h: tuple[float, float, float] | None
    alarms: tuple[StandingAlarm, ...] | None
    warned: tuple[str, float] | None

    def is_live(self, now_s: float) -> bool:
        """Return whether the watch is live now."""
        return self.gone is None and self.alive_s is not None and now_s - self.alive_s < LIVE_WITHIN_S


@dataclass(slots=True)
class _Device:
    values: dict[str, Any] = field(default_factory=dict)
    alive_s: float | None = None
    zero_utc_s: float | None = None  # zero of the axis, by our clock
    clock_offset_s: float | None = None
    warned_s: float = 0.0


class Trees:
    """The MQTT trees received. ignored: number of messages malformed or beyond the limit."""

    def __init__(self) -> None:
        self.ignored = 0
        self._lock = threading.Lock()
        self._devices: dict[str, _Device] = {}

    @staticmethod
    def filters() -> list[str]:
        """Return the topic filters for the messages `hear` takes."""
        return [f"{root_topic(rehearsed=False)}/+/{path}" for path in reading.READ]

    def begin(self) -> None:
        """Start afresh for a new connection: values from an earlier one may be stale."""
        with self._lock:
            self._devices.clear()

    def hear(self, topic: str, payload: bytes, now_s: float, now_utc_s: float) -> None:
        """Store a message. now_s: monotonic. Never raises."""
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
            if not device.values:
                del self._devices[name]

    def pot(self, workshop: str, pot_id: str) -> PotHeard | None:
        """Return a pot's state, None if there is no such pot."""
        try:
            name = device_id(workshop, pot_id)
        except ValueError:
            return None
        with self._lock:
            device, root = self._devices.get(name), self._devices.get(workshop)
            # check the workshop by the description: two workshops and pots can join into the same device id
            if device is None or device.values.get(reading.DESCRIPTION) != workshop:
                return None
            # the last will is on the workshop's device only, and applies to its pots
            states = [each.values.get(reading.STATE) for each in (root, device) if each is not None]
            return _heard(device, next((state for state in states if state in reading.GONE), None))


def _take(device: _Device, path: str, value: Any, now_s: float, now_utc_s: float) -> None:
    values, before = device.values, device.values.get(path)
    if value is None:
        values.pop(path, None)
        return
    values[path] = value
    if path == reading.AXIS and before is not None and value != before:
        device.alive_s = now_s
        zero_utc_s, known_utc_s = now_utc_s - value, device.zero_utc_s
        if known_utc_s is None or abs(zero_utc_s - known_utc_s) > _JITTER_S:
            device.zero_utc_s = zero_utc_s
        else:
            device.zero_utc_s = min(zero_utc_s, known_utc_s)  # the least delayed message is the best estimate
    elif path == reading.UTC and device.zero_utc_s is not None and reading.AXIS in values:
        device.clock_offset_s = device.zero_utc_s + values[reading.AXIS] - value
    elif path == reading.WARNING:
        device.warned_s = now_s


def _heard(device: _Device, gone: str | None) -> PotHeard:
    values = device.values
    axis_s, warning = values.get(reading.AXIS), values.get(reading.WARNING)
    rates = [values.get(path) for path in (reading.RATE, reading.RATE_LOW, reading.RATE_HIGH)]
    known = [rate for rate in rates if rate is not None]
    return PotHeard(
        gone=gone,
        alive_s=device.alive_s,
        axis_s=axis_s,
        at_utc_s=_at_utc_s(device),
        clock_offset_s=device.clock_offset_s,
        stage=values.get(reading.STAGE),
        quality=values.get(reading.QUALITY),
        gauge=values.get(reading.GAUGE),
        corrected=values.get(reading.CORRECTED),
        working=values.get(reading.WORKING),
        established=values.get(reading.ESTABLISHED),
        rate_per_h=(known[0], known[1], known[2]) if len(known) == len(rates) else None,
        alarms=values.get(reading.ALARMS),
        warned=None if warning is None else (warning, device.warned_s),
    )


def _at_utc_s(device: _Device) -> float | None:
    axis_s: float | None = device.values.get(reading.AXIS)
    if axis_s is None or device.zero_utc_s is None:
        utc_s: float | None = device.values.get(reading.UTC)
        return utc_s
    return device.zero_utc_s + axis_s
