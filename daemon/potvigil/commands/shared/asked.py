"""Commands to the watch: waits for their results, and prints them."""

import sys
import time

from potvigil.commands.shared.status import DONE, NO
from potvigil.model.events import Outcome
from potvigil.record.requests.asking import LOOK_AGAIN_S, answer_of, is_settled
from potvigil.record.store import Store


def tell(store: Store, commands: range, *, any_will_do: bool = False) -> int:
    """Wait for the results of commands, print them, and return the exit status.

    any_will_do: it was sent to several pots, and one that accepts it is enough.
    """
    begun_s = time.monotonic()
    while not is_settled(store, commands, time.monotonic() - begun_s):
        time.sleep(LOOK_AGAIN_S)
    told = [(row.pot_id, answer_of(row)) for row in store.asked(commands)]
    good = [f"{pot_id}: {each.text}" for pot_id, each in told if each.outcome is Outcome.DONE]
    bad = [(pot_id, each) for pot_id, each in told if each.outcome is not Outcome.DONE]
    for line in dict.fromkeys(good):
        print(line)
    if good and any_will_do:
        return DONE
    for line in dict.fromkeys(f"potvigil: {pot_id}: {each.outcome}: {each.text}" for pot_id, each in bad):
        print(line, file=sys.stderr)
    return NO if bad else DONE
