"""The line to one target: one thing is sent at a time, each in a thread of its own and with a time limit.

There is no queue. While something is on its way nothing more is taken; what is due by then is put into one
newer message. So a target that was away gets one message when it is back, in the words of that moment.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

# Longer than the libraries' own limits, and than a resolver that tries its servers in turn.
LIMIT_S = 30.0
# After a failure: so long at first, twice as long each time.
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 600.0
# A thread cannot be ended from outside: so many may hang, then nothing is tried until one is back.
MOST_HANGING = 3
_LONGEST_FAULT = 200
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Sent(Generic[T]):
    """What became of something that was sent. fault: why it failed, None where it was taken."""

    what: T
    fault: str | None


class Line(Generic[T]):
    """All methods are for one thread. send: delivers, or raises with a text that may be shown.

    retry: whether a try after a failure waits longer and longer. clock: monotonic, s.
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
        """Whether it waits after a failure, with everything that is not new."""
        return self._clock() < self._again_s

    @property
    def is_busy(self) -> bool:
        """Whether something is on its way."""
        return self._job is not None

    def start(self, what: T) -> None:
        """Send something, where the line is free."""
        self._job = _Job(self._send, what, self._clock())

    def take(self) -> Sent[T] | None:
        """Return what became of what was sent, once; None while that is not known."""
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
    """One thing on its way."""

    def __init__(self, send: Callable[[T], None], what: T, started_s: float) -> None:
        self.what, self.started_s = what, started_s
        self.is_over = False
        self.fault: str | None = None
        # as a daemon: one that hangs does not hold up the end of the process
        threading.Thread(target=self._run, args=(send,), daemon=True).start()

    def _run(self, send: Callable[[T], None]) -> None:
        try:
            send(self.what)
        except Exception as error:  # whatever it is, the line goes on
            self.fault = (" ".join(str(error).split()) or type(error).__name__)[:_LONGEST_FAULT]
        self.is_over = True
