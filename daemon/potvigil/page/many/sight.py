"""All pots of all records at this moment, as the page shows them and as /api/now says them.

A record is read again when something of it has come. What is shown of a pot is what its watch says over
MQTT now, where there is a broker and it says more; else what it wrote last, with its moment. Where no_data
has come for SILENT_S every value is withdrawn, as on the pot's own page.
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
from potvigil.page.many.broker.asking import UNSEEN
from potvigil.page.many.broker.listener import Listener
from potvigil.page.many.broker.trees import PotHeard
from potvigil.page.many.overlay import is_gone, now_of
from potvigil.page.many.seen import PotSeen, RecordSeen, seen_record
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

KEPT_S = 2.0
_CARE_S = 3600.0
_AWAY = "The studio's database does not answer: look at each pot's own page or gauge"
_LIVE_ALONE = (
    "The studio's database does not answer: what is marked live comes from the Pis; all else is missing."
)
_SHIPPED_ALONE = (
    "What stands here is up to a minute old, as the Pis shipped it; acknowledge on a pot's own page."
)
_GONE = {"lost": "the broker has lost it", "disconnected": "its watch has ended"}


class Sight:
    """Puts together what is known; belongs to the one thread that calls `tell`."""

    def __init__(
        self, reader: StudioReader, pots_of: PotsOf, listener: Listener | None, may_ask: bool
    ) -> None:
        self._reader, self._pots_of = reader, pots_of
        self._listener, self._may_ask = listener, may_ask and listener is not None
        self._seen: dict[UUID, RecordSeen] = {}
        self._past: list[Shipped] = []
        self._held = Held()
        self._answered_utc_s: float | None = None

    def state(self) -> dict[str, Any]:
        """Return /api/now."""
        advice = None
        try:
            self._look()
        except RecordError:
            advice = _AWAY
        now_utc_s = time.time()
        names = Counter(name_of(seen.shipped, each) for seen in self._seen.values() for each in seen.pots)
        told = [
            self._pot(seen, each, names[name_of(seen.shipped, each)] > 1, advice is not None)
            for seen in self._seen.values()
            for each in seen.pots
        ]
        told += [_unreadable(seen.shipped, seen.fault) for seen in self._seen.values() if seen.fault]
        pots = by_urgency(told)
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
                seen[shipped.id] = seen_record(self._reader, shipped, self._pots_of)
            else:
                seen[shipped.id] = replace(known, shipped=shipped)
        self._seen = seen

    def _pot(self, seen: RecordSeen, each: PotSeen, shared: bool, away: bool) -> dict[str, Any]:
        """Return a pot. shared: another has its name. away: the database does not answer."""
        tz, heard = each.pot.tz, None if shared else self._heard(seen, each)
        known, at_utc_s = each.live, _heard_utc_s(seen, each)
        now_utc_s = seen.shipped.heard_utc_s + seen.shipped.age_s
        speaks, gone = False, None
        if heard is not None:
            if (said := now_of(heard, each)) is not None:
                known, at_utc_s, now_utc_s = said, said.snapshot.utc_s, time.time()
                speaks = heard.speaks(time.monotonic())
            gone = heard.gone if is_gone(heard, each) else None
        name = name_of(seen.shipped, each) + (f"-{str(seen.shipped.id)[:8]}" if shared else "")
        when = None if at_utc_s is None else _when(at_utc_s, now_utc_s, tz)
        is_old = gone is not None or away or at_utc_s is None or now_utc_s - at_utc_s > SILENT_S
        if is_old and not speaks:
            told = silent_pot(name, known, tz, when)
            if not away and known.batch is None and not told["alarms"]:
                # open and empty when it was heard of last: most likely switched off
                note = Severity.NOTE
                told |= {"word": f"last heard {when or 'never'}", "level": note.value, "sign": SIGNS[note]}
            told["heard"] = f"Nothing from its Pi since {when}." if when else "Nothing from its Pi yet."
            if gone is not None:
                told["heard"] = f"Its Pi is silent: {_GONE[gone]}."
        else:
            told = live_pot(name, known, each.pot, tz, self._held)
            told |= {"trend": _trend(told, known), "heard": "Live." if speaks else f"As of {when}."}
        if seen.rehearsed is not None:
            told["heard"] = f"Rehearsal, simulated: {seen.rehearsed}. {told['heard']}"
        path = path_of(seen.shipped.id, each.pot_id)
        if speaks and self._may_ask:
            for alarm in told["alarms"]:
                alarm["ask"] = f"{path}/acknowledge" if alarm["state"] in UNSEEN else None
        return told | {
            "live": speaks,
            # whose watch is one and no other
            "can_ask": self._may_ask and not shared and seen.rehearsed is None,
            "pot": each.pot_id,
            "record": str(seen.shipped.id),
            "workshop": seen.shipped.workshop,
            "href": path,
            "care": each.care or None,
            "own_page": seen.own_page and f"{seen.own_page}/pot/{quote(each.pot_id, safe='')}",
        }

    def _heard(self, seen: RecordSeen, each: PotSeen) -> PotHeard | None:
        """Return what is heard of a pot over MQTT; None where nobody listens, or it was rehearsed."""
        if self._listener is None or self._listener.trouble is not None or seen.rehearsed is not None:
            return None
        return self._listener.trees.pot(seen.shipped.workshop, each.pot_id)


def path_of(record: UUID, pot_id: str) -> str:
    return f"/of/{record}/pot/{quote(pot_id, safe='')}"


def name_of(shipped: Shipped, each: PotSeen) -> str:
    """Return what a pot is called among those of all workshops."""
    return f"{shipped.workshop}/{each.pot_id}"


def _unreadable(shipped: Shipped, fault: str) -> dict[str, Any]:
    """Return what stands for the pots of a record that could not be read: it must not seem to have none."""
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


def _trend(told: dict[str, Any], live: LivePot) -> str | None:
    """Return what the pressure does. Why it changed a record does not keep: of that no_data is said."""
    row = TraceRow.of(live.snapshot)
    if told["trend"] is not None and row.leak_pa_per_s is not None and not row.leak_established:
        return "No air loss detected." if row.stage is Stage.HOLDING else str(told["trend"])
    return None if told["trend"] is None else str(told["trend"])


def _when(utc_s: float, now_utc_s: float, tz: tzinfo | None) -> str:
    return WallClock(0.0, tz).clock(utc_s, now_utc_s)
