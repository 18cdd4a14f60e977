"""Since when and how fast a pot leaks: hypotheses "a leak since t" beside the filter of a sound pot.

The onsets t stand on a grid that is fine near now and coarse long ago. For each, the trace that a leak of
unit rate would leave in the filter's states is carried along; the filter's innovations, regressed on what
that trace lets one expect, give the rate, its variance and the likelihood ratio against a sound pot, with all
thermal states integrated out (Willsky & Jones, IEEE Trans. Automatic Control AC-21 (1976) 108-112).
"""

from dataclasses import dataclass
from math import exp, sqrt

from potvigil.core.air import LEVEL, OF_THE_THERMOMETER, SIZE, Step
from potvigil.core.event import NORMAL_95, Interval

_STATES = SIZE - 1  # a sound pot has no rate
_NEGLIGIBLE = 40.0  # twice the log likelihood ratio below which an onset has no weight
_SPACING = 0.2  # neighbours of an onset stand at least this share of its age apart


class _Onset:
    """One hypothesis, a leak of unit rate since `t_s`: its trace in the states, and the regression on it."""

    __slots__ = ("information", "score", "t_s", "trace")

    def __init__(self, t_s: float) -> None:
        self.t_s = t_s
        self.trace: tuple[float, ...] = (0.0,) * _STATES
        self.information = 0.0  # sum of g^2/S
        self.score = 0.0  # sum of g innovation/S


@dataclass(frozen=True, slots=True)
class Found:
    """What all onsets together say of a leak.

    rate_per_s, onset_s: with 95 % intervals. lost: ln of the air before over the air now.
    """

    rate_per_s: Interval
    onset_s: Interval
    lost: float


