"""All pots of all records at this moment, as the page shows them and as /api/now says them.

A record is read again when something of it has come. What is shown of a pot is what its watch wrote last,
with its moment; where nothing has come for SILENT_S every value is withdrawn, as on the pot's own page.
"""

import math
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any
from urllib.parse import quote
from uuid import UUID

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
from potvigil.page.views import words
from potvigil.page.views.held import Held
from potvigil.page.views.now import PotsOf, silent_pot, standing_of, told_pot
from potvigil.page.views.strip import by_urgency, strip
from potvigil.page.views.words import SIGNS, Severity, Teller
from potvigil.page.zone import zone_words
from potvigil.record.errors import RecordError
from potvigil.record.rows import BatchRow, TraceRow
from potvigil.record.store import Store
from potvigil.sensing.conversion import convert
from potvigil.studio.reading import Shipped, StudioReader

# A watch writes its samples each minute, a shipper looks each five seconds, and after a failure tries again
# within five minutes.
SILENT_S = 300.0
KEPT_S = 2.0
# What the watch knew is kept each minute; older than this it is not of the last sample's moment.
_FRESH_S = 180.0
_CARE_S = 3600.0
_AWAY = "The studio's database does not answer: look at each pot's own page or gauge"
_UNKEPT = Interval(math.nan, math.nan, math.nan)  # a trace does not hold it, and no word is made of it


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
    """A record as it was read. rehearsed: what night, None for a real one. read_s: when, monotonic."""

    shipped: Shipped
    rehearsed: str | None
    pots: tuple[PotSeen, ...]
    read_s: float


class Sight:
    """Puts together what is known; belongs to the one thread that calls `tell`."""

    def __init__(self, reader: StudioReader, pots_of: PotsOf) -> None:
        self._reader, self._pots_of = reader, pots_of
        self._seen: dict[UUID, RecordSeen] = {}
        self._past: list[Shipped] = []
        self._held = Held()
        self._answered_utc_s: float | None = None

    def tell(self) -> dict[str, Any]:
        """Return /api/now."""
        advice = None
        try:
            self._look()
        except RecordError:
            advice = _AWAY
        now_utc_s = time.time()
        names = Counter(name_of(seen.shipped, each) for seen in self._seen.values() for each in seen.pots)
        pots = by_urgency(
            self._pot(seen, each, names[name_of(seen.shipped, each)] > 1, advice is not None)
            for seen in self._seen.values()
            for each in seen.pots
        )
        since = None if self._answered_utc_s is None else _when(self._answered_utc_s, now_utc_s, None)
        return {
            "silent": advice is not None,
            "since": since if advice else None,
            "now": f"{words.local(now_utc_s, None):%H:%M:%S}",
            "strip": strip(pots, advice, since, words.local(now_utc_s, None)),
            "zone": zone_words(None, now_utc_s),
            "workshop": "Studio",
            "rehearsed": None,
            "pots": pots,
            "past": [{"record": str(each.id), "workshop": each.workshop} for each in self._past],
        }

    def _look(self) -> None:
        """Read what is new. Raises RecordError."""
        records = self._reader.records()
        self._answered_utc_s = time.time()
        self._past = [each for each in records if each.is_past]
        seen: dict[UUID, RecordSeen] = {}
        for shipped in records:
            if shipped.is_past:
                continue
            known = self._seen.get(shipped.id)
            is_due = known is None or known.shipped.heard_utc_s != shipped.heard_utc_s
            if known is None or is_due or time.monotonic() - known.read_s > _CARE_S:
                seen[shipped.id] = self._read(shipped)
            else:
                seen[shipped.id] = RecordSeen(shipped, known.rehearsed, known.pots, known.read_s)
        self._seen = seen

    def _read(self, shipped: Shipped) -> RecordSeen:
        with self._reader.opened(shipped.id) as store:
            run = store.last_run()
            try:
                known = {} if run is None else self._pots_of(run.settings_json)
            except ValueError:  # of another version
                known = {}
            alarms = store.standing_alarms()
            pots = tuple(
                seen_pot(store, pot_id, known[pot_id], [event for pot, event in alarms if pot == pot_id])
                for pot_id in store.pots()
                if pot_id in known
            )
            return RecordSeen(shipped, None if run is None else run.rehearsed, pots, time.monotonic())

    def _pot(self, seen: RecordSeen, each: PotSeen, shared: bool, away: bool) -> dict[str, Any]:
        """Return a pot. shared: another has its name. away: the database does not answer."""
        tz, now_utc_s = each.pot.tz, seen.shipped.heard_utc_s + seen.shipped.age_s
        heard_utc_s = _heard_utc_s(seen, each)
        name = name_of(seen.shipped, each) + (f"-{str(seen.shipped.id)[:8]}" if shared else "")
        when = None if heard_utc_s is None else _when(heard_utc_s, now_utc_s, tz)
        if away or heard_utc_s is None or now_utc_s - heard_utc_s > SILENT_S:
            told = silent_pot(name, each.live, tz, when)
            if not away and each.live.batch is None and not told["alarms"]:
                # open and empty when it was heard of last: most likely switched off
                note = Severity.NOTE
                told |= {"word": f"last heard {when or 'never'}", "level": note.value, "sign": SIGNS[note]}
            told["heard"] = f"Nothing from its Pi since {when}." if when else "Nothing from its Pi yet."
        else:
            told = told_pot(name, each.live, each.pot, tz, self._held)
            told |= {"trend": _trend(told, each)} | {"heard": f"As of {when}."}
        if seen.rehearsed is not None:
            told["heard"] = f"Rehearsal, simulated: {seen.rehearsed}. {told['heard']}"
        return told | {
            "pot": each.pot_id,
            "record": str(seen.shipped.id),
            "workshop": seen.shipped.workshop,
            "href": path_of(seen.shipped.id, each.pot_id),
            "care": each.care or None,
        }


def path_of(record: UUID, pot_id: str) -> str:
    return f"/of/{record}/pot/{quote(pot_id, safe='')}"


def name_of(shipped: Shipped, each: PotSeen) -> str:
    """Return what a pot is called among those of all workshops."""
    return f"{shipped.workshop}/{each.pot_id}"


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
            leak = LeakEstimate(trace.t_s, rate, _UNKEPT, _UNKEPT, math.nan, None, is_sure)
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


def _heard_utc_s(seen: RecordSeen, each: PotSeen) -> float | None:
    """Return as of when a pot is known, Unix time; None where it never was.

    A shipper goes on when its watch has ended, so what counts is the last sample; where that has no wall
    time, or that of a rehearsed night, when the record was heard of.
    """
    if each.last is None:
        return None
    heard_utc_s = seen.shipped.heard_utc_s
    if seen.rehearsed is not None or each.last.utc_s is None:
        return heard_utc_s
    return min(each.last.utc_s, heard_utc_s)


def _trend(told: dict[str, Any], each: PotSeen) -> str | None:
    """Return what the pressure does. Why it changed a record does not keep: of that nothing is said."""
    row = TraceRow.of(each.live.snapshot)
    if told["trend"] is not None and row.leak_pa_per_s is not None and not row.leak_established:
        return "No air loss detected." if row.stage is Stage.HOLDING else str(told["trend"])
    return None if told["trend"] is None else str(told["trend"])


def _when(utc_s: float, now_utc_s: float, tz: tzinfo | None) -> str:
    return Teller(0.0, tz).clock(utc_s, now_utc_s)
