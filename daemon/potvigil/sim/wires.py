"""The devices wired to the simulated machine, and their signals."""

from dataclasses import dataclass
from math import exp, log, sqrt

from potvigil.sim.spi_chips import pt100_ohm
from potvigil.units import celsius_to_kelvin

_BITS = {"ads1115": 16, "ads1015": 12, "mcp3008": 10, "mcp3208": 12}


@dataclass(frozen=True, slots=True)
class Thermistor:
    """An NTC in a divider with a resistor. coefficients: Steinhart-Hart (c = 0: from a beta)."""

    channel: int
    coefficients: tuple[float, float, float]
    resistor_ohm: float = 10_000.0
    to_ground: bool = True
    supply_v: float = 3.3
    supply_channel: int | None = None

    def volts(self, celsius: float) -> float:
        """Return the voltage at the divider's tap."""
        ohm = self.ohm(celsius)
        part = ohm if self.to_ground else self.resistor_ohm
        return self.supply_v * part / (ohm + self.resistor_ohm)

    def ohm(self, celsius: float) -> float:
        """Return the resistance: the real root of c x^3 + b x + a = 1/T in x = ln R, by Cardano's formula."""
        a, b, c = self.coefficients
        wanted = 1.0 / celsius_to_kelvin(celsius) - a
        if c == 0.0:
            return exp(wanted / b)
        half, third = wanted / (2.0 * c), b / (3.0 * c)
        root = sqrt(half * half + third * third * third)
        one = (half + root) ** (1.0 / 3.0)
        return exp(one - third / one)


@dataclass(frozen=True, slots=True)
class Platinum:
    """A Pt100 (at_0_c_ohm 100) or Pt1000 on a MAX31865 board."""

    select: int = 0
    at_0_c_ohm: float = 100.0
    reference_ohm: float = 430.0

    def ohm(self, celsius: float) -> float:
        return pt100_ohm(celsius) * self.at_0_c_ohm / 100.0


@dataclass(frozen=True, slots=True)
class Wires:
    """A transducer on a converter, and a barometer. The defaults are those of the named nights.

    select: chip select of an SPI converter, reference_v its reference. divider: ratio of volts at the
    converter to volts at the transducer. signal: as in the settings. absolute: the transducer's zero is
    vacuum.
    """

    converter: str = "ads1115"
    bus: int = 1
    address: int = 0x48
    select: int = 0
    reference_v: float = 3.3
    channel: int = 0
    supply_channel: int | None = 1
    divider: float = 1.0
    signal: str = "0.5-4.5 V"
    shunt_ohm: float = 100.0
    absolute: bool = False
    barometer: str | None = "bmp280"
    barometer_bus: int = 1
    barometer_address: int = 0x76

    @property
    def bits(self) -> int:
        return _BITS[self.converter]

    @property
    def on_spi(self) -> bool:
        return self.converter.startswith("mcp")

    @property
    def inputs(self) -> int:
        return 8 if self.on_spi else 4

    def signal_v(self, share: float, supply_v: float) -> float:
        """Return the transducer's output (or the drop over its shunt) at this fraction of its span, V."""
        match self.signal:
            case "0-5 V":
                return 5.0 * min(max(share, 0.0), 1.04)
            case "1-5 V":
                return 1.0 + 4.0 * min(max(share, -0.0125), 1.03)
            case "0-10 V":
                return 10.0 * min(max(share, 0.0), 1.04)
            case "4-20 mA":
                return self.shunt_ohm * (0.004 + 0.016 * min(max(share, -0.0125), 1.03))
            case _:
                return supply_v * min(max(0.1 + 0.8 * share, 0.04), 0.96)

    def volts_over_span(self, supply_v: float) -> float:
        """Return how much the signal rises over the whole span, V."""
        return self.signal_v(1.0, supply_v) - self.signal_v(0.0, supply_v)


def beta_coefficients(beta_k: float, ohm_at_25_c: float) -> tuple[float, float, float]:
    """Return the coefficients a, b, c equivalent to a beta."""
    return 1.0 / 298.15 - log(ohm_at_25_c) / beta_k, 1.0 / beta_k, 0.0
