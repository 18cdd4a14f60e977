"""Commands for an alarm: acknowledge, shelve, unshelve, test."""

import argparse
import time

from potvigil.commands.shared.common import UseError, known_pot, record_path
from potvigil.commands.shared.results import print_results
from potvigil.model.events import Action, AlarmId, Command
from potvigil.model.who import COMMAND_LINE
from potvigil.record.store import Store
from potvigil.watch.alarm_rules import USUAL_SHELVED_S, most_shelved_s, shelving_fault

_ACTIONS = {
    "acknowledge": Action.ACKNOWLEDGE,
    "shelve": Action.SHELVE,
    "unshelve": Action.UNSHELVE,
    "test": Action.TEST_ALARM,
}


def command(args: argparse.Namespace) -> int:
    """Send a command for an alarm, and print its result."""
    action = _ACTIONS[args.verb]
    named = getattr(args, "alarm", None)
    alarm = None if named in (None, "all") else AlarmId(named)
    duration_s = None if alarm is None or action is not Action.SHELVE else _shelved_s(alarm, args.minutes)
    given = Command(action, 0.0, alarm, getattr(args, "priority", ""), duration_s, by=COMMAND_LINE)
    with Store.open(record_path(args), create=False) as store:
        one = args.pot is not None or action is Action.TEST_ALARM
        pots = [known_pot(store, args.pot)] if one else store.pots()
        commands = store.add_commands([(pot_id, given) for pot_id in pots], time.time())
        return print_results(store, commands, any_will_do=not one)


def _shelved_s(alarm: AlarmId, minutes: float | None) -> float:
    if minutes is None:
        return min(USUAL_SHELVED_S, most_shelved_s(alarm))
    fault = shelving_fault(alarm, 60.0 * minutes)
    if fault is not None:
        raise UseError(f"--minutes {minutes:g}: {fault}")
    return 60.0 * minutes
