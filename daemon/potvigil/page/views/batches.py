"""The record's batches as the page lists and shows them."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Any
from urllib.parse import urlencode

from potvigil.model.batch_details import is_flawed
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    Detail,
    Event,
    NoteEvent,
    NoteId,
    StageEvent,
    StandingAlarm,
    Verdict,
)
from potvigil.page.views import words
from potvigil.page.views.details import FIELDS
from potvigil.page.views.words import SIGNS, VERDICT_WORDS, Severity, WallClock
from potvigil.record.requests.batch_query import OPEN, Wanted
from potvigil.record.requests.detail_input import habits_of
from potvigil.record.rows import BatchRow, EditRow, ListedBatch
from potvigil.record.store import Store
from potvigil.units import span
from potvigil.wording.alarm import in_words
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import TimeTeller, alarm_state, pressure, rate, shown
from potvigil.wording.verdict import HELD_ABOVE_MAXIMUM, cast, was_above_maximum

PAGE = 50
LAST_PAGE = 10_000
# A regulator that feeds all night must not make a page of megabytes.
MOST_EVENTS = 500
LONGEST_FILTER = 200  # characters of one filter
QUERY = ("pot", "verdict", "since", "until", "find", "alarm")
VERDICTS = [
    *({"value": each.value, "word": text} for each, (text, _) in VERDICT_WORDS.items()),
    {"value": OPEN, "word": words.STILL_OPEN[0]},
]
ALARM_KINDS = [{"value": each.value, "word": text} for each, text in ALARM_WORDS.items()]


class QueryError(ValueError):
    """The list's filters are invalid; one line for a person."""


# --- the list


def query_of(given: Mapping[str, str], names: Iterable[str] = QUERY) -> dict[str, str]:
    """Return the list's filters from an address; "" for each that is absent."""
    return {name: shown(given.get(name, "")[:LONGEST_FILTER]) for name in names}


def listed(store: Store, query: Mapping[str, str], page: int) -> dict[str, Any]:
    """Return a page of the list. Raises QueryError or RecordError."""
    unit, tz = habits_of(store)
    rows = store.listed(wanted_of(query, tz, PAGE + 1, (page - 1) * PAGE))
    return list_page([line(row, unit, tz) for row in rows], query, page)


def list_page(rows: Sequence[Mapping[str, Any]], query: Mapping[str, str], page: int) -> dict[str, Any]:
    """Return a page of the list. rows: those of the page, plus one if older ones follow."""
    given = {key: value for key, value in query.items() if value}

    def link(to_page: int) -> str:
        return f"/batches?{urlencode({**given, 'page': str(to_page)})}"

    return empty_list(query, None) | {
        "rows": rows[:PAGE],
        "page": page,
        "newer": link(page - 1) if page > 1 else None,
        "older": link(page + 1) if len(rows) > PAGE and page < LAST_PAGE else None,
    }


def empty_list(query: Mapping[str, str], fault: str | None) -> dict[str, Any]:
    """Return an empty list. fault: what is wrong with the filters, None if nothing."""
    return {
        "rows": [],
        "query": query,
        "verdicts": VERDICTS,
        "alarm_kinds": ALARM_KINDS,
        "page": 1,
        "newer": None,
        "older": None,
        "fault": fault,
    }


def page_number(text: str) -> int:
    """Return the page number of an address, clamped to the valid range; 1 if it is not a number."""
    number = int(text) if text.isascii() and text.isdecimal() and len(text) < 7 else 1
    return min(max(number, 1), LAST_PAGE)


def wanted_of(query: Mapping[str, str], tz: tzinfo | None, limit: int, skip: int) -> Wanted:
    """Return the record query for these filters. Raises QueryError."""
    verdict, kind = query["verdict"], query["alarm"]
    if verdict and verdict not in [each["value"] for each in VERDICTS]:
        raise QueryError(f"There is no verdict {shown(verdict)!r}.")
    if kind and kind not in list(AlarmId):
        raise QueryError(f"There is no alarm {shown(kind)!r}.")
    return Wanted(
        pot_id=query["pot"] or None,
        verdict=None if not verdict else verdict if verdict == OPEN else Verdict(verdict),
        since_utc_s=_midnight(query["since"], tz, 0),
        before_utc_s=_midnight(query["until"], tz, 1),
        text=query["find"].strip() or None,
        alarm=AlarmId(kind) if kind else None,
        limit=limit,
        skip=skip,
    )


