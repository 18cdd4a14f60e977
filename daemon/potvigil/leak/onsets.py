"""Since when and how fast a pot loses air: hypotheses beside the bank of a sound pot.

Each carries the trace that a loss of unit rate would leave in the states of every cell. The innovations,
regressed on what that trace predicts, give the rate, its variance and the likelihood ratio against a sound
pot, with all states integrated out (Willsky & Jones, IEEE Trans. Automatic Control
AC-21 (1976) 108-112). The likelihood of a leak is that of all cells, each with its weight.
"""

from bisect import bisect_right
from dataclasses import dataclass
from math import inf, log, sqrt

import numpy as np

from potvigil.leak.bank import PotBank
from potvigil.leak.correction import Correction
from potvigil.leak.pot_model import AIR, RATE, SIZE, Floats
from potvigil.model.events import NORMAL_95, Interval

_NEGLIGIBLE = 20.0  # log likelihood ratio below which an onset has no weight
_SPACING = 0.2  # neighbours of an onset are at least this share of its age apart
# Beyond so many sigma this many of the likeliest onsets stay, however close: the right one, dropped hours
# later with its neighbours kept, took half of a leak's evidence with it, and once the alarm.
_LIKELY_SIGMAS, _LIKELY = 3.0, 8


class LossTraces:
    """Hypothetical courses of a loss, a column each: their traces, and the regressions on them.

    lost: of the air so far at unit rate, (columns,). information: sum of g^2/S; score: sum of g innovation/S;
    both (cells, columns).
    """

    def __init__(self, cells: int, columns: int = 0) -> None:
        self.traces = np.zeros((cells, SIZE, columns))
        self.lost = np.zeros(columns)
        self.information, self.score = np.zeros((cells, columns)), np.zeros((cells, columns))

    def follow(self, seen: Correction) -> None:
        """Use the bank's correction for one observation."""
        expected = -(seen.row[:, None, :] @ self.traces)[:, 0]
        if seen.of_the_air:
            expected -= self.lost
        self.traces += seen.gain[:, :, None] * expected[:, None, :]
        weighed = seen.trust * expected / seen.variance[:, None]
        self.information += expected * weighed
        self.score += seen.innovation[:, None] * weighed

    def select(self, columns: list[int]) -> None:
        """Keep these columns; a column beyond the last is a new one."""
        old = len(self.lost)
        kept, new = [each for each in columns if each < old], sum(each >= old for each in columns)

        def selected(a: Floats) -> Floats:
            blank = np.zeros((*a.shape[:-1], new))
            return np.concatenate(
                (np.take(a, kept, axis=-1), blank), axis=-1
            )  # ten times as fast as a[..., kept]

        self.traces, self.lost = selected(self.traces), selected(self.lost)
        self.information, self.score = selected(self.information), selected(self.score)

    def rates(self) -> Floats:
        """Return the likeliest rate of each, K/s."""
        return np.asarray(self.score / np.maximum(self.information, 1e-300))

    def log_ratios(self) -> Floats:
        """Return ln of the likelihood ratio against a sound pot; below zero where it would gain air."""
        return np.asarray(0.5 * self.score * np.abs(self.score) / np.maximum(self.information, 1e-300))


@dataclass(frozen=True, slots=True)
class OnsetEstimate:
    """The estimate of a leak from all onsets together.

    rate_k_per_s, onset_s: with 95 % intervals. lost_k: T0 ln of the air before over the air now.
    """

    rate_k_per_s: Interval
    onset_s: Interval
    lost_k: float


