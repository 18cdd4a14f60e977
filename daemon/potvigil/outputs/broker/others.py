"""Other clients at the broker that act as this watch: with our client id, or our workshop's topics.

Each is logged once, and is in `trouble` as long as it lasts. `hear`, `up`, `ended` and
`failed` are for the network thread, the rest for the thread of the loop; times are of the monotonic clock.
"""

import logging
from collections import deque
from collections.abc import Iterable

from potvigil.outputs.broker import homie_moments, owner, takeovers
from potvigil.outputs.broker.homie_tree import Message, topic_base
from potvigil.this_machine import Machine

_log = logging.getLogger("potvigil.mqtt")
_MOST_OVERHEARD = 1000


class Others:
    """What is known of them. where: the broker, in words."""

    def __init__(
        self,
        where: str,
        client_id: str,
        workshop: str,
        pot_ids: Iterable[str],
        machine: Machine,
        rehearsed: bool,
    ) -> None:
        self._where, self._client_id = where, client_id
        self._workshop, self._rehearsed = workshop, rehearsed
        devices = [topic_base(workshop, pot_id, rehearsed) for pot_id in (*pot_ids, None)]
        self._own = [each for device in devices for each in owner.overheard(device)]
        self._owner = owner.Owner(workshop, machine, rehearsed)
        self.name = self._owner.name
        self._takeovers = takeovers.Takeovers()
        self._overheard: deque[tuple[str, bytes]] = deque(maxlen=_MOST_OVERHEARD)
        self._is_fight_told = False
        self._other: Machine | None = None

    def filters(self) -> list[str]:
        """Return the topic filters of what `hear` takes."""
        return [self.name.topic, *self._own]

    def begin(self) -> None:
        """Begin a connection."""
        self._overheard.clear()
        self._owner.begin()

    def hear(self, topic: str, payload: bytes, retained: bool, now_s: float) -> None:
        """Take a live message. Retained ones say nothing about who is there now."""
        if retained:
            return
        if topic == self.name.topic:
            self._owner.hear(payload, now_s)
        else:
            self._overheard.append((topic, payload))

    def wiped_out(self, sent: dict[str, bytes]) -> list[str]:
        """Return the topics published in this connection that must be published again."""
        found = []
        while self._overheard:
            topic, heard = self._overheard.popleft()
            if owner.is_wiped_out(topic, sent.get(topic), heard):
                found.append(topic)
        return found

    def due(self, now_s: float) -> list[Message]:
        """Return the answer to another machine, and the report of it when it is first heard.

        Call once `name` and everything before it was published in a connection.
        """
        answer = self._owner.answer(now_s)
        due = [] if answer is None else [answer]
        before, self._other = self._other, self._owner.other(now_s)
        if self._other is not None and before is None:
            words = owner.in_words(self._workshop, self._other)
            _log.warning("%s: %s; both go on publishing", self._where, words)
            due.append(homie_moments.shared(self._workshop, words, self._rehearsed))
        return due

    def has_gone(self, now_s: float) -> bool:
        """Return, once, that no other machine is there any more: its leftovers are to be overwritten."""
        if self._other is None or self._owner.other(now_s) is not None:
            return False
        _log.info("%s: %s no longer publishes as workshop %s", self._where, self._other, self._workshop)
        self._other = None
        return True

    def may_clear(self, now_s: float) -> bool:
        """Return whether pots that are not ours belong to no machine still there."""
        return self._owner.may_clear(now_s)

    @property
    def is_fight(self) -> bool:
        """Whether another client keeps disconnecting us."""
        return self._takeovers.fought

    @property
    def trouble(self) -> str | None:
        """The fault, and what to do; None where there is no other client."""
        if self.is_fight:
            return takeovers.in_words(self._client_id)
        return None if self._other is None else owner.in_words(self._workshop, self._other)

    def up(self, now_s: float) -> None:
        self._takeovers.up(now_s)

    def failed(self) -> None:
        self._takeovers.failed()

    def ended(self, now_s: float, reason: int) -> None:
        """Note that the broker ended a connection. reason: as numbered by MQTT 5."""
        self._takeovers.ended(now_s, reason)
        if self.is_fight and not self._is_fight_told:
            words = takeovers.in_words(self._client_id)
            _log.warning("%s: %s; monitoring continues, and the connection is retried", self._where, words)
            self._is_fight_told = True

    def is_fight_over(self, now_s: float) -> bool:
        """Return, once, that we are no longer disconnected by another."""
        if not self._takeovers.is_over(now_s):
            return False
        _log.info("%s: no other watch signs in as %s any more", self._where, self._client_id)
        self._is_fight_told = False
        return True
