"""Words for a watch that fails by a bug, and for a failing record."""

from potvigil.units import span

WHAT_TO_DO = "Read the pot's own gauge and keep checking it"
COMMAND = "monitoring of this pot failed on this command and was restarted; see the watch's log"
CUT_OFF = "monitoring failed through an internal error; a new batch starts where it resumed"


def why(pause_s: float) -> str:
    """Return why the watch was interrupted. pause_s: until it is tried again, s; 0 for at once."""
    if pause_s == 0.0:
        return (
            "Monitoring of this pot failed through an internal error and was restarted. What it knew of this "
            "batch is lost: a leak will take longer to find. See the watch's log."
        )
    return (
        f"Monitoring of this pot keeps failing; next attempt in {span(pause_s)}. Until then this pot is "
        "not being monitored. See the watch's log."
    )


def being_lost(count: int) -> str:
    """Return what to add while the record cannot be written. count: readings dropped from memory."""
    return f" Memory is full: {_readings(count)} could not be kept." if count else ""


def were_lost(count: int) -> str:
    """Return what is missing once the record can be written again."""
    return (
        f"The record could not be written for too long: {_readings(count)} could not be kept, the oldest of "
        "that time. The alarms were not affected."
    )


def _readings(count: int) -> str:
    return "1 reading" if count == 1 else f"{count} readings"
