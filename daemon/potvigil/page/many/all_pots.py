"""All pots of all records at this moment, as the page shows them and as /api/now returns them.

A record is read again when new data of it has arrived. A pot shows its live values over MQTT if there is a
broker and they are newer; else its last values from the record, with their time. After SILENT_S without data
every value is withdrawn, as on the pot's own page.
"""

import time
from collections import Counter
from dataclasses import replace
from datetime import tzinfo
from typing import Any
from urllib.parse import quote
from uuid import UUID

from potvigil.live_reader import LivePot
from potvigil.model.events import Stage
from potvigil.page.ground import sentence
from potvigil.page.many.broker.asking import TO_ACKNOWLEDGE
from potvigil.page.many.broker.listener import Listener
from potvigil.page.many.broker.trees import PotHeard
from potvigil.page.many.known import KnownPot, KnownRecord, known_record
from potvigil.page.many.overlay import is_gone, with_live
from potvigil.page.views import words
from potvigil.page.views.held import Held
from potvigil.page.views.now import PotsOf, live_pot, no_data, silent_pot
from potvigil.page.views.strip import by_urgency, strip
from potvigil.page.views.words import SIGNS, Severity, WallClock
from potvigil.page.zone import zone_words
from potvigil.record.errors import RecordError
from potvigil.record.rows import TraceRow
from potvigil.studio.reading import SILENT_S, Shipped, StudioReader
from potvigil.wording.quantities import shown

CACHED_S = 2.0
_CARE_S = 3600.0
_AWAY = "The studio's database does not answer: look at each pot's own page or gauge"
_LIVE_ALONE = (
    "The studio's database does not answer: what is marked live comes from the Pis; all else is missing."
)
_SHIPPED_ALONE = (
    "What is shown is up to a minute old, as the Pis shipped it; acknowledge on a pot's own page."
)
_GONE = {"lost": "the broker has lost it", "disconnected": "its watch has ended"}


class AllPots:
    """Builds /api/now. Not thread-safe: used only by the thread that calls `state`."""

    def __init__(
        self, reader: StudioReader, pots_of: PotsOf, listener: Listener | None, may_ask: bool
    ) -> None:
        self._reader, self._pots_of = reader, pots_of
        self._listener, self._may_ask = listener, may_ask and listener is not None
        self._records: dict[UUID, KnownRecord] = {}
        self._past: list[Shipped] = []
        self._held = Held()
        self._answered_utc_s: float | None = None

    def state(self) -> dict[str, Any]:
        """Return /api/now."""
        advice = None
        try:
            self._refresh()
        except RecordError:
            advice = _AWAY
        now_utc_s = time.time()
        names = Counter(
            name_of(record.shipped, each) for record in self._records.values() for each in record.pots
        )
        pots = [
            self._pot(record, each, names[name_of(record.shipped, each)] > 1, advice is not None)
            for record in self._records.values()
            for each in record.pots
        ]
        pots += [
            _unreadable(record.shipped, record.fault) for record in self._records.values() if record.fault
        ]
        pots = by_urgency(pots)
        since = None if self._answered_utc_s is None else _when(self._answered_utc_s, now_utc_s, None)
        notice = None
        if self._listener is not None and self._listener.trouble is not None:
            notice = f"{self._listener.trouble}. {_SHIPPED_ALONE}"
        elif advice is not None and any(pot["live"] for pot in pots):
            notice, advice = _LIVE_ALONE, None
        return {
            "silent": advice is not None,
            "since": since if advice else None,
            "notice": notice,
            "now": f"{words.local(now_utc_s, None):%H:%M:%S}",
            "strip": strip(pots, advice, since, words.local(now_utc_s, None)),
            "zone": zone_words(None, now_utc_s),
            "workshop": "Studio",
            "rehearsed": None,
            "pots": pots,
            "past": [{"record": str(each.id), "workshop": each.workshop} for each in self._past],
        }

    def _refresh(self) -> None:
        """Read the records that have changed. Raises RecordError."""
        records = self._reader.records()
        self._answered_utc_s = time.time()
        self._past = [each for each in records if each.is_past]
        records_by_id: dict[UUID, KnownRecord] = {}
        for shipped in records:
            if shipped.is_past:
                continue
            known = self._records.get(shipped.id)
            is_due = known is None or known.shipped.heard_utc_s != shipped.heard_utc_s
            if known is None or is_due or time.monotonic() - known.read_s > _CARE_S:
                records_by_id[shipped.id] = known_record(self._reader, shipped, self._pots_of)
            else:
                records_by_id[shipped.id] = replace(known, shipped=shipped)
        self._records = records_by_id

    def _pot(self, record: KnownRecord, each: KnownPot, shared: bool, away: bool) -> dict[str, Any]:
        """Return a pot. shared: another pot has the same name. away: the database does not answer."""
        tz, heard = each.pot.tz, None if shared else self._heard(record, each)
        known, at_utc_s = each.live, _heard_utc_s(record, each)
        now_utc_s = record.shipped.heard_utc_s + record.shipped.age_s
        is_live, gone = False, None
        if heard is not None:
            if (live := with_live(heard, each)) is not None:
                known, at_utc_s, now_utc_s = live, live.snapshot.utc_s, time.time()
                is_live = heard.is_live(time.monotonic())
            gone = heard.gone if is_gone(heard, each) else None
        name = name_of(record.shipped, each) + (f"-{str(record.shipped.id)[:8]}" if shared else "")
        when = None if at_utc_s is None else _when(at_utc_s, now_utc_s, tz)
        is_old = gone is not None or away or at_utc_s is None or now_utc_s - at_utc_s > SILENT_S
        if is_old and not is_live:
            pot = silent_pot(name, known, tz, when)
            if not away and known.batch is None and not pot["alarms"]:
                # open and empty when last heard: most likely switched off
                note = Severity.NOTE
                pot |= {"word": f"last heard {when or 'never'}", "level": note.value, "sign": SIGNS[note]}
            pot["heard"] = f"Nothing from its Pi since {when}." if when else "Nothing from its Pi yet."
            if gone is not None:
                pot["heard"] = f"Its Pi is silent: {_GONE[gone]}."
        else:
            pot = live_pot(name, known, each.pot, tz, self._held)
            pot |= {"trend": _trend(pot, known), "heard": "Live." if is_live else f"As of {when}."}
        if record.rehearsed is not None:
            pot["heard"] = f"Rehearsal, simulated: {record.rehearsed}. {pot['heard']}"
        path = path_of(record.shipped.id, each.pot_id)
        if is_live and self._may_ask:
            for alarm in pot["alarms"]:
                alarm["ask"] = f"{path}/acknowledge" if alarm["state"] in TO_ACKNOWLEDGE else None
        return pot | {
            "live": is_live,
            # a command needs exactly one real watch of that name
            "can_ask": self._may_ask and not shared and record.rehearsed is None,
            "pot": each.pot_id,
            "record": str(record.shipped.id),
            "workshop": record.shipped.workshop,
            "href": path,
            "care": each.care or None,
            "own_page": record.own_page and f"{record.own_page}/pot/{quote(each.pot_id, safe='')}",
        }

    def _heard(self, record: KnownRecord, each: KnownPot) -> PotHeard | None:
        """Return a pot's state over MQTT; None without a broker or for a rehearsal."""
        if self._listener is None or self._listener.trouble is not None or record.rehearsed is not None:
            return None
        return self._listener.trees.pot(record.shipped.workshop, each.pot_id)


