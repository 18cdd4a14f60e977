"""What is to be said beside a verdict."""

from potvigil.model.events import AlarmId, BatchSummary


def was_above_maximum(summary: BatchSummary) -> bool:
    """Return whether the pot was above its marked maximum: then no verdict is all good."""
    return any(alarm.alarm is AlarmId.OVER_PRESSURE for alarm in summary.alarms)
