"""Replays a record through a watch: after a restart, for a report, in a test."""

from collections.abc import Iterable, Iterator
from typing import Protocol

from potvigil.model.events import Command, Event
from potvigil.model.reading import Sample


class Fed(Protocol):
    """A watch, guarded or not."""

    def feed(self, sample: Sample) -> list[Event]: ...

    def handle(self, command: Command) -> list[Event]: ...


def feed_again(
    watch: Fed, samples: Iterable[Sample], commands: list[Command]
) -> Iterator[tuple[Sample | Command, list[Event]]]:
    """Replay a record through a watch in the order of the loop; yield each step with its events."""
    for step in _in_order(samples, commands):
        yield step, watch.feed(step) if isinstance(step, Sample) else watch.handle(step)


def _in_order(samples: Iterable[Sample], commands: list[Command]) -> Iterator[Sample | Command]:
    """Merge in the order of the loop: the commands of a tick before its sample."""
    waiting = list(reversed(commands))
    for sample in samples:
        while waiting and waiting[-1].t_s <= sample.t_s:
            yield waiting.pop()
        yield sample
    while waiting:
        yield waiting.pop()
