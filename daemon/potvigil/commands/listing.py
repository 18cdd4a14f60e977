"""Lists from the record: batches, active alarms. Quick to start: no settings, no simulator."""

import argparse

from potvigil.commands.shared import show
from potvigil.commands.shared.common import console, data_out, day, known_pot, record_path
from potvigil.commands.shared.status import DONE, NO
from potvigil.model.events import AlarmId, AlarmState
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.requests.detail_input import habits_of
from potvigil.record.store import Store
from potvigil.reports import export

_USUAL = 50


def batches(args: argparse.Namespace) -> int:
    """List the requested batches, as a table or as JSON lines."""
    with Store.open_read_only(record_path(args)) as store:
        unit, tz = habits_of(store)
        wanted = Wanted(
            pot_id=None if args.pot is None else known_pot(store, args.pot),
            verdict=args.verdict,
            since_utc_s=None if args.since is None else day(args.since, tz).timestamp(),
            before_utc_s=None if args.until is None else day(args.until, tz, hours=24).timestamp(),
            text=args.find,
            alarm=None if args.alarm is None else AlarmId(args.alarm),
            limit=_USUAL if args.limit is None and not (args.all or args.json) else args.limit,
        )
        rows = store.listed(wanted)
        more = 0 if wanted.limit is None else store.count(wanted) - len(rows)
    if args.json:
        for row in rows:
            data_out().write(export.json_text(export.listed_line(row)) + "\n")
    else:
        show.batches(console(), rows, unit, tz)
        if more and args.limit is None:
            print(f"{more:,} older ones are not shown; --all, or --limit N")
    return DONE


def alarms(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        standing, (_, tz) = store.standing_alarms(), habits_of(store)
    show.alarms(console(), standing, tz)
    return NO if any(event.state is not AlarmState.SHELVED for _, event in standing) else DONE