def path_of(record: UUID, pot_id: str) -> str:
    return f"/of/{record}/pot/{quote(pot_id, safe='')}"


def name_of(shipped: Shipped, each: KnownPot) -> str:
    """Return a pot's name among those of all workshops."""
    return f"{shipped.workshop}/{each.pot_id}"


def _unreadable(shipped: Shipped, fault: str) -> dict[str, Any]:
    """Return a placeholder for the pots of an unreadable record, so that they do not just disappear."""
    return no_data(None) | {
        "id": f"{shipped.workshop}/{str(shipped.id)[:8]}",
        "batch": None,
        "label": "",
        "alarms": [],
        "word": "cannot be read",
        "heard": sentence(shown(fault)),
        "live": False,
        "can_ask": False,
        "pot": "",
        "record": str(shipped.id),
        "workshop": shipped.workshop,
        "href": f"/batches?record={shipped.id}",
        "care": None,
        "own_page": None,
    }


def _heard_utc_s(record: KnownRecord, each: KnownPot) -> float | None:
    """Return the Unix time a pot was last heard from; None if never.

    A shipper outlives its watch, so the last sample counts, not the last shipment; unless the sample has
    no wall time, or a rehearsal's.
    """
    if each.last is None:
        return None
    heard_utc_s = record.shipped.heard_utc_s
    if record.rehearsed is not None or each.last.utc_s is None:
        return heard_utc_s
    return min(each.last.utc_s, heard_utc_s)


def _trend(pot: dict[str, Any], live: LivePot) -> str | None:
    """Return what the pressure is doing, but not why: the record does not store the cause."""
    row = TraceRow.of(live.snapshot)
    if pot["trend"] is not None and row.leak_pa_per_s is not None and not row.leak_established:
        return "No air loss detected." if row.stage is Stage.HOLDING else str(pot["trend"])
    return None if pot["trend"] is None else str(pot["trend"])


def _when(utc_s: float, now_utc_s: float, tz: tzinfo | None) -> str:
    return WallClock(0.0, tz).clock(utc_s, now_utc_s)
