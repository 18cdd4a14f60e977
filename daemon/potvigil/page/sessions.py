"""Who asks: browsers that are logged in, and those that have to wait."""

import hashlib
import hmac
import ipaddress
import re
import secrets
import threading
from collections import OrderedDict

SESSION_S = 30 * 86_400
_MOST_SESSIONS = 200

# Of one address: this many wrong passwords are free, then each doubles the wait. Of all together: more are
# free and the wait stays short, so that a stranger who guesses cannot keep the owner out.
FREE_TRIES, LONGEST_WAIT_S = 3, 300.0
FREE_TRIES_OF_ALL, LONGEST_WAIT_OF_ALL_S = 20, 10.0
FORGOTTEN_AFTER_S = 3600.0
_MOST_ADDRESSES = 1000


class Throttle:
    """Makes whoever guesses passwords wait. Times are any seconds that do not run backwards."""

    def __init__(self) -> None:
        self._of: OrderedDict[str, tuple[int, float]] = OrderedDict()  # tries, the last one's time
        self._all: tuple[int, float] = (0, 0.0)

    def wait_s(self, address: str, now_s: float) -> float:
        """Return how long this address still has to wait, 0 when it may try."""
        of_one = _left_s(self._of.get(_network(address)), now_s, FREE_TRIES, LONGEST_WAIT_S)
        return max(of_one, _left_s(self._all, now_s, FREE_TRIES_OF_ALL, LONGEST_WAIT_OF_ALL_S))

    def failed(self, address: str, now_s: float) -> None:
        network = _network(address)
        self._of[network] = _one_more(self._of.get(network), now_s)
        self._of.move_to_end(network)
        if len(self._of) > _MOST_ADDRESSES:
            self._of.popitem(last=False)
        self._all = _one_more(self._all, now_s)

    def succeeded(self, address: str) -> None:
        self._of.pop(_network(address), None)


def _one_more(known: tuple[int, float] | None, now_s: float) -> tuple[int, float]:
    fresh = known is None or now_s - known[1] > FORGOTTEN_AFTER_S
    return (1 if known is None or fresh else known[0] + 1), now_s


def _left_s(known: tuple[int, float] | None, now_s: float, free: int, longest_s: float) -> float:
    if known is None or known[0] < free or now_s - known[1] > FORGOTTEN_AFTER_S:
        return 0.0
    wait_s = min(2.0 ** min(known[0] - free, 20), longest_s)
    return max(known[1] + wait_s - now_s, 0.0)


def _network(address: str) -> str:
    """Return the address, or of IPv6 its /64, of which one household has every single one."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return address
    return str(ipaddress.ip_network((ip, 64), strict=False)) if ip.version == 6 else address


class Visitors:
    """Knows browsers by a random cookie, which of them are logged in, and the token of each.

    Nothing of it outlives the process: after a restart one logs in again.
    """

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)
        self._open_until_s: OrderedDict[str, float] = OrderedDict()
        self._lock = threading.Lock()

    @staticmethod
    def new() -> str:
        return secrets.token_urlsafe(32)

    @staticmethod
    def is_one(text: str) -> bool:
        return re.fullmatch(r"[A-Za-z0-9_-]{43}", text) is not None

    def token(self, visitor: str) -> str:
        """Return what each form of this browser carries."""
        return hmac.new(self._key, visitor.encode(), hashlib.sha256).hexdigest()

    def holds(self, visitor: str, token: str) -> bool:
        return hmac.compare_digest(self.token(visitor).encode(), token.encode("utf-8", "replace"))

    def log_in(self, now_s: float) -> str:
        """Return a new cookie for a browser that knew the password."""
        visitor = self.new()
        self._open_until_s[visitor] = now_s + SESSION_S
        if len(self._open_until_s) > _MOST_SESSIONS:
            self._open_until_s.popitem(last=False)
        return visitor

    def log_out(self, visitor: str) -> None:
        self._open_until_s.pop(visitor, None)

    def is_logged_in(self, visitor: str, now_s: float) -> bool:
        return self._open_until_s.get(visitor, float("-inf")) > now_s
