"""Thermometers and their averages over the past: the gas follows some of either."""

from math import expm1, inf

from potvigil.core.allowance import ALLOWANCES
from potvigil.core.reading import Place, Reading


class LaggedThermometers:
    """Follows every thermometer of a pot from before its fill on.

    `movements` gives, for a place, the shares of the absolute temperature that its three lags speak of.
    """

    def __init__(self) -> None:
        self._averages_k: dict[Place, list[float]] = {}
        self._last_s: float | None = None
        self._step_s = -1.0
        self._follow: dict[Place, tuple[float, ...]] = {}

    def update(self, reading: Reading, shut: bool) -> None:
        """Take one reading. While the pot is not shut the averages stand at the reading itself."""
        step_s = 0.0 if self._last_s is None else reading.t_s - self._last_s
        self._last_s = reading.t_s
        if step_s != self._step_s:
            self._step_s = step_s
            self._follow = {
                place: tuple(
                    0.0 if lag.over_s == inf else -expm1(-step_s / lag.over_s) for lag in allowed.lags
                )
                for place, allowed in ALLOWANCES.items()
            }
        for place, kelvin in (
            (Place.GAS, reading.gas_k),
            (Place.WALL, reading.wall_k),
            (Place.ROOM, reading.room_k),
        ):
            if kelvin is None:
                continue
            averages_k = self._averages_k.get(place)
            if averages_k is None or not shut:
                self._averages_k[place] = [kelvin, kelvin, kelvin]
                continue
            a, b, c = self._follow[place]
            averages_k[0] += a * (kelvin - averages_k[0])
            averages_k[1] += b * (kelvin - averages_k[1])
            averages_k[2] += c * (kelvin - averages_k[2])

    def movements(self, place: Place | None, kelvin: float) -> tuple[float, float, float]:
        """Return the thermometer less its first average, first less second, second less third, over T."""
        averages_k = None if place is None else self._averages_k.get(place)
        if averages_k is None:
            return 0.0, 0.0, 0.0
        quick_k, middle_k, slow_k = averages_k
        return (kelvin - quick_k) / kelvin, (quick_k - middle_k) / kelvin, (middle_k - slow_k) / kelvin
