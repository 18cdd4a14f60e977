"""How finely a wiring resolves pressure, and how soon it can show a leak: known before anything is wired.

Two things hide a small change: the steps of the converter, and the scatter of the reading. Noise smears the
steps: of a step q there is q exp(-2 pi^2 (s/q)^2) left in the mean of readings that scatter by s (the first
harmonic of a quantiser's error under Gaussian dither; Widrow and Kollar, Quantization Noise, 2008).
A measured supply is quiet: its steps are not smeared, and move the pressure as the supply wanders. Scatter
averages out: the slope of a line through readings dt apart over a time T has the variance 12 s^2 dt / T^3
(least squares, evenly spaced). ASTM E2930 asks that a test resolves a tenth of the leak it is to find; so a
leak counts as shown when the loss is ten times the steps, and its slope ten times the slope's scatter.

This covers only the wiring. Air that cools or warms adds its own uncertainty, and a transducer its drift.
"""

from dataclasses import dataclass
from math import exp, pi, sqrt

from potvigil.model.pot import Transducer

FINER = 10.0  # ASTM E2930-13, resolution against the specified leak
# The scatter of an ordinary transducer, 1 sigma of one conversion, as a share of its span. An assumption, not
# a measurement: data sheets give 0.25 to 1 % for all errors together, and noise is a small part of that.
USUAL_NOISE = 0.0003
CONVERSIONS = 4  # averaged into one reading, see drivers/converters/ads1115.py


@dataclass(frozen=True, slots=True)
class Resolution:
    """count_pa: one count. steps_pa: what is left of the steps. scatter_pa: of one reading, 1 sigma."""

    count_pa: float
    steps_pa: float
    scatter_pa: float
    period_s: float

    @property
    def resolved_pa(self) -> float:
        """The smallest change that one reading can show."""
        return max(self.steps_pa, self.scatter_pa)

    def shown_after_s(self, rate_pa_per_s: float) -> float:
        """Return how long the wiring needs to show a leak of this rate, Pa/s (above 0)."""
        steps_s = FINER * self.steps_pa / rate_pa_per_s
        slope = FINER * self.scatter_pa * sqrt(12.0 * self.period_s) / rate_pa_per_s
        return float(max(steps_s, slope ** (2.0 / 3.0)))


def resolution(transducer: Transducer, period_s: float, noise: float = USUAL_NOISE) -> Resolution:
    """Return what this wiring resolves at a reading every period_s.

    noise: of one conversion, 1 sigma, as a share of the span.
    """
    count_pa = transducer.pa_per_count * transducer.slope
    noise_pa = noise * transducer.span_pa
    steps_pa = max(count_pa * exp(-2.0 * (pi * noise_pa / count_pa) ** 2), _supply_steps_pa(transducer))
    one_pa = sqrt(noise_pa**2 + count_pa**2 / 12.0)  # rounding scatters like an even spread over one count
    return Resolution(count_pa, steps_pa, one_pa / sqrt(CONVERSIONS), period_s)


def _supply_steps_pa(transducer: Transducer) -> float:
    """Return by how much a count of the measured supply moves the pressure at the signal's end, Pa."""
    if transducer.supply_volts_per_count is None:
        return 0.0
    count = transducer.supply_volts_per_count / transducer.supply_v
    signal = transducer.signal
    return count * signal.full / (signal.full - signal.zero) * transducer.span_pa
