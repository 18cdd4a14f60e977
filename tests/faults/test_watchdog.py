"""A hung watch is killed and restarted, nothing else is; a dead one is reported. A stand-in plays systemd.

Rules: sd_notify(3), systemd.service(5): READY within TimeoutStartSec, which EXTEND_TIMEOUT_USEC prolongs,
then WATCHDOG within each WatchdogSec, or the process is killed (SIGABRT) and restarted. Times are cut to a
tenth.
"""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from broker import Broker
from killed import PROGRAM
from patience import PATIENCE_S, wait_until
from potvigil.live_reader import LiveReader
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench

WATCHDOG_S = 3.0


class Manager:
    """Starts a program, and restarts it when it ends or falls silent. A context manager."""

    def __init__(self, folder: Path, command: list[str]) -> None:
        self._folder, self._command = folder, command
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(folder / "notify"))
        self._socket.settimeout(0.1)
        self._ending = False
        self.pings: list[float] = []
        self.starts = 0
        self.ended_by_us = 0
        self.process: subprocess.Popen[bytes]
        self._thread = threading.Thread(target=self._manage)

    def __enter__(self) -> "Manager":
        self._thread.start()
        wait_until(lambda: len(self.pings) > 2, "it never began to watch")
        return self

    def __exit__(self, *_: object) -> None:
        self._ending = True
        self._thread.join()
        self.process.kill()
        self.process.wait()
        self._socket.close()

    def _manage(self) -> None:
        while not self._ending:
            env = {**os.environ, "NOTIFY_SOCKET": str(self._folder / "notify")}
            with (self._folder / "said").open("ab") as said:
                self.process = subprocess.Popen(self._command, env=env, stdout=said, stderr=said)
            self.starts += 1
            self._follow()

    def _follow(self) -> None:
        allowed_until_s, is_ready = time.monotonic() + PATIENCE_S, False
        while not self._ending and self.process.poll() is None:
            try:
                lines = self._socket.recv(4096).decode().splitlines()
            except TimeoutError:
                lines = []
            is_ready |= "READY=1" in lines
            if is_ready and "WATCHDOG=1" in lines:
                self.pings.append(time.monotonic())
            if lines and is_ready:
                allowed_until_s = time.monotonic() + WATCHDOG_S
            if time.monotonic() > allowed_until_s:
                self.ended_by_us += 1
                self.process.send_signal(signal.SIGABRT)
                self.process.wait()


def watch(folder: Path, *options: str) -> Manager:
    command = [sys.executable, str(PROGRAM), str(folder), "--speed", "10", "--from-s", "3000", *options]
    return Manager(folder, command)


def last_sample_s(folder: Path) -> float:
    with Store.open_read_only(folder / "record.db") as store:
        sample = store.last_sample("lantern")
    return 0.0 if sample is None else sample.t_s


def test_a_hung_loop_is_killed_and_the_next_watch_continues(tmp_path):
    with watch(tmp_path) as manager:
        hung_s = time.monotonic()
        (tmp_path / "hang").touch()
        wait_until(lambda: manager.ended_by_us == 1, "nobody noticed")
        assert time.monotonic() - hung_s < WATCHDOG_S + 2.0
        (tmp_path / "hang").unlink()
        pings = len(manager.pings)
        wait_until(lambda: len(manager.pings) > pings + 5, "it did not come back")
        assert manager.starts == 2


@pytest.mark.parametrize(
    "trouble", ["a killed watch", "a broker that is unreachable", "a record that is gone"]
)
def test_only_a_hung_loop_is_killed(trouble, tmp_path):
    options = ["--mqtt", "9"] if trouble == "a broker that is unreachable" else []
    with watch(tmp_path, *options) as manager:
        if trouble == "a killed watch":
            manager.process.kill()
        elif trouble == "a record that is gone":
            for part in tmp_path.glob("record.db*"):
                part.unlink()
        pings, begun_s = len(manager.pings), time.monotonic()
        wait_until(lambda: len(manager.pings) > pings + 8, "it fell silent")
        assert manager.ended_by_us == 0
        assert manager.starts == (2 if trouble == "a killed watch" else 1)
        if trouble == "a killed watch":
            assert manager.pings[pings] - begun_s < 10.0


def test_replaying_days_asks_the_manager_for_more_time(tmp_path, monkeypatch):
    bench = Bench(NIGHTS["slow-lid-leak"], tmp_path)
    bench.begin()
    bench.run_until(6 * 3600.0)
    bench.power_cut()
    heard: list[bytes] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(0.2)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        bench.begin("boot-2", boot_at_s=bench.now_s)
        while not heard or not heard[-1].startswith(b"READY"):
            heard.append(manager.recv(1000))
    assert heard.count(b"EXTEND_TIMEOUT_USEC=60000000") >= 1
    assert heard[:-1] == [b"EXTEND_TIMEOUT_USEC=60000000"] * (len(heard) - 1)


def test_a_dead_watch_shows_on_the_broker_and_the_page(tmp_path):
    """Dead man's switch: last will (Homie 5: $state lost), a file that grows old; and the lamp, below."""
    state = "potvigil-rehearsal/5/harbour-models/$state"
    with Broker(tmp_path / "broker") as broker, broker.listen(state) as listener:
        command = [sys.executable, str(PROGRAM), str(tmp_path), "--speed", "1", "--mqtt", str(broker.port)]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        try:
            listener.wait_for(state, b"ready")
            reader = LiveReader(tmp_path / "live.json")
            assert not reader.read()[1]
            killed_s = time.monotonic()
            process.kill()
            listener.wait_for(state, b"lost")
            assert time.monotonic() - killed_s < 5.0
            wait_until(lambda: reader.read()[1], "the page still takes it for alive")
            assert time.monotonic() - killed_s < 8.0
        finally:
            process.kill()
            process.wait()


class Lamp:
    """The lamp of a watch in a separate process, seen from outside. A context manager."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, str(PROGRAM), str(folder), "--speed", "1", "--from-s", "3000", "--lamp"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE)
        self.changes: list[tuple[float, bool]] = []  # when, lit
        self._thread = threading.Thread(target=self._look)

    def __enter__(self) -> "Lamp":
        self._thread.start()
        wait_until(lambda: self.is_beating(since_s=0.0), "the lamp never began to beat")
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        self._thread.join()

    def _look(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as said:
            for line in said:
                if line.startswith(b"lamp "):
                    self.changes.append((time.monotonic(), line == b"lamp 1\n"))

    def is_beating(self, since_s: float) -> bool:
        return sum(lit for at_s, lit in self.changes if at_s > since_s) >= 2


def test_the_lamp_of_a_hung_watch_goes_dark_and_beats_again_once_it_recovers(tmp_path):
    with Lamp(tmp_path) as lamp:
        (tmp_path / "hang").touch()
        hung_s = time.monotonic()
        # leave for two ticks and two seconds, and the tick that was under way
        time.sleep(6.0)
        assert not lamp.changes[-1][1]
        assert lamp.changes[-1][0] - hung_s < 5.5
        still = len(lamp.changes)
        time.sleep(2.5)
        assert len(lamp.changes) == still
        (tmp_path / "hang").unlink()
        mended_s = time.monotonic()
        wait_until(lambda: lamp.is_beating(mended_s), "the lamp stayed dark")


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_the_lamp_of_a_dead_watch_stops(how, tmp_path):
    with Lamp(tmp_path) as lamp:
        lamp.process.send_signal(how)
        time.sleep(0.5)
        still = len(lamp.changes)
        time.sleep(3.0)
        assert len(lamp.changes) == still
    with Lamp(tmp_path):
        pass  # and the next watch beats
