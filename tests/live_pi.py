"""A Pi that watches a simulated pot in real time, publishes to a broker, and ships its record on request."""

import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

from broker import HOST
from patience import PATIENCE_S, wait_until
from potvigil.model.events import AlarmEvent, StandingAlarm
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from potvigil.sim.pot_parts import Vent
from rehearsal import Bench

NIGHT = NIGHTS["lost-before-gel"]
# Times of that night: holding; floor-ahead active; vented, earlier than there; open and empty.
HOLDING_S, ALARMED_S, VENTED_S, OPEN_S = 1800.0, 3000.0, 3600.0, 4200.0


class Pi:
    """The watch runs in a separate thread, from `until_s` of the night on in real time.

    ahead_s: of its wall clock. link: user and password at the broker. A context manager.
    """

    def __init__(
        self,
        folder: Path,
        workshop: str,
        port: int,
        *,
        until_s: float = ALARMED_S,
        ahead_s: float = 0.0,
        username: str | None = None,
        password: str | None = None,
    ) -> None:
        settings = NIGHT.settings_yaml.replace("workshop: harbour-models", f"workshop: {workshop}")
        actions = (*NIGHT.actions[:-1], Vent(VENTED_S))
        night = replace(NIGHT, settings_yaml=settings, actions=actions)
        link = MqttLink(HOST, port, username=username, password=password)
        self.bench = Bench(night, folder, sample_period_s=1.0, link=link, is_real=True)
        self.record = self.bench.record
        self._until_s, self._ahead_s = until_s, ahead_s
        self._wanted: queue.Queue[tuple[Callable[[], Any], Future[Any]]] = queue.Queue()
        self._is_over, self._is_here = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)

    def __enter__(self) -> "Pi":
        self._thread.start()
        wait_until(lambda: self._is_here.is_set() or not self._thread.is_alive(), "it never came so far")
        assert self._is_here.is_set()
        return self

    def __exit__(self, *_: object) -> None:
        self._is_over.set()
        self._thread.join(PATIENCE_S)

    def do(self, what: Callable[[], Any]) -> Any:
        """Call a function between two ticks of the watch, and return its result."""
        done: Future[Any] = Future()
        self._wanted.put((what, done))
        return done.result(PATIENCE_S)

    def go_on(self, until_s: float) -> None:
        """Advance the night to this second at once."""
        self.do(lambda: self._pass_to(until_s))

    def flush(self) -> None:
        """Write the samples, as the watch does once a minute."""
        self.do(lambda: self.bench.store.flush())

    def end(self) -> None:
        """End the watch as its service is ended."""
        self.do(lambda: (self._is_over.set(), self.bench.service.stop()))
        self._thread.join()

    def alarms(self) -> dict[str, StandingAlarm]:
        snapshot = self.do(lambda: self.bench.service.watches["lantern"].snapshot())
        return {each.alarm.value: each for each in snapshot.alarms}

    def gauge_pa(self) -> float:
        return float(self.do(lambda: self.bench.service.watches["lantern"].snapshot().reading.gauge_pa))

    def acknowledged(self) -> list[tuple[str, str]]:
        """Return what was acknowledged and by whom, in order, by the record."""
        self.flush()
        with Store.open_read_only(self.record) as store:
            events = store.events(1)
        return [
            (event.alarm.value, event.by_whom)
            for event in events
            if isinstance(event, AlarmEvent) and event.by_whom
        ]

    def _live(self) -> None:
        bench = self.bench
        bench.begin(utc_known=False)
        assert bench.service._mqtt is not None
        bench.service._mqtt._slow_interval_s = 0.0  # each reading, as soon as it is there
        self._pass_to(self._until_s)
        self._is_here.set()
        while not self._is_over.is_set():
            try:
                what, done = self._wanted.get(timeout=0.02)
                done.set_result(what())
            except queue.Empty:
                if time.time() + self._ahead_s >= (bench.clock.now().utc_s or 0.0) + 1.0:
                    bench.run_until(bench.now_s + 1.0)

    def _pass_to(self, night_s: float) -> None:
        self._set_clock(night_s)
        self.bench.run_until(night_s)
        self._set_clock(night_s)

    def _set_clock(self, night_s: float) -> None:
        """Let it be now at that second of the night, by the Pi's own clock."""
        clock = self.bench.clock
        clock.set_utc(time.time() + self._ahead_s - night_s + self.bench.now_s)
