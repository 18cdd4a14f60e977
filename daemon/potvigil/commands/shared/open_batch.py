"""The settings a batch of the record began with, and the summary of an open batch so far."""

from dataclasses import replace

from potvigil.history.feeding import watch_again
from potvigil.model.events import BatchSummary
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings


def settings_of(store: Store, row: BatchRow) -> Settings:
    """Return the settings that were in force when the batch began."""
    run = next(run for run in store.runs() if run.id == row.run_id)
    return load_text(run.settings_json, f"settings of run {run.id}")


def summary_so_far(store: Store, row: BatchRow, settings: Settings) -> BatchSummary | None:
    """Return the summary so far of an open batch, by replaying it to a separate watch."""
    pot = settings.core_pots()[row.pot_id]
    watch, steps = watch_again(store, row, pot)
    for _ in steps:
        pass
    summary = watch.summary()
    return None if summary is None else replace(summary, details=row.details)
