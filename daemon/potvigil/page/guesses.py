"""Guesses at the password: who has to wait, and whose turn it is.

Only who guesses wrongly waits. However many others guess, a right password from an address that has not
guessed wrongly is looked at after one guess of each of them at most.
"""

import asyncio
from collections import OrderedDict
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from heapq import heappop, heappush
from itertools import count

# Of one network: this many wrong passwords are free, then each doubles the wait.
FREE_TRIES, LONGEST_WAIT_S = 3, 300.0
FORGOTTEN_AFTER_S = 3600.0
_MOST_NETWORKS = 1000


class Throttle:
    """Makes whoever guesses passwords wait. Times are any seconds that do not run backwards."""

    def __init__(self) -> None:
        self._of: OrderedDict[str, tuple[int, float]] = OrderedDict()  # tries, the last one's time
        self._known: OrderedDict[str, None] = OrderedDict()  # networks that knew the password

    def wait_s(self, network: str, now_s: float) -> float:
        """Return how long this network still has to wait, 0 when it may try."""
        tries, last_s = self._of.get(network, (0, now_s))
        if tries < FREE_TRIES or now_s - last_s > FORGOTTEN_AFTER_S:
            return 0.0
        wait_s = min(2.0 ** min(tries - FREE_TRIES, 20), LONGEST_WAIT_S)
        return max(last_s + wait_s - now_s, 0.0)

    def rank(self, network: str) -> int:
        """Return in which order guesses are looked at, the lowest first."""
        return self._of.get(network, (-1 if network in self._known else 0, 0.0))[0]

    def failed(self, network: str, now_s: float) -> None:
        tries, last_s = self._of.pop(network, (0, now_s))
        self._of[network] = (1 if now_s - last_s > FORGOTTEN_AFTER_S else tries + 1), now_s
        if len(self._of) > _MOST_NETWORKS:
            self._of.popitem(last=False)

    def succeeded(self, network: str) -> None:
        self._of.pop(network, None)
        self._known[network] = None
        self._known.move_to_end(network)
        if len(self._known) > _MOST_NETWORKS:
            self._known.popitem(last=False)


class OneAtATime:
    """Lets one guess in at a time, for each costs 16 MB and a good part of a core; of a network one waits."""

    def __init__(self) -> None:
        self._waiting: list[tuple[int, int, asyncio.Future[None]]] = []
        self._number = count()
        self._taken = False
        self._networks: set[str] = set()

    def holds(self, network: str) -> bool:
        """Return whether a guess of this network is looked at, or waits to be."""
        return network in self._networks

    @asynccontextmanager
    async def turn(self, network: str, rank: int) -> AsyncIterator[None]:
        """Wait until it is this one's turn: the lowest rank first, then who came first."""
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
                return  # it stays taken, by that one
        self._taken = False
