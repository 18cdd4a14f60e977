"""Conversions and constants, each with its source. No other file multiplies by 6894.757."""

import math
import re
from dataclasses import dataclass, field
from datetime import time

# NIST SP 811 (2008), Appendix B.8; 1 psi = 1 lbf/in2, exact from the pound, the inch and standard gravity.
PA_PER_PSI = 6894.757293168361
PA_PER_BAR = 100_000.0
PA_PER_KPA = 1_000.0
PA_PER_HPA = 100.0

STANDARD_ATMOSPHERE_PA = 101_325.0  # ISO 2533:1975
ZERO_CELSIUS_K = 273.15  # SI definition of the degree Celsius
MOLAR_GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018 (exact in the SI since 2019)

SECONDS_PER_HOUR = 3600.0
SECONDS_PER_MINUTE = 60.0

PRESSURE_UNITS_PA = {"psi": PA_PER_PSI, "bar": PA_PER_BAR, "kPa": PA_PER_KPA, "Pa": 1.0, "MPa": 1e6}
# Decimals of a pressure as people read it: no finer than a pot's gauge.
# A rate an hour has one more.
PRESSURE_DECIMALS = {"psi": 1, "bar": 2, "kPa": 0, "Pa": 0, "MPa": 3}
# The unit of that last figure: a smaller change does not show.
LEAST_SHOWN = {unit: 10.0**-decimals for unit, decimals in PRESSURE_DECIMALS.items()}
# US gallon = 231 in3 and foot = 0.3048 m, both exact: NIST SP 811 (2008), Appendix B.8.
VOLUME_UNITS_M3 = {"L": 1e-3, "mL": 1e-6, "m3": 1.0, "gal": 3.785411784e-3, "qt": 3.785411784e-3 / 4}
LENGTH_UNITS_M = {"m": 1.0, "ft": 0.3048}
SIZE_UNITS_M = {"mm": 1e-3, "cm": 0.01, "m": 1.0, "in": 0.0254}  # inch: exact, as above
AREA_UNITS_M2 = {"mm2": 1e-6, "cm2": 1e-4}
# Of free air: as it is in the surroundings. cfm: cubic foot per minute.
FREE_AIR_UNITS_M3_PER_S = {"L/min": 1e-3 / 60, "L/s": 1e-3, "m3/h": 1 / 3600, "cfm": 0.3048**3 / 60}
TIME_UNITS_S = {"s": 1.0, "min": SECONDS_PER_MINUTE, "h": SECONDS_PER_HOUR, "d": 24 * SECONDS_PER_HOUR}
# Avoirdupois pound and its ounce, exact: NIST SP 811 (2008), Appendix B.8.
MASS_UNITS_KG = {"g": 1e-3, "kg": 1.0, "oz": 0.45359237 / 16, "lb": 0.45359237}
VOLTAGE_UNITS_V = {"V": 1.0, "mV": 1e-3}
RESISTANCE_UNITS_OHM = {"ohm": 1.0, "kohm": 1e3}
TEMPERATURE_DIFFERENCE_UNITS_K = {"K": 1.0, "C": 1.0, "F": 5 / 9}
TEMPERATURE_ZEROS = {"C": ZERO_CELSIUS_K, "F": 459.67}  # above absolute zero, in degrees of the scale; SP 811


def celsius_to_kelvin(celsius: float) -> float:
    """Convert a temperature in degrees Celsius to kelvin."""
    return celsius + ZERO_CELSIUS_K


def kelvin_to_celsius(kelvin: float) -> float:
    """Convert a temperature in kelvin to degrees Celsius."""
    return kelvin - ZERO_CELSIUS_K


def in_degrees(kelvin: float, unit: str) -> float:
    """Convert a temperature in kelvin to degrees of a scale, C or F."""
    return kelvin / TEMPERATURE_DIFFERENCE_UNITS_K[unit] - TEMPERATURE_ZEROS[unit]


def standard_atmosphere_pa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere, Pa absolute, at a geometric altitude (-600 to 11000 m).

    Source: ISO 2533:1975 / US Standard Atmosphere 1976, troposphere layer: lapse rate 6.5 K/km,
    earth radius 6356.766 km for the geopotential height.
    """
    if not -600.0 <= altitude_m <= 11_000.0:
        raise ValueError(f"altitude {altitude_m} m is outside -600 to 11000 m")
    geopotential_m = 6_356_766.0 * altitude_m / (6_356_766.0 + altitude_m)
    temperature_ratio = 1.0 - 0.0065 * geopotential_m / 288.15
    # g M / (R L) with g = 9.80665, M = 28.9644 g/mol and the standard's own R = 8.31432
    return float(STANDARD_ATMOSPHERE_PA * temperature_ratio**5.2558797)


# Other ways people write units; case is ignored, except where it distinguishes m from M.
_ALSO = {
    "psig": "psi",
    "barg": "bar",
    "kpag": "kPa",
    **dict.fromkeys(("litre", "litres", "liter", "liters", "ltr"), "L"),
    **dict.fromkeys(("gallon", "gallons"), "gal"),
    **dict.fromkeys(("quart", "quarts"), "qt"),
    **dict.fromkeys(("inch", "inches"), "in"),
    **dict.fromkeys(("foot", "feet"), "ft"),
    **dict.fromkeys(("sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("day", "days"), "d"),
    **dict.fromkeys(("gram", "grams", "gr"), "g"),
    **dict.fromkeys(("kilo", "kilos", "kilogram", "kilograms", "kgs"), "kg"),
    **dict.fromkeys(("ounce", "ounces"), "oz"),
    **dict.fromkeys(("lbs", "pound", "pounds"), "lb"),
}
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])(?:\s*([ap])\.?m\.?)?", re.IGNORECASE | re.ASCII)
_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"


_SUM = re.compile(rf"({_NUMBER}\s*([A-Za-z]+))\s*(?:and\s+)?({_NUMBER}\s*[A-Za-z]+)")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit. si: in the SI unit of its kind. written: as written."""

    si: float
    written: str

    def __str__(self) -> str:
        return self.written


