"""Collects a batch's report from the record: what the watch said of it at the time.

What the record lacks comes from feeding its samples and commands to a fresh watch: the state of an open
batch, and the trace of a batch older than traces.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from potvigil.history.feeding import watch_again
from potvigil.history.gel import gelled_s
from potvigil.model.events import BatchClosed, BatchSummary, Detail
from potvigil.model.pot import Pot
from potvigil.model.reading import UNSEEN_AFTER_S, Quality, Reading, Sample
from potvigil.physics.bubble import diameter_growth
from potvigil.record.errors import UnknownBatchError
from potvigil.record.rows import BatchRow, RunRow, TraceRow
from potvigil.record.store import Store
from potvigil.record.tables.ledger import TRACE_PERIOD_S
from potvigil.reports.model import BatchReport, Bubble, Pressed, ReadingGap
from potvigil.sensing.conversion import convert
from potvigil.settings.loading import load_text
from potvigil.upkeep import pictures

# Settings that bear on a batch, besides its pot's. An allowlist, so that no new block is shown by accident;
# secrets are never in the settings.
_SHOWN_SETTINGS = ("workshop", "barometer", "sample_period", "timezone", "units")
# A studio may have only the mean of each minute; thinning leaves more of a batch than that.
_MINUTE_S, _ALMOST_A_MINUTE_S = 60.0, 40.0
# Returns a batch's picture by name, None where it is not kept.
PictureOf = Callable[[int, str], bytes | None]


def collect_report(
    store: Store, batch_id: int, picture: PictureOf | None = None, unread: str = "no readings"
) -> BatchReport:
    """Return a batch's report. Raises UnknownBatchError, and what reading a record raises.

    A closed batch keeps the verdict it was given. picture: None for those kept beside the record. unread:
    the reason given for a time without any sample.
    """
    row = store.batch(batch_id)
    runs = _runs_of(store, row)
    settings = load_text(runs[-1].settings_json, f"settings of run {runs[-1].id}")
    pots = settings.core_pots()
    if row.pot_id not in pots:
        raise UnknownBatchError(f"the settings of run {runs[-1].id} do not know the pot {row.pot_id!r}")
    pot = pots[row.pot_id]
    means = store.means(row.pot_id, row.start_t_s, row.end_t_s)
    read = _Read(pot, row, store.samples(row.pot_id, row.start_t_s, row.end_t_s), means, unread)
    summary, traces = row.summary, store.traces(row.pot_id, row.start_t_s, row.end_t_s)
    if summary is None and read.by_the_minute:  # means blur the fill and the start of the hold
        raise UnknownBatchError(
            f"batch {row.id} is still open, and means of a minute are too coarse to say how it stands; see "
            "its report on its Pi, or here once it is closed"
        )
    if summary is None or not traces:
        replayed_summary, replayed_traces = _replayed(pot, row, store)
        summary, traces = summary or replayed_summary, traces or replayed_traces
    if summary is None:
        raise UnknownBatchError(
            f"batch {row.id} of {store.path} has no samples yet; let the watch run for a minute"
        )
    resin = pot.resin(summary.details.get(Detail.RESIN))
    gel_s = gelled_s(resin, traces)
    different = {_pot_settings(run, row.pot_id) for run in runs}
    return BatchReport(
        row=row,
        pot=pot,
        summary=summary,
        events=tuple(store.events(row.id)),
        edits=tuple(store.edits(row.id)),
        runs=runs,
        gauge=tuple(read.gauge),
        traces=tuple(traces),
        silences=tuple(read.silences),
        by_the_minute=read.by_the_minute,
        bubble=_bubble(pot, summary, read.ambient_pa, gel_s, traces),
        resin=resin,
        gel_s=gel_s,
        settings=_settings_shown(runs[-1], row.pot_id),
        earlier_settings=len(different) > 1,
        utc_less_t_s=read.utc_less_t_s,
        deliveries=tuple(store.deliveries(row.pot_id, row.start_t_s, row.end_t_s)),
        pictures=tuple(_pictures(row, picture or partial(pictures.read, store.path))),
    )


def _replayed(pot: Pot, row: BatchRow, store: Store) -> tuple[BatchSummary | None, list[TraceRow]]:
    """Return the summary and traces of a batch, fed to a watch that knows what was known before it."""
    watch, steps = watch_again(store, row, pot)
    summary: BatchSummary | None = None
    traces: list[TraceRow] = []
    due_s = row.start_t_s
    for step, events in steps:
        for event in events:
            if isinstance(event, BatchClosed) and event.t_s >= row.start_t_s:
                summary = event.summary
        if isinstance(step, Sample) and step.t_s >= due_s:
            traces.append(TraceRow.of(watch.snapshot()))
            due_s = step.t_s + TRACE_PERIOD_S
    summary = summary or watch.summary()
    return None if summary is None else replace(summary, details=row.details), traces


class _Read:
    """A batch's readings, first sample to last. means: how many samples are means of several readings."""

    def __init__(self, pot: Pot, row: BatchRow, samples: Iterable[Sample], means: int, unread: str) -> None:
        self.gauge: list[tuple[float, float | None]] = []
        self.silences: list[ReadingGap] = []
        self.utc_less_t_s: float | None = None
        self.ambient_pa = pot.ambient_pa
        self._last_good_s = row.start_t_s
        self._unread, self._why = unread, ""
        self._means, self._count, self._minutes = means, 0, 0
        t_s = row.start_t_s
        for sample in samples:
            self._count += 1
            self._minutes += sample.t_s - t_s > _ALMOST_A_MINUTE_S
            t_s = sample.t_s
            self._take(sample, convert(sample, pot))
        self._end_silence(t_s if row.end_t_s is None else row.end_t_s)

    @property
    def by_the_minute(self) -> bool:
        """Whether most of the samples are one-minute means."""
        return 2 * min(self._minutes, self._means) > self._count

    def _take(self, sample: Sample, reading: Reading) -> None:
        t_s = sample.t_s
        if sample.utc_s is not None:
            self.utc_less_t_s = sample.utc_s - t_s
        self.ambient_pa = reading.ambient_pa
        if reading.quality is Quality.BAD or reading.gauge_pa is None:
            self.gauge.append((t_s, None))
            self._why = self._why or reading.fault or "no reading"
            return
        self._end_silence(t_s)
        self.gauge.append((t_s, reading.gauge_pa))

    def _end_silence(self, t_s: float) -> None:
        """Keep the silence that ends at `t_s`, if it was long enough to be one."""
        tolerated_s = UNSEEN_AFTER_S + (_MINUTE_S if self.by_the_minute else 0.0)
        if t_s - self._last_good_s > tolerated_s:
            self.silences.append(ReadingGap(self._last_good_s, t_s, self._why or self._unread))
            self.gauge.append((t_s, None))  # so that no line is drawn across
        self._last_good_s, self._why = t_s, ""


