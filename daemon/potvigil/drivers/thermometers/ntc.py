"""The NTC thermistor on a converter's input: a divider of it and a resistor.

Source: Steinhart and Hart, Deep-Sea Research 15 (1968) 497: 1/T = a + b ln R + c (ln R)^3. Beta is the same
with c = 0, and off by up to 0.8 K between 0 and 40 C where the maker's table is not (the 10 kohm, 3977 K
material of Vishay document 29049, whose polynomial is the other side of that comparison).
"""

from dataclasses import dataclass
from math import log

from potvigil.drivers.buses.i2c import BusError
from potvigil.drivers.converters.converter import CONVERSIONS, Converter, Converters
from potvigil.drivers.last_good import READ_INTERVAL_S, LastGood
from potvigil.drivers.thermometers.ds18b20 import ThermometerError
from potvigil.units import ZERO_CELSIUS_K

BETA_OFF_K = 0.8  # within BETA_WITHIN_C
BETA_WITHIN_C = (0.0, 40.0)
_T25_K = 298.15
# Nearer to either end of the divider there is no thermistor between -40 and 125 C, only a broken wire or a
# short: 10 kohm at 25 C beside 10 kohm is 0.97 of the divider at -40 C and 0.03 at 125 C.
_OPEN, _SHORT = 0.995, 0.005
LOWEST_C, HIGHEST_C = -40.0, 125.0


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Of Steinhart and Hart, with R in ohm and T in kelvin."""

    a: float
    b: float
    c: float


def of_beta(beta_k: float, at_25_c_ohm: float) -> Coefficients:
    """Return the coefficients that say the same as beta, K, and the resistance at 25 C."""
    return Coefficients(1.0 / _T25_K - log(at_25_c_ohm) / beta_k, 1.0 / beta_k, 0.0)


def celsius(resistance_ohm: float, of: Coefficients) -> float:
    """Return the temperature, degrees C, at which the thermistor has this resistance, ohm (above 0)."""
    x = log(resistance_ohm)
    return 1.0 / (of.a + x * (of.b + x * x * of.c)) - ZERO_CELSIUS_K


def read_divider(share: float, resistor_ohm: float, to_ground: bool, of: Coefficients) -> float:
    """Return degrees C (-40 to 125) for the divider's middle as a share of its supply.

    to_ground: whether the thermistor is the half that goes to ground. Raise ThermometerError where no
    thermistor answers.
    """
    part = share if to_ground else 1.0 - share  # of the supply that falls over the thermistor
    if part >= _OPEN:
        raise ThermometerError("it reads as if nothing were connected; the thermistor or its wire is broken")
    if part <= _SHORT:
        raise ThermometerError("the thermistor is shorted, or the divider has no supply")
    found_c = celsius(resistor_ohm * part / (1.0 - part), of)
    if not LOWEST_C <= found_c <= HIGHEST_C:
        raise ThermometerError(f"{found_c:.0f} C is outside -40 to 125 C; check resistor and thermistor")
    return found_c


@dataclass(frozen=True, slots=True)
class NtcWiring:
    """A thermistor's divider. supply_v: of the divider; supply_channel: where it is measured, None nowhere.

    to_ground: whether the thermistor is its lower half. by_beta: the coefficients say no more than beta does.
    """

    converter: Converter
    channel: int
    coefficients: Coefficients
    supply_v: float = 3.3
    supply_channel: int | None = None
    resistor_ohm: float = 10_000.0
    to_ground: bool = True
    by_beta: bool = True

    def __str__(self) -> str:
        return f"thermistor, {self.converter}, channel {self.channel}"


class NtcProbe:
    """One thermistor, read every ten seconds in some 20 ms."""

    def __init__(self, wiring: NtcWiring, converters: Converters) -> None:
        self._wiring = wiring
        self._converters = converters
        self._last = LastGood(str(wiring))
        self._due_s = float("-inf")

    def latest(self, now_s: float) -> tuple[float | None, str | None]:
        """Return degrees C and no fault, or None and the fault. now_s: boot time. Never raises."""
        if now_s >= self._due_s:
            self._due_s = now_s + READ_INTERVAL_S
            try:
                self._last.keep(self.measure(now_s), now_s)
            except (BusError, ThermometerError) as error:
                self._last.miss(f"{self._wiring}: {error}")
        return self._last.at(now_s)

    def measure(self, now_s: float | None = None) -> float:
        """Return degrees C; now_s as of `Converters.mean_count`. Raise BusError or ThermometerError."""
        wired = self._wiring
        count = self._converters.mean_count(wired.converter, wired.channel, CONVERSIONS, now_s)
        supply_count = wired.supply_v / wired.converter.volts_per_count
        if wired.supply_channel is not None:
            supply_count = self._converters.mean_count(wired.converter, wired.supply_channel, 1, now_s)
            if supply_count <= 0.0:
                raise ThermometerError("its divider has no supply; check that wire")
        return read_divider(count / supply_count, wired.resistor_ohm, wired.to_ground, wired.coefficients)
