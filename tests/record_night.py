"""A night of the demo studio's pot as the record sees it: samples, events, a summary."""

import random
from dataclasses import replace

from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchAlarm,
    BatchClosed,
    BatchSummary,
    Change,
    Cure,
    Detail,
    Interval,
    LeakEstimate,
    Priority,
    Stage,
    Verdict,
)
from potvigil.model.reading import Sample

POT = "lantern"
UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC


def sample(t_s: float, **fields: object) -> Sample:
    return replace(Sample(t_s, UTC_S + t_s, transducer_count=15_000.5, wall_c=21.0625), **fields)


def night(seconds: int, start_s: float = 0.0, seed: int = 1) -> list[Sample]:
    """A night at 1 Hz with every digit a real converter and thermometer would fill."""
    rng = random.Random(seed)
    return [
        Sample(
            t_s=start_s + second + rng.random() * 0.002,
            utc_s=UTC_S + second,
            transducer_count=15_000 + rng.random() * 8,
            supply_count=26_000 + rng.random() * 8,
            wall_c=21.0 + rng.randrange(32) / 16,
            room_c=20.0 + rng.randrange(32) / 16,
            contents_c=24.0 + rng.randrange(32) / 16,
            ambient_pa=101_000 + rng.random() * 50,
        )
        for second in range(seconds)
    ]


def alarm(t_s: float, state: AlarmState, which: AlarmId = AlarmId.LEAK, **fields: object) -> AlarmEvent:
    event = AlarmEvent(t_s, UTC_S + t_s, which, state, Priority.LOW, "Air is being lost since 23:10.")
    return replace(event, **fields)


SUMMARY = BatchSummary(
    pot_id=POT,
    verdict=Verdict.LEAKED,
    reason="air was lost from 23:00 on; the floor was kept",
    complete=True,
    start_s=100.0,
    start_utc_s=UTC_S,
    end_s=36_500.0,
    stages={Stage.FILLING: 110.0, Stage.SETTLING: 200.0, Stage.HOLDING: 512.0, Stage.VENTING: 36_110.0},
    hold_start_s=512.0,
    hold_end_s=36_110.0,
    hold_start_gauge_pa=413_685.4376,
    hold_end_gauge_pa=372_485.4,
    lowest_gauge_pa=372_400.0,
    change=Change(-41_200.04, -12_000.0, 400.0, -29_600.04, 0.0),
    leak=LeakEstimate(
        t_s=36_110.0,
        rate_pa_per_s=Interval(0.94444444, 0.9166666, 0.9722222),
        pa_m3_per_s=Interval(0.0160555, 0.0155833, 0.0165277),
        std_cm3_per_min=Interval(9.50733, 9.2277, 9.78696),
        orifice_m=1.23456e-5,
        onset_s=Interval(3_700.0, 3_400.04, 4_000.0),
        established=True,
    ),
    floor_crossed_s=None,
    floor_forecast_s=None,
    cure=Cure(progress=1.0, done_s=35_100.0),
    top_ups=0,
    alarms=(BatchAlarm(AlarmId.LEAK, 4_900.0, None),),
    details={Detail.LABEL: "lenses, blue"},
)
CLOSED = BatchClosed(36_500.0, UTC_S + 36_500.0, SUMMARY)
