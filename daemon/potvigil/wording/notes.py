"""The notes of a night: worth mentioning, but no action needed."""

from potvigil.units import degrees, span
from potvigil.wording.quantities import pressure

CURE_DONE = (
    "The cure is done: the pot may be vented. Open the vent fully and wait until the gauge reads zero."
)


def topped_up(rise_pa: float, now_pa: float, took_s: float, unit: str) -> str:
    """Return that air was let in; Pa gauge, s."""
    return f"Topped up by {pressure(rise_pa, unit)} to {pressure(now_pa, unit)} in {span(took_s)}."


def thermometer_back(place: str) -> str:
    return f"The {place} thermometer is working again."


def cure_length(kelvin: float, unit: str, needs_s: float, usual_s: float, done: str) -> str:
    """Return how long a cure takes at this temperature. unit: of that; done: when that is, in words."""
    return (
        f"At {degrees(kelvin, unit)} this cure needs about {span(needs_s)} "
        f"instead of {span(usual_s)}: done {done}."
    )
