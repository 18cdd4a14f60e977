"""What a person would otherwise use: plain rules on the same readings, told as scores.

A score is the higher the more a night looks like a leak; its rule cries at the first reading that reaches a
threshold. So the threshold can be set afterwards, to as many false alarms as the watch has on the same sound
nights. That favours the rules: set in hindsight and with nothing to spare, where a caster has to guess.

The settings below were chosen on 620 sound and 60 mid-hold nights of the campaign "peers", which the bench
does not use, for the shortest median delay without a false alarm.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from draw import WORKING_PA
from numpy.typing import NDArray
from river.drift import PageHinkley
from scipy.stats import linregress
from simulate import STEP_S, Recorded

from potvigil.model.reading import Place
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR, SECONDS_PER_MINUTE, ZERO_CELSIUS_K

Floats = NDArray[np.float64]

# The heat of the fill goes into wall and contents meanwhile. The steepest 10 min of 120 sound nights was
# 13.9 psi/h counted from the fill, 0.88 from 30 min after it, and no less from 60 or 90 min.
WARM_UP_S = 1800.0

REFERENCE_K = 293.15

# Page-Hinkley on means of a minute. river's own patience (30 values) and forgetting (0.9999: none to speak of
# in a night) stay. delta, the departure from the running mean that is let pass, is best where it just covers
# what the thermometer leaves uncorrected; with river's own 0.005 the gas needs 42 min, with these 6.
PATIENCE = 30
DELTA_PSI: dict[Place | None, float] = {Place.GAS: 0.15, Place.WALL: 0.5, Place.ROOM: 0.7, None: 1.5}


@dataclass(frozen=True)
class Scores:
    """One rule's night: only the readings at which the score stood higher than ever before, so both rise."""

    t_s: Floats
    score: Floats

    @property
    def highest(self) -> float:
        return float(self.score[-1]) if len(self.score) else -np.inf

    def alarm_s(self, threshold: float) -> float | None:
        """Return the time of the first score that reaches the threshold, s, or None."""
        at = np.searchsorted(self.score, threshold)
        return float(self.t_s[at]) if at < len(self.t_s) else None


@dataclass(frozen=True)
class Peer:
    """A rule by name; unit: of its score and its threshold."""

    name: str
    unit: str
    scores: Callable[[Recorded], Scores]


def no_finer(night: Recorded) -> Recorded:
    """Return the night with means of 5 s where its readings are closer: as good for a rule, less to keep."""
    together = round(STEP_S / night.step_s)
    if together <= 1:
        return night
    rows = len(night.t_s) // together * together
    read = ("t_s", "gauge_pa", "ambient_pa", "gas_c", "wall_c", "room_c")
    means = {name: getattr(night, name)[:rows].reshape(-1, together).mean(axis=1) for name in read}
    return replace(night, **means | {"t_s": night.t_s[together - 1 : rows : together]})


def low_pressure(night: Recorded) -> Scores:
    """Score how far the gauge stands below the working pressure, psi.

    From the fill on: over 120 sound nights its highest was the same with and without a warm-up.
    """
    filled = night.t_s >= night.filled_s
    return _highs(night.t_s[filled], (WORKING_PA - night.gauge_pa[filled]) / PA_PER_PSI)


def fall_rate(night: Recorded, window_s: float) -> Scores:
    """Score the least-squares fall of the gauge reading over the last window_s, psi/h."""
    warm = _warm(night)
    readings = round(window_s / night.step_s)
    fall = -_slope_per_s(night.gauge_pa[warm], readings, night.step_s)
    return _highs(night.t_s[warm][readings - 1 :], fall * SECONDS_PER_HOUR / PA_PER_PSI)


def page_hinkley(night: Recorded, place: Place | None) -> Scores:
    """Score the Page-Hinkley statistic of p T_ref / T, psi; without a thermometer, of p, both absolute."""
    warm = _warm(night)
    pressure_psi = (night.gauge_pa + night.ambient_pa)[warm] / PA_PER_PSI
    if place is not None:
        pressure_psi *= REFERENCE_K / (getattr(night, f"{place}_c")[warm] + ZERO_CELSIUS_K)
    a_minute = round(SECONDS_PER_MINUTE / night.step_s)
    minutes = len(pressure_psi) // a_minute
    rows = minutes * a_minute
    means = pressure_psi[:rows].reshape(minutes, a_minute).mean(axis=1)
    ends_s = night.t_s[warm][a_minute - 1 : rows : a_minute]
    return _highs(ends_s[PATIENCE - 1 :], _page_hinkley_statistic(means, DELTA_PSI[place])[PATIENCE - 1 :])


