"""The heartbeat: an address that is fetched every minute while the watch is well.

The service behind it (a public one, or another machine of the user's) raises the alarm when that stops, even
if this machine, its power or the local network is gone, which cannot be reported from here.
"""

import time
import urllib.error
import urllib.request
from collections.abc import Callable

from potvigil.model.events import AlarmId, AlarmState, Priority
from potvigil.notifying.line import Line
from potvigil.notifying.schedule import THE_WATCH, Situation

PERIOD_S = 60.0
_TIMEOUT_S = 10.0
_MOST_READ = 1000
# Networks lose a request now and then: only two in a row are a failure.
_FAULTS_TOLERATED = 1


class Heartbeat:
    """url: fetched while the watch is well. fail_url: while it is silent or a high alarm unacknowledged."""

    def __init__(self, url: str, fail_url: str | None, clock: Callable[[], float] = time.monotonic) -> None:
        self._url, self._fail_url, self._clock = url, fail_url, clock
        self._line: Line[str] = Line(fetch, retry=False, clock=clock)
        self._due_s = float("-inf")
        self._last: str | None = None
        self._faults = 0
        self.fault: str | None = None

    def look(self, now: Situation) -> None:
        """Fetch what is due."""
        sent = self._line.take()
        if sent is not None:
            self._faults = 0 if sent.fault is None else self._faults + 1
            self.fault = sent.fault if self._faults > _FAULTS_TOLERATED else None
        url = self._wanted(now)
        is_due = self._clock() >= self._due_s or url != self._last
        if url is not None and is_due and self._line.is_free:
            self._line.start(url)
            self._due_s, self._last = self._clock() + PERIOD_S, url

    def _wanted(self, now: Situation) -> str | None:
        if now.rehearsed:
            return None
        is_alarming = any(
            each.priority is Priority.HIGH
            and each.state is AlarmState.UNACKNOWLEDGED
            and each.alarm is not AlarmId.TEST
            for alarms in now.standing.values()
            for each in alarms
        )
        if is_alarming and self._fail_url is not None:
            return self._fail_url
        return self._url if now.standing.get(THE_WATCH) == () else None


def fetch(url: str) -> None:
    """Fetch an address. Raises with a text that does not show it."""
    request = urllib.request.Request(url, headers={"User-Agent": "potvigil"})
    try:
        with urllib.request.urlopen(request, timeout=_TIMEOUT_S) as answer:
            answer.read(_MOST_READ)
    except urllib.error.HTTPError as error:
        raise OSError(f"the server answered {error.code}") from None
    except urllib.error.URLError as error:
        raise OSError(str(getattr(error.reason, "strerror", None) or error.reason)) from None