def _runs_of(store: Store, row: BatchRow) -> tuple[RunRow, ...]:
    """Return the run that opened the batch and those started while it was open."""
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


def _bubble(
    pot: Pot, summary: BatchSummary, ambient_pa: float, gel_s: float | None, traces: Sequence[TraceRow]
) -> Bubble | None:
    start_pa, lowest_pa = summary.hold_start_gauge_pa, summary.lowest_gauge_pa
    if start_pa is None or lowest_pa is None:
        return None

    def pressed(gauge_pa: float) -> Pressed:
        at_least_room_pa = max(gauge_pa, 0.0)
        return Pressed(gauge_pa, diameter_growth(0.0, at_least_room_pa, ambient_pa))

    at_gel = None
    if gel_s is not None:
        known = [(abs(each.t_s - gel_s), each.gauge_pa) for each in traces if each.gauge_pa is not None]
        away_s, gauge_pa = min(known, default=(float("inf"), 0.0))
        if away_s <= UNSEEN_AFTER_S:
            at_gel = pressed(gauge_pa)
    return Bubble(pressed(pot.working_pa), pressed(start_pa), pressed(lowest_pa), at_gel)


def _pictures(row: BatchRow, picture: PictureOf) -> Iterator[tuple[str, bytes]]:
    for name in row.details.get(Detail.PICTURES, "").splitlines():
        content = picture(row.id, name)
        if content is not None:
            yield name, content


def _pot_settings(run: RunRow, pot_id: str) -> str:
    return json.dumps(_settings_shown(run, pot_id), sort_keys=True)


def _settings_shown(run: RunRow, pot_id: str) -> Mapping[str, object]:
    tree: dict[str, Any] = json.loads(run.settings_json)
    settings: dict[str, object] = tree["pots"][pot_id]
    return settings | {key: tree[key] for key in _SHOWN_SETTINGS if key in tree}
