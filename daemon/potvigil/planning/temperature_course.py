"""The temperature of the coming night, and how a resin ages through it."""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import cos, inf, pi, sqrt

from potvigil.model.pot import Resin
from potvigil.physics.cure import DRIFT_K_PER_SQRT_H, MEAN_SHARE, MOST_DRIFT_K, pace

DAY_S = 86_400.0
COLDEST_S = 6.0 * 3600.0  # after midnight: about dawn, as usual in a room that follows the weather
_STEP_S = 300.0
_LONGEST_S = 400.0 * DAY_S

Course = Callable[[float], float]
"""A temperature, K, by the seconds from the start of the fill."""


@dataclass(frozen=True, slots=True)
class Cured:
    """How long the cure lasts, from the fill, s. No range where the times are plain times."""

    after_s: float
    early_s: float | None
    late_s: float | None


def steady(kelvin: float) -> Course:
    return lambda _: kelvin


def down_to(room_k: float, lowest_k: float, start_s: float) -> Course:
    """Return a night that falls steadily from room_k to lowest_k at dawn, and follows the sun from there.

    start_s: when it starts, seconds after midnight.
    """
    to_dawn_s = (COLDEST_S - start_s) % DAY_S or DAY_S
    middle_k, swing_k = (room_k + lowest_k) / 2.0, (room_k - lowest_k) / 2.0

    def at(t_s: float) -> float:
        if t_s <= to_dawn_s:
            return middle_k + swing_k * cos(pi * t_s / to_dawn_s)
        return middle_k - swing_k * cos(2.0 * pi * (t_s - to_dawn_s) / DAY_S)

    return at


def like(times_s: Sequence[float], kelvins: Sequence[float]) -> Course:
    """Return the measured day, repeated; times_s from the start of the fill."""

    def at(t_s: float) -> float:
        return kelvins[max(bisect_right(times_s, t_s % DAY_S) - 1, 0)]

    return at


def coldest_k(course: Course, until_s: float) -> float:
    return min(course(_STEP_S * step) for step in range(int(until_s // _STEP_S) + 2))


def age_s(resin: Resin, course: Course, until_s: float, warmer_k: float = 0.0) -> float:
    """Return the age of a resin then, by its own time as the cure clock counts it."""
    age = t_s = 0.0
    while t_s < until_s:
        step_s = min(_STEP_S, until_s - t_s)
        age += step_s * _pace(resin, course(t_s + step_s / 2.0) + warmer_k)
        t_s += step_s
    return age


def cured(resin: Resin, course: Course) -> Cured:
    """Return when the resin is as old as its hold; the range is the cure clock's own."""
    after_s = _when(resin, course, 0.0)
    if resin.at_k is None:
        return Cured(after_s, None, None)
    drift_k = MEAN_SHARE * min(DRIFT_K_PER_SQRT_H * sqrt(after_s / 3600.0), MOST_DRIFT_K)
    return Cured(after_s, _when(resin, course, drift_k), _when(resin, course, -drift_k))


def working_time_s(resin: Resin, kelvin: float | None) -> float | None:
    """Return the working time of the resin at that temperature; None where it is unknown."""
    if resin.working_time_s is None or (resin.at_k is not None and kelvin is None):
        return None
    return resin.working_time_s / (1.0 if kelvin is None else _pace(resin, kelvin))


def _pace(resin: Resin, kelvin: float) -> float:
    return 1.0 if resin.at_k is None else pace(kelvin, resin.at_k)


def _when(resin: Resin, course: Course, warmer_k: float) -> float:
    age = t_s = 0.0
    while t_s < _LONGEST_S:
        now = _pace(resin, course(t_s + _STEP_S / 2.0) + warmer_k)
        if age + _STEP_S * now >= resin.hold_s:
            return t_s + (resin.hold_s - age) / now
        age += _STEP_S * now
        t_s += _STEP_S
    return inf
