"""Test alarms on request, and which outputs each one reached."""

import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from potvigil.model.events import AlarmId, Answer, Command, Outcome, StandingAlarm
from potvigil.outputs.signals import Signals
from potvigil.service.notified import Notified

if TYPE_CHECKING:  # loaded only where a broker is configured
    from potvigil.outputs.broker.mqtt import MqttOutput

# How long a test waits for the broker's confirmation, and for the notifier: mail is slow.
_CONFIRMED_WITHIN_S, _NOTIFIED_WITHIN_S = 5.0, 20.0
_WAYS = ("MQTT", "notification", "lamp", "buzzer")

Way = tuple[bool, str]  # whether it works, and in words


class AlarmTests:
    """The tests without an answer yet. Each output is None where it is not fitted."""

    def __init__(self, mqtt: "MqttOutput | None", signals: Signals | None, notified: Notified | None) -> None:
        self._mqtt, self._signals, self._notified = mqtt, signals, notified
        self._waiting: list[tuple[str, Command, float]] = []  # monotonic, since when

    def add(self, pot_id: str, command: Command) -> None:
        """Start a test; the current tick sends it."""
        self._waiting.append((pot_id, command, time.monotonic()))

    def answers(self, standing: Callable[[str], Sequence[StandingAlarm]]) -> Iterator[tuple[Command, Answer]]:
        """Yield the results that are known. standing: the alarms of a pot."""
        waiting, self._waiting = self._waiting, []
        for pot_id, command, since_s in waiting:
            ways = self._ways(pot_id, standing(pot_id), time.monotonic() - since_s)
            if ways is None:
                self._waiting.append((pot_id, command, since_s))
            else:
                yield command, _answer(ways)

    def _ways(self, pot_id: str, alarms: Sequence[StandingAlarm], waited_s: float) -> dict[str, Way] | None:
        """Return the fitted outputs, None while one of them has not reported yet."""
        ways: dict[str, Way] = {}
        if self._mqtt is not None:
            is_confirmed = self._mqtt.has_told(pot_id, AlarmId.TEST)
            if not is_confirmed and waited_s < _CONFIRMED_WITHIN_S:
                return None
            ways["MQTT"] = _way(None if is_confirmed else self._mqtt.fault)
        if self._notified is not None:
            begun_s = next((each.since_s for each in alarms if each.alarm is AlarmId.TEST), None)
            result = self._notified.of_test(pot_id, begun_s, is_last=waited_s >= _NOTIFIED_WITHIN_S)
            if result is None:
                return None
            ways["notification"] = result
        if self._signals is not None:
            ways |= {way: _way(fault) for way, fault in self._signals.ways().items()}
        return ways


def _way(fault: str | None) -> Way:
    return fault is None, fault or "sent"


def _answer(ways: dict[str, Way]) -> Answer:
    results = [
        f"{way}: {ways[way][1] if way in ways else 'not configured'}"
        for way in dict.fromkeys((*_WAYS, *ways))
    ]
    reaches = bool(ways) and all(works for works, _ in ways.values())
    return Answer(Outcome.DONE if reaches else Outcome.FAILED, "; ".join(results))
