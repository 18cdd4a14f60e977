"""Giving a command to the watch, and getting its result.

A command is a row of the record. The watch takes it at its next tick and writes its result there. A command
that no watch takes is refused here for good: nobody finds a batch opened, or an alarm shelved, days later.
"""

from potvigil.model.events import Answer, Outcome
from potvigil.record.lock import is_watched
from potvigil.record.rows import AskedRow
from potvigil.record.store import Store
from potvigil.record.tables.commands import COMMAND_LASTS_S, LATE, NOBODY

LOOK_AGAIN_S = 0.05
_UNKNOWN = "the watch accepted it but has not reported the result; see `potvigil alarm list`"


def is_settled(store: Store, commands: range, waited_s: float, patience_s: float = COMMAND_LASTS_S) -> bool:
    """Return whether the results of commands are known; those that no watch will take now are refused.

    waited_s: since they were written. Raises a RecordError.
    """
    if all(row.answer is not None for row in store.asked(commands)):
        return True
    watched = is_watched(store.path)
    if watched and waited_s < patience_s:
        return False
    store.give_up(commands, LATE if watched else NOBODY)
    return True


def answer_of(row: AskedRow) -> Answer:
    """Return the result of a settled command."""
    return row.answer or Answer(Outcome.FAILED, _UNKNOWN)
