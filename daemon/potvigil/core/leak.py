"""The leak estimate: air lost, told from everything else that lets a sound pot fall.

What is watched is y = ln p - ln Z - ln T, the logarithm of the amount of air as far as the thermometer can
say. A leak through a hole takes a constant share of the air per second, so in y it is a straight ramp that
begins at its onset and never ends. Everything else relaxes, and is given a state of its own in one Kalman
filter that describes a *sound* pot:

    level     ln of the amount of air
    slow      how far thermometer, transducer and barometer miss the gas; wanders over hours
    fast      the same over minutes
    heat      heat of the curing resin: opened only by a pressure that rises in a shut pot
    transient, soak, uptake
              what the fill left behind, dying away over minutes, an hour, some hours
    quick_lag, slow_lag
              how much of the thermometer's own quick and slow movement the gas does not share

Beside that filter runs a bank of hypotheses "a leak since t", t on a grid that is fine near now and coarse
long ago. For each, the trace that a leak of unit rate would leave in the filter's innovations is carried
along, and the innovations are regressed on it: this gives the rate, its variance and the likelihood ratio
against a sound pot, with all thermal states integrated out (Willsky & Jones, IEEE Trans. Automatic Control
AC-21 (1976) 108-112). Work per sample is constant; readings are averaged into bins first.
"""

from dataclasses import dataclass
from math import exp, expm1, log, sqrt

from potvigil.core.event import Interval
from potvigil.core.gas import compressibility
from potvigil.core.reading import Place, Reading

BIN_S = 20.0  # short against the quickest delay asked for (5 min), long enough to make work per sample small

# Time constants of a pot of 8 to 50 L, s: gas and quick contents, wall and mould with the room, uptake by
# silicone, resin heat leaving through the gas.
TRANSIENT_S, SOAK_S, UPTAKE_S, HEAT_S = 300.0, 2400.0, 9000.0, 4300.0
SLOW_S, FAST_S = 4 * 3600.0, 600.0
QUICK_LAG_S, SLOW_LAG_S = 1200.0, 7200.0
# Just after a fill the gas is stirred and its probe trails it in ways no exponential describes: 1 sigma.
STIRRED, STIRRED_S = 0.02, 150.0
# A rise so soon after a fill is what that left behind, not the resin; no resin peaks within 20 min of a fill
# that had to be over well before its gel.
HEAT_AFTER_S = 1200.0
UPTAKE = 0.0015  # of the air, 1 sigma: 0.1-0.3 % is common practice for silicone moulds
LEVEL_WANDER_PER_SQRT_S = 1e-7  # keeps the level alive; 0.003 % in a day
ROUNDING = 6e-5  # of a bin: a 0.0625 K thermometer step and an 0.0047 psi converter step
BAROMETER_MISS = 0.0015  # of the absolute pressure, 1 sigma, where only the altitude is known

Z_ESTABLISHED = 5.0  # a leak beyond doubt: 5 sigma for the best onset
LEAST_RATE_PER_S = 0.1 / 75.0 / 3600.0  # and at 60 psi gauge surely faster than 0.1 psi/h
NORMAL_95 = 1.959964
_HEAT_SIGMAS = 8.0  # one-sided cumulative sum of innovations that says "the pressure rises"; ARL 110 h
_OUTLIER_SIGMAS = 4.0
_UNKNOWN = 1.0  # variance of a level nothing is known of, in ln
_NEGLIGIBLE = 40.0  # twice the log likelihood ratio below which an onset has no weight
_BANK_SPACING = 0.12  # neighbouring onsets at least this share of their age apart


@dataclass(frozen=True, slots=True)
class Allowance:
    """How far the gas may miss what the thermometer says, 1 sigma, as a share of the absolute temperature.

    heat: of the resin, where it may come too gently to be seen as a rise.
    quick_lag, slow_lag: (mean, sigma) of the share of the thermometer's movement the gas does not follow,
    within 20 min and within 2 h.
    """

    slow: float
    fast: float
    transient: float
    soak: float
    heat: float
    quick_lag: tuple[float, float]
    slow_lag: tuple[float, float]


