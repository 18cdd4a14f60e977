"""A batch of the record, told again: its samples and commands put once more through a watch of its own."""

import json
from collections.abc import Mapping
from itertools import pairwise

from potvigil.core.batch import UNSEEN_AFTER_S
from potvigil.core.bubble import diameter_growth
from potvigil.core.conversion import convert
from potvigil.core.event import BatchClosed, BatchSummary, Command, Detail, Snapshot
from potvigil.core.pot import Pot, Resin
from potvigil.core.reading import Quality, Reading, Sample
from potvigil.core.watch import PotWatch
from potvigil.record.errors import UnknownBatchError
from potvigil.record.rows import BatchRow, RunRow
from potvigil.record.store import Store
from potvigil.record.told import Bubble, Silence, Told
from potvigil.service import feed_again
from potvigil.settings import load_text

# What went before is fed too, as after a restart, so that the scatter of the reading is known.
_FEED_BEFORE_S = 120.0
# More looks than a page has room for would only be drawn on top of each other; the leak speaks each 20 s.
_LOOKS, _LOOK_LEAST_S = 600, 20.0
# What of the settings bears on a batch. A list of what may be shown: a new block is not shown by accident.
_SHOWN_SETTINGS = ("workshop", "barometer", "sample_period", "timezone", "units")
_SECRET = ("password", "secret", "token", "key_file", "username")


def retell(store: Store, batch_id: int) -> Told:
    """Return all that a report tells of a batch. Raises UnknownBatchError, or as reading a record does.

    A closed batch keeps the judgement it was given; the curves come from feeding its samples again.
    """
    row = store.batch(batch_id)
    runs = _runs_of(store, row)
    settings = load_text(runs[-1].settings_json, f"settings of run {runs[-1].id}")
    pots = settings.core_pots()
    if row.pot_id not in pots:
        raise UnknownBatchError(f"the settings of run {runs[-1].id} do not know the pot {row.pot_id!r}")
    pot = pots[row.pot_id]
    fed = _Fed(pot, row, store)
    summary = row.summary or fed.summary
    if summary is None:
        raise UnknownBatchError(
            f"batch {row.id} of {store.path} has no samples yet; let the watch run for a minute"
        )
    resin = pot.resin(summary.details.get(Detail.RESIN))
    shown = {_pot_settings(run, row.pot_id) for run in runs}
    return Told(
        row=row,
        pot=pot,
        summary=summary,
        judged_now=fed.summary or summary,
        events=tuple(store.events(row.id)),
        edits=tuple(store.edits(row.id)),
        runs=runs,
        gauge=tuple(fed.gauge),
        snapshots=tuple(fed.snapshots),
        silences=tuple(fed.silences),
        bubble=_bubble(summary, fed.ambient_pa),
        resin=resin,
        gel_s=_gel_s(resin, fed.snapshots),
        settings=_settings_shown(runs[-1], row.pot_id),
        earlier_settings=len(shown) > 1,
        utc_less_t_s=fed.utc_less_t_s,
    )


