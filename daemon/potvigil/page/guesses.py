"""Rate limits on password guesses.

Only a network that guesses wrongly has to wait. However many others guess, the right password from a network
without a wrong guess is checked after at most one guess from each of them.
"""

import asyncio
from collections import OrderedDict
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from heapq import heappop, heappush
from itertools import count

# Per network: this many wrong passwords are free, then each doubles the wait.
FREE_TRIES, LONGEST_WAIT_S = 3, 300.0
FORGOTTEN_AFTER_S = 3600.0
_MOST_NETWORKS = 1000


class Throttle:
    """Delays networks that guess passwords. Times are monotonic seconds."""

    def __init__(self) -> None:
        self._tries: OrderedDict[str, tuple[int, float]] = OrderedDict()  # wrong tries, time of the last
        self._known: OrderedDict[str, None] = OrderedDict()  # networks that have sent the right password

    def wait_s(self, network: str, now_s: float) -> float:
        """Return how long this network still has to wait, 0 if it may try."""
        tries, last_s = self._tries.get(network, (0, now_s))
        if tries < FREE_TRIES or now_s - last_s > FORGOTTEN_AFTER_S:
            return 0.0
        wait_s = min(2.0 ** min(tries - FREE_TRIES, 20), LONGEST_WAIT_S)
        return max(last_s + wait_s - now_s, 0.0)

    def rank(self, network: str) -> int:
        """Return this network's priority in the queue, the lowest first."""
        return self._tries.get(network, (-1 if network in self._known else 0, 0.0))[0]

    def failed(self, network: str, now_s: float) -> None:
        tries, last_s = self._tries.pop(network, (0, now_s))
        self._tries[network] = (1 if now_s - last_s > FORGOTTEN_AFTER_S else tries + 1), now_s
        if len(self._tries) > _MOST_NETWORKS:
            self._tries.popitem(last=False)

    def succeeded(self, network: str) -> None:
        self._tries.pop(network, None)
        self._known[network] = None
        self._known.move_to_end(network)
        if len(self._known) > _MOST_NETWORKS:
            self._known.popitem(last=False)


class OneAtATime:
    """Checks one guess at a time, as each costs 16 MB and much of a core; a network may queue only one."""

    def __init__(self) -> None:
        self._waiting: list[tuple[int, int, asyncio.Future[None]]] = []
        self._number = count()
        self._taken = False
        self._networks: set[str] = set()

    def holds(self, network: str) -> bool:
        """Return whether a guess from this network is being checked or queued."""
        return network in self._networks

    @asynccontextmanager
    async def turn(self, network: str, rank: int) -> AsyncIterator[None]:
        """Wait for this guess's turn: the lowest rank first, then first come, first served."""
        self._networks.add(network)
        try:
            if self._taken:
                called = asyncio.get_running_loop().create_future()
                heappush(self._waiting, (rank, next(self._number), called))
                try:
                    await called
                except asyncio.CancelledError:
                    if called.done() and not called.cancelled():
                        self._call_next()
                    raise
            self._taken = True
            try:
                yield
            finally:
                self._call_next()
        finally:
            self._networks.discard(network)

    def _call_next(self) -> None:
        while self._waiting:
            _, _, called = heappop(self._waiting)
            if not called.done():
                called.set_result(None)
                return  # stays taken, now by that one
        self._taken = False
