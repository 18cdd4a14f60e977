"""A pot's live state over MQTT, laid over the last state in its record."""

import math
from dataclasses import replace

from potvigil.live_reader import LivePot
from potvigil.model.events import Interval, LeakEstimate, Stage, StandingAlarm
from potvigil.model.pot import Pot
from potvigil.model.reading import Quality
from potvigil.page.many.broker.trees import PotHeard
from potvigil.page.many.known import UNKEPT, KnownPot
from potvigil.units import PRESSURE_UNITS_PA, SECONDS_PER_HOUR

# How far a record may be ahead of the last MQTT message without disproving that the watch has gone: the watch
# publishes its clock every five seconds, and writes its readings once a minute and when it stops.
AHEAD_S = 30.0
# Relative difference in working pressure that rounding can explain.
_SAME = 0.01


def is_gone(heard: PotHeard, each: KnownPot) -> bool:
    """Return whether a pot's watch has gone and its record has nothing newer."""
    is_behind = each.last is None or (heard.axis_s is not None and each.last.t_s <= heard.axis_s + AHEAD_S)
    return heard.gone is not None and is_behind


def with_live(heard: PotHeard, each: KnownPot) -> LivePot | None:
    """Return the pot's last state updated with its live values; None if the record is newer.

    A watch whose settings differ from the record's is ignored: its pressure unit may be another.
    """
    axis_s, stage, alarms = heard.axis_s, heard.stage, heard.alarms
    unit_pa = PRESSURE_UNITS_PA[each.pot.pressure_unit]
    if axis_s is None or heard.at_utc_s is None or stage is None or alarms is None:
        return None
    if not _is_same(heard.working, each.pot, unit_pa) or (each.last is not None and axis_s < each.last.t_s):
        return None
    known = each.live.snapshot
    is_holding, is_bad = stage is Stage.HOLDING, heard.quality in (None, Quality.BAD)
    reading = replace(
        known.reading,
        t_s=axis_s,
        utc_s=heard.at_utc_s,
        gauge_pa=None if is_bad or heard.gauge is None else heard.gauge * unit_pa,
        absolute_pa=None,
        quality=heard.quality or Quality.BAD,
    )
    snapshot = replace(
        known,
        t_s=axis_s,
        utc_s=heard.at_utc_s,
        stage=stage,
        stage_since_s=known.stage_since_s if stage is known.stage else axis_s,
        reading=reading,
        corrected_gauge_pa=heard.corrected * unit_pa if is_holding and heard.corrected is not None else None,
        leak=_leak(heard, axis_s, unit_pa) if is_holding else None,
        # from the record: a minute old at most, and valid only within the same stage
        forecast=known.forecast if stage is known.stage else None,
        alarms=tuple(_by_our_clock(alarm, heard) for alarm in alarms),
    )
    return LivePot(each.live.batch, snapshot, ())


def _is_same(working: float | None, pot: Pot, unit_pa: float) -> bool:
    return working is not None and math.isclose(working * unit_pa, pot.working_pa, rel_tol=_SAME)


def _leak(heard: PotHeard, t_s: float, unit_pa: float) -> LeakEstimate | None:
    if heard.rate_per_h is None or heard.established is None:
        return None
    rate = Interval(*(each * unit_pa / SECONDS_PER_HOUR for each in heard.rate_per_h))
    return LeakEstimate(t_s, rate, UNKEPT, UNKEPT, math.nan, None, heard.established)


def _by_our_clock(alarm: StandingAlarm, heard: PotHeard) -> StandingAlarm:
    """Return the alarm with the end of its shelving on our clock, as all other times here."""
    if alarm.until_utc_s is None or heard.clock_offset_s is None:
        return alarm
    return replace(alarm, until_utc_s=alarm.until_utc_s + heard.clock_offset_s)
