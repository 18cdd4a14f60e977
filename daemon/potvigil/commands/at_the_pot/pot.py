"""A pot over its batches: its ageing and its maintenance."""

import argparse
import calendar
import json
import re
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from potvigil.commands.shared.common import LAST_YEAR, UseError, day, known_pot, record_path
from potvigil.commands.shared.pages import write_pages
from potvigil.commands.shared.status import DONE
from potvigil.commands.shared.which_record import open_record
from potvigil.diagnosis.pot_health import health
from potvigil.model.ageing import BatchLeak
from potvigil.model.batch_details import has_control_characters
from potvigil.model.events import Detail
from potvigil.model.maintenance import Part
from potvigil.model.who import COMMAND_LINE
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.requests.detail_input import habits_of
from potvigil.record.rows import CareRow
from potvigil.record.store import Store
from potvigil.reports.health import health_html
from potvigil.units import PRESSURE, TIME
from potvigil.wording.health import health_lines
from potvigil.wording.quantities import shown
from potvigil.wording.taught import known_lines

_LONGEST_NOTE = 200
_LATEST_BATCHES = 20  # searched for one of the same kind, rehearsed or real


def pot_health(args: argparse.Namespace) -> int:
    """Print a pot's health, and write it as a page on request."""
    with open_record(args) as record:
        store = record.store
        pot_id = known_pot(store, args.pot, "POT")
        unit, tz = habits_of(store)
        leaks, cares, cure = store.leaks(pot_id), store.cares(pot_id), _cure(store, pot_id)
        listed = [] if args.out is None else store.listed(Wanted(pot_id=pot_id))
        labels = {row.id: row.label for row in listed}
        outcomes = {row.id: row.details.get(Detail.OUTCOME, "") for row in listed}
        real = [row for row in leaks if row.rehearsed is None]
        rehearsed = bool(leaks) and not real
        known = _known(store, pot_id, cares, tz, rehearsed=rehearsed)
    judged = health(
        [
            BatchLeak(row.batch_id, row.t_s, row.utc_s, row.rate_pa_per_s, row.established, row.verdict)
            for row in (leaks if rehearsed else real)
        ],
        [row.care for row in cares],
        cure.bearable_pa_per_s,
    )
    now_utc_s = time.time()
    if rehearsed:
        print("Rehearsed batches only: nothing here was measured on a pot.")
    for line in [*health_lines(judged, unit, tz, cure.hold_s, now_utc_s), *known]:
        print(line)
    for care in cares:
        text = f": {shown(care.text)}" if care.text else ""
        print(f"{_date(care.utc_s, tz)}  {care.part}{text} (note {care.id})")
    if args.out is not None:
        html = health_html(
            judged, pot_id=pot_id, workshop=cure.workshop, labels=labels,
            unit=unit, tz=tz, hold_s=cure.hold_s, rehearsed=rehearsed, now_utc_s=now_utc_s, known=known,
            outcomes=outcomes,
        )  # fmt: skip
        write_pages(args, args.out, html)
    return DONE


def _known(
    store: Store, pot_id: str, cares: list[CareRow], tz: tzinfo | None, *, rehearsed: bool
) -> list[str]:
    """Return lines on what was learned from the pot's batches, and what was discarded since."""
    taught = next(iter(store.taught(pot_id, rehearsed=rehearsed)), None)
    if taught is None:
        return []
    rows = store.listed(Wanted(pot_id=pot_id, limit=_LATEST_BATCHES))
    newest = next((row for row in rows if (row.rehearsed is not None) == rehearsed), None)
    since = [row.care for row in cares if row.t_s >= taught.end_t_s]
    by, mould = (taught.batch_id, taught.mould)
    last = (by, mould) if newest is None else (newest.id, newest.details.get(Detail.MOULD, ""))
    return list(known_lines(taught.batches, since, (by, mould), last, tz))


