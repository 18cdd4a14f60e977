"""One drawn night through the whole watch, the thermometer at one place: what it said and when."""

from dataclasses import dataclass

import numpy as np
from draw import FLOOR, FLOOR_PA, HOLD_S, WORKING_PA
from simulate import STEP_S, Recorded

from potvigil.core.event import AlarmEvent, AlarmId, AlarmState, FloorForecast, Interval
from potvigil.core.pot import Pot
from potvigil.core.reading import Place, Sample
from potvigil.core.watch import PotWatch
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

WAKING = frozenset({AlarmId.LEAK, AlarmId.FLOOR_AHEAD, AlarmId.BELOW_FLOOR, AlarmId.RAPID_LOSS})
FORECAST_AFTER_S = 3600.0


@dataclass(frozen=True)
class Outcome:
    """Times s of the night, rates psi/h, pressures psi; None is never, unknown or does not apply.

    alarm_s: first alarm of a loss. rate, true_rate: at the end of the hold, or where the floor is passed.
    lost, true_lost: air lost since the hold began, as a pressure. forecast, forecast_s: an hour after
    the onset.
    """

    kind: str
    place: str
    onset_s: float | None
    crossing_s: float | None
    alarm_s: float | None
    rate: Interval
    established: bool
    true_rate: float
    onset: Interval | None
    lost: float
    true_lost: float
    forecast: FloorForecast | None
    forecast_s: float | None


def watch(night: Recorded, place: Place | None) -> Outcome:
    """Feed the night to a watch whose only thermometer sits at that place."""
    drawn = night.night
    parameters = drawn.parameters
    potwatch = PotWatch(
        Pot(
            pot_id="lantern",
            internal_volume_m3=parameters.internal_volume_m3,
            contents_volume_m3=parameters.contents_volume_m3,
            maximum_pa=80.0 * PA_PER_PSI,
            working_pa=WORKING_PA,
            floor_pa=FLOOR_PA,
            hold_s=HOLD_S,
            thermometers=frozenset(() if place is None else (place,)),
            has_barometer=True,
        )
    )
    alarm_s = forecast_s = forecast = None
    ask_s = np.inf if night.onset_s is None else night.onset_s + FORECAST_AFTER_S
    # once the floor is passed nothing is left to tell in time; a pot that ran empty would be a batch closed
    over_s = night.crossing_s if drawn.kind == FLOOR and night.crossing_s is not None else np.inf
    for sample in _samples(night, place):
        if sample.t_s > over_s:
            break
        for event in potwatch.feed(sample):
            raised = isinstance(event, AlarmEvent) and event.state is AlarmState.UNACKNOWLEDGED
            if raised and event.alarm in WAKING and alarm_s is None:
                alarm_s = event.t_s
        if sample.t_s >= ask_s:
            forecast, forecast_s, ask_s = potwatch.snapshot().forecast, sample.t_s, np.inf

    end = potwatch.snapshot()
    leak = end.leak
    assert leak is not None and end.change is not None
    per_hour = SECONDS_PER_HOUR / PA_PER_PSI
    rate = leak.rate_pa_per_s
    summary = potwatch.summary()
    assert summary is not None and summary.hold_start_s is not None
    held = (night.t_s >= summary.hold_start_s) & (night.t_s <= over_s)
    last = int(np.flatnonzero(night.t_s <= over_s)[-1])
    lost = float(np.expm1(np.sum(night.true_rate_pa_per_s[held] / night.true_absolute_pa[held]) * STEP_S))
    return Outcome(
        kind=drawn.kind,
        place=place or "none",
        onset_s=night.onset_s,
        crossing_s=night.crossing_s,
        alarm_s=alarm_s,
        rate=Interval(rate.value * per_hour, rate.low * per_hour, rate.high * per_hour),
        established=leak.established,
        true_rate=float(night.true_rate_pa_per_s[last]) * per_hour,
        onset=leak.onset_s,
        lost=-end.change.leak_pa / PA_PER_PSI,
        true_lost=lost * float(night.true_absolute_pa[last]) / PA_PER_PSI,
        forecast=forecast,
        forecast_s=forecast_s,
    )


def _samples(night: Recorded, place: Place | None) -> list[Sample]:
    celsius = {} if place is None else {f"{place}_c": getattr(night, f"{place}_c").tolist()}
    columns = {"t_s": night.t_s.tolist(), "gauge_pa": night.gauge_pa.tolist()} | celsius
    columns["ambient_pa"] = night.ambient_pa.tolist()
    return [Sample(**dict(zip(columns, row, strict=True))) for row in zip(*columns.values(), strict=True)]
