"""Whether another client signs in at the broker with our client id: each then disconnects the other. Pure.

MQTT 5 names the cause (3.14.2.1, reason 0x8E). Older versions only hang up: three accepted connections in a
row that end without a reason within a minute count as the same. A restarting broker or a failing network also
refuses or times out in between.
"""

_SESSION_TAKEN_OVER, _UNSPECIFIED = 0x8E, 0x80  # reason codes of MQTT 5, which the library uses for 3.1.1 too
HELD_S = 60.0  # a connection that lasts so long is not contested
_MOST_SHORT = 3


class Takeovers:
    """Judges the ends of our connections. Times are of the monotonic clock."""

    def __init__(self) -> None:
        self.fought = False
        self._up_since_s: float | None = None
        self._short = 0

    def up(self, now_s: float) -> None:
        """Note that a connection is up."""
        self._up_since_s = now_s

    def ended(self, now_s: float, reason: int) -> None:
        """Note that a connection is over. reason: as numbered by MQTT 5."""
        since_s, self._up_since_s = self._up_since_s, None
        is_short = since_s is not None and now_s - since_s < HELD_S and reason == _UNSPECIFIED
        self._short = self._short + 1 if is_short else 0
        if reason == _SESSION_TAKEN_OVER or self._short >= _MOST_SHORT:
            self.fought = True

    def failed(self) -> None:
        """Note that there was no connection at all."""
        self._short = 0

    def is_over(self, now_s: float) -> bool:
        """Return, once, that the client id was contested and no longer is."""
        since_s = self._up_since_s
        if not self.fought or since_s is None or now_s - since_s < HELD_S:
            return False
        self.fought, self._short = False, 0
        return True


def in_words(client_id: str) -> str:
    """Return the fault, and what to do."""
    return (
        f"another watch signs in there under the same client id, {client_id}, and each disconnects the "
        "other; give each machine its own mqtt.client_id, or leave it out, and make sure no second watch "
        "runs here"
    )