class OnsetBank:
    """Takes the steps of a sound pot's filter."""

    def __init__(self) -> None:
        self._onsets: list[_Onset] = []

    def take(self, t_s: float, step: Step) -> None:
        """Take the filter's step at time `t_s`."""
        # written out, state by state: most of the work of the watch, and a loop takes twice as long
        _, f1, _, _, f4, f5, f6, f7, _, _, _, _ = step.decay
        a, b, c, d = step.fast
        _, _, _, _, _, _, _, _, h8, h9, h10, _ = step.seen
        k0, k1, k2, k3, k4, k5, k6, k7, k8, k9, k10, _ = step.gains
        by_information, by_score = 1.0 / step.variance, step.innovation / step.variance
        for onset in self._onsets:
            x0, x1, x2, x3, x4, x5, x6, x7, x8, x9, x10 = onset.trace
            x1 *= f1
            x2, x3 = a * x2 + b * x3, c * x2 + d * x3
            x4 *= f4
            x5 *= f5
            x6 *= f6
            x7 *= f7
            g = onset.t_s - t_s - x0 - x1 - x2 - x4 - x5 - x6 - x7 - h8 * x8 - h9 * x9 - h10 * x10
            onset.trace = (
                x0 + k0 * g,
                x1 + k1 * g,
                x2 + k2 * g,
                x3 + k3 * g,
                x4 + k4 * g,
                x5 + k5 * g,
                x6 + k6 * g,
                x7 + k7 * g,
                x8 + k8 * g,
                x9 + k9 * g,
                x10 + k10 * g,
            )
            onset.information += g * g * by_information
            onset.score += g * by_score
        self._onsets.append(_Onset(t_s))
        self._thin(t_s)

    def change_thermometer(self) -> None:
        """Forget, with the filter, what a leak left in the states that were about the old thermometer."""
        for onset in self._onsets:
            onset.trace = tuple(
                0.0 if state in OF_THE_THERMOMETER else value for state, value in enumerate(onset.trace)
            )

    def significance(self) -> float | None:
        """Return by how many standard deviations the likeliest leak is one; None before anything is known."""
        return max(
            (each.score / sqrt(each.information) for each in self._onsets if each.information > 0.0),
            default=None,
        )

    def is_oldest(self, onset_s: float) -> bool:
        """Say whether that onset lies within the reach of the oldest hypothesis."""
        return len(self._onsets) > 1 and onset_s < self._onsets[1].t_s

    def since_the_start(self) -> Interval | None:
        """Return the rate, 1/s, of a leak that began with the hold, or before."""
        first = self._onsets[0] if self._onsets else None
        if first is None or first.information <= 0.0:
            return None
        value, reach = first.score / first.information, NORMAL_95 / sqrt(first.information)
        return Interval(value, value - reach, value + reach)

    def found(self) -> Found:
        """Average over all onsets by likelihood and by the span of time each one stands for."""
        now_s = self._onsets[-1].t_s
        value = square = lost = 0.0
        weighed = self._weighed()
        for onset, share, rate, rate_square in weighed:
            value += share * rate
            square += share * rate_square
            lost += share * rate * (now_s - onset.t_s)
        reach = NORMAL_95 * sqrt(max(square - value * value, 0.0))
        onset_s = Interval(*(self._quantile(weighed, target) for target in (0.5, 0.025, 0.975)))
        return Found(Interval(value, value - reach, value + reach), onset_s, lost)

    def moments(self) -> tuple[list[float], list[list[float]]]:
        """Return first and second central moment of what the leak adds to the states of the sound pot."""
        now_s = self._onsets[-1].t_s
        mean = [0.0] * SIZE
        second = [[0.0] * SIZE for _ in range(SIZE)]
        for onset, share, rate, rate_square in self._weighed():
            adds = [-each for each in onset.trace] + [1.0]
            adds[LEVEL] -= now_s - onset.t_s
            for i, each in enumerate(adds):
                mean[i] += share * rate * each
                factor = share * rate_square * each
                second[i] = [value + factor * other for value, other in zip(second[i], adds, strict=True)]
        for i, each in enumerate(mean):
            second[i] = [value - each * other for value, other in zip(second[i], mean, strict=True)]
        return mean, second

    def _weighed(self) -> list[tuple[_Onset, float, float, float]]:
        """Return each onset that counts with its share of the belief, its rate and the rate's mean square."""
        onsets = [each for each in self._onsets if each.information > 0.0]
        now_s = self._onsets[-1].t_s
        ratios = [each.score * abs(each.score) / each.information for each in onsets]
        best = max(ratios)
        likely = []
        for i, (onset, ratio) in enumerate(zip(onsets, ratios, strict=True)):
            if ratio < best - _NEGLIGIBLE:
                continue
            after_s = onsets[i + 1].t_s if i + 1 < len(onsets) else now_s
            span_s = after_s - onsets[max(i - 1, 0)].t_s
            rate = onset.score / onset.information
            # it may have begun anywhere in that span; the loss since then is what is seen: spread / sqrt(12)
            spread = rate * min(0.5 * span_s / max(now_s - onset.t_s, 1.0), 1.0)
            square = rate * rate + 1.0 / onset.information + spread * spread / 12.0
            likely.append((onset, max(span_s, 1.0) * exp(0.5 * (ratio - best)), rate, square))
        total = sum(weight for _, weight, *_ in likely)
        return [(onset, weight / total, rate, square) for onset, weight, rate, square in likely]

    def _quantile(self, weighed: list[tuple[_Onset, float, float, float]], target: float) -> float:
        """Return when the summed share passes the target, each share spread to its neighbours."""
        times = [each.t_s for each in self._onsets]
        passed = 0.0
        for onset, share, *_ in weighed:
            if passed + share >= target:
                i = times.index(onset.t_s)
                low_s = 0.5 * (times[i] + times[max(i - 1, 0)])
                high_s = 0.5 * (times[i] + times[min(i + 1, len(times) - 1)])
                return low_s + (high_s - low_s) * (target - passed) / share
            passed += share
        return times[-1]

    def _thin(self, t_s: float) -> None:
        # drop an onset whose neighbours already stand close together for their age; the first one stays
        onsets = self._onsets
        kept = len(onsets) - 2
        while kept > 0:
            age_s = t_s - onsets[kept].t_s
            if onsets[kept + 1].t_s - onsets[kept - 1].t_s < _SPACING * age_s:
                del onsets[kept]
            kept -= 1
