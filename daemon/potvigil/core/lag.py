"""Thermometers and their averages over the past: the gas follows some of either."""

from math import expm1, inf

from potvigil.core.allowance import ALLOWANCES, Lag
from potvigil.core.reading import Place, Reading


class LaggedThermometers:
    """Follows every thermometer of a pot from before its fill on.

    `movements` gives, for a place, the shares of the absolute temperature that its three lags speak of.
    """

    def __init__(self) -> None:
        self._followed = {place: _Followed(allowed.lags) for place, allowed in ALLOWANCES.items()}

    def update(self, reading: Reading, shut: bool) -> None:
        """Take one reading. While the pot is not shut the averages stand at the reading itself."""
        for place, kelvin in reading.temperatures:
            if kelvin is not None:
                self._followed[place].update(reading.t_s, kelvin, shut)

    def movements(self, place: Place | None, kelvin: float) -> tuple[float, float, float]:
        """Return the thermometer less its first average, first less second, second less third, over T."""
        averages_k = None if place is None else self._followed[place].averages_k
        if averages_k is None:
            return 0.0, 0.0, 0.0
        quick_k, middle_k, slow_k = averages_k
        return (kelvin - quick_k) / kelvin, (quick_k - middle_k) / kelvin, (middle_k - slow_k) / kelvin


class _Followed:
    """One thermometer. averages_k: None before its first reading."""

    __slots__ = ("_lags", "_last_s", "_shares", "_step_s", "averages_k")

    def __init__(self, lags: tuple[Lag, Lag, Lag]) -> None:
        self._lags = lags
        self.averages_k: list[float] | None = None
        self._last_s = 0.0
        self._step_s = 0.0
        self._shares = (0.0, 0.0, 0.0)

    def update(self, t_s: float, kelvin: float, shut: bool) -> None:
        step_s, self._last_s = t_s - self._last_s, t_s
        averages_k = self.averages_k
        if averages_k is None or not shut:
            self.averages_k = [kelvin, kelvin, kelvin]
            return
        if step_s != self._step_s:
            self._step_s = step_s
            a, b, c = (0.0 if lag.over_s == inf else -expm1(-step_s / lag.over_s) for lag in self._lags)
            self._shares = (a, b, c)
        a, b, c = self._shares
        averages_k[0] += a * (kelvin - averages_k[0])
        averages_k[1] += b * (kelvin - averages_k[1])
        averages_k[2] += c * (kelvin - averages_k[2])