# One kelvin is 0.0034. In the gas: a probe's own error and gradient, 0.2 K. On the wall: the gas misses it by
# half a kelvin, the contents by more after a fill, and by a kelvin of resin heat. In the room: the same heat,
# and the pot trails the room by an hour or two.
ALLOWANCES: dict[Place | None, Allowance] = {
    Place.GAS: Allowance(0.0007, 0.0003, 0.02, 0.004, 0.0, (0.0, 0.3), (0.0, 0.05)),
    Place.WALL: Allowance(0.0018, 0.0007, 0.03, 0.02, 0.003, (-0.3, 0.5), (0.0, 0.2)),
    Place.ROOM: Allowance(0.004, 0.0010, 0.03, 0.03, 0.003, (-0.9, 0.2), (-0.4, 0.4)),
}


def allowance_without_thermometer(room_swing_k: float) -> Allowance:
    """Return the allowance for a pot that room and resin may warm or cool by so many kelvin in a night."""
    return Allowance(room_swing_k / 3.0 / 293.0, 0.0010, 0.03, 0.03, 0.0, (0.0, 0.01), (0.0, 0.01))


@dataclass(frozen=True, slots=True)
class Leak:
    """Share of the air lost per second, 1/s, with its 95 % interval; onset likewise, s on the record's axis.

    onset_s: None while no leak is established. significance: in standard deviations.
    """

    rate_per_s: Interval
    onset_s: Interval | None
    established: bool
    significance: float


class LeakFilter:
    """Takes readings of one hold; `estimate` is the newest answer, None before there is one."""

    def __init__(self, room_swing_k: float = 8.0, has_barometer: bool = True) -> None:
        self._without = allowance_without_thermometer(room_swing_k)
        self._barometer_miss = 0.0 if has_barometer else BAROMETER_MISS
        self.estimate: Leak | None = None
        self.transient_rate_per_s = 1.0  # 95 % bound on the speed of what the fill left behind
        self._bin = _Bin()
        self._proxy: Place | None = None
        self._last_s: float | None = None
        self._filter = _SoundPot(self._without, self._barometer_miss)
        self._bank = _Bank()
        self._quick_k = self._slow_k = 0.0

    def add(self, reading: Reading, noise_pa: float) -> bool:
        """Take one good reading with the scatter of the pressure, Pa; True when a bin was completed."""
        absolute_pa = reading.absolute_pa
        if absolute_pa is None:
            return False
        ready = self._bin.is_full(reading.t_s)
        if ready:
            self._take_bin()
        self._bin.add(reading, absolute_pa, noise_pa)
        return ready

    def top_up(self, rise_share: float) -> None:
        """Say that air was let in, about this share of what was there: a new level, a small transient."""
        self._bin = _Bin()
        self._filter.reopen(rise_share)

    def _take_bin(self) -> None:
        done, self._bin = self._bin, _Bin()
        t_s = done.t_sum / done.n
        proxy, proxy_k = done.proxy()
        if self._last_s is None:
            self._begin(proxy, proxy_k)
        elif proxy is not self._proxy:
            self._change_proxy(proxy, proxy_k)
        elapsed_s = 0.0 if self._last_s is None else t_s - self._last_s
        self._last_s = t_s

        self._quick_k += (proxy_k - self._quick_k) * -expm1(-elapsed_s / QUICK_LAG_S)
        self._slow_k += (proxy_k - self._slow_k) * -expm1(-elapsed_s / SLOW_LAG_S)
        absolute_pa = done.p_sum / done.n
        y = log(absolute_pa / compressibility(absolute_pa, proxy_k)) - log(proxy_k)
        noise = done.noise_sum / done.n / absolute_pa
        innovation, variance, gains = self._filter.step(
            elapsed_s,
            y,
            noise * noise / done.n + ROUNDING * ROUNDING,
            (proxy_k - self._quick_k) / proxy_k,
            (self._quick_k - self._slow_k) / proxy_k,
        )
        self._bank.step(t_s, self._filter.decay, self._filter.seen, gains, innovation, variance)
        self.estimate = self._bank.estimate()
        self.transient_rate_per_s = self._filter.transient_rate_per_s()

    def _begin(self, proxy: Place | None, proxy_k: float) -> None:
        self._proxy = proxy
        self._quick_k = self._slow_k = proxy_k
        self._filter = _SoundPot(self._allowance(proxy), self._barometer_miss)

    def _change_proxy(self, proxy: Place | None, proxy_k: float) -> None:
        # a thermometer came or went: what was learnt of the air stays in the bank, the level starts anew
        self._proxy = proxy
        self._quick_k = self._slow_k = proxy_k
        self._filter.allow(self._allowance(proxy), self._barometer_miss)

    def _allowance(self, proxy: Place | None) -> Allowance:
        return self._without if proxy is None else ALLOWANCES[proxy]


