"""What somebody asks of an alarm: acknowledge, shelve, test."""

import argparse
import time

from potvigil.core.alarm import USUAL_SHELVED_S, most_shelved_s, shelving_fault
from potvigil.core.event import Action, AlarmId
from potvigil.record.store import Store
from potvigil.verbs.common import BY, UseError, known_pot, record_path
from potvigil.verbs.status import DONE


def command(args: argparse.Namespace) -> int:
    """Acknowledge, shelve or test: a command for the watch."""
    action = {"acknowledge": Action.ACKNOWLEDGE, "shelve": Action.SHELVE, "test": Action.TEST_ALARM}[
        args.verb
    ]
    alarm = getattr(args, "alarm", None)
    duration_s = None
    if action is Action.SHELVE:
        duration_s = _shelved_s(AlarmId(args.alarm), args.minutes)
    with Store.open(record_path(args), create=False) as store:
        pots = [known_pot(store, args.pot)] if args.pot or action is Action.TEST_ALARM else store.pots()
        for pot_id in pots:
            store.add_command(
                pot_id,
                action,
                time.time(),
                alarm=None if alarm in (None, "all") else AlarmId(alarm),
                duration_s=duration_s,
                by=BY,
            )
    print(f"asked: {args.verb} {alarm or 'alarm'} of {', '.join(pots)}; done within a sample period")
    return DONE


def _shelved_s(alarm: AlarmId, minutes: float | None) -> float:
    if minutes is None:
        return min(USUAL_SHELVED_S, most_shelved_s(alarm))
    fault = shelving_fault(alarm, 60.0 * minutes)
    if fault is not None:
        raise UseError(f"--minutes {minutes:g}: {fault}")
    return 60.0 * minutes
