"""All pots at this moment, as the page shows them and as /api/now returns them.

Stale values are never shown as current: when the watch is silent every value is withdrawn and the word says
since when. Only the alarms stay, marked as last known.
"""

import json
import time
from collections.abc import Callable, Mapping
from datetime import datetime, tzinfo
from typing import Any

from potvigil.history.care_due import care_due
from potvigil.live_reader import Live, LivePot, LiveReader
from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, StandingAlarm
from potvigil.model.pot import Pot
from potvigil.page.views import words
from potvigil.page.views.held import Held
from potvigil.page.views.strip import URGENCY, by_urgency, strip
from potvigil.page.views.words import SIGNS, Severity, WallClock
from potvigil.page.zone import zone_words
from potvigil.record.errors import RecordError
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.units import LEAST_SHOWN, PRESSURE_UNITS_PA, span
from potvigil.wording.alarm import headline
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import alarm_state, pressure, shown
from potvigil.wording.silence import LOOK_AT_THE_GAUGE

PotsOf = Callable[[str], Mapping[str, Pot]]  # parses the pots from a run's settings JSON
OpenStore = Callable[[], Store]
# Interval between reads of the record while the watch is silent or its settings could not be read.
ASK_AGAIN_S = 5.0
# Care comes due with the date, and is cleared when somebody logs it.
CARE_S = 60.0
_SENTENCES = ("trend", "forecast", "cure", "corrected", "temperatures")
# Alarms whose text already covers the trend or the floor forecast; the page does not repeat it.
_LOSS_ALARMS = frozenset(
    {
        *(AlarmId.LEAK, AlarmId.FLOOR_AHEAD, AlarmId.SUPPLY_MASKING),
        *(AlarmId.RAPID_LOSS, AlarmId.VENTED_EARLY),
    }
)
_FLOOR_ALARMS = frozenset({AlarmId.FLOOR_AHEAD, AlarmId.BELOW_FLOOR})


class Now:
    """Builds /api/now. Not thread-safe: used only by the thread that calls `state`."""

    def __init__(self, reader: LiveReader, open_store: OpenStore, pots_of: PotsOf) -> None:
        self._reader = reader
        self._open_store = open_store
        self._pots_of = pots_of
        self._pots: Mapping[str, Pot] = {}
        self._run: float | None = None
        self._ask_again_s = float("-inf")
        self._care: dict[str, str] = {}  # care due, by pot
        self._care_again_s = float("-inf")
        self._recorded: list[dict[str, Any]] = []  # pots known only from the record
        self._identity: tuple[str, str | None] | None = None  # the record's workshop and rehearsed night
        self._held = Held()

    def live_of(self, pot_id: str) -> LivePot | None:
        """Return the live state of a pot of this record, None while its watch is silent."""
        live, silent = self._read_live()
        return None if live is None or silent or live.run != self._run else live.pots.get(pot_id)

    def heard(self) -> tuple[Live | None, bool, Mapping[str, Pot]]:
        """Return the last live state of this record's watch, whether it is silent, and the pots' settings."""
        return *self._read_live(), self._pots

    def state(self) -> dict[str, Any]:
        """Return /api/now."""
        live, silent = self._read_live()
        workshop, rehearsed = self._identity or ("", None)
        if live is not None:
            workshop, rehearsed = live.workshop, live.rehearsed
        pot = next(iter(self._pots.values()), None)
        tz = None if pot is None else pot.tz
        self._update_care(tz)
        since = None
        if live is None:
            pots = self._recorded
            since = max((each["since"] for each in pots if each["since"]), default=None)
            since = None if since is None else _when(since, time.time(), tz)
            pots = [_as_silent(each, since) for each in pots]
        else:
            since = _silent_since(live, tz) if silent else None
            pots = [
                live_pot(pot_id, each, self._pots.get(pot_id), tz, self._held)
                if not silent
                else silent_pot(pot_id, each, tz, since)
                for pot_id, each in live.pots.items()
            ]
        if silent:
            self._held.forget()
        pots = by_urgency(pots)
        moment = _moment(live, silent, tz)
        return {
            "silent": silent,
            "since": since,
            "now": "clock not set" if moment is None else f"{moment:%H:%M:%S}",
            "strip": strip(pots, _advice(live) if silent else None, since, moment),
            "zone": zone_words(tz, time.time()),
            "workshop": workshop,
            "rehearsed": rehearsed,
            "unit": "psi" if pot is None else pot.pressure_unit,
            "pots": [each | {"care": self._care.get(each["id"]) or None} for each in pots],
        }

    def _update_care(self, tz: tzinfo | None) -> None:
        if time.monotonic() < self._care_again_s:
            return
        self._care_again_s = time.monotonic() + CARE_S
        try:
            with self._open_store() as store:
                self._care = {
                    pot_id: " ".join(care_due(store, pot_id, time.time(), tz)) for pot_id in store.pots()
                }
        except (RecordError, ValueError):
            return

    def _read_live(self) -> tuple[Live | None, bool]:
        """Return the live state, None if it is not of this record, and whether the watch is silent."""
        live, silent = self._reader.read()
        self._read_record(live)
        if live is not None and self._identity not in (None, (live.workshop, live.rehearsed)):
            return None, True
        return live, silent

    def _read_record(self, live: Live | None) -> None:
        """Read the run's settings, and the pots too while there is no live state of this record."""
        due = time.monotonic() >= self._ask_again_s
        if not due or (live is not None and live.run == self._run):
            return
        self._ask_again_s = time.monotonic() + ASK_AGAIN_S
        try:
            with self._open_store() as store:
                run = store.last_run()
                if run is None:
                    return
                self._pots = self._pots_of(run.settings_json)
                self._identity = (str(json.loads(run.settings_json).get("workshop", "")), run.rehearsed)
                if live is None or self._identity != (live.workshop, live.rehearsed):
                    self._recorded = [
                        _recorded_pot(pot_id, store, self._pots[pot_id].tz)
                        for pot_id in store.pots()
                        if pot_id in self._pots
                    ]
                elif abs(run.start_t_s - live.run) < 1.0:
                    self._run = live.run
        except (RecordError, ValueError):
            return  # a failing record raises its own alarm; keep what we have