class _Bin:
    """Readings of one short span, summed."""

    __slots__ = ("n", "noise_sum", "p_sum", "start_s", "t_sum", "temperatures")

    def __init__(self) -> None:
        self.n = 0
        self.start_s = self.t_sum = self.p_sum = self.noise_sum = 0.0
        self.temperatures: dict[Place, tuple[int, float]] = {}

    def is_full(self, t_s: float) -> bool:
        return self.n > 0 and t_s - self.start_s >= BIN_S

    def add(self, reading: Reading, absolute_pa: float, noise_pa: float) -> None:
        if self.n == 0:
            self.start_s = reading.t_s
        self.n += 1
        self.t_sum += reading.t_s
        self.p_sum += absolute_pa
        self.noise_sum += noise_pa
        if reading.gas_k is not None:
            self._add_temperature(Place.GAS, reading.gas_k)
        elif reading.wall_k is not None:
            self._add_temperature(Place.WALL, reading.wall_k)
        elif reading.room_k is not None:
            self._add_temperature(Place.ROOM, reading.room_k)

    def _add_temperature(self, place: Place, kelvin: float) -> None:
        n, total = self.temperatures.get(place, (0, 0.0))
        self.temperatures[place] = (n + 1, total + kelvin)

    def proxy(self) -> tuple[Place | None, float]:
        """Return the thermometer that was nearest to the gas all through the bin, and its mean, K."""
        for place in (Place.GAS, Place.WALL, Place.ROOM):
            n, total = self.temperatures.get(place, (0, 0.0))
            if n and 2 * n >= self.n:
                return place, total / n
        return None, 293.15


_LEVEL, _SLOW, _FAST, _HEAT, _TRANSIENT, _SOAK, _UPTAKE, _QUICK_LAG, _SLOW_LAG = range(9)
_SIZE = 9
_TIME_CONSTANTS_S = {
    _SLOW: SLOW_S,
    _FAST: FAST_S,
    _HEAT: HEAT_S,
    _TRANSIENT: TRANSIENT_S,
    _SOAK: SOAK_S,
    _UPTAKE: UPTAKE_S,
}