def _midnight(text: str, tz: tzinfo | None, days: int) -> float | None:
    if not text:
        return None
    try:
        day = datetime.strptime(text, "%Y-%m-%d") + timedelta(days=days)
        return (day.astimezone() if tz is None else day.replace(tzinfo=tz)).timestamp()
    except (ValueError, OverflowError, OSError):
        raise QueryError(f"{shown(text)!r} is not a date; give one like 2026-03-01.") from None


def line(row: ListedBatch, unit: str, tz: tzinfo | None) -> dict[str, Any]:
    """Return one line of the list."""
    verdict, text, level = _verdict(row.verdict, row.above_maximum)
    outcome = row.details.get(Detail.OUTCOME, "")
    return {
        "id": row.id,
        "pot": row.pot_id,
        "label": shown(row.label),
        "resin": shown(row.details.get(Detail.RESIN, "")),
        "began": _moment(row.start_utc_s, tz),
        "lasted": "" if row.end_t_s is None else span(row.end_t_s - row.start_t_s),
        "verdict": verdict,
        "word": text,
        "level": level.value,
        "sign": SIGNS[level],
        "leak": rate(row.leak_pa_per_s.value, unit) if row.leak_pa_per_s and row.leak_established else "",
        "alarms": row.alarms,
        "cast": cast(outcome),
        "flawed": bool(is_flawed(outcome)),
        "rehearsed": row.rehearsed,
    }


def _verdict(verdict: Verdict | None, above_maximum: bool) -> tuple[str, str, Severity]:
    if verdict is None:
        return OPEN, *words.STILL_OPEN
    if verdict is Verdict.HELD and above_maximum:
        return verdict.value, HELD_ABOVE_MAXIMUM, Severity.WARN
    return verdict.value, *VERDICT_WORDS[verdict]


def _moment(utc_s: float | None, tz: tzinfo | None) -> str:
    return "" if utc_s is None else f"{words.local(utc_s, tz):%a %Y-%m-%d %H:%M}"


# --- one batch


def shown_batch(store: Store, row: BatchRow) -> dict[str, Any]:
    """Return what the page of a batch shows, without its form."""
    unit, tz = habits_of(store)
    events = store.events(row.id)
    utc_less_t_s = None if row.start_utc_s is None else row.start_utc_s - row.start_t_s
    summary = row.summary
    verdict, text, level = _verdict(row.verdict, summary is not None and was_above_maximum(summary))
    outcome = row.details.get(Detail.OUTCOME, "")
    return {
        "batch": {
            "id": row.id,
            "pot": row.pot_id,
            "label": shown(row.label),
            "began": _moment(row.start_utc_s, tz) or "started with the clock not set",
            "ended": _moment(row.end_utc_s, tz),
            "lasted": "" if row.end_t_s is None else span(row.end_t_s - row.start_t_s),
            "word": text,
            "verdict": verdict,
            "level": level.value,
            "sign": SIGNS[level],
            "reason": "" if summary is None else f"{summary.reason[:1].upper()}{summary.reason[1:]}.",
            "rehearsed": row.rehearsed,
            "is_open": row.end_t_s is None,
            "is_asked": row.end_t_s is not None and not outcome,
            "outcome": shown(outcome),
            "flawed": bool(is_flawed(outcome)),
            "facts": [] if summary is None else list(_facts(summary, unit, WallClock(utc_less_t_s, tz))),
        },
        "events": list(_timeline(events, row, tz)),
        "edits": [_edit_line(each, tz) for each in store.edits(row.id)],
    }


