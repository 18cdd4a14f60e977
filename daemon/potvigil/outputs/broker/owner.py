"""Whether another machine publishes the same workshop on this broker, and what it overwrites. Pure.

Each watch names its machine in a retained property of the workshop's device, after its alarms and values. A
running watch hears that and answers with its own name, every 20 s while it hears another: so both know. A
name that is not repeated belongs to a machine that is gone: the card, the Pi or its name changed.

Both go on publishing (decision 120). What one publishes may overwrite the other's alarm or its state; the
other then publishes it again.
"""

import re

from potvigil.outputs.broker.homie_tree import ALERT, OWNER, STANDING, UNSET, Message, topic_base
from potvigil.this_machine import Machine

EVERY_S = 20.0
GONE_S = 90.0  # nothing heard for so long: three answers, each with a tick of 10 s
MOST_OTHERS = 8
_LARGEST = 200  # bytes of a name
_SAID = re.compile(r"(?P<id>[0-9a-f]{8})(?: (?P<name>[A-Za-z0-9.-]{1,64}))?")
_FALSE = b"false"


class Owner:
    """Whose the workshop is. `hear` is for the network thread; times are of the monotonic clock."""

    def __init__(self, workshop: str, machine: Machine, rehearsed: bool) -> None:
        self.name = Message(owner_topic(workshop, rehearsed), f"{machine.id} {machine.name}".encode())
        self._machine, self._rehearsed = machine, rehearsed
        self._others: dict[str, tuple[Machine, float]] = {}  # by id, with when it was heard last
        self._named_s: float | None = None  # when we named ourselves in this connection
        self._is_asked = False

    def begin(self) -> None:
        """Begin a connection."""
        self._named_s, self._is_asked = None, False

    def hear(self, payload: bytes, now_s: float) -> None:
        """Take a live message on the topic; a retained one may be from a machine long gone."""
        said = read(payload)
        if said is None or said.id == self._machine.id:
            return
        if said.id in self._others or len(self._others) < MOST_OTHERS:
            self._others[said.id] = (said, now_s)
            self._is_asked = True

    def answer(self, now_s: float) -> Message | None:
        """Return our name where another is to be answered. Call only once ours was published."""
        if self._named_s is None:
            self._named_s = now_s
        if not self._is_asked or now_s - self._named_s < EVERY_S:
            return None
        self._named_s, self._is_asked = now_s, False
        return self.name

    def other(self, now_s: float) -> Machine | None:
        """Return the other machine, the one heard last; None for none."""
        for said, heard_s in list(self._others.values()):
            if now_s - heard_s >= GONE_S:
                del self._others[said.id]
        return max(self._others.values(), key=lambda each: each[1], default=(None, 0.0))[0]

    def may_clear(self, now_s: float) -> bool:
        """Say whether pots that are not ours are nobody's who is still there and would have answered.

        A rehearsal is over too soon for that, and its pots do not matter.
        """
        has_waited = self._named_s is not None and now_s - self._named_s >= GONE_S
        return self._rehearsed or (has_waited and self.other(now_s) is None)


def owner_topic(workshop: str, rehearsed: bool = False) -> str:
    return f"{topic_base(workshop, None, rehearsed)}/{OWNER}"


def read(payload: bytes) -> Machine | None:
    """Return the machine of a name; None for an invalid name."""
    found = _SAID.fullmatch(payload[: _LARGEST + 1].decode("utf-8", "replace"))
    return None if found is None else Machine(found["id"], found["name"] or "unnamed")


def found(ours: Machine, payload: bytes, state: bytes) -> Machine | None:
    """Return the machine that is there, by the retained name and `$state`; None where it is ours or has gone.

    A broker that lost power may hold an outdated state. Our watch corrects that.
    """
    said = read(payload)
    return said if said is not None and said.id != ours.id and state in (b"init", b"ready") else None


def in_words(workshop: str, other: Machine) -> str:
    """Return the fault, and what to do."""
    return (
        f"the machine {other} publishes there as workshop {workshop} too, so values are now of the one, now "
        "of the other; give one of the two another `workshop:` in its settings, and restart its watch"
    )


def overheard(base: str) -> list[str]:
    """Return the topic filters of what another may wipe out. base: of a device."""
    return [f"{base}/$state", f"{base}{ALERT}+", f"{base}/{STANDING}/+"]


def is_wiped_out(topic: str, ours: bytes | None, heard: bytes) -> bool:
    """Return whether a message overwrites what we last published of an alarm, or of our state."""
    if ours is None or heard == ours:
        return False
    if topic.endswith("/$state"):
        return ours == b"ready" and heard in (b"lost", b"disconnected")
    return ours not in (UNSET, _FALSE) and heard in (UNSET, _FALSE)