@dataclass(frozen=True, slots=True)
class QuantityKind:
    """A kind of quantity and its units: si = (number + zero) * factor, zeros for shifted scales only.

    adds_up: `1 h 30 min` is one.
    """

    name: str
    factors: dict[str, float]
    zeros: dict[str, float] = field(default_factory=dict)
    adds_up: bool = False

    def read(self, text: str) -> Quantity:
        """Read `60 psi` or `60psi`. Raises ValueError, worded to follow the text: `has no unit; ...`."""
        try:
            return self._read(text)
        except ValueError:
            summed = self._sum(text) if self.adds_up else None
            if summed is None:
                raise
            return summed

    def _sum(self, text: str) -> Quantity | None:
        """Read `1 h 30 min`, the second less than one of the first."""
        parts = _SUM.fullmatch(text.strip())
        whole = None if parts is None else self._unit(parts[2])
        if parts is None or whole is None:
            return None
        large, small = self._read(parts[1]), self._read(parts[3])
        if large.si < 0.0 or not 0.0 <= small.si < self.factors[whole]:
            return None
        return Quantity(large.si + small.si, text.strip())

    def _unit(self, written: str) -> str | None:
        """Return the unit meant, None for an unknown one."""
        if written in self.factors:
            return written
        folded = written.casefold()
        if folded in _ALSO and _ALSO[folded] in self.factors:
            return _ALSO[folded]
        if written[:1] in "mM" and folded in ("mpa", "mv"):  # a milli or a million
            return None
        return next((unit for unit in self.factors if unit.casefold() == folded), None)

    def _read(self, text: str) -> Quantity:
        *most, last = self.factors
        taken = f"{', '.join(most)} or {last}"
        known = "|".join(map(re.escape, self.factors))  # some have a stroke in them
        match = re.fullmatch(rf"({_NUMBER})\s*(?:°?({known}|[A-Za-z]\w*))?", text.strip())
        if match is None:
            raise ValueError(f"is not {self.name}; give a number and its unit, {taken}")
        number = float(match[1])
        if not match[2]:
            raise ValueError(f"has no unit; give {self.name} in {taken}")
        unit = self._unit(match[2])
        if unit is None:
            raise ValueError(f"has an unknown unit; give {self.name} in {taken}")
        si = (number + self.zeros.get(unit, 0.0)) * self.factors[unit]
        if not math.isfinite(si):
            raise ValueError(f"is too large a number; give {self.name} in {taken}")
        return Quantity(si, text.strip())


PRESSURE = QuantityKind("a pressure", PRESSURE_UNITS_PA)
VOLUME = QuantityKind("a volume", VOLUME_UNITS_M3)
LENGTH = QuantityKind("a length", LENGTH_UNITS_M)
SIZE = QuantityKind("a size", SIZE_UNITS_M)
AREA = QuantityKind("an area", AREA_UNITS_M2)
FREE_AIR = QuantityKind("a flow of free air", FREE_AIR_UNITS_M3_PER_S)
TIME = QuantityKind("a time", TIME_UNITS_S, adds_up=True)
MASS = QuantityKind("a mass", MASS_UNITS_KG)
VOLTAGE = QuantityKind("a voltage", VOLTAGE_UNITS_V)
RESISTANCE = QuantityKind("a resistance", RESISTANCE_UNITS_OHM)
TEMPERATURE = QuantityKind("a temperature", TEMPERATURE_DIFFERENCE_UNITS_K, TEMPERATURE_ZEROS)
TEMPERATURE_DIFFERENCE = QuantityKind("a temperature difference", TEMPERATURE_DIFFERENCE_UNITS_K)


def clock_time(text: str) -> time | None:
    """Read a time of day, `21:40` or `9:40 pm`; None for anything else."""
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        return None
    hour, half = int(found[1]), (found[3] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    return time(hour, int(found[2]))


def degrees(kelvin: float, unit: str, decimals: int = 0) -> str:
    """Return a temperature as a person reads it, e.g. '18 °C'. unit: C or F."""
    return f"{round(in_degrees(kelvin, unit), decimals) + 0.0:.{decimals}f} °{unit}"  # never -0


def degrees_apart(kelvin: float, unit: str, decimals: int = 0) -> str:
    """Return a difference of temperatures as a person reads it, e.g. '10 °C' or '18 °F'."""
    return f"{kelvin / TEMPERATURE_DIFFERENCE_UNITS_K[unit]:.{decimals}f} °{unit}"


def span(seconds: float) -> str:
    """Return a length of time, e.g. '2 h 10 min', '4 min', '20 s'."""
    if seconds < 59.5:
        return f"{max(seconds, 0.0):.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"
