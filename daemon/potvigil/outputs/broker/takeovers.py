"""Whether another client signs in at the broker under our client id: each then puts the other out. Pure.

MQTT 5 names the cause (3.14.2.1, reason 0x8E). Before it the broker only hangs up: three connections in a row
that it took, and ended without a word within a minute, are held to be the same. A broker that restarts, or a
network that fails, also refuses or times out in between.
"""

_SESSION_TAKEN_OVER, _UNSPECIFIED = 0x8E, 0x80  # reason codes of MQTT 5, which the library uses for 3.1.1 too
HELD_S = 60.0  # a connection that lasts so long is nobody else's
_MOST_SHORT = 3


class Takeovers:
    """What the ends of our connections show. Times are of the monotonic clock."""

    def __init__(self) -> None:
        self.fought = False
        self._up_since_s: float | None = None
        self._short = 0

    def up(self, now_s: float) -> None:
        """Take note that a connection is up."""
        self._up_since_s = now_s

    def ended(self, now_s: float, reason: int) -> None:
        """Take note that a connection is over. reason: as MQTT 5 numbers them."""
        since_s, self._up_since_s = self._up_since_s, None
        is_short = since_s is not None and now_s - since_s < HELD_S and reason == _UNSPECIFIED
        self._short = self._short + 1 if is_short else 0
        if reason == _SESSION_TAKEN_OVER or self._short >= _MOST_SHORT:
            self.fought = True

    def failed(self) -> None:
        """Take note that there was no connection at all."""
        self._short = 0

    def is_over(self, now_s: float) -> bool:
        """Say, once, that it was fought over and is no longer."""
        since_s = self._up_since_s
        if not self.fought or since_s is None or now_s - since_s < HELD_S:
            return False
        self.fought, self._short = False, 0
        return True


def in_words(client_id: str) -> str:
    """Return what is wrong, and what to do."""
    return (
        f"another watch signs in there under the same client id, {client_id}, and each puts the other out; "
        "give each machine its own mqtt.client_id, or leave it out, and see that no second watch runs here"
    )
