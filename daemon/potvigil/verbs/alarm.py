"""What somebody asks of an alarm: acknowledge, shelve, test."""

import argparse
import time

from potvigil.core.event import Action, AlarmId
from potvigil.record.store import Store
from potvigil.verbs.common import BY, known_pot, record_path
from potvigil.verbs.status import DONE


def command(args: argparse.Namespace) -> int:
    """Acknowledge, shelve or test: a command for the watch."""
    action = {"acknowledge": Action.ACKNOWLEDGE, "shelve": Action.SHELVE, "test": Action.TEST_ALARM}[
        args.verb
    ]
    alarm = getattr(args, "alarm", None)
    duration_s = getattr(args, "minutes", None)
    with Store.open(record_path(args), create=False) as store:
        pots = [known_pot(store, args.pot)] if args.pot or action is Action.TEST_ALARM else store.pots()
        for pot_id in pots:
            store.add_command(
                pot_id,
                action,
                time.time(),
                alarm=None if alarm in (None, "all") else AlarmId(alarm),
                duration_s=None if duration_s is None else 60.0 * duration_s,
                by=BY,
            )
    print(f"asked: {args.verb} {alarm or 'alarm'} of {', '.join(pots)}; done within a sample period")
    return DONE
