"""A watch as the notifier sees it: a live file written all the time, with the given alarms."""

import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from demo_pot import HOLDING, WORKSHOP
from potvigil.model.events import AlarmId, AlarmState, StandingAlarm
from potvigil.outputs.live import LiveFile
from potvigil.watch.alarm_rules import RULES

SMALLEST = (Path(__file__).parents[1] / "config" / "smallest.yaml").read_text(encoding="utf-8")
# the record's axis of these tests is ahead of the boot clock by this
OFFSET_S = 5_000.0


def axis_s() -> float:
    """Now, on the record's axis."""
    return time.clock_gettime(time.CLOCK_BOOTTIME) + OFFSET_S


def standing(
    alarm: AlarmId, since_s: float, state: AlarmState = AlarmState.UNACKNOWLEDGED, **more: Any
) -> StandingAlarm:
    said = {"do": "Top up to 60.0 psi", "text": "The pressure will reach the floor.", "announced_s": since_s}
    given = {**said, **more}
    return StandingAlarm(alarm, RULES[alarm].priority, state, since_s, None, **given)


class SpeakingWatch:
    """speak: writes the present state; alarms: of the pot lantern."""

    def __init__(self, folder: Path, rehearsed: str | None = None, period_s: float = 1.0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / "live.json"
        self.alarms: tuple[StandingAlarm, ...] = ()
        self.snapshot = HOLDING
        self._file = LiveFile(self.path, WORKSHOP, rehearsed, period_s)
        self._file.begin(OFFSET_S, 10.0)
        self.speak()

    def speak(self, age_s: float = 0.0) -> None:
        t_s = axis_s() - age_s
        self.snapshot = replace(
            self.snapshot,
            t_s=t_s,
            utc_s=time.time() - age_s,
            reading=replace(self.snapshot.reading, t_s=t_s),
            alarms=self.alarms,
        )
        self._file.write({"lantern": self.snapshot}, {"lantern": 12})
        if age_s:
            said = self.path.read_text(encoding="utf-8")
            written_s = time.clock_gettime(time.CLOCK_BOOTTIME) - age_s
            said = re.sub(r'"written_boot_s":[0-9.]+', f'"written_boot_s":{written_s}', said)
            self.path.write_text(said, encoding="utf-8")

    @contextmanager
    def speaking(self) -> Iterator["SpeakingWatch"]:
        """Speak ten times a second meanwhile."""
        enough = threading.Event()

        def run() -> None:
            while not enough.wait(0.1):
                self.speak()

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield self
        finally:
            enough.set()
            thread.join()