def _facts(summary: BatchSummary, unit: str, wall: WallClock) -> Iterator[dict[str, str]]:
    start_pa, end_pa, lowest_pa = (
        summary.hold_start_gauge_pa, summary.hold_end_gauge_pa, summary.lowest_gauge_pa,
    )  # fmt: skip
    if start_pa is not None and end_pa is not None:
        yield {"name": "Hold", "text": f"{pressure(start_pa, unit)} to {pressure(end_pa, unit)}"}
    if lowest_pa is not None:
        yield {"name": "Lowest", "text": pressure(lowest_pa, unit)}
    leak = summary.leak
    if leak is None:
        yield {"name": "Air lost", "text": "not known"}
    elif leak.established:
        rates = leak.rate_pa_per_s
        yield {
            "name": "Air lost",
            "text": f"{rate(rates.value, unit)} ({rate(rates.low, unit)} to {rate(rates.high, unit)})",
        }
    else:
        most = rate(max(leak.rate_pa_per_s.high, 0.0), unit)
        yield {"name": "Air lost", "text": f"no leak established, at most {most}"}
    done = wall.clock(summary.cure.done_s) if summary.cure.progress >= 1.0 else ""
    yield {
        "name": "Cure",
        "text": f"{100.0 * summary.cure.progress:.0f} %{f', done at {done}' if done else ''}",
    }
    if summary.top_ups:
        yield {"name": "Top-ups", "text": str(summary.top_ups)}


def _timeline(events: Sequence[Event], row: BatchRow, tz: tzinfo | None) -> Iterator[dict[str, str]]:
    day = ""
    for event in events[:MOST_EVENTS]:
        what, text, level = _described(event, tz)
        if not text:
            continue
        new_day, clock = "", f"{span(event.t_s - row.start_t_s)} in"
        if event.utc_s is not None:
            moment = words.local(event.utc_s, tz)
            clock, today = f"{moment:%H:%M:%S}", f"{moment:%a %Y-%m-%d}"
            new_day, day = (today, today) if today != day else ("", day)
        yield {
            "day": new_day,
            "time": clock,
            "what": what,
            "text": shown(text),
            "level": level.value,
            "sign": SIGNS[level],
        }
    if len(events) > MOST_EVENTS:
        more = f"and {len(events) - MOST_EVENTS} more; the report has them all"
        yield {"day": "", "time": "", "what": "note", "text": more, "level": "note", "sign": "●"}


def _described(event: Event, tz: tzinfo | None) -> tuple[str, str, Severity]:
    """Return an event's kind, its text ("" if it is not shown) and its level."""
    match event:
        case StageEvent():
            return "stage", words.STAGE_WORDS[event.stage], Severity.CALM
        case AlarmEvent():
            if event.repeat:
                return "alarm", "", Severity.NOTE
            name = ALARM_WORDS[event.alarm]
            if event.state is not AlarmState.UNACKNOWLEDGED:
                return "alarm", f"{name}: {alarm_state(event, tz)}", Severity.NOTE
            standing = StandingAlarm(event.alarm, event.priority, event.state, 0.0, None, "")
            text = in_words(event, TimeTeller(event.t_s, event.utc_s, tz))
            return "alarm", f"{name}: {text}", words.alarm_level(standing)
        case NoteEvent():
            return "note", event.text, Severity.WARN if event.note is NoteId.REFUSED else Severity.NOTE
        case BatchOpened():
            return "batch", "batch opened", Severity.CALM
        case BatchClosed():
            _, text, level = _verdict(event.summary.verdict, was_above_maximum(event.summary))
            return "batch", f"batch closed: {text[:1].lower()}{text[1:]}", level
        case _:
            return "note", "", Severity.NOTE


def _edit_line(edit: EditRow, tz: tzinfo | None) -> dict[str, str]:
    return {
        "time": _moment(edit.utc_s, tz) or "time not known",
        "field": FIELDS[edit.field][0],
        "old": shown(edit.old),
        "new": shown(edit.new),
        "by": shown(edit.by),
    }
