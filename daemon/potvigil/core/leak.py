"""The leak estimate: air lost, told from everything else that lets a sound pot fall.

A leak through a hole takes a share of the air per second: in the logarithm of the amount of air it is a ramp
that begins at its onset and never ends. Everything else relaxes. So one filter describes a sound pot
(core/air.py), a bank of onsets beside it says whether a ramp is there, since when and how steep
(core/onset.py), and once one is beyond doubt a second filter, of a leaking pot, follows its rate, which may
change: a seal stiffens in the cold, and which law the leak obeys nobody knows.

Work per sample is constant; readings are averaged into bins first.
"""

from dataclasses import dataclass, replace
from math import expm1, log

from potvigil.core.air import BAROMETER_MISS, ROUNDING, AirFilter
from potvigil.core.allowance import allowance_for
from potvigil.core.event import NORMAL_95, Interval
from potvigil.core.gas import compressibility
from potvigil.core.lag import LaggedThermometers
from potvigil.core.onset import Found, OnsetBank
from potvigil.core.reading import TEMPERATURE_UNKNOWN_K, Place, Reading

BIN_S = 20.0  # short against the quickest delay asked for (5 min), long enough to make work per sample small
Z_ESTABLISHED = 5.0  # a leak beyond doubt: 5 sigma for the best onset
Z_DOUBTED = 4.0  # and it stays one until less than this is left
# The bank takes the rate as constant. Beyond so many sigma that is its largest error, and what comes later
# tells of the rate, no longer of when it began.
Z_ONSET_KNOWN = 20.0
LEAST_RATE_PER_S = 0.1 / 75.0 / 3600.0  # and at 60 psi gauge surely faster than 0.1 psi/h


@dataclass(frozen=True, slots=True)
class Leak:
    """Share of the air lost per second, 1/s, with its 95 % interval; onset likewise, s on the record's axis.

    onset_s: None while no leak is established; its low end is the fill where it may be as old. lost_pa: sum
    of what the leak took off the pressure since then, 0 while none is established. significance: in
    standard deviations.
    """

    rate_per_s: Interval
    onset_s: Interval | None
    lost_pa: float
    established: bool
    significance: float