class _Fed:
    """What came of feeding a batch to a watch, from its first sample to its last."""

    def __init__(self, pot: Pot, row: BatchRow, store: Store) -> None:
        self.gauge: list[tuple[float, float | None]] = []
        self.snapshots: list[Snapshot] = []
        self.silences: list[Silence] = []
        self.summary: BatchSummary | None = None
        self.utc_less_t_s: float | None = None
        self.ambient_pa = pot.ambient_pa
        self._last_good_s = row.start_t_s
        self._why = ""
        self._feed(pot, row, store)

    def _feed(self, pot: Pot, row: BatchRow, store: Store) -> None:
        end_s = row.end_t_s
        if end_s is None:
            last = store.last_sample(row.pot_id)
            end_s = row.start_t_s if last is None else last.t_s
        look_every_s = max((end_s - row.start_t_s) / _LOOKS, _LOOK_LEAST_S)
        look_s = row.start_t_s
        watch = PotWatch(pot)
        samples = store.samples(row.pot_id, row.start_t_s - _FEED_BEFORE_S, end_s)
        commands = store.commands(row.pot_id, row.start_t_s, end_s)
        for step, events in feed_again(watch, samples, commands):
            for event in events:
                if isinstance(event, BatchClosed) and event.t_s >= row.start_t_s:
                    self.summary = event.summary
            if isinstance(step, Command) or step.t_s < row.start_t_s:
                continue
            self._take(step, convert(step, pot))
            if step.t_s >= look_s:
                self.snapshots.append(watch.snapshot())
                look_s += look_every_s * (1 + (step.t_s - look_s) // look_every_s)
        self._hush(end_s)
        self.summary = self.summary or watch.summary()

    def _take(self, sample: Sample, reading: Reading) -> None:
        t_s = sample.t_s
        if sample.utc_s is not None:
            self.utc_less_t_s = sample.utc_s - t_s
        self.ambient_pa = reading.ambient_pa
        if reading.quality is Quality.BAD or reading.gauge_pa is None:
            self.gauge.append((t_s, None))
            self._why = self._why or reading.fault or "no reading"
            return
        self._hush(t_s)
        self.gauge.append((t_s, reading.gauge_pa))

    def _hush(self, t_s: float) -> None:
        """Keep the silence that ends now, if it was one."""
        if t_s - self._last_good_s > UNSEEN_AFTER_S:
            self.silences.append(Silence(self._last_good_s, t_s, self._why or "nothing was read"))
            self.gauge.append((t_s, None))  # no line is drawn across
        self._last_good_s, self._why = t_s, ""


def _runs_of(store: Store, row: BatchRow) -> tuple[RunRow, ...]:
    """Return the run that opened the batch and those that began while it was open."""
    until_s = float("inf") if row.end_t_s is None else row.end_t_s
    own = [
        run
        for run in store.runs()
        if run.id == row.run_id
        or (row.run_id is not None and run.id > row.run_id and run.start_t_s < until_s)
    ]
    if not own:
        raise UnknownBatchError(f"batch {row.id} of {store.path} names no run, so its settings are not known")
    return tuple(own)


def _bubble(summary: BatchSummary, ambient_pa: float) -> Bubble | None:
    full_pa, least_pa = summary.hold_start_gauge_pa, summary.lowest_gauge_pa
    if full_pa is None or least_pa is None:
        return None
    least_pa = max(least_pa, 0.0)
    return Bubble(
        full_pa,
        least_pa,
        at_full=diameter_growth(0.0, full_pa, ambient_pa),
        at_least=diameter_growth(0.0, least_pa, ambient_pa),
        regrown=diameter_growth(full_pa, least_pa, ambient_pa),
    )


def _gel_s(resin: Resin, snapshots: list[Snapshot]) -> float | None:
    """Return when the cure clock passed the gel's age, between two looks in proportion."""
    if resin.gel_s is None:
        return None
    share = resin.gel_s / resin.hold_s
    known = [(each.t_s, each.cure.progress) for each in snapshots if each.cure is not None]
    for (before_s, before), (t_s, progress) in pairwise(known):
        if before < share <= progress:
            return before_s + (t_s - before_s) * (share - before) / (progress - before)
    return None


def _pot_settings(run: RunRow, pot_id: str) -> str:
    return json.dumps(_settings_shown(run, pot_id), sort_keys=True)


def _settings_shown(run: RunRow, pot_id: str) -> Mapping[str, object]:
    tree = json.loads(run.settings_json)
    shown = {key: tree[key] for key in _SHOWN_SETTINGS if key in tree}
    return {str(key): value for key, value in _without_secrets({**tree["pots"][pot_id], **shown}).items()}


def _without_secrets(tree: dict[str, object]) -> dict[str, object]:
    return {
        key: _without_secrets(value) if isinstance(value, dict) else value
        for key, value in tree.items()
        if not any(word in key for word in _SECRET)
    }