PEERS = (
    Peer("low pressure", "psi", low_pressure),
    Peer("slope, 10 min", "psi/h", partial(fall_rate, window_s=600.0)),
    Peer("slope, 30 min", "psi/h", partial(fall_rate, window_s=1800.0)),
    *(
        Peer(f"Page-Hinkley, {place or 'none'}", "psi", partial(page_hinkley, place=place))
        for place in DELTA_PSI
    ),
)


def tune(sound: Sequence[Scores], false_alarms: int = 0) -> float:
    """Return the lowest threshold that accuses no more than that many of these sound nights."""
    if not 0 <= false_alarms < len(sound):
        raise ValueError(f"cannot tune to {false_alarms} false alarms on {len(sound)} sound nights")
    highest = sorted((each.highest for each in sound), reverse=True)
    return float(np.nextafter(highest[false_alarms], np.inf))


def delays(scores: Sequence[Scores], onsets_s: Sequence[float], threshold: float) -> list[float | None]:
    """Return the minutes from each night's onset to the alarm, None where it was missed.

    Below zero: before the onset. With an onset in mid-hold that is a false alarm, not a quick one.
    """
    alarms_s = [each.alarm_s(threshold) for each in scores]
    return [
        None if alarm_s is None else (alarm_s - onset_s) / SECONDS_PER_MINUTE
        for alarm_s, onset_s in zip(alarms_s, onsets_s, strict=True)
    ]


def check() -> None:
    """Compare the sums used here with scipy's regression and river's own alarms; raise if they differ."""
    random = np.random.default_rng(0)
    values = 400_000.0 - np.cumsum(random.normal(100.0, 300.0, 400))  # Pa, wandering down
    for readings in (2, 120, 360):
        ours = _slope_per_s(values, readings, STEP_S)
        for end in (0, len(ours) // 2, len(ours) - 1):
            theirs = linregress(STEP_S * np.arange(readings), values[end : end + readings]).slope
            if not np.isclose(ours[end], theirs, rtol=1e-6, atol=1e-9):
                raise RuntimeError(
                    f"peers.py: a slope over {readings} readings is {ours[end]} Pa/s, scipy.stats.linregress "
                    f"says {theirs}; the bench would compare with the wrong rule"
                )
    means = values / PA_PER_PSI
    for delta in DELTA_PSI.values():
        ours = _page_hinkley_statistic(means, delta)
        ours[: PATIENCE - 1] = -np.inf
        for threshold in (-1.0, 0.0, *np.quantile(ours, (0.2, 0.5, 0.9)), 2.0 * ours.max()):
            detector = _detector(delta, threshold)
            cries = (i for i, each in enumerate(means) if detector.update(each) or detector.drift_detected)
            first, theirs = next(iter(np.flatnonzero(ours > threshold)), None), next(cries, None)
            if first != theirs:
                raise RuntimeError(
                    f"peers.py: Page-Hinkley with delta {delta} passes {threshold} at value {first}, river "
                    f"cries at {theirs}; see whether river.drift.PageHinkley has changed its statistic"
                )


def _warm(night: Recorded) -> NDArray[np.bool_]:
    return night.t_s >= night.filled_s + WARM_UP_S


def _highs(t_s: Floats, score: Floats) -> Scores:
    before = np.concatenate(([-np.inf], np.maximum.accumulate(score)[:-1])) if len(score) else score
    return Scores(t_s[score > before], score[score > before])


def _slope_per_s(values: Floats, readings: int, step_s: float) -> Floats:
    """Return the least-squares slope of every run of so many readings, by the lever of each."""
    lever_s = step_s * (np.arange(readings) - (readings - 1) / 2.0)
    return np.correlate(values, lever_s / (lever_s @ lever_s), "valid")


def _page_hinkley_statistic(values: Floats, delta: float) -> Floats:
    # river says only whether its threshold is passed, and starts anew then; with one that never is,
    # what it compares can be read off. check() sees to it that this stays true.
    detector = _detector(delta, np.inf)
    statistic = np.empty(len(values))
    for i, value in enumerate(values):
        detector.update(value)
        statistic[i] = detector._max_decrease - detector._sum_decrease
    return statistic


def _detector(delta: float, threshold: float) -> PageHinkley:
    return PageHinkley(min_instances=PATIENCE, delta=delta, threshold=threshold, mode="down")