def pot_care(args: argparse.Namespace) -> int:
    """Note that a pot was serviced, or remove such a note."""
    now_utc_s = time.time()
    text = " ".join(args.text.split())
    if len(text) > _LONGEST_NOTE:
        raise UseError(f"a note of {len(text)} characters; at most {_LONGEST_NOTE} are allowed")
    if has_control_characters(text):
        raise UseError("a note with control characters in it; write it without them")
    with Store.open(record_path(args), create=False) as store:
        pot_id = known_pot(store, args.pot, "POT")
        if args.remove is not None:
            if not store.remove_care(pot_id, args.remove):
                raise UseError(f"{pot_id} has no note {args.remove}; see `potvigil pot health {pot_id}`")
            print(f"note {args.remove} of {pot_id} removed")
            return DONE
        if args.part is None:
            raise UseError(f"give the part: {', '.join(Part)}")
        _, tz = habits_of(store)
        utc_s = now_utc_s if args.on is None else min(day(args.on, tz, hours=12).timestamp(), now_utc_s)
        if args.on is not None and day(args.on, tz).timestamp() > now_utc_s:
            raise UseError(f"{args.on} is still to come; give the day it was done")
        due_utc_s = _due(args, utc_s, tz)
        reminded = any(row.part == args.part and row.due_utc_s is not None for row in store.cares(pot_id))
        store.add_care(pot_id, utc_s, args.part, text, COMMAND_LINE, now_utc_s, due_utc_s)
    print(f"{pot_id}: {args.part} serviced on {_date(utc_s, tz)}")
    if due_utc_s is not None:
        print(
            f"due again on {_date(due_utc_s, tz)}; from a month before the watch, the page and `potvigil pot "
            f"health {pot_id}` say so"
        )
    elif reminded:
        print('this ends its reminder; give --every "6 months" or --due for another')
    return DONE


def _due(args: argparse.Namespace, utc_s: float, tz: tzinfo | None) -> float | None:
    """Return when it is due again, None where that was not given."""
    if args.due is None and args.every is None:
        return None
    if args.due is not None:
        due_utc_s = day(args.due, tz, hours=12).timestamp()
    else:
        due_utc_s = _after(datetime.fromtimestamp(utc_s, UTC).astimezone(tz), args.every).timestamp()
    if due_utc_s <= utc_s:
        raise UseError(f"--due {args.due} is not after {_date(utc_s, tz)}, the day it was done")
    return due_utc_s


def _after(moment: datetime, every: str) -> datetime:
    """Return the day that long after, or the last of the month where it has no such day."""
    found = re.fullmatch(r"\s*([1-9][0-9]{0,3})\s*(day|week|month|year)s?\s*", every.lower())
    if found is None:
        raise UseError(f'--every {every!r}: give days, weeks, months or years, like "6 months"')
    count, unit = int(found[1]), found[2]
    if unit in ("day", "week"):
        due = moment + timedelta(days=count * (7 if unit == "week" else 1))
    else:
        years, month = divmod(moment.month - 1 + count * (12 if unit == "year" else 1), 12)
        year = min(moment.year + years, LAST_YEAR + 1)
        last = calendar.monthrange(year, month + 1)[1]
        due = moment.replace(year=year, month=month + 1, day=min(moment.day, last))
    if due.year > LAST_YEAR:
        raise UseError(f"--every {every!r} is too long; give a time that ends by {LAST_YEAR}")
    return due


@dataclass(frozen=True, slots=True)
class _Cure:
    """From the settings in force: the workshop, the hold, and the leak a batch can tolerate."""

    workshop: str
    hold_s: float | None
    bearable_pa_per_s: float | None


def _cure(store: Store, pot_id: str) -> _Cure:
    """Read the newest settings as text, because validating them takes longer than the rest."""
    run = store.last_run()
    settings = {} if run is None else json.loads(run.settings_json)
    pot = settings.get("pots", {}).get(pot_id, {})
    hold = pot.get("cure", {}).get("hold")
    if hold is None:
        return _Cure(settings.get("workshop", ""), None, None)
    hold_s = TIME.read(hold).si
    fall_pa = PRESSURE.read(pot["working_pressure"]).si - PRESSURE.read(pot["floor_pressure"]).si
    return _Cure(settings["workshop"], hold_s, fall_pa / hold_s)


def _date(utc_s: float, tz: tzinfo | None) -> str:
    return f"{datetime.fromtimestamp(utc_s, UTC).astimezone(tz):%Y-%m-%d}"
