"""What is said when the watch of a pot fails by a fault of its own."""

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