def live_pot(pot_id: str, live: LivePot, pot: Pot | None, tz: tzinfo | None, held: Held) -> dict[str, Any]:
    """Return a pot as it is now. pot: its settings, None if unknown."""
    snapshot = live.snapshot
    unit = "psi" if pot is None else pot.pressure_unit
    wall = words.wall_clock_of(snapshot, tz)
    shown_pot = _common(pot_id, live, tz, False)
    word, level = words.word(snapshot, pot)
    row = TraceRow.of(snapshot)
    gauge_pa, cure = snapshot.reading.gauge_pa, snapshot.cure
    shown_pa = None
    if gauge_pa is not None:
        step_pa = LEAST_SHOWN[unit] * PRESSURE_UNITS_PA[unit]
        shown_pa = held.pressure_pa(pot_id, gauge_pa, step_pa)
    active = {each.alarm for each in snapshot.alarms if words.is_active(each)}
    shown_pot |= {
        "word": word,
        "do": _do(shown_pot["alarms"]),
        "level": level.value,
        "sign": SIGNS[level],
        "pressure": None if shown_pa is None else pressure(shown_pa, unit),
        "pressure_pa": gauge_pa,
        "corrected": None if row.corrected_gauge_pa is None else pressure(row.corrected_gauge_pa, unit),
        "trend": None if active & _LOSS_ALARMS else words.trend(snapshot, pot, unit),
        "stage": snapshot.stage.value,
        "stage_word": words.STAGE_WORDS[snapshot.stage],
        "cure": words.cure(snapshot, wall),
        "cure_progress": None if cure is None else round(cure.progress, 4),
        "cure_done": words.is_cure_done(snapshot),
        "forecast": None if active & _FLOOR_ALARMS else words.forecast(snapshot, tz),
        "temperatures": words.temperatures(snapshot, pot),
    }
    return held.sentences(shown_pot, _SENTENCES, snapshot.t_s)


def silent_pot(pot_id: str, live: LivePot, tz: tzinfo | None, since: str | None) -> dict[str, Any]:
    """Return a pot not heard from since then: no values, and its alarms as last known."""
    return _common(pot_id, live, tz, True) | no_data(since)


def _common(pot_id: str, live: LivePot, tz: tzinfo | None, silent: bool) -> dict[str, Any]:
    snapshot = live.snapshot
    wall = words.wall_clock_of(snapshot, tz)
    return {
        "id": pot_id,
        "batch": live.batch,
        "label": words.label(snapshot),
        "alarms": [alarm(each, wall, snapshot.t_s, silent) for each in snapshot.alarms],
    }


