"""A record of a studio as it told of its pots last."""

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

# What the watch knew is kept each minute; older than this it is not of the last sample's moment.
_FRESH_S = 180.0
UNKEPT = Interval(math.nan, math.nan, math.nan)  # a trace does not hold it, and no word is made of it
_NEWER = "Its settings are of another version of Potvigil; update this page's machine"


@dataclass(frozen=True, slots=True)
class PotSeen:
    """A pot as its record told of it last. last: None where no sample came yet. care: what is due."""

    pot_id: str
    pot: Pot
    live: LivePot
    last: Sample | None
    care: str


@dataclass(frozen=True, slots=True)
class RecordSeen:
    """A record as it was read. rehearsed: what night, None for a real one. read_s: when, monotonic.

    own_page: where its Pi serves its own, None where its settings name no address. fault: why it could not be
    read, None where it could.
    """

    shipped: Shipped
    read_s: float
    rehearsed: str | None = None
    pots: tuple[PotSeen, ...] = ()
    own_page: str | None = None
    fault: str | None = None


def seen_record(reader: StudioReader, shipped: Shipped, pots_of: PotsOf) -> RecordSeen:
    """Return a record as it now is. Raises AwayRecordError; any other fault of it is told in it."""
    read_s = time.monotonic()
    try:
        with reader.opened(shipped.id) as store:
            run = store.last_run()
            if run is None:
                return RecordSeen(shipped, read_s)
            known, alarms = pots_of(run.settings_json), store.standing_alarms()
            pots = tuple(
                seen_pot(store, pot_id, known[pot_id], [event for pot, event in alarms if pot == pot_id])
                for pot_id in store.pots()
                if pot_id in known
            )
            return RecordSeen(shipped, read_s, run.rehearsed, pots, _own_page(json.loads(run.settings_json)))
    except AwayRecordError:
        raise
    except RecordError as error:
        return RecordSeen(shipped, read_s, fault=str(error))
    except ValueError:  # SettingsError
        return RecordSeen(shipped, read_s, fault=_NEWER)


def _own_page(settings: dict[str, Any]) -> str | None:
    """Return where a Pi serves its own page: at a name that its settings give, for what it listens at is no
    address of another machine.
    """
    page = settings.get("page", {})
    names = page.get("names", [])
    return f"{'https' if 'tls' in page else 'http'}://{names[0]}:{page['port']}" if names else None


def seen_pot(store: Store, pot_id: str, pot: Pot, alarms: Sequence[AlarmEvent]) -> PotSeen:
    """Return a pot as its record tells of it. alarms: that stand. Raises RecordError."""
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
    return PotSeen(pot_id, pot, LivePot(None if batch is None else batch.id, snapshot, ()), last, due)


def _snapshot(
    pot: Pot,
    last: Sample,
    batch: BatchRow | None,
    stage: tuple[Stage, float],
    trace: TraceRow | None,
    alarms: Iterable[AlarmEvent],
) -> Snapshot:
    """Return what the record knows of a pot as the watch would have said it; what it does not keep is None.

    stage: and since when, on the record's axis.
    """
    leak = forecast = cure = None
    if trace is not None:
        if trace.leak_pa_per_s is not None:
            rate, is_sure = trace.leak_pa_per_s, trace.leak_established
            leak = LeakEstimate(trace.t_s, rate, UNKEPT, UNKEPT, math.nan, None, is_sure)
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
