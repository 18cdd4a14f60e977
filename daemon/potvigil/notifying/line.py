"""The line to one target: one message at a time, each in its own thread and with a time limit.

There is no queue. While a message is being sent no other is accepted; what falls due meanwhile goes into one
later message. So a target that was unreachable gets one up-to-date message when it is back.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

# Longer than the libraries' own limits, and than a resolver takes to try all its servers.
LIMIT_S = 30.0
# The wait after a failure: at first, and the longest, doubled each time.
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 600.0
# A thread cannot be killed: once so many hang, nothing is tried until one returns.
MOST_HANGING = 3
_LONGEST_FAULT = 200
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Sent(Generic[T]):
    """The result of a message. fault: why it failed, None where it was accepted."""

    what: T
    fault: str | None


class Line(Generic[T]):
    """Not thread-safe. send: delivers, or raises with a text that may be shown.

    retry: whether to back off after failures. clock: monotonic, s.
    """

    def __init__(
        self,
        send: Callable[[T], None],
        *,
        limit_s: float = LIMIT_S,
        retry: bool = True,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._send, self._limit_s, self._retry, self._clock = send, limit_s, retry, clock
        self._job: _Job[T] | None = None
        self._hanging: list[_Job[T]] = []
        self._wait_s, self._again_s = FIRST_WAIT_S, float("-inf")
        self.fault: str | None = None  # of the last try

    @property
    def is_free(self) -> bool:
        """Whether something can be sent now; see also `is_resting`."""
        self._hanging = [job for job in self._hanging if not job.is_over]
        return self._job is None and len(self._hanging) < MOST_HANGING

    @property
    def is_resting(self) -> bool:
        """Whether it is backing off after a failure; only new alarms are sent then."""
        return self._clock() < self._again_s

    @property
    def is_busy(self) -> bool:
        """Whether a message is being sent."""
        return self._job is not None

    def start(self, what: T) -> None:
        """Start sending a message; call only if the line is free."""
        self._job = _Job(self._send, what, self._clock())

    def take(self) -> Sent[T] | None:
        """Return the result of the last message, once; None while unknown."""
        job = self._job
        if job is None:
            return None
        if job.is_over:
            fault = job.fault
        elif self._clock() - job.started_s >= self._limit_s:
            fault = f"no answer within {self._limit_s:g} s"
            self._hanging.append(job)
        else:
            return None
        self._job, self.fault = None, fault
        if fault is None:
            self._wait_s, self._again_s = FIRST_WAIT_S, float("-inf")
        elif self._retry:
            self._again_s = self._clock() + self._wait_s
            self._wait_s = min(2.0 * self._wait_s, LONGEST_WAIT_S)
        return Sent(job.what, fault)


class _Job(Generic[T]):
    """One message being sent."""

    def __init__(self, send: Callable[[T], None], what: T, started_s: float) -> None:
        self.what, self.started_s = what, started_s
        self.is_over = False
        self.fault: str | None = None
        # a daemon thread: a hung one does not delay the end of the process
        threading.Thread(target=self._run, args=(send,), daemon=True).start()

    def _run(self, send: Callable[[T], None]) -> None:
        try:
            send(self.what)
        except Exception as error:  # whatever it is, the line must go on
            self.fault = (" ".join(str(error).split()) or type(error).__name__)[:_LONGEST_FAULT]
        self.is_over = True
