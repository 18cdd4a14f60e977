"""Replays a batch of the record through a watch, to know what was known of it."""

from collections.abc import Iterator

from potvigil.history.learning import Past
from potvigil.model.events import Command, Event
from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.record.errors import RecordError, UnworkableBatchError
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.watch.pot_watch import PotWatch
from potvigil.watch.replay import feed_again

# Samples before a batch are replayed with it, so that the scatter of the reading is known.
FED_BEFORE_S = 120.0


def watch_again(
    store: Store, row: BatchRow, pot: Pot
) -> tuple[PotWatch, Iterator[tuple[Sample | Command, list[Event]]]]:
    """Return a watch with what was known before the batch, and the steps that replay it.

    The steps raise UnworkableBatchError.
    """
    watch = PotWatch(pot)
    past = Past(store, pot, watch, rehearsed=row.rehearsed is not None)
    samples = store.samples(row.pot_id, row.start_t_s - FED_BEFORE_S, row.end_t_s)
    commands = store.commands(row.pot_id, row.start_t_s, row.end_t_s)
    steps = feed_again(watch, samples, commands)
    return watch, _heard(steps, past, row, f"batch {row.id} of {store.path}")


def _heard(
    steps: Iterator[tuple[Sample | Command, list[Event]]], past: Past, row: BatchRow, which: str
) -> Iterator[tuple[Sample | Command, list[Event]]]:
    try:
        for step, events in steps:
            for event in events:
                past.hear(row.id, event)
            yield step, events
    except RecordError:
        raise
    except Exception as error:  # a bug; the watch ran into it too, and closed the batch
        said = f"{type(error).__name__}: {error}".splitlines()[0]
        raise UnworkableBatchError(f"{which} cannot be worked out from its readings: {said}") from error
