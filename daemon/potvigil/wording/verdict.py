"""Words that go with a verdict."""

from potvigil.model.batch_details import is_flawed
from potvigil.model.events import AlarmId, BatchSummary, Verdict

VERDICT_WORDS = {
    Verdict.HELD: "The pressure held",
    Verdict.LEAKED: "It leaked, but held long enough",
    Verdict.FELL_BELOW_FLOOR: "It fell below the floor",
    Verdict.VENTED_EARLY: "Vented early",
    Verdict.INCOMPLETE: "Too little data to judge",
}
HELD_ABOVE_MAXIMUM = "The pressure held, but had gone above the maximum"


def was_above_maximum(summary: BatchSummary) -> bool:
    """Return whether the pot was above its marked maximum: then no verdict is entirely good."""
    return any(alarm.alarm is AlarmId.OVER_PRESSURE for alarm in summary.alarms)


def cast(outcome: str) -> str:
    """Return how a cast came out, in two words, by the batch's outcome; nothing where none was entered."""
    flawed = is_flawed(outcome)
    return "" if flawed is None else "cast flawed" if flawed else "cast good"