class _SoundPot:
    """Kalman filter of a pot that loses no air. States as in the module's head, all in ln of the amount.

    decay, seen: the diagonal of the transition and the row of the observation used in the newest step.
    """

    def __init__(self, allowance: Allowance, barometer_miss: float) -> None:
        self.decay = [1.0] * _SIZE
        self.seen = [1.0] * _SIZE
        self._x = [0.0] * _SIZE
        self._p = [[0.0] * _SIZE for _ in range(_SIZE)]
        self._stationary = [0.0] * _SIZE
        self._decay_for_s = -1.0
        self._rise_sum = self._rise_size = 0.0
        self._age_s = 0.0  # since the fill or the newest top-up
        self._stirred = STIRRED
        self.allow(allowance, barometer_miss)
        self._stationary[_HEAT] = allowance.heat**2
        for state, sigma in (
            (_TRANSIENT, allowance.transient),
            (_SOAK, allowance.soak),
            (_UPTAKE, UPTAKE),
        ):
            self._p[state][state] = sigma * sigma

    def allow(self, allowance: Allowance, barometer_miss: float) -> None:
        """Set how far the thermometer may miss, and forget the level and what it was about this one."""
        self._stationary[_SLOW] = allowance.slow**2 + barometer_miss**2
        self._stationary[_FAST] = allowance.fast**2
        for state in (_LEVEL, _SLOW, _FAST, _QUICK_LAG, _SLOW_LAG):
            for other in range(_SIZE):
                self._p[state][other] = self._p[other][state] = 0.0
        self._p[_LEVEL][_LEVEL] = _UNKNOWN
        self._p[_SLOW][_SLOW] = self._stationary[_SLOW]
        self._p[_FAST][_FAST] = self._stationary[_FAST]
        for state, (mean, sigma) in ((_QUICK_LAG, allowance.quick_lag), (_SLOW_LAG, allowance.slow_lag)):
            self._x[state] = mean
            self._p[state][state] = sigma * sigma
        self._level_known = False

    def reopen(self, rise_share: float) -> None:
        self._p[_LEVEL][_LEVEL] += _UNKNOWN
        # heat of compression: a fill that doubles the air leaves a transient of a few percent behind
        self._p[_TRANSIENT][_TRANSIENT] += (0.1 * rise_share) ** 2
        self._p[_SOAK][_SOAK] += (0.05 * rise_share) ** 2
        self._level_known = False
        self._age_s = 0.0
        self._stirred = STIRRED * rise_share

    def step(
        self, elapsed_s: float, y: float, noise_variance: float, quick: float, slow: float
    ) -> tuple[float, float, list[float]]:
        """Predict and correct; return innovation, its variance and the gains."""
        self._predict(elapsed_s)
        seen, x, p = self.seen, self._x, self._p
        seen[_QUICK_LAG], seen[_SLOW_LAG] = quick, slow
        if not self._level_known:
            x[_LEVEL] += y - sum(h * value for h, value in zip(seen, x, strict=True))
            self._level_known = True
        innovation = y - sum(h * value for h, value in zip(seen, x, strict=True))
        cross = [sum(h * value for h, value in zip(seen, row, strict=True)) for row in p]
        state_variance = sum(h * value for h, value in zip(seen, cross, strict=True))
        variance = state_variance + noise_variance
        if innovation * innovation > _OUTLIER_SIGMAS**2 * variance:
            # one bin out of line is not believed more than its distance allows
            variance = innovation * innovation / _OUTLIER_SIGMAS**2
        gains = [value / variance for value in cross]
        for i, gain in enumerate(gains):
            x[i] += gain * innovation
            p[i] = [value - gain * other for value, other in zip(p[i], cross, strict=True)]
        self._watch_for_heat(innovation, variance)
        return innovation, variance, gains

    def transient_rate_per_s(self) -> float:
        """Return the 95 % bound on how fast the fill's remains still change y, 1/s."""
        p, x = self._p, self._x
        a, b = 1.0 / TRANSIENT_S, 1.0 / SOAK_S
        rate = a * x[_TRANSIENT] + b * x[_SOAK]
        variance = (
            a * a * p[_TRANSIENT][_TRANSIENT] + b * b * p[_SOAK][_SOAK] + 2.0 * a * b * p[_TRANSIENT][_SOAK]
        )
        return abs(rate) + NORMAL_95 * sqrt(max(variance, 0.0))

    def _predict(self, elapsed_s: float) -> None:
        decay, p, x = self.decay, self._p, self._x
        if elapsed_s != self._decay_for_s:
            self._decay_for_s = elapsed_s
            for state, constant_s in _TIME_CONSTANTS_S.items():
                decay[state] = exp(-elapsed_s / constant_s)
        for i, factor in enumerate(decay):
            x[i] *= factor
            p[i] = [value * factor * other for value, other in zip(p[i], decay, strict=True)]
        self._age_s += elapsed_s
        stirred = self._stirred * exp(-self._age_s / STIRRED_S)
        p[_FAST][_FAST] += stirred * stirred * (1.0 - decay[_FAST] ** 2)
        for state in (_SLOW, _FAST, _HEAT):
            p[state][state] += self._stationary[state] * (1.0 - decay[state] ** 2)
        p[_LEVEL][_LEVEL] += LEVEL_WANDER_PER_SQRT_S**2 * elapsed_s
        self._stationary[_HEAT] *= exp(-elapsed_s / (3.0 * HEAT_S))

    def _watch_for_heat(self, innovation: float, variance: float) -> None:
        # a leak can only fall: what rises in a shut pot is heat, and will fall again by as much
        if self._age_s < HEAT_AFTER_S:
            return
        self._rise_sum += innovation / sqrt(variance) - 0.5
        self._rise_size += innovation
        if self._rise_sum <= 0.0:
            self._rise_sum = self._rise_size = 0.0
        elif self._rise_sum > _HEAT_SIGMAS:
            heat = (2.0 * self._rise_size) ** 2
            self._stationary[_HEAT] += heat
            self._p[_HEAT][_HEAT] += heat
            self._rise_sum = self._rise_size = 0.0


class _Onset:
    """One hypothesis, a leak of unit rate since `t_s`: its trace in the states, and the regression on it."""

    __slots__ = ("information", "score", "t_s", "trace")

    def __init__(self, t_s: float) -> None:
        self.t_s = t_s
        self.trace: tuple[float, ...] = (0.0,) * _SIZE
        self.information = 0.0  # sum of g^2/S
        self.score = 0.0  # sum of g innovation/S


