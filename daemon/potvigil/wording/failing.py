"""What is said when the watch of a pot fails by a fault of its own, or its record."""

from potvigil.units import span

WHAT_TO_DO = "Read the pot's own gauge, and go on reading it"
COMMAND = "the watch of this pot failed on this command and has begun again; its log says why"
CUT_OFF = "the watch failed by a fault of its own; another batch begins where it went on"


def why(pause_s: float) -> str:
    """Return why nobody watches as before. pause_s: until the watch is tried again, s; 0 for at once."""
    if pause_s == 0.0:
        return (
            "The watch of this pot failed by a fault of its own and has begun again. It no longer knows this "
            "batch: a leak is found again only with time. The watch's log says why."
        )
    return (
        f"The watch of this pot keeps failing; it is tried again in {span(pause_s)}. Until then nobody "
        "watches this pot. The watch's log says why."
    )


def being_lost(count: int) -> str:
    """Return what to add while the record cannot be written. count: readings that memory could not hold."""
    return f" Memory is full: {_readings(count)} could not be kept." if count else ""


def were_lost(count: int) -> str:
    """Return what is missing once the record can be written again."""
    return (
        f"The record could not be written for too long: {_readings(count)} could not be kept, the oldest of "
        "that time. The alarms were not affected."
    )


def _readings(count: int) -> str:
    return "1 reading" if count == 1 else f"{count} readings"
