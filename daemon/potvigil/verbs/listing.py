"""What is in the record, listed: batches, alarms that stand. Quick to start: no settings, no simulator."""

import argparse
from datetime import datetime, timedelta, tzinfo

from potvigil import show
from potvigil.core.event import AlarmId, AlarmState
from potvigil.record import export
from potvigil.record.given import habits_of
from potvigil.record.store import Store
from potvigil.record.wanted import Wanted
from potvigil.verbs.common import UseError, console, known_pot, record_path
from potvigil.verbs.status import DONE, NO


def batches(args: argparse.Namespace) -> int:
    """List the batches that are wanted, as a table or as JSON lines."""
    with Store.open_read_only(record_path(args)) as store:
        unit, tz = habits_of(store)
        wanted = Wanted(
            pot_id=None if args.pot is None else known_pot(store, args.pot),
            verdict=args.verdict,
            since_utc_s=None if args.since is None else _day(args.since, tz).timestamp(),
            before_utc_s=None if args.until is None else (_day(args.until, tz, days=1)).timestamp(),
            text=args.find,
            alarm=None if args.alarm is None else AlarmId(args.alarm),
            limit=args.limit,
        )
        rows = store.listed(wanted)
    if args.json:
        for row in rows:
            print(export.json_text(export.listed_line(row)))
    else:
        show.batches(console(), rows, unit, tz)
    return DONE


def alarms(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        standing = store.standing_alarms()
    show.alarms(console(), standing)
    return NO if any(event.state is not AlarmState.SHELVED for _, event in standing) else DONE


def _day(text: str, tz: tzinfo | None, days: int = 0) -> datetime:
    """Return the midnight a day begins with (or the one `days` later), in a zone; None: the machine's own."""
    try:
        day = datetime.strptime(text, "%Y-%m-%d") + timedelta(days=days)
        return day.astimezone() if tz is None else day.replace(tzinfo=tz)
    except (ValueError, OverflowError):
        raise UseError(f"{text!r} is no date; give one like 2026-03-01") from None
