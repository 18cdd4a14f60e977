"""A batch of the record with the settings of its time, and how an open one stands."""

from dataclasses import replace

from potvigil.model.events import BatchSummary
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.reports.learning import Past
from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings
from potvigil.watch.pot_watch import PotWatch
from potvigil.watch.replay import feed_again


def settings_of(store: Store, row: BatchRow) -> Settings:
    """Return the settings that were in force when the batch began."""
    run = next(run for run in store.runs() if run.id == row.run_id)
    return load_text(run.settings_json, f"settings of run {run.id}")


def judged_so_far(store: Store, row: BatchRow, settings: Settings) -> BatchSummary | None:
    """Feed an open batch to a watch of its own, to say how it stands."""
    pot = settings.core_pots()[row.pot_id]
    watch = PotWatch(pot)
    past = Past(store, pot, watch, rehearsed=row.rehearsed is not None)
    commands = store.commands(row.pot_id, row.start_t_s)
    for _, events in feed_again(watch, store.samples(row.pot_id, row.start_t_s), commands):
        for event in events:
            past.hear(row.id, event)
    summary = watch.summary()
    return None if summary is None else replace(summary, details=row.details)
