"""Writes the events and the state of the watch to the record."""

from collections.abc import Callable

from potvigil.model.events import BatchClosed, BatchOpened, EditEvent, Event, Snapshot
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store


def keep_event(store: Store, pot_id: str, batch_id: int | None, event: Event) -> int | None:
    """Write an event to the record; return the number of the batch that is open after it."""
    if isinstance(event, BatchOpened):
        batch_id = store.open_batch(pot_id, event)
    if isinstance(event, EditEvent):
        if batch_id is not None:
            store.add_edit(batch_id, event)
        return batch_id
    store.add_event(pot_id, batch_id, event)
    if isinstance(event, BatchClosed):
        if batch_id is not None:
            store.close_batch(batch_id, event)
        return None
    return batch_id


def keep_trace(store: Store, snapshot: Callable[[], Snapshot], pot_id: str, t_s: float) -> None:
    """Write a trace of an open batch, when one is due."""
    if store.trace_due(pot_id, t_s):
        now = snapshot()
        if now.batch_start_s is not None:
            store.append_trace(pot_id, TraceRow.of(now))
