"""One night as the watch sees it with one combination of thermometers: every alarm, and what it estimates."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from time import process_time
from typing import Any, NamedTuple

import numpy as np
from draw import FILL_AT_S, HOLD_S
from kinetics import resins
from said import BEGIN_UTC_S, OPENED_AT_S, Combination, is_told, name_of, opening, pot_of
from simulate import Recorded

from potvigil.leak.known import Known
from potvigil.leak.pot_model import T0_K
from potvigil.model.events import (
    NORMAL_95,
    AlarmEvent,
    AlarmId,
    AlarmState,
    EditEvent,
    Event,
    FloorForecast,
    Interval,
    NoteEvent,
    NoteId,
)
from potvigil.model.reading import Sample
from potvigil.physics.cure import pace
from potvigil.units import (
    PA_PER_PSI,
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    STANDARD_ATMOSPHERE_PA,
    ZERO_CELSIUS_K,
)
from potvigil.watch.pot_watch import PotWatch

CURE_DONE_S = FILL_AT_S + HOLD_S
FORECAST_AFTER_S = 3600.0
# What warns of a loss, and what may be raised at all while air is being lost
AHEAD = frozenset({AlarmId.LEAK, AlarmId.FLOOR_AHEAD, AlarmId.RAPID_LOSS})
OF_A_LOSS = AHEAD | {AlarmId.BELOW_FLOOR}
# A fill is slow, by the words of the manual, when a quarter of the working time is left or less, or 5 min
SLOW_SHARE, SLOW_S = 0.25, 300.0
# So near the limit a tenth of a kelvin decides, and the alarm is neither right nor wrong.
AROUND_THE_LIMIT_S = 15.0


class Raised(NamedTuple):
    alarm: str
    t_s: float
    text: str


@dataclass(frozen=True)
class Outcome:
    """Times s of the night, rates psi/h, pressures psi; None is never, unknown or does not apply.

    combination: the thermometers' places, as said.name_of has it. told: the batch was opened by hand with
    resin, mass and time of mixing. batches: how many of the pot were watched before. slow_fill: the pot was
    filled so late that `slow-to-pressure` is right. cure_done_s: by the watch's own clock, None where it was
    not yet. alarms: all that were raised, without repeats. alarm_s: the first that warns of a loss. rate,
    true_rate: at the end of the hold, or where the floor is passed. lost, true_lost: air lost since the hold
    began, as a pressure. forecast, forecast_s: an hour after the onset. cpu_s: what the watching took.
    """

    simulator: str
    kind: str
    number: int
    combination: str
    step_s: float
    resin: str
    told: bool
    batches: int
    slow_fill: bool
    onset_s: float | None
    crossing_s: float | None
    cure_done_s: float | None
    alarms: tuple[Raised, ...]
    alarm_s: float | None
    rate: Interval | None
    established: bool
    true_rate: float
    onset: Interval | None
    lost: float | None
    true_lost: float | None
    forecast: FloorForecast | None
    forecast_s: float | None
    cpu_s: float

    @property
    def false_alarms(self) -> tuple[Raised, ...]:
        """Every alarm for which there was no reason when it was raised, of whatever kind."""
        return tuple(each for each in self.alarms if not self._is_due(each))

    def _is_due(self, raised: Raised) -> bool:
        if raised.alarm == AlarmId.SLOW_TO_PRESSURE:
            return self.slow_fill
        return self.onset_s is not None and raised.t_s >= self.onset_s and raised.alarm in OF_A_LOSS

    @property
    def early_alarms(self) -> tuple[Raised, ...]:
        """Those of the false alarms that came before the leak did."""
        onset_s = np.inf if self.onset_s is None else self.onset_s
        return tuple(each for each in self.false_alarms if each.t_s < onset_s)

    @property
    def passes_floor(self) -> bool:
        """Whether the floor is passed before the cure is done, so that it must be told before."""
        done_s = CURE_DONE_S if self.cure_done_s is None else min(CURE_DONE_S, self.cure_done_s)
        return self.crossing_s is not None and self.crossing_s < done_s

    @property
    def told_in_time(self) -> bool:
        return self.alarm_s is not None and self.crossing_s is not None and self.alarm_s < self.crossing_s


def watch(night: Recorded, combination: Combination) -> Outcome:
    """Let a new watch see the night with thermometers at those places."""
    return observe(PotWatch(pot_of(night.night, combination)), night, combination)


def observe(potwatch: PotWatch, night: Recorded, combination: Combination, batches: int = 0) -> Outcome:
    """Feed the night to a watch; batches: how many it knows of the pot."""
    drawn = night.night
    began_s = process_time()
    alarms: list[Raised] = []
    forecast_s = forecast = None
    ask_s = np.inf if night.onset_s is None else night.onset_s + FORECAST_AFTER_S
    # once the floor is passed nothing is left to tell in time; a pot that ran empty would be a batch closed
    over_s = np.inf if night.crossing_s is None else night.crossing_s
    for sample, events in _fed(potwatch, night, combination):
        if sample.t_s > over_s:
            break
        alarms += raised_in(events)
        if sample.t_s >= ask_s:
            forecast, forecast_s, ask_s = potwatch.snapshot().forecast, sample.t_s, np.inf
    cpu_s = process_time() - began_s

    end, summary = potwatch.snapshot(), potwatch.summary()
    if summary is None or end.cure is None:
        raise RuntimeError(f"{drawn.simulator}, {drawn.kind} {drawn.number}: the watch has no batch open")
    per_hour = SECONDS_PER_HOUR / PA_PER_PSI
    leak, change = end.leak, end.change
    rate = None if leak is None else leak.rate_pa_per_s
    last = int(np.flatnonzero(night.t_s <= over_s)[-1])
    return Outcome(
        simulator=drawn.simulator,
        kind=drawn.kind,
        number=drawn.number,
        combination=name_of(combination),
        step_s=night.step_s,
        resin=drawn.contents.resin,
        told=is_told(drawn),
        batches=batches,
        slow_fill=_is_slow_fill(night, combination),
        onset_s=night.onset_s,
        crossing_s=night.crossing_s,
        cure_done_s=end.cure.done_s if end.cure.progress >= 1.0 else None,
        alarms=tuple(alarms),
        alarm_s=min((each.t_s for each in alarms if each.alarm in AHEAD), default=None),
        rate=None if rate is None else Interval(*(each * per_hour for each in _ends(rate))),
        established=leak is not None and leak.established,
        true_rate=float(night.true_rate_pa_per_s[last]) * per_hour,
        onset=None if leak is None else leak.onset_s,
        lost=None if change is None else -change.leak_pa / PA_PER_PSI,
        true_lost=_true_lost(night, summary.hold_start_s, last),
        forecast=forecast,
        forecast_s=forecast_s,
        cpu_s=cpu_s,
    )


def own_bound_min(
    sound: Recorded,
    combination: Combination,
    rate_psi_per_h: float,
    onset_s: float,
    known: Known | None = None,
    sigmas: float = 5.0,
) -> float:
    """Return how many minutes after the onset the watch's own model could be so sure of a leak; inf: never.

    sound: the night without its leak. known: what earlier batches taught. What a leak since the onset might
    then be is the posterior of its rate, under a model whose constants, heat and beginning are unknown within
    their priors.
    No estimator that believes that model is surer (van Trees' bound, which a Kalman filter reaches where a
    model is linear and Gaussian; Tichavsky et al., IEEE Trans. Signal Processing 46 (1998) 1386).
    """
    potwatch, estimate = PotWatch(pot_of(sound.night, combination), known), None
    for sample, _ in _fed(potwatch, sound, combination):
        hold = potwatch._batches._hold  # a watch does not say what a leak since then would be
        if hold is None or sample.t_s <= onset_s or sample.gauge_pa is None:
            continue
        followed = hold.follower
        if followed.estimate is estimate:  # no new bin
            continue
        estimate = followed.estimate
        rate_k_per_s = followed._onsets.since(onset_s, followed._sound)
        if rate_k_per_s is not None:
            _, low, high = _ends(rate_k_per_s)
            absolute_pa = sample.gauge_pa + STANDARD_ATMOSPHERE_PA
            sigma_pa_per_s = 0.5 * (high - low) / NORMAL_95 / T0_K * absolute_pa
            if sigma_pa_per_s * SECONDS_PER_HOUR / PA_PER_PSI * sigmas <= rate_psi_per_h:
                return (sample.t_s - onset_s) / SECONDS_PER_MINUTE
    return float(np.inf)


def _fed(
    potwatch: PotWatch, night: Recorded, combination: Combination
) -> Iterator[tuple[Sample, list[Event]]]:
    """Feed the night to a watch, reading by reading, with what its caster says; yield what comes of each."""
    open_s = OPENED_AT_S if is_told(night.night) else np.inf
    for sample in samples_of(night, combination):
        events: list[Event] = []
        if sample.t_s >= open_s:
            open_s = np.inf
            for command in opening(night.night, sample.t_s):
                events += potwatch.handle(command)
            _check_told(events)
        yield sample, [*events, *potwatch.feed(sample)]


def _ends(interval: Interval) -> tuple[float, float, float]:
    return interval.value, interval.low, interval.high


def raised_in(events: Iterable[Event]) -> list[Raised]:
    """Return the alarms that were raised, without repeats."""
    told = [each for each in events if isinstance(each, AlarmEvent) and not each.repeat]
    raised = [each for each in told if each.state is AlarmState.UNACKNOWLEDGED]
    return [Raised(each.alarm.value, each.t_s, each.text) for each in raised]


def _check_told(events: list[Event]) -> None:
    refused = [each.text for each in events if isinstance(each, NoteEvent) and each.note is NoteId.REFUSED]
    if refused or not any(isinstance(each, EditEvent) for each in events):
        raise RuntimeError(f"the watch did not take the batch's details: {'; '.join(refused) or events}")


def _is_slow_fill(night: Recorded, combination: Combination) -> bool:
    """Whether too little of the working time may have been left when the pot was full.

    Resin is as warm as the room, its mould, or in between. Without a thermometer the label alone counts: more
    is known to nobody.
    """
    contents = night.night.contents
    if contents.resin not in resins():
        return False
    resin, before_fill = resins()[contents.resin], night.t_s < FILL_AT_S
    working_s = resin.working_s
    warmest_k = float(np.mean(night.room_c[before_fill])) + ZERO_CELSIUS_K + max(contents.warmer_k, 0.0)
    quicker = pace(warmest_k, resin.at_k) if combination else 1.0
    left_s = working_s / quicker - (night.filled_s - contents.mixed_at_s)
    return left_s <= max(SLOW_SHARE * working_s, SLOW_S) + AROUND_THE_LIMIT_S


def _true_lost(night: Recorded, since_s: float | None, last: int) -> float | None:
    if since_s is None:
        return None
    held = night.t_s >= since_s
    held[last + 1 :] = False
    shares = night.true_rate_pa_per_s[held] / night.true_absolute_pa[held]
    return float(np.expm1(np.sum(shares) * night.step_s) * night.true_absolute_pa[last]) / PA_PER_PSI


def samples_of(night: Recorded, combination: Combination) -> list[Sample]:
    """Return what is read in the night with thermometers at those places."""
    columns: dict[str, Any] = {
        "t_s": night.t_s.tolist(),
        "utc_s": (BEGIN_UTC_S + night.t_s).tolist(),
        "gauge_pa": night.gauge_pa.tolist(),
        "ambient_pa": night.ambient_pa.tolist(),
    }
    columns |= {f"{place}_c": getattr(night, f"{place}_c").tolist() for place in combination}
    return [Sample(**dict(zip(columns, row, strict=True))) for row in zip(*columns.values(), strict=True)]
