"""Readings averaged over short spans to keep the work per sample small; what steps hide of the mean."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log

from potvigil.leak.pot_model import T0_K
from potvigil.model.reading import TEMPERATURE_UNKNOWN_K, Place, Reading
from potvigil.physics.air import compressibility
from potvigil.sensing.before_fill import BeforeFill
from potvigil.units import ZERO_CELSIUS_K

BIN_S = 20.0  # short against the quickest delay asked for (4 min), long enough to make work per sample small
ROUNDING = 6e-5  # of a bin, as a share: a 0.0047 psi converter step
# Thermometer steps that matter, coarsest first: whole degrees C and F, and parts of them. A sixteenth of a
# kelvin is already allowed for in a probe's noise.
STEPS_K = (1.0, 5.0 / 9.0, 0.5, 0.25, 0.2, 0.125, 0.1)
_FAHRENHEIT_K = ZERO_CELSIUS_K - 160.0 / 9.0  # 0 F
_ON_STEP = 1e-3  # of a step: how far from it rounding may put a reading


@dataclass(frozen=True, slots=True)
class Bin:
    """Means over a short span: Pa absolute, Pa outside, K.

    noise_variance: of the mean pressure, as a share, squared. kelvin: the place nearest to the gas first.
    steps_k2: variance of what a thermometer's own steps hide of its place, K^2; none for fine ones.
    """

    t_s: float
    absolute_pa: float
    ambient_pa: float
    noise_variance: float
    kelvin: dict[Place, float]
    steps_k2: Mapping[Place, float] = field(default_factory=dict)

    @property
    def gauge_pa(self) -> float:
        return self.absolute_pa - self.ambient_pa

    @property
    def air_k(self) -> float:
        """T0 ln(p/Z), K."""
        nearest = next(iter(self.kelvin.values()), TEMPERATURE_UNKNOWN_K)
        return T0_K * log(self.absolute_pa / compressibility(self.absolute_pa, nearest))

    def warmed_k(self, before: BeforeFill) -> dict[Place, float]:
        """Return every thermometer relative to the pot before its fill, K of T0 ln T."""
        reference = next((before.kelvin[place] for place in self.kelvin if place in before.kelvin), None)
        if reference is None:
            return {}
        return {place: T0_K * log(kelvin / reference) for place, kelvin in self.kelvin.items()}


class ThermometerSteps:
    """Finds the steps in which one thermometer reads, and how long its mean has stayed on one."""

    def __init__(self) -> None:
        self._may_be: tuple[float, ...] = STEPS_K
        self._first_k: float | None = None
        self._has_moved = False  # a single value fits some step of any thermometer
        self._mean_k: float | None = None
        self._stood = 0  # bins

    def take(self, kelvin: float) -> None:
        """Take one reading."""
        if self._may_be:
            if self._first_k is None:
                self._first_k = kelvin
            self._has_moved = self._has_moved or kelvin != self._first_k
            self._may_be = tuple(step_k for step_k in self._may_be if _is_on(kelvin, step_k))

    def hidden_k2(self, mean_k: float) -> float:
        """Take the mean of a bin; return the variance of what the steps hide of it, K^2.

        Where within a step the temperature is, is unknown (an even spread: Bennett, Bell System Technical
        Journal 27 (1948) 446), and a mean that stays on it adds nothing with each bin: so many bins together
        count as one.
        """
        stands = self._mean_k is not None and abs(mean_k - self._mean_k) < _ON_STEP * STEPS_K[-1]
        self._stood = self._stood + 1 if stands else 1
        self._mean_k = mean_k
        return self._stood * self._may_be[0] ** 2 / 12.0 if self._may_be and self._has_moved else 0.0


def _is_on(kelvin: float, step_k: float) -> bool:
    zero_k = _FAHRENHEIT_K if step_k == STEPS_K[1] else ZERO_CELSIUS_K
    steps = (kelvin - zero_k) / step_k
    return abs(steps - round(steps)) < _ON_STEP


class BinSum:
    """Readings of one short span after another, summed. steps: of their converter, as `steps_share` says."""

    def __init__(self, span_s: float = BIN_S, steps: float = 0.0) -> None:
        self._span_s = span_s
        self._steps = {place: ThermometerSteps() for place in Place}
        # no average shows where within a step the pressure is; a move by one step is not a sudden step
        self._rounding = max(ROUNDING, steps)
        self.drop()

    def drop(self) -> None:
        """Drop the readings since the newest bin."""
        self._n = 0
        self._start_s = self._t_sum = self._p_sum = self._ambient_sum = self._noise_sum = 0.0
        self._temperatures: dict[Place, tuple[int, float]] = {}

    def take(self, reading: Reading, absolute_pa: float, noise_pa: float) -> Bin | None:
        """Take one reading; return the bin that it completes, to which it no longer belongs."""
        is_full = self._n > 0 and reading.t_s - self._start_s >= self._span_s
        done = self._done() if is_full else None
        if self._n == 0:
            self._start_s = reading.t_s
        self._n += 1
        self._t_sum += reading.t_s
        self._p_sum += absolute_pa
        self._ambient_sum += reading.ambient_pa
        self._noise_sum += noise_pa
        for place, kelvin in reading.temperatures:
            if kelvin is not None:
                self._steps[place].take(kelvin)
                n, total = self._temperatures.get(place, (0, 0.0))
                self._temperatures[place] = (n + 1, total + kelvin)
        return done

    def _done(self) -> Bin:
        n, absolute_pa = self._n, self._p_sum / self._n
        noise = self._noise_sum / n / absolute_pa
        # a thermometer that answered through most of it, the nearest to the gas first
        kelvin = {
            place: self._temperatures[place][1] / self._temperatures[place][0]
            for place in Place
            if 2 * self._temperatures.get(place, (0,))[0] >= n
        }
        variance = noise * noise / n + self._rounding**2
        hidden = ((place, self._steps[place].hidden_k2(mean_k)) for place, mean_k in kelvin.items())
        steps_k2 = {place: variance_k2 for place, variance_k2 in hidden if variance_k2}
        done = Bin(self._t_sum / n, absolute_pa, self._ambient_sum / n, variance, kelvin, steps_k2)
        self.drop()
        return done
