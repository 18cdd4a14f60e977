"""A pot as its watch says it is now, laid over what its record told last."""

import math
from dataclasses import replace

from potvigil.live_reader import LivePot
from potvigil.model.events import Interval, LeakEstimate, Stage, StandingAlarm
from potvigil.model.pot import Pot
from potvigil.model.reading import Quality
from potvigil.page.many.broker.trees import PotHeard
from potvigil.page.many.seen import UNKEPT, PotSeen
from potvigil.units import PRESSURE_UNITS_PA, SECONDS_PER_HOUR

# A record may lie so far ahead of a watch's last word and still be of the same moment: the watch tells its
# clock each five seconds, and what it read is written down once a minute and when it ends.
AHEAD_S = 30.0
# Of the working pressure: what the settings of the record and of the watch may differ by, in rounding.
_SAME = 0.01


def is_gone(heard: PotHeard, each: PotSeen) -> bool:
    """Say whether a pot's watch has gone, and its record does not say more than it did."""
    is_behind = each.last is None or (heard.axis_s is not None and each.last.t_s <= heard.axis_s + AHEAD_S)
    return heard.gone is not None and is_behind


def now_of(heard: PotHeard, each: PotSeen) -> LivePot | None:
    """Return what is known of a pot with what its watch says now; None where the record says more.

    Nothing is taken of a watch with other settings than those of the record: its unit may be another.
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
        # what the record keeps of these is a minute old at most, and of the same stage or of none
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
    """Return an alarm with the end of its shelving by our clock, as all else here is."""
    if alarm.until_utc_s is None or heard.less_utc_s is None:
        return alarm
    return replace(alarm, until_utc_s=alarm.until_utc_s + heard.less_utc_s)
