"""A page with a fake watch that writes snapshots of any pots to the live file, at once and twice a second."""

import re
import subprocess
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Self

from playwright.sync_api import Error, Page

from broker import free_port
from demo_pot import HOLDING, PSI, T_S, alarm
from hasty import hasty
from page.browser.watched import answers
from paged import Watched
from patience import PATIENCE_S, wait_in, wait_until
from potvigil.live_reader import SILENT_S
from potvigil.model.events import AlarmId, AlarmState, Priority, Snapshot, StandingAlarm
from potvigil.outputs.live import LiveFile
from potvigil.page.frame import NOW_KEPT_S
from potvigil.replacing import replace as replace_file

PERIOD_S = 0.5
PAGE = [*hasty({"potvigil.page.views.data.STREAM_REST_S": 0.1}), "page"]
SOUND = replace(HOLDING, alarms=(), leak=None, forecast=None)


def until(page: Page, script: str) -> None:
    """Wait until an expression is true in a page, by polling: its CSP forbids wait_for_function."""
    wait_in(page, lambda: _is_true(page, script), script)


def _is_true(page: Page, script: str) -> bool:
    try:
        return bool(page.evaluate(script))
    except Error as error:
        if "context was destroyed" in str(error):  # the page is reloading
            return False
        raise


def high(alarm_id: AlarmId, do: str, text: str, **changes: object) -> StandingAlarm:
    """Return an unacknowledged high alarm."""
    return alarm(alarm_id, priority=Priority.HIGH, do=do, text=text, **changes)


def low(alarm_id: AlarmId, do: str, text: str, **changes: object) -> StandingAlarm:
    return alarm(alarm_id, do=do, text=text, **changes)


def seen(snapshot: Snapshot) -> Snapshot:
    """Return a pot with all its alarms acknowledged."""
    alarms = tuple(replace(each, state=AlarmState.ACKNOWLEDGED) for each in snapshot.alarms)
    return replace(snapshot, alarms=alarms)


def at(psi: float, *alarms: StandingAlarm, **changes: object) -> Snapshot:
    """Return a pot at a gauge pressure, with these standing alarms."""
    reading = replace(SOUND.reading, gauge_pa=psi * PSI)
    return replace(SOUND, reading=reading, alarms=alarms, **changes)


BELOW_FLOOR = at(
    41.2,
    high(
        AlarmId.BELOW_FLOOR,
        "Top up now if the resin is still liquid",
        "41.2 psi: below the floor of 45.0 psi with 7 h 40 min of the cure to go; bubbles are 11 % wider "
        "than at working pressure.",
    ),
)
FLOOR_AHEAD = at(
    57.1,
    high(
        AlarmId.FLOOR_AHEAD,
        "Top up to 60.0 psi",
        "Losing 3.05 psi/h: passes 45.0 psi about 03:40 (03:20-04:05), 3 h before the cure is done. "
        "A top-up now lasts at least to 06:30 and through the cure.",
        by_s=T_S + 4.0 * 3600.0,
    ),
)
RAPID_LOSS = at(
    33.8,
    high(
        AlarmId.RAPID_LOSS,
        "Stay clear of the lid; shut the supply",
        "The pot is losing pressure fast, now 33.8 psi.",
    ),
)
THERMOMETER = at(
    58.2,
    low(
        AlarmId.THERMOMETER,
        "Check plug and cable of the room thermometer",
        "Room thermometer: no answer. Monitoring continues; a small leak can no longer be told from a "
        "temperature change.",
    ),
)


def let_forget() -> None:
    """Wait until the page has forgotten the answer it kept."""
    time.sleep(1.2 * NOW_KEPT_S)


class FakeWatch:
    """The page and a watch that publishes `pots` while it `is_live`. A context manager."""

    def __init__(self, watched: Watched, folder: Path, pots: dict[str, Snapshot], *words: str) -> None:
        self.record = watched.record
        service = watched.bench
        self._path = watched.live
        self._file = LiveFile(watched.live, service.settings.workshop, service.night.name, PERIOD_S)
        self._file.begin(0.0, service.store.last_run().start_t_s)
        self._writing, self._ended = threading.Lock(), threading.Event()
        self._thread = threading.Thread(target=self._write)
        port = free_port()
        self.url = f"http://localhost:{port}"
        self._words = [
            *PAGE,
            "--record",
            str(watched.record),
            "--live",
            str(watched.live),
            "--port",
            str(port),
        ]
        self._words += words
        self._folder = folder
        self._pots, self._is_live = pots, True

    @property
    def pots(self) -> dict[str, Snapshot]:
        return self._pots

    @pots.setter
    def pots(self, wanted: dict[str, Snapshot]) -> None:
        with self._writing:
            self._pots = wanted
            self._write_once()

    @property
    def is_live(self) -> bool:
        return self._is_live

    @is_live.setter
    def is_live(self, wanted: bool) -> None:
        """Let the watch write again, or have fallen silent long enough ago for that to be said."""
        with self._writing:
            self._is_live = True
            self._write_once()
            self._is_live = wanted
            if not wanted:
                written = time.clock_gettime(time.CLOCK_BOOTTIME) - 2.0 * SILENT_S
                text = self._path.read_text(encoding="utf-8")
                aged = re.sub(r'"written_boot_s":[0-9.]+', f'"written_boot_s":{written}', text)
                replace_file(self._path, aged.encode())

    def __enter__(self) -> Self:
        self._thread.start()
        self.start_page()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        self.kill_page()

    def begin_anew(self, pots: dict[str, Snapshot]) -> None:
        """Be as a watch and a page newly started, for the next test."""
        self.is_live, self.pots = True, pots
        if self.page.poll() is not None:
            self.start_page()
        let_forget()

    def start_page(self) -> None:
        """Start the page, and wait until it answers."""
        self._log = (self._folder / "page.log").open("ab")
        self.page = subprocess.Popen(self._words, stdout=self._log, stderr=subprocess.STDOUT)
        wait_until(lambda: answers(self.url, self.page), "the page never answered")

    def kill_page(self) -> None:
        """Kill the page, as a power cut would."""
        self.page.kill()
        self.page.wait(PATIENCE_S)
        self._log.close()

    def _write(self) -> None:
        while not self._ended.wait(PERIOD_S):
            with self._writing:
                self._write_once()

    def _write_once(self) -> None:
        if self._is_live:
            self._file.write(self._pots, dict.fromkeys(self._pots, 1))
