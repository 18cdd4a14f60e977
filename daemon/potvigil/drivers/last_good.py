"""The last good value of a slow sensor, and the reason once it is too old to be used."""

from potvigil.units import span

# Gas, wall and weather change over minutes; ten seconds follow them closely and keep a thermometer, which is
# warmed by its own conversions, and the loop mostly idle.
READ_INTERVAL_S = 10.0
# Six missed reads in a row are no accident, and within a minute a slow sensor has not moved far.
STALE_AFTER_S = 60.0


class LastGood:
    """The last value of a slow sensor. `name`: what it is and where it is connected."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._value: float | None = None
        self._value_s: float | None = None  # before a first value: when one was first requested
        self._failure = ""

    def keep(self, value: float, at_s: float) -> None:
        """Take a good value, measured at boot time at_s."""
        self._value, self._value_s, self._failure = value, at_s, ""

    def miss(self, failure: str) -> None:
        """Take note of a failed read; `failure` names the sensor."""
        self._failure = failure

    def at(self, now_s: float) -> tuple[float | None, str | None]:
        """Return the value and no fault, or None and the fault, or two None before a first answer was due."""
        if self._value_s is None:
            self._value_s = now_s
        age_s = now_s - self._value_s
        if age_s <= STALE_AFTER_S:
            return (self._value, None) if self._value is not None else (None, self._failure or None)
        # In steps, lest the same fault have another text each second.
        silence = f"no reading for {span(age_s // STALE_AFTER_S * STALE_AFTER_S)}"
        return None, f"{self._failure} ({silence})" if self._failure else f"{self._name}: {silence}"
