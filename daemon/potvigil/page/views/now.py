"""All pots at this moment, as the page shows them and as /api/now says them.

Nothing old is ever shown as new: when the watch is silent every value is withdrawn, and the word says since
when; only the alarms stay, marked as last known.
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
from potvigil.page.views.words import SIGNS, Severity, Teller
from potvigil.page.zone import zone_words
from potvigil.record.errors import RecordError
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.units import LEAST_SHOWN, PRESSURE_UNITS_PA, span
from potvigil.wording.alarm import headline
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import alarm_state, pressure, shown
from potvigil.wording.silence import LOOK_AT_THE_GAUGE

PotsOf = Callable[[str], Mapping[str, Pot]]  # the pots of settings as a run keeps them
OpenStore = Callable[[], Store]
# How often a record is asked again while nothing comes from the watch, or its settings could not be read.
ASK_AGAIN_S = 5.0
# What care is due changes with the day, and when somebody notes that it was given.
CARE_S = 60.0
_SENTENCES = ("trend", "forecast", "cure", "corrected", "temperatures")
# Alarms that say what the pressure does, and those that say when or that the floor is passed: said once.
_TELL_THE_LOSS = frozenset(
    {
        *(AlarmId.LEAK, AlarmId.FLOOR_AHEAD, AlarmId.SUPPLY_MASKING),
        *(AlarmId.RAPID_LOSS, AlarmId.VENTED_EARLY),
    }
)
_TELL_THE_FLOOR = frozenset({AlarmId.FLOOR_AHEAD, AlarmId.BELOW_FLOOR})


class Now:
    """Puts together what is known; belongs to the one thread that calls `tell`."""

    def __init__(self, reader: LiveReader, open_store: OpenStore, pots_of: PotsOf) -> None:
        self._reader = reader
        self._open_store = open_store
        self._pots_of = pots_of
        self._pots: Mapping[str, Pot] = {}
        self._run: float | None = None
        self._ask_again_s = float("-inf")
        self._care: dict[str, str] = {}  # of a pot, what is due
        self._care_again_s = float("-inf")
        self._kept: list[dict[str, Any]] = []  # pots by the record alone
        self._whose: tuple[str, str | None] | None = None  # the record's workshop and rehearsed night
        self._held = Held()

    def live_of(self, pot_id: str) -> LivePot | None:
        """Return what the watch of this record says of a pot now, None while it is silent."""
        live, silent = self._hear()
        return None if live is None or silent or live.run != self._run else live.pots.get(pot_id)

    def heard(self) -> tuple[Live | None, bool, Mapping[str, Pot]]:
        """Return what the watch of this record said last, whether it is silent, and the pots' settings."""
        return *self._hear(), self._pots

    def tell(self) -> dict[str, Any]:
        """Return /api/now."""
        live, silent = self._hear()
        workshop, rehearsed = self._whose or ("", None)
        if live is not None:
            workshop, rehearsed = live.workshop, live.rehearsed
        pot = next(iter(self._pots.values()), None)
        tz = None if pot is None else pot.tz
        self._look_after_care(tz)
        since = None
        if live is None:
            pots = self._kept
            since = max((each["since"] for each in pots if each["since"]), default=None)
            since = None if since is None else _when(since, time.time(), tz)
            pots = [_as_silent(each, since) for each in pots]
        else:
            since = _heard(live, tz) if silent else None
            pots = [
                told_pot(pot_id, each, self._pots.get(pot_id), tz, self._held)
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

    def _look_after_care(self, tz: tzinfo | None) -> None:
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

    def _hear(self) -> tuple[Live | None, bool]:
        """Return what the watch says, None where there is nothing of the workshop of this record."""
        live, silent = self._reader.read()
        self._take_up(live)
        if live is not None and self._whose not in (None, (live.workshop, live.rehearsed)):
            return None, True
        return live, silent

    def _take_up(self, live: Live | None) -> None:
        """Read what the record knows: the settings of the run, and all there is while nothing else tells."""
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
                self._whose = (str(json.loads(run.settings_json).get("workshop", "")), run.rehearsed)
                if live is None or self._whose != (live.workshop, live.rehearsed):
                    self._kept = [
                        _kept(pot_id, store, self._pots[pot_id].tz)
                        for pot_id in store.pots()
                        if pot_id in self._pots
                    ]
                elif abs(run.start_t_s - live.run) < 1.0:
                    self._run = live.run
        except (RecordError, ValueError):
            return  # the record has its own alarm; what was known stays


def told_pot(pot_id: str, live: LivePot, pot: Pot | None, tz: tzinfo | None, held: Held) -> dict[str, Any]:
    """Return a pot as it is now. pot: its settings, where they are known."""
    snapshot = live.snapshot
    unit = "psi" if pot is None else pot.pressure_unit
    teller = words.teller_of(snapshot, tz)
    said = _whose(pot_id, live, tz, False)
    word, level = words.word(snapshot, pot)
    row = TraceRow.of(snapshot)
    gauge_pa, cure = snapshot.reading.gauge_pa, snapshot.cure
    shown_pa = None
    if gauge_pa is not None:
        step_pa = LEAST_SHOWN[unit] * PRESSURE_UNITS_PA[unit]
        shown_pa = held.pressure_pa(pot_id, gauge_pa, step_pa)
    told = {each.alarm for each in snapshot.alarms if words.is_true(each)}
    said |= {
        "word": word,
        "do": _do(said["alarms"]),
        "level": level.value,
        "sign": SIGNS[level],
        "pressure": None if shown_pa is None else pressure(shown_pa, unit),
        "pressure_pa": gauge_pa,
        "corrected": None if row.corrected_gauge_pa is None else pressure(row.corrected_gauge_pa, unit),
        "trend": None if told & _TELL_THE_LOSS else words.trend(snapshot, pot, unit),
        "stage": snapshot.stage.value,
        "stage_word": words.STAGE_WORDS[snapshot.stage],
        "cure": words.cure(snapshot, teller),
        "cure_progress": None if cure is None else round(cure.progress, 4),
        "cure_done": words.is_cure_done(snapshot),
        "forecast": None if told & _TELL_THE_FLOOR else words.forecast(snapshot, tz),
        "temperatures": words.temperatures(snapshot, pot),
    }
    return held.sentences(said, _SENTENCES, snapshot.t_s)


def silent_pot(pot_id: str, live: LivePot, tz: tzinfo | None, since: str | None) -> dict[str, Any]:
    """Return a pot of which nothing was heard since: no value, and its alarms as last known."""
    return _whose(pot_id, live, tz, True) | nothing(since)


def _whose(pot_id: str, live: LivePot, tz: tzinfo | None, silent: bool) -> dict[str, Any]:
    snapshot = live.snapshot
    teller = words.teller_of(snapshot, tz)
    return {
        "id": pot_id,
        "batch": live.batch,
        "label": words.label(snapshot),
        "alarms": [alarm(each, teller, snapshot.t_s, silent) for each in snapshot.alarms],
    }


def nothing(since: str | None) -> dict[str, Any]:
    """Return a pot of which nothing is known now."""
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


def _kept(pot_id: str, store: Store, tz: tzinfo | None) -> dict[str, Any]:
    """Return a pot as the record alone knows it; since: Unix time of its last sample."""
    sample, batch = store.last_sample(pot_id), store.open_batch_of(pot_id)
    standing = [event for pot, event in store.standing_alarms() if pot == pot_id]
    return {
        "id": pot_id,
        "batch": None if batch is None else batch.id,
        "label": "" if batch is None else shown(batch.label),
        "alarms": [
            alarm(
                standing_of(each),
                Teller(None if each.utc_s is None else each.utc_s - each.t_s, tz),
                each.t_s,
                True,
            )
            for each in standing
        ],
        "since": None if sample is None else sample.utc_s,
    }


def standing_of(event: AlarmEvent) -> StandingAlarm:
    """Return an alarm as its latest event in the record tells of it."""
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


def _as_silent(kept: dict[str, Any], since: str | None) -> dict[str, Any]:
    return {key: value for key, value in kept.items() if key != "since"} | nothing(since)


def alarm(standing: StandingAlarm, teller: Teller, now_s: float, old: bool) -> dict[str, Any]:
    """Return one standing alarm. old: as it was last known."""
    level = words.alarm_level(standing)
    return {
        "alarm": standing.alarm.value,
        "word": ALARM_WORDS[standing.alarm],
        "level": level.value,
        "sign": SIGNS[level],
        "priority": standing.priority.value,
        "state": standing.state.value,
        "state_words": alarm_state(standing, teller.tz),
        "since_s": round(standing.since_s, 3),
        "since": teller.clock(standing.since_s, now_s) or f"{span(now_s - standing.since_s)} ago",
        "do": shown(headline(standing, teller.at(now_s))),
        "left_s": None if standing.by_s is None else standing.by_s - now_s,
        "text": shown(standing.text),
        "old": old,
        "is_new": standing.state is AlarmState.UNACKNOWLEDGED,
        "is_so": words.is_true(standing),
    }


def _heard(live: Live, tz: tzinfo | None) -> str | None:
    last_utc_s = live.last_utc_s
    if last_utc_s is None:
        return None
    # a rehearsed night has a clock of its own, beside which "now" means nothing
    return _when(last_utc_s, last_utc_s if live.rehearsed is not None else time.time(), tz)


def _when(utc_s: float, now_utc_s: float, tz: tzinfo | None) -> str:
    return Teller(0.0, tz).clock(utc_s, now_utc_s)


def _do(alarms: list[dict[str, Any]]) -> str | None:
    """Return what the most pressing alarm asks for, None where none that is so presses."""
    pressing = [each for each in alarms if each["is_so"]]
    return min(pressing, key=lambda each: URGENCY.index(Severity(each["level"])))["do"] if pressing else None


def _moment(live: Live | None, silent: bool, tz: tzinfo | None) -> datetime | None:
    if live is None or (silent and live.rehearsed is None):
        return words.local(time.time(), tz)
    return None if live.last_utc_s is None else words.local(live.last_utc_s, tz)


def _advice(live: Live | None) -> str:
    """Return what to do while the watch is silent."""
    if live is not None and live.rehearsed is not None:
        return "The rehearsal has ended or paused: nothing here is current"
    return f"{LOOK_AT_THE_GAUGE.removesuffix('.')}, then see whether the watch is running"
