"""The last known state of the pots in one record of the studio."""

import json
import math
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from potvigil.history.care_due import care_due
from potvigil.live_reader import LivePot
from potvigil.model.events import (
    AlarmEvent,
    Cure,
    FloorForecast,
    Interval,
    LeakEstimate,
    Snapshot,
    Stage,
    StageEvent,
)
from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.page.views.now import PotsOf, standing_of
from potvigil.record.errors import AwayRecordError, RecordError
from potvigil.record.rows import BatchRow, TraceRow
from potvigil.record.store import Store
from potvigil.sensing.conversion import convert
from potvigil.studio.reading import Shipped, StudioReader

# The watch writes a trace row each minute; an older one does not go with the last sample.
_FRESH_S = 180.0
UNKEPT = Interval(math.nan, math.nan, math.nan)  # not in a trace, and not used in any text
_NEWER = "Its settings are of another version of Potvigil; update this page's machine"


@dataclass(frozen=True, slots=True)
class KnownPot:
    """A pot as its record left it. last: None before the first sample. care: what is due."""

    pot_id: str
    pot: Pot
    live: LivePot
    last: Sample | None
    care: str


@dataclass(frozen=True, slots=True)
class KnownRecord:
    """A record as read. rehearsed: the name of the night, None for a real one. read_s: when, monotonic.

    own_page: URL of its Pi's own page, None if its settings name no host. fault: why it is unreadable.
    """

    shipped: Shipped
    read_s: float
    rehearsed: str | None = None
    pots: tuple[KnownPot, ...] = ()
    own_page: str | None = None
    fault: str | None = None


def known_record(reader: StudioReader, shipped: Shipped, pots_of: PotsOf) -> KnownRecord:
    """Return a record's present state. Raises AwayRecordError; other faults are returned in `fault`."""
    read_s = time.monotonic()
    try:
        with reader.opened(shipped.id) as store:
            run = store.last_run()
            if run is None:
                return KnownRecord(shipped, read_s)
            known, alarms = pots_of(run.settings_json), store.standing_alarms()
            pots = tuple(
                known_pot(store, pot_id, known[pot_id], [event for pot, event in alarms if pot == pot_id])
                for pot_id in store.pots()
                if pot_id in known
            )
            return KnownRecord(shipped, read_s, run.rehearsed, pots, _own_page(json.loads(run.settings_json)))
    except AwayRecordError:
        raise
    except RecordError as error:
        return KnownRecord(shipped, read_s, fault=str(error))
    except ValueError:  # SettingsError
        return KnownRecord(shipped, read_s, fault=_NEWER)


def _own_page(settings: dict[str, Any]) -> str | None:
    """Return the URL of a Pi's own page, by name: the address it listens on may be 0.0.0.0."""
    page = settings.get("page", {})
    names = page.get("names", [])
    return f"{'https' if 'tls' in page else 'http'}://{names[0]}:{page['port']}" if names else None


def known_pot(store: Store, pot_id: str, pot: Pot, alarms: Sequence[AlarmEvent]) -> KnownPot:
    """Return a pot's state from its record. alarms: the standing ones. Raises RecordError."""
    last, batch = store.last_sample(pot_id), store.open_batch_of(pot_id)
    trace, stage, since_s = None, Stage.OPEN, 0.0
    if batch is not None:
        traces = store.traces(pot_id, 0.0 if last is None else last.t_s - _FRESH_S)
        trace = traces[-1] if traces else None
        for event in store.events(batch.id):
            if isinstance(event, StageEvent):
                stage, since_s = event.stage, event.t_s
    known = last or Sample(0.0 if batch is None else batch.start_t_s)
    snapshot = _snapshot(pot, known, batch, (stage, since_s), trace, alarms)
    due = " ".join(care_due(store, pot_id, time.time(), pot.tz))
    return KnownPot(pot_id, pot, LivePot(None if batch is None else batch.id, snapshot, ()), last, due)


def _snapshot(
    pot: Pot,
    last: Sample,
    batch: BatchRow | None,
    stage: tuple[Stage, float],
    trace: TraceRow | None,
    alarms: Iterable[AlarmEvent],
) -> Snapshot:
    """Rebuild a pot's snapshot from the record; what the record does not store is None.

    stage: with its start on the record's axis.
    """
    leak = forecast = cure = None
    if trace is not None:
        if trace.leak_pa_per_s is not None:
            rate, established = trace.leak_pa_per_s, trace.leak_established
            leak = LeakEstimate(trace.t_s, rate, UNKEPT, UNKEPT, math.nan, None, established)
        if trace.cure_progress is not None and trace.cure_done_s is not None:
            cure = Cure(trace.cure_progress, trace.cure_done_s)
        if trace.floor_s is not None and trace.floor_earliest_s is not None:
            before = cure is None or trace.floor_s < cure.done_s
            forecast = FloorForecast(
                trace.floor_s, trace.floor_earliest_s, trace.floor_latest_s, before, None
            )
    return Snapshot(
        pot_id=pot.pot_id,
        t_s=last.t_s,
        utc_s=last.utc_s,
        stage=stage[0],
        stage_since_s=stage[1],
        reading=convert(last, pot),
        corrected_gauge_pa=None if trace is None else trace.corrected_gauge_pa,
        leak=leak,
        forecast=forecast,
        change=None,
        cure=cure,
        batch_start_s=None if batch is None else batch.start_t_s,
        details={} if batch is None else batch.details,
        top_ups=0,
        alarms=tuple(standing_of(each) for each in alarms),
    )
