"""After a restart, replays from the record what a watch needs to know of its batch."""

from collections.abc import Iterable

from potvigil.history.feeding import FED_BEFORE_S
from potvigil.history.learning import Past
from potvigil.model.events import BatchClosed
from potvigil.model.reading import Sample
from potvigil.outputs import systemd
from potvigil.record.store import Store
from potvigil.service.guarded_watch import GuardedWatch
from potvigil.settings.schema import Settings
from potvigil.upkeep.thinning import thinned
from potvigil.watch.replay import feed_again

# Samples after a batch with unacknowledged alarms are replayed too, until the alarms would have returned.
_FEED_AFTER_S = 3600.0
# The last hours are replayed in full, older samples as means, as in a thinned record: three days in full
# would take minutes on a small Pi. After each _FED_IN_A_ROW samples the service manager is asked for more
# time.
_FED_IN_FULL_S, _FED_IN_A_ROW, _START_S = 3 * 3600.0, 2000, 60.0


def resume_batch(
    store: Store,
    settings: Settings,
    pasts: dict[str, Past],
    batch_ids: dict[str, int | None],
    pot_id: str,
    watch: GuardedWatch,
) -> None:
    """Replay the open batch, or the last one with unacknowledged alarms, to the watch, without outputs."""
    row = store.latest_unseen_batch(pot_id)
    if row is None:
        return
    until_s = None if row.end_t_s is None else row.end_t_s + _FEED_AFTER_S
    commands = store.commands(pot_id, row.start_t_s, until_s)
    closed: BatchClosed | None = None
    samples = kept_samples(store, settings, pot_id, row.start_t_s - FED_BEFORE_S, until_s)
    for number, (_, events) in enumerate(feed_again(watch, samples, commands)):
        if number % _FED_IN_A_ROW == 0:
            systemd.starting(_START_S)
        for event in events:
            pasts[pot_id].hear(row.id, event)
            if isinstance(event, BatchClosed):
                closed = event
        if closed is not None and watch.has_failed:
            break  # the batch ends here; a later one is another
    if row.end_t_s is None:
        if watch.summary() is not None:
            batch_ids[pot_id] = row.id
        elif closed is not None:  # the machine stopped between the last sample and the closing
            store.close_batch(row.id, closed)
            pasts[pot_id].keep(row.id)


def kept_samples(
    store: Store, settings: Settings, pot_id: str, from_s: float, until_s: float | None
) -> Iterable[Sample]:
    """Return a pot's samples from the record, old ones as means."""
    samples = store.samples(pot_id, from_s, until_s)
    last = store.last_sample(pot_id)
    if last is None or settings.pots[pot_id].supply == "regulated":
        return samples  # a regulated supply feeds in steps that no event records
    full_from_s = min(last.t_s, last.t_s if until_s is None else until_s) - _FED_IN_FULL_S
    return thinned(samples, store.moments(pot_id, from_s), full_from_s)