class LeakFilter:
    """Takes readings of one hold; `estimate` is the newest answer, None before there is one.

    filled_since_s: when the pot came under pressure, on the record's axis.
    """

    def __init__(
        self,
        lagged: LaggedThermometers,
        filled_since_s: float,
        *,
        room_swing_k: float = 8.0,
        has_barometer: bool = True,
        holds_mould: bool = True,
    ) -> None:
        self._lagged = lagged
        self._filled_since_s = filled_since_s
        self._room_swing_k = room_swing_k
        self._holds_mould = holds_mould
        self._barometer_miss = 0.0 if has_barometer else BAROMETER_MISS
        self.estimate: Leak | None = None
        self._bin = _Bin()
        self._place: Place | None = None
        self._last_s: float | None = None
        self._last_law: float | None = None
        self._sound = AirFilter(allowance_for(None, room_swing_k), self._barometer_miss, holds_mould)
        self._leaking: AirFilter | None = None
        self._bank = OnsetBank()
        self._found: Found | None = None  # what the bank says of it, while it says there is one
        self._lost_pa = 0.0

    @property
    def transient_rate_per_s(self) -> float:
        """95 % bound on the speed of what the fill left behind, 1/s."""
        return 1.0 if self._last_s is None else self._sound.transient_rate_per_s()

    def add(self, reading: Reading, noise_pa: float) -> bool:
        """Take one good reading with the scatter of the pressure, Pa; True when a bin was completed."""
        absolute_pa = reading.absolute_pa
        if absolute_pa is None:
            return False
        ready = self._bin.is_full(reading.t_s)
        if ready:
            self._take_bin()
        self._bin.add(reading, absolute_pa, noise_pa, self._lagged)
        return ready

    def drop_bin(self) -> None:
        """Say that the readings went astray: what came just before may have been the beginning of it."""
        if self._bin.n:
            self._bin = _Bin()

    def top_up(self, rise_share: float) -> None:
        """Say that air was let in, about this share of what was there: a new level, a small transient."""
        self.drop_bin()
        self._sound.reopen(rise_share)
        if self._leaking is not None:
            self._leaking.reopen(rise_share)

    def _take_bin(self) -> None:
        done, self._bin = self._bin, _Bin()
        t_s = done.t_sum / done.n
        place, kelvin, movements = done.thermometer()
        if self._last_s is None or place is not self._place:
            self._use(place, begin=self._last_s is None)
        elapsed_s = 0.0 if self._last_s is None else t_s - self._last_s
        self._last_s = t_s

        absolute_pa, ambient_pa = done.p_sum / done.n, done.ambient_sum / done.n
        # ln of the share a laminar gap loses, up to a constant; a choked hole always loses the same share
        law = log(max(absolute_pa - ambient_pa, 1.0) * (absolute_pa + ambient_pa) / absolute_pa)
        law_step = 0.0 if self._last_law is None else law - self._last_law
        self._last_law = law
        log_k = log(kelvin)
        y = log(absolute_pa / compressibility(absolute_pa, kelvin)) - log_k
        noise = done.noise_sum / done.n / absolute_pa
        noise_variance = noise * noise / done.n + ROUNDING * ROUNDING
        step = self._sound.step(elapsed_s, y, noise_variance, log_k, movements, law_step)
        if self._leaking is not None:
            self._leaking.step(elapsed_s, y, noise_variance, log_k, movements, law_step)
        self._bank.take(t_s, step)
        self.estimate = self._judge(elapsed_s, absolute_pa)

    def _judge(self, elapsed_s: float, absolute_pa: float) -> Leak | None:
        significance, since_start = self._bank.significance(), self._bank.since_the_start()
        if significance is None or since_start is None:
            return None
        if significance < (Z_ESTABLISHED if self._leaking is None else Z_DOUBTED):
            self._found = self._leaking = None
        elif self._leaking is None or self._found is None or significance < Z_ONSET_KNOWN:
            self._found = self._bank.found()
            self._lost_pa = absolute_pa * expm1(self._found.lost)
            if self._leaking is None and self._found.rate_per_s.low > LEAST_RATE_PER_S:
                self._leaking = self._sound.leaking(*self._bank.moments())
        else:
            self._lost_pa += elapsed_s * self._leaking.rate_per_s[0] * absolute_pa
        if self._found is None or self._leaking is None:
            return Leak(since_start, None, 0.0, False, significance)
        value, sigma = self._leaking.rate_per_s
        rate = Interval(value, value - NORMAL_95 * sigma, value + NORMAL_95 * sigma)
        onset_s = self._found.onset_s
        if self._bank.is_oldest(onset_s.low):  # there from the first bin on: how long before, nobody saw
            onset_s = replace(onset_s, low=self._filled_since_s)
        return Leak(rate, onset_s, self._lost_pa, True, significance)

    def _use(self, place: Place | None, begin: bool) -> None:
        """Take another thermometer (or none); what was learnt of the air stays in the bank."""
        self._place = place
        allowance = allowance_for(place, self._room_swing_k)
        if begin:
            self._sound = AirFilter(allowance, self._barometer_miss, self._holds_mould)
            return
        self._sound.allow(allowance, self._barometer_miss)
        self._bank.change_thermometer()
        if self._leaking is not None:
            self._leaking.allow(allowance, self._barometer_miss)


class _Bin:
    """Readings of one short span, summed."""

    __slots__ = ("ambient_sum", "n", "noise_sum", "p_sum", "start_s", "t_sum", "temperatures")

    def __init__(self) -> None:
        self.n = 0
        self.start_s = self.t_sum = self.p_sum = self.ambient_sum = self.noise_sum = 0.0
        self.temperatures: dict[Place, list[float]] = {}

    def is_full(self, t_s: float) -> bool:
        return self.n > 0 and t_s - self.start_s >= BIN_S

    def add(self, reading: Reading, absolute_pa: float, noise_pa: float, lagged: LaggedThermometers) -> None:
        if self.n == 0:
            self.start_s = reading.t_s
        self.n += 1
        self.t_sum += reading.t_s
        self.p_sum += absolute_pa
        self.ambient_sum += reading.ambient_pa
        self.noise_sum += noise_pa
        place, kelvin = reading.nearest
        if place is None or kelvin is None:
            return
        sums = self.temperatures.setdefault(place, [0.0] * 5)
        quick, middle, slow = lagged.movements(place, kelvin)
        sums[0] += 1.0
        sums[1] += kelvin
        sums[2] += quick
        sums[3] += middle
        sums[4] += slow

    def thermometer(self) -> tuple[Place | None, float, tuple[float, float, float]]:
        """Return the thermometer that was nearest to the gas all through the bin: its means, K and shares."""
        for place in (Place.GAS, Place.WALL, Place.ROOM):
            n, kelvin, quick, middle, slow = self.temperatures.get(place, (0.0,) * 5)
            if n and 2 * n >= self.n:
                return place, kelvin / n, (quick / n, middle / n, slow / n)
        return None, TEMPERATURE_UNKNOWN_K, (0.0, 0.0, 0.0)
