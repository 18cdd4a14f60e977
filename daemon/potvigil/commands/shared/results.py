"""Waits for the results of commands to the watch, and prints them."""

import sys
import time

from potvigil.commands.shared.status import DONE, NO
from potvigil.model.events import Outcome
from potvigil.record.requests.asking import LOOK_AGAIN_S, answer_of, is_settled
from potvigil.record.store import Store


def print_results(store: Store, commands: range, *, any_will_do: bool = False) -> int:
    """Wait for the results of commands, print them, and return the exit status.

    any_will_do: the command was sent to several pots, and it is enough if one accepts it.
    """
    begun_s = time.monotonic()
    while not is_settled(store, commands, time.monotonic() - begun_s):
        time.sleep(LOOK_AGAIN_S)
    answers = [(row.pot_id, answer_of(row)) for row in store.asked(commands)]
    good = [f"{pot_id}: {each.text}" for pot_id, each in answers if each.outcome is Outcome.DONE]
    bad = [(pot_id, each) for pot_id, each in answers if each.outcome is not Outcome.DONE]
    for line in dict.fromkeys(good):
        print(line)
    if good and any_will_do:
        return DONE
    for line in dict.fromkeys(f"potvigil: {pot_id}: {each.outcome}: {each.text}" for pot_id, each in bad):
        print(line, file=sys.stderr)
    return NO if bad else DONE