def no_data(since: str | None) -> dict[str, Any]:
    """Return the fields of a pot with every value withdrawn."""
    withdrawn = (
        *("pressure", "pressure_pa", "corrected", "trend", "stage", "stage_word", "cure", "cure_progress"),
        *("forecast", "temperatures", "do"),
    )
    return {
        "word": words.silent_word(since),
        "level": Severity.UNKNOWN.value,
        "sign": SIGNS[Severity.UNKNOWN],
        "cure_done": False,
        **dict.fromkeys(withdrawn),
    }


def _recorded_pot(pot_id: str, store: Store, tz: tzinfo | None) -> dict[str, Any]:
    """Return a pot from the record alone. Its key `since`: Unix time of its last sample."""
    sample, batch = store.last_sample(pot_id), store.open_batch_of(pot_id)
    standing = [event for pot, event in store.standing_alarms() if pot == pot_id]
    return {
        "id": pot_id,
        "batch": None if batch is None else batch.id,
        "label": "" if batch is None else shown(batch.label),
        "alarms": [
            alarm(
                standing_of(each),
                WallClock(None if each.utc_s is None else each.utc_s - each.t_s, tz),
                each.t_s,
                True,
            )
            for each in standing
        ],
        "since": None if sample is None else sample.utc_s,
    }


def standing_of(event: AlarmEvent) -> StandingAlarm:
    """Return an alarm as its latest event in the record leaves it."""
    return StandingAlarm(
        event.alarm,
        event.priority,
        event.state,
        event.t_s,
        event.utc_s,
        event.text,
        event.until_utc_s,
        event.do,
        event.by_s,
        by_whom=event.by_whom,
    )


def _as_silent(pot: dict[str, Any], since: str | None) -> dict[str, Any]:
    return {key: value for key, value in pot.items() if key != "since"} | no_data(since)


def alarm(standing: StandingAlarm, wall: WallClock, now_s: float, old: bool) -> dict[str, Any]:
    """Return one standing alarm. old: as last known, its watch being silent."""
    level = words.alarm_level(standing)
    return {
        "alarm": standing.alarm.value,
        "word": ALARM_WORDS[standing.alarm],
        "level": level.value,
        "sign": SIGNS[level],
        "priority": standing.priority.value,
        "state": standing.state.value,
        "state_words": alarm_state(standing, wall.tz),
        "since_s": round(standing.since_s, 3),
        "since": wall.clock(standing.since_s, now_s) or f"{span(now_s - standing.since_s)} ago",
        "do": shown(headline(standing, wall.at(now_s))),
        "left_s": None if standing.by_s is None else standing.by_s - now_s,
        "text": shown(standing.text),
        "old": old,
        "is_new": standing.state is AlarmState.UNACKNOWLEDGED,
        "is_so": words.is_active(standing),
    }


def _silent_since(live: Live, tz: tzinfo | None) -> str | None:
    last_utc_s = live.last_utc_s
    if last_utc_s is None:
        return None
    # a rehearsed night runs on its own clock, unrelated to the real time
    return _when(last_utc_s, last_utc_s if live.rehearsed is not None else time.time(), tz)


def _when(utc_s: float, now_utc_s: float, tz: tzinfo | None) -> str:
    return WallClock(0.0, tz).clock(utc_s, now_utc_s)


def _do(alarms: list[dict[str, Any]]) -> str | None:
    """Return what the most urgent active alarm asks for, None if none is active."""
    active = [each for each in alarms if each["is_so"]]
    return min(active, key=lambda each: URGENCY.index(Severity(each["level"])))["do"] if active else None


def _moment(live: Live | None, silent: bool, tz: tzinfo | None) -> datetime | None:
    if live is None or (silent and live.rehearsed is None):
        return words.local(time.time(), tz)
    return None if live.last_utc_s is None else words.local(live.last_utc_s, tz)


def _advice(live: Live | None) -> str:
    """Return what to do while the watch is silent."""
    if live is not None and live.rehearsed is not None:
        return "The rehearsal has ended or paused: nothing here is current"
    return f"{LOOK_AT_THE_GAUGE.removesuffix('.')}, then see whether the watch is running"
