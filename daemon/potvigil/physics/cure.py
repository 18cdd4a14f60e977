"""The cure clock: how old the resin is by its own time, and when the batch may be vented.

Resin cures quicker when warm. Its age is counted in hours at the temperature its times are given for
(equivalent age, ASTM C1074): each second counts exp(Q (1/T_given - 1/T)). Q means "the time halves with
each 10 C", the common practice of the shop, and is not derived from the kinetics of any one reaction.

A probe in or on the mould tells the resin's temperature. The air understates a part that heats itself, so
without one the clock is late rather than early. Where the settings name no temperature the times are plain
times.
"""

from math import exp, log, sqrt

from potvigil.model.events import Cure
from potvigil.model.pot import Resin

HALVING_K = 10.0
# Without a gel time: no resin of resins.yaml gels later than at 0.42 of its hold.
LATEST_GEL = 0.5
# How far the temperature may go from here on, 95 %: 1.2 K in an hour, 3.5 K in a night, as in the forecast;
# on the mean until then it tells with a share of that (1/sqrt 3 for a wandering one).
DRIFT_K_PER_SQRT_H, MOST_DRIFT_K, MEAN_SHARE = 1.2, 3.5, 0.58


def age_factor(kelvin: float, given_for_k: float, q_k: float) -> float:
    """Return how many seconds a resin ages in one at `kelvin`, its times given for `given_for_k`.

    Equivalent age, ASTM C1074, appendix X1; q_k: activation energy over the gas constant, K.
    """
    return exp(q_k * (1.0 / given_for_k - 1.0 / kelvin))


def halving_q_k(given_for_k: float) -> float:
    """Return the Q, K, with which a time given for that temperature halves 10 K above it."""
    return log(2.0) / (1.0 / given_for_k - 1.0 / (given_for_k + HALVING_K))


def pace(kelvin: float, given_for_k: float) -> float:
    """Return the age factor by the rule of the shop."""
    return age_factor(kelvin, given_for_k, halving_q_k(given_for_k))


class CureClock:
    """The age of one batch. Times on the record's axis.

    start_s: of the fill, until `mixed` gives the time of mixing.
    """

    def __init__(self, start_s: float, resin: Resin) -> None:
        self.start_s = self._now_s = start_s
        self._resin = resin
        self._pace = 1.0
        self._kelvin: float | None = None
        self._age_s = 0.0
        self._done_s: float | None = None

    def take(self, t_s: float, kelvin: float | None) -> None:
        """Advance to t_s; kelvin: of the thermometer nearest to the resin, None where none answers."""
        if kelvin is not None and kelvin != self._kelvin:
            first, self._kelvin = self._kelvin is None, kelvin
            self._set_pace()
            if first:  # it was as warm before, as far as anybody knows
                self._age_s *= self._pace
        before_s = self._age_s
        self._age_s += max(t_s - self._now_s, 0.0) * self._pace
        if self._done_s is None and self._age_s >= self._resin.hold_s:
            self._done_s = self._now_s + max(self._resin.hold_s - before_s, 0.0) / self._pace
        self._now_s = max(t_s, self._now_s)

    def retime(self, resin: Resin) -> None:
        """Set the resin; its age so far is converted at the present temperature."""
        passed_s = self._age_s / self._pace
        self._resin, self._done_s = resin, None
        self._set_pace()
        self._age_s = passed_s * self._pace

    def mixed(self, t_s: float) -> None:
        """Say when the resin was mixed; the time until the fill, or after it, counts at the present pace."""
        self._age_s = max(self._age_s + (self.start_s - t_s) * self._pace, 0.0)
        self.start_s, self._done_s = t_s, None

    def seconds_to(self, age_s: float) -> float:
        """Return how long until the resin is that old, at the present pace; below zero when it is older."""
        return (age_s - self._age_s) / self._pace

    @property
    def age_s(self) -> float:
        """How old the resin is by its own time."""
        return self._age_s

    @property
    def done(self) -> bool:
        """Whether the batch is old enough to be vented."""
        return self._age_s >= self._resin.hold_s

    @property
    def gelled(self) -> bool:
        """Whether the resin has gelled; without a gel time half of the hold counts."""
        usual_s = LATEST_GEL * self._resin.hold_s
        return self._age_s >= (usual_s if self._resin.gel_s is None else self._resin.gel_s)

    def cure(self) -> Cure:
        """Return progress and end, as of the newest `take`."""
        progress = min(self._age_s / self._resin.hold_s, 1.0)
        if self._done_s is not None:
            return Cure(progress, self._done_s)
        left_s = self._resin.hold_s - self._age_s
        ahead_s = left_s / self._pace
        done_s = self._now_s + ahead_s
        if self._kelvin is None or self._resin.at_k is None:
            return Cure(progress, done_s)
        drift_k = MEAN_SHARE * min(DRIFT_K_PER_SQRT_H * sqrt(ahead_s / 3600.0), MOST_DRIFT_K)
        early, late = (
            self._now_s + left_s / pace(self._kelvin + each, self._resin.at_k) for each in (drift_k, -drift_k)
        )
        return Cure(progress, done_s, early, late)

    def _set_pace(self) -> None:
        kelvin, at_k = self._kelvin, self._resin.at_k
        self._pace = 1.0 if kelvin is None or at_k is None else pace(kelvin, at_k)
