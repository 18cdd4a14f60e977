"""The settings of lamp, buzzer and button."""

from typing import Annotated

from pydantic import BeforeValidator

from potvigil.settings.block import Block, need
from potvigil.settings.values import Pin, QuietHours


class LampSettings(Block):
    """Pins of the lamps by meaning; one without its own lamp is shown by the next below it here."""

    calm: Pin | None = None
    note: Pin | None = None
    alarm: Pin = need("17")


def _as_alarm_lamp(value: object) -> object:
    """A pin alone is a single lamp for everything."""
    return {"alarm": value} if isinstance(value, str) else value


class SignalsSettings(Block):
    """Lamp, buzzer and button, by BCM numbers of the pins; None where there is none."""

    lamp: Annotated[LampSettings, BeforeValidator(_as_alarm_lamp)] | None = None
    buzzer: Pin | None = None
    button: Pin | None = None
    quiet_hours: QuietHours | None = None