class OnsetBank:
    """Follows the bank of a sound pot. The onsets are dense near now and sparse long ago."""

    def __init__(self, cells: int) -> None:
        self.losses = LossTraces(cells)
        self._times_s: list[float] = []

    def carry(self, bank: PotBank, elapsed_s: float) -> None:
        """Advance by so many seconds, and the bank as well."""
        self.losses.traces = bank.carry(elapsed_s, self.losses.traces)
        self.losses.lost += elapsed_s

    def begin(self, t_s: float, bank: PotBank, significance: float | None) -> None:
        """Add a leak that starts now; drop unlikely ones whose neighbours are close for their age.

        significance: as it is now.
        """
        is_leaking = significance is not None and significance >= _LIKELY_SIGMAS
        likely = self._likeliest(bank) if is_leaking else set()
        times_s = [*self._times_s, t_s]
        kept = list(range(len(times_s)))
        for i in range(len(kept) - 2, 0, -1):
            is_dense = times_s[kept[i + 1]] - times_s[kept[i - 1]] < _SPACING * (t_s - times_s[kept[i]])
            if is_dense and kept[i] not in likely:
                del kept[i]
        self.losses.select(kept)
        self._times_s = [times_s[each] for each in kept]

    def significance(self, bank: PotBank, sign: float = 1.0) -> float | None:
        """Return by how many standard deviations air is lost; None before anything is known.

        sign: -1 for air that is gained.
        """
        if not self._times_s or not self.losses.information.any():
            return None
        best = (sign * self.losses.log_ratios()).max(axis=1)
        ratio = log_sum(bank.log_weights + np.maximum(best, 0.0)) - log_sum(bank.log_weights)
        return sqrt(2.0 * max(ratio, 0.0))

    def _likeliest(self, bank: PotBank) -> set[int]:
        """Return the likeliest onsets, by column."""
        evidence = self.losses.log_ratios() + bank.log_weights[:, None]
        return set(np.argsort(evidence.max(axis=0))[-_LIKELY:].tolist())

    def is_oldest(self, onset_s: float) -> bool:
        """Return whether that onset is within the span of the oldest hypothesis."""
        return len(self._times_s) > 1 and onset_s < self._times_s[1]

    def since_the_start(self, bank: PotBank) -> Interval | None:
        """Return the rate, K/s, of a leak that began with the hold, or before."""
        return self.since(-inf, bank)

    def since(self, onset_s: float, bank: PotBank) -> Interval | None:
        """Return the rate, K/s, of a leak that began then, by the newest onset that is not later."""
        column = max(bisect_right(self._times_s, onset_s) - 1, 0)
        if not self._times_s or not self.losses.information[:, column].all():
            return None
        information, rates = self.losses.information[:, column], self.losses.rates()[:, column]
        log_weights = bank.log_weights + 0.5 * rates**2 * information - 0.5 * np.log(information)
        weights = np.exp(log_weights - log_sum(log_weights))
        value = float(weights @ rates)
        reach = NORMAL_95 * sqrt(float(weights @ (1.0 / information + (rates - value) ** 2)))
        return Interval(value, value - reach, value + reach)

    def found(self, bank: PotBank) -> OnsetEstimate:
        """Average over all cells and onsets, weighted by likelihood and by the span of time of each."""
        shares, rates, squares = self._weighed(bank)
        value, square = float((shares * rates).sum()), float((shares * squares).sum())
        lost_k = float((shares * rates * self.losses.lost).sum())
        reach = NORMAL_95 * sqrt(max(square - value * value, 0.0))
        by_onset = shares.sum(axis=0)
        onset_s = Interval(*(self._quantile(by_onset, target) for target in (0.5, 0.025, 0.975)))
        return OnsetEstimate(Interval(value, value - reach, value + reach), onset_s, lost_k)

    def leaking(self, bank: PotBank) -> PotBank:
        """Return the bank for a pot that leaks as these hypotheses say."""
        shares, rates, squares = self._weighed(bank)
        by_cell = shares.sum(axis=1)
        within = shares / np.maximum(by_cell, 1e-300)[:, None]
        adds = -self.losses.traces
        adds[:, AIR] -= self.losses.lost
        adds[:, RATE] = 1.0
        mean = np.einsum("ik,ijk->ij", within * rates, adds)
        second = np.einsum("ik,ijk,ilk->ijl", within * squares, adds, adds)
        second -= mean[:, :, None] * mean[:, None, :]
        return bank.leaking(mean, second, np.log(np.maximum(by_cell, 1e-300)))

    def _weighed(self, bank: PotBank) -> tuple[Floats, Floats, Floats]:
        """Return the posterior weight, the rate and its mean square, of each cell and onset."""
        losses, times_s = self.losses, np.array(self._times_s)
        ratios = np.where(losses.information > 0.0, losses.log_ratios(), -np.inf) + bank.log_weights[:, None]
        before, after = np.append(times_s[:1], times_s[:-1]), np.append(times_s[1:], times_s[-1:])
        spans_s = np.maximum(after - before, 1.0)
        rates = losses.rates()
        # it may have started anywhere in that span, while the loss since then is known: spread / sqrt(12)
        spreads = rates * np.minimum(0.5 * spans_s / np.maximum(losses.lost, 1.0), 1.0)
        squares = rates**2 + 1.0 / np.maximum(losses.information, 1e-300) + spreads**2 / 12.0
        best = ratios.max()
        shares = np.where(ratios > best - _NEGLIGIBLE, spans_s * np.exp(ratios - best), 0.0)
        return shares / shares.sum(), rates, squares

    def _quantile(self, shares: Floats, target: float) -> float:
        """Return when the summed share passes the target, each share spread to its neighbours."""
        times_s = self._times_s
        passed = 0.0
        for i, share in enumerate(shares):
            if share > 0.0 and passed + share >= target:
                low_s = 0.5 * (times_s[i] + times_s[max(i - 1, 0)])
                high_s = 0.5 * (times_s[i] + times_s[min(i + 1, len(times_s) - 1)])
                return low_s + (high_s - low_s) * (target - passed) / float(share)
            passed += float(share)
        return times_s[-1]


def log_sum(logs: Floats) -> float:
    """Return ln of the sum of exponentials."""
    most = float(logs.max())
    return most + log(float(np.exp(logs - most).sum()))