class _Bank:
    """Hypotheses "a leak since t", and what they say together."""

    def __init__(self) -> None:
        self._onsets: list[_Onset] = []

    def step(
        self,
        t_s: float,
        decay: list[float],
        seen: list[float],
        gains: list[float],
        innovation: float,
        variance: float,
    ) -> None:
        # written out, state by state: much of the work of the watch, and a loop takes twice as long
        f0, f1, f2, f3, f4, f5, f6, f7, f8 = decay
        w0, w1, w2, w3, w4, w5, w6, w7, w8 = (h * f for h, f in zip(seen, decay, strict=True))
        k0, k1, k2, k3, k4, k5, k6, k7, k8 = gains
        by_information, by_score = 1.0 / variance, innovation / variance
        for onset in self._onsets:
            x0, x1, x2, x3, x4, x5, x6, x7, x8 = onset.trace
            g = onset.t_s - t_s - w0 * x0 - w1 * x1 - w2 * x2 - w3 * x3 - w4 * x4
            g -= w5 * x5 + w6 * x6 + w7 * x7 + w8 * x8
            onset.trace = (
                f0 * x0 + k0 * g,
                f1 * x1 + k1 * g,
                f2 * x2 + k2 * g,
                f3 * x3 + k3 * g,
                f4 * x4 + k4 * g,
                f5 * x5 + k5 * g,
                f6 * x6 + k6 * g,
                f7 * x7 + k7 * g,
                f8 * x8 + k8 * g,
            )
            onset.information += g * g * by_information
            onset.score += g * by_score
        self._onsets.append(_Onset(t_s))
        self._thin(t_s)

    def _thin(self, t_s: float) -> None:
        # drop an onset whose neighbours already stand close together for their age; the first one stays
        onsets = self._onsets
        kept = len(onsets) - 2
        while kept > 0:
            age_s = t_s - onsets[kept].t_s
            if onsets[kept + 1].t_s - onsets[kept - 1].t_s < _BANK_SPACING * age_s:
                del onsets[kept]
            kept -= 1

    def estimate(self) -> Leak | None:
        informed = [onset for onset in self._onsets if onset.information > 0.0]
        if not informed:
            return None
        best_z = max(onset.score / sqrt(onset.information) for onset in informed)
        if best_z >= Z_ESTABLISHED:
            rate, onset_s = _mixture(informed)
            if rate.low > LEAST_RATE_PER_S:
                return Leak(rate, onset_s, True, best_z)
        first = informed[0]
        value = first.score / first.information
        reach = NORMAL_95 / sqrt(first.information)
        return Leak(Interval(value, value - reach, value + reach), None, False, best_z)


def _mixture(onsets: list[_Onset]) -> tuple[Interval, Interval]:
    """Average over all onsets by likelihood and by the span of time each one stands for."""
    ratios = [onset.score * abs(onset.score) / onset.information for onset in onsets]
    times = [onset.t_s for onset in onsets]
    best, now_s = max(ratios), times[-1]
    total = mean = square = 0.0
    weights = []
    spans = zip([times[0], *times], [*times[1:], now_s], strict=False)
    for onset, ratio, (before_s, after_s) in zip(onsets, ratios, spans, strict=True):
        if ratio < best - _NEGLIGIBLE:
            weights.append(0.0)
            continue
        weight = max(after_s - before_s, BIN_S) * exp(0.5 * (ratio - best))
        rate = onset.score / onset.information
        # it may have begun anywhere in that span, and the loss since then is what is seen: spread / sqrt(12)
        age_s = max(now_s - onset.t_s, BIN_S)
        spread = rate * min(0.5 * (after_s - before_s) / age_s, 1.0)
        weights.append(weight)
        total += weight
        mean += weight * rate
        square += weight * (rate * rate + 1.0 / onset.information + spread * spread / 12.0)
    mean /= total
    reach = NORMAL_95 * sqrt(max(square / total - mean * mean, 0.0))
    onset_s = Interval(*(_quantile(times, weights, total * share) for share in (0.5, 0.025, 0.975)))
    return Interval(mean, mean - reach, mean + reach), onset_s


def _quantile(times: list[float], weights: list[float], target: float) -> float:
    """Return the time at which the summed weight passes the target, each weight spread to its neighbours."""
    passed = 0.0
    for i, weight in enumerate(weights):
        if passed + weight >= target:
            low_s = 0.5 * (times[i] + times[max(i - 1, 0)])
            high_s = 0.5 * (times[i] + times[min(i + 1, len(times) - 1)])
            return low_s + (high_s - low_s) * (target - passed) / weight if weight > 0.0 else times[i]
        passed += weight
    return times[-1]
