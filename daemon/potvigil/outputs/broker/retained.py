"""What is on the broker besides values: the descriptions, and leftovers of an earlier run. Pure."""

from collections.abc import Mapping

from potvigil.model.pot import Pot
from potvigil.outputs.broker import discovery, homie_description
from potvigil.outputs.broker.homie_tree import Message

_MOST_FOUND = 100  # devices, and messages to home automation, of one workshop


class Retained:
    """The descriptions with their versions, and the discovery messages.

    In each connection: `begin`, `hear` what the filters find; then `before`, `after`, `leftovers`, once each.
    prefix: where home automation looks; None to publish no discovery, and remove earlier ones.
    """

    def __init__(self, workshop: str, pots: Mapping[str, Pot], rehearsed: bool, prefix: str | None) -> None:
        self._workshop, self._rehearsed = workshop, rehearsed
        self._described = homie_description.descriptions(workshop, pots.values(), rehearsed)
        told = [] if prefix is None else discovery.configs(prefix, workshop, pots, rehearsed)
        self._configs = {message.topic: message for message in told}
        self._sent: dict[str, homie_description.Described] = {}  # with their versions
        self._found: dict[str, homie_description.Described] = {}
        self._found_configs: dict[str, bytes] = {}

    def filters(self) -> list[str]:
        """Return the topic filters that find what an earlier run left."""
        return [
            homie_description.description_filter(self._rehearsed),
            discovery.config_filter(self._workshop, self._rehearsed),
        ]

    def begin(self) -> None:
        """Forget what was heard in an earlier connection."""
        self._found.clear()
        self._found_configs.clear()

    def hear(self, topic: str, payload: bytes) -> bool:
        """Take a message found by the filters; return whether it was one."""
        if discovery.is_config(self._workshop, topic, self._rehearsed):
            if payload and len(self._found_configs) < _MOST_FOUND:
                self._found_configs[topic] = payload
            return True
        if not topic.endswith("/$description"):
            return False
        found = homie_description.read(self._workshop, topic, payload, self._rehearsed)
        if found is not None and len(self._found) < _MOST_FOUND:
            self._found[found[0]] = found[1]
        return True

    def before(self, now_s: int) -> list[Message]:
        """Return what goes out before the values: leftovers are cleared, then the descriptions."""
        messages: list[Message] = []
        for device, described in self._described.items():
            earlier = self._found.get(device)
            if earlier is not None:
                messages += homie_description.dropped(device, earlier, described, self._rehearsed)
            newest = homie_description.newest(earlier, self._sent.get(device))
            self._sent[device] = homie_description.with_version(described, newest, now_s)
            messages.append(homie_description.message(device, self._sent[device], self._rehearsed))
        return messages

    def after(self) -> list[Message]:
        """Return what goes out once everything is ready, in order; a topic may come twice."""
        messages: list[Message] = []
        for topic, message in self._configs.items():
            if gone := discovery.without_dropped(message, self._found_configs.get(topic, b"")):
                messages.append(gone)
            messages.append(message)
        return messages

    def leftovers(self) -> list[Message]:
        """Return what clears the pots and their messages that this watch does not have."""
        messages: list[Message] = []
        for device, described in self._found.items():
            if device not in self._described:
                messages += homie_description.removal(device, described, self._rehearsed)
        return messages + [
            discovery.cleared(topic) for topic in self._found_configs if topic not in self._configs
        ]

    def removal(self) -> list[Message]:
        """Return what removes everything, values included."""
        messages: list[Message] = []
        for device, described in reversed(self._described.items()):  # the root first
            messages += homie_description.removal(device, described, self._rehearsed)
        return messages + [discovery.cleared(topic) for topic in self._configs]
