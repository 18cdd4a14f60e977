"""A service whose watches, wires and outputs only record what they are given; its record is real."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from potvigil.clock import Instant, ManualClock
from potvigil.model.events import (
    AlarmId,
    Command,
    Event,
)
from potvigil.model.reading import Sample
from potvigil.record.errors import RecordWriteError
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.watch.alarm_states import ConditionWords
from record_night import UTC_S

ONE = load_text(f"{NIGHTS['sound'].settings_yaml}sample_period: 5 s\n", "the demo studio")
SETTINGS = ONE.model_copy(update={"pots": {"lantern": ONE.pots["lantern"], "mast": ONE.pots["lantern"]}})
FULL = RecordWriteError("no room on the disk")


class Steps:
    """A service whose record is real, and whose watches, wires and outputs record what they are given.

    said: a line each. events: the answer of a pot's watch to its next sample.
    """

    def __init__(self, folder: Path, **options: Any) -> None:
        self.said: list[str] = []
        self.events: dict[str, list[Event]] = {}
        self.told: list[tuple[str, int | None, Event]] = []
        self.reports: dict[AlarmId, list[ConditionWords | None]] = {}
        self.handled: list[Command] = []
        self.clock = ManualClock(100.0, UTC_S)
        self.store = Store.open_for_watch(folder / "record.db")
        self.service = Service(
            SETTINGS,
            self.clock,
            "boot-1",
            SimpleNamespace(read=self._read, close=lambda: self.say("wires closed")),  # type: ignore[arg-type]
            self.store,
            on_event=lambda *told: self.told.append(told),
            **options,
        )

    def say(self, line: str) -> None:
        self.said.append(line)

    def start(self) -> None:
        self.service.start()
        self.service.watches = {pot: self._watch(pot) for pot in SETTINGS.pots}
        self.service._pasts = {pot: self._past(pot) for pot in SETTINGS.pots}

    def tick(self, seconds: float = 5.0) -> list[str]:
        """Let time pass and tick; return the recorded lines."""
        self.clock.sleep_until(self.clock.now().boot_s + seconds)
        before = len(self.said)
        self.service.tick()
        return self.said[before:]

    def last_report(self, alarm: AlarmId) -> ConditionWords | None:
        return self.reports[alarm][-1]

    def _read(self, t_s: float, now: Instant) -> list[tuple[str, Sample]]:
        self.say(f"read at {t_s:g}")
        return [(pot, Sample(t_s, now.utc_s)) for pot in SETTINGS.pots]

    def _watch(self, pot: str) -> Any:
        def feed(sample: Sample) -> list[Event]:
            self.say(f"{pot} fed {sample.t_s:g}")
            return self.events.pop(pot, [])

        def handle(command: Command) -> list[Event]:
            self.say(f"{pot} asked to {command.action}")
            self.handled.append(command)
            return []

        def report(alarm: AlarmId, told: ConditionWords | None) -> None:
            if pot == "mast":  # the last of them: every watch got it
                self.reports.setdefault(alarm, []).append(told)

        snapshot = SimpleNamespace(alarms=(pot,), batch_start_s=None)
        return SimpleNamespace(feed=feed, handle=handle, report=report, snapshot=lambda: snapshot)

    def _past(self, pot: str) -> Any:
        return SimpleNamespace(
            hear=lambda batch, event: self.say(f"past of {pot} hears {type(event).__name__} of {batch}"),
            keep=lambda batch: self.say(f"past of {pot} keeps {batch}"),
        )


def refuse(monkeypatch: pytest.MonkeyPatch, steps: Steps, name: str, error: Exception = FULL) -> None:
    def refused(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(steps.store, name, refused)
