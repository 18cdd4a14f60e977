"""The demo studio's pot and its data: lantern lenses, cast for model harbours."""

from dataclasses import replace
from typing import Any

from potvigil.model.events import (
    AlarmId,
    AlarmState,
    Change,
    Cure,
    Detail,
    FloorForecast,
    Interval,
    LeakEstimate,
    Priority,
    Snapshot,
    Stage,
    StandingAlarm,
)
from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Quality, Reading

WORKSHOP = "harbour-models"
PSI = 6894.757293168361
UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC
T_S = 5000.0

LANTERN = Pot(
    pot_id="lantern",
    internal_volume_m3=0.020,
    contents_volume_m3=0.003,
    maximum_pa=80 * PSI,
    working_pa=60 * PSI,
    floor_pa=45 * PSI,
    hold_s=36_000.0,
    thermometers=frozenset({Place.GAS, Place.ROOM, Place.CONTENTS}),
)

READING = Reading(
    t_s=T_S,
    utc_s=UTC_S,
    gauge_pa=59.5 * PSI,
    absolute_pa=59.5 * PSI + 101_325.0,
    ambient_pa=101_325.0,
    gas_k=294.4,
    wall_k=None,
    room_k=293.15,
    quality=Quality.GOOD,
    contents_k=304.65,
)

NOTHING_KNOWN = Snapshot(
    pot_id="lantern",
    t_s=T_S,
    utc_s=None,
    stage=Stage.OPEN,
    stage_since_s=T_S - 60.0,
    reading=Reading(T_S, None, None, None, 101_325.0, None, None, None, Quality.BAD, "no answer on bus 1"),
    corrected_gauge_pa=None,
    leak=None,
    forecast=None,
    change=None,
    cure=None,
    batch_start_s=None,
    details={},
    top_ups=0,
    alarms=(),
)

HOLDING = Snapshot(
    pot_id="lantern",
    t_s=T_S,
    utc_s=UTC_S,
    stage=Stage.HOLDING,
    stage_since_s=T_S - 3600.0,
    reading=READING,
    corrected_gauge_pa=59.75 * PSI,
    leak=LeakEstimate(
        t_s=T_S,
        rate_pa_per_s=Interval(1.5 * PSI / 3600, 1.4 * PSI / 3600, 1.6 * PSI / 3600),
        pa_m3_per_s=Interval(0.0488, 0.0455, 0.0521),
        std_cm3_per_min=Interval(26.8, 25.0, 28.6),
        orifice_m=6.1e-5,
        onset_s=Interval(T_S - 1800.0, T_S - 2400.0, T_S - 1500.0),
        established=True,
    ),
    forecast=FloorForecast(T_S + 34_800.0, T_S + 32_000.0, None, True, T_S + 70_000.0),
    change=Change(-0.5 * PSI, -0.25 * PSI, 0.0, -0.25 * PSI, 0.0),
    cure=Cure(0.1, T_S + 32_400.0),
    batch_start_s=T_S - 4000.0,
    details={
        Detail.LABEL: "Lens 3, ♯2",
        Detail.RESIN: "clear, slow",
        Detail.MASS: "250 g",
        Detail.MIXED_AT: "2026-01-01T20:40:00Z",
    },
    top_ups=1,
    alarms=(),
)


def alarm(alarm_id: AlarmId = AlarmId.LEAK, **changes: Any) -> StandingAlarm:
    """Return an active alarm, unacknowledged by default."""
    standing = StandingAlarm(
        alarm=alarm_id,
        priority=Priority.LOW,
        state=AlarmState.UNACKNOWLEDGED,
        since_s=T_S - 100.0,
        since_utc_s=UTC_S - 100.0,
        text="Air is being lost at 1.5 psi/h since 21:30.",
    )
    return replace(standing, **changes)


def with_alarms(*alarms: StandingAlarm) -> Snapshot:
    return replace(HOLDING, alarms=alarms)
