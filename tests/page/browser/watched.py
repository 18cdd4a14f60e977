"""A night with watch and page in separate processes, as on a real machine."""

import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

from playwright.sync_api import Page

from broker import free_port
from patience import PATIENCE_S, wait_in, wait_until
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS

WATCH = Path(__file__).with_name("watch_a_night.py")
PAGE = [sys.executable, "-m", "potvigil", "page"]
NIGHT = "lost-before-gel"  # a seal fails after 40 min: early enough to reach quickly
POT = "lantern"
CALM_S, ALARMED_S = 2250.0, 3000.0  # into the night: before the leak, and long after its alarm

# Options for a browser context.
PHONE: dict[str, Any] = {
    "viewport": {"width": 360, "height": 740},
    "has_touch": True,
    "is_mobile": True,
    "device_scale_factor": 2,
}
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 800}}


def until(page: Page, expression: str) -> None:
    """Wait until an expression holds, by polling: our pages' CSP forbids wait_for_function."""
    wait_in(page, lambda: page.evaluate(expression), expression)


def answers(url: str, process: "subprocess.Popen[bytes]", log: Callable[[], str] = str) -> bool:
    """Return whether a page answers at all. log: of its process, which must still be running."""
    try:
        urllib.request.urlopen(f"{url}/login", timeout=PATIENCE_S).close()
    except urllib.error.HTTPError:
        return True
    except OSError:
        assert process.poll() is None, log()
        return False
    return True


class Watched:
    """The night from `from_s` on; it runs after `go`. url: the page's. A context manager."""

    def __init__(
        self,
        folder: Path,
        from_s: float,
        speed: float,
        *,
        mqtt_port: int = 0,
        password: str = "",
        night: str = NIGHT,
    ) -> None:
        self.folder = folder
        self.record = folder / "record.db"
        port = free_port()
        self.url = f"http://127.0.0.1:{port}"
        settings = folder / "workshop.yaml"
        folder.mkdir(parents=True, exist_ok=True)
        settings.write_text(
            f"{NIGHTS[night].settings_yaml}record: {{file: {self.record}}}\n"
            f"page:\n  port: {port}\n  live: {folder / 'live.json'}\n"
            + ("  password_file: page-password\n" if password else "")
        )
        if password:
            hashing = [*PAGE, "password", "--out", str(folder / "page-password")]
            subprocess.run(hashing, input=f"{password}\n", text=True, check=True, capture_output=True)
        numbers = [str(from_s), str(speed), str(mqtt_port)]
        self._log = (folder / "page.log").open("wb")
        self.watch = subprocess.Popen(
            [sys.executable, str(WATCH), night, str(folder), *numbers],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.watch.stdout is not None
        assert self.watch.stdout.readline() == "ready\n"
        self._page_command = [*PAGE, "--config", str(settings)]
        self.page = self._started_page()

    def restart_page(self) -> None:
        """Start the page again, and wait until it answers."""
        self.page = self._started_page()
        self._wait_for_page()

    def _started_page(self) -> "subprocess.Popen[bytes]":
        return subprocess.Popen(self._page_command, stdout=self._log, stderr=subprocess.STDOUT)

    def __enter__(self) -> Self:
        try:
            self._wait_for_page()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        for process in (self.watch, self.page):
            process.kill()
            process.wait(PATIENCE_S)
        self._log.close()

    def go(self) -> None:
        """Let the watch continue, and wait for its live file."""
        assert self.watch.stdin is not None
        self.watch.stdin.write("go\n")
        self.watch.stdin.flush()
        wait_until((self.folder / "live.json").exists, "the watch has not gone on")

    def kill(self, process: "subprocess.Popen[str] | subprocess.Popen[bytes]") -> None:
        """Kill a process, as a power cut would."""
        process.send_signal(signal.SIGKILL)
        process.wait(PATIENCE_S)

    def open_record(self) -> Store:
        """Open the record for reading; the caller closes it."""
        return Store.open_read_only(self.record)

    def _wait_for_page(self) -> None:
        def log() -> str:
            return (self.folder / "page.log").read_text()

        wait_until(lambda: answers(self.url, self.page, log), lambda: f"no page: {log()}")
