"""Whether another machine tells of the same workshop on this broker, and what it spoils. Pure.

Each watch names its machine in a retained property of the workshop's device, after its alarms and values. A
watch that is there hears that and names its own in answer, every 20 s while it hears another: so both
know. A name that nobody repeats is of a machine that is no more: the card, the Pi or its name changed.

Both go on publishing (decision 120). What one says may wipe out what the other has said: an alarm, or that it
is there. Whoever hears that says it again.
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
        """Take what is just being said on the topic; what is retained there may be of a machine long gone."""
        said = read(payload)
        if said is None or said.id == self._machine.id:
            return
        if said.id in self._others or len(self._others) < MOST_OTHERS:
            self._others[said.id] = (said, now_s)
            self._is_asked = True

    def answer(self, now_s: float) -> Message | None:
        """Return our name where another is to be answered. To be called first once it was told at all."""
        if self._named_s is None:
            self._named_s = now_s
        if not self._is_asked or now_s - self._named_s < EVERY_S:
            return None
        self._named_s, self._is_asked = now_s, False
        return self.name

    def other(self, now_s: float) -> Machine | None:
        """Return the machine that is there beside us, the one heard last; None for none."""
        for said, heard_s in list(self._others.values()):
            if now_s - heard_s >= GONE_S:
                del self._others[said.id]
        return max(self._others.values(), key=lambda each: each[1], default=(None, 0.0))[0]

    def may_clear(self, now_s: float) -> bool:
        """Say whether pots that are not ours are nobody's who is still there and would have answered.

        A rehearsal is over too soon for that, and its pots are nobody's loss.
        """
        has_waited = self._named_s is not None and now_s - self._named_s >= GONE_S
        return self._rehearsed or (has_waited and self.other(now_s) is None)


def owner_topic(workshop: str, rehearsed: bool = False) -> str:
    return f"{topic_base(workshop, None, rehearsed)}/{OWNER}"


def read(payload: bytes) -> Machine | None:
    """Return the machine that is named; None where it is no such name."""
    found = _SAID.fullmatch(payload[: _LARGEST + 1].decode("utf-8", "replace"))
    return None if found is None else Machine(found["id"], found["name"] or "unnamed")


def found(ours: Machine, payload: bytes, state: bytes) -> Machine | None:
    """Return the machine that is there, by the retained name and `$state`; None where it is ours or has gone.

    A broker that lost power may hold a state that is no longer so. Our watch sets that right.
    """
    said = read(payload)
    return said if said is not None and said.id != ours.id and state in (b"init", b"ready") else None


def in_words(workshop: str, other: Machine) -> str:
    """Return what is wrong, and what to do."""
    return (
        f"the machine {other} publishes there as workshop {workshop} too, so values are now of the one, now "
        "of the other; give one of the two another `workshop:` in its settings, and restart its watch"
    )


def overheard(base: str) -> list[str]:
    """Return the topic filters of what another may wipe out. base: of a device."""
    return [f"{base}/$state", f"{base}{ALERT}+", f"{base}/{STANDING}/+"]


def is_wiped_out(topic: str, ours: bytes | None, heard: bytes) -> bool:
    """Say whether what was heard is not what we said last of an alarm, or of being there."""
    if ours is None or heard == ours:
        return False
    if topic.endswith("/$state"):
        return ours == b"ready" and heard in (b"lost", b"disconnected")
    return ours not in (UNSET, _FALSE) and heard in (UNSET, _FALSE)
