"""A pot's present state, as table cells for a person and as a JSON object for a program.

JSON: pressures kPa gauge, rates kPa/h, times RFC 3339 where the wall clock is known, and seconds from now;
unknown is null. The names are published: add to them, never rename.
"""

from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from potvigil.model.events import LeakEstimate, Snapshot, Stage, StandingAlarm
from potvigil.model.pot import Pot
from potvigil.reports.export import kpa, kpa_per_h
from potvigil.wording.alarm import headline
from potvigil.wording.quantities import TimeTeller, alarm_state, pressure, rate, rfc3339

HEADS = ("pot", "state", "pressure", "floor", "leak", "cure", "alarms")


@dataclass(frozen=True, slots=True)
class PotNow:
    """A pot's present state.

    word: for its state. snapshot: None where no watch is running. batch: the open one. pot: from the
    settings, None where there are none. since_utc_s: when a silent watch last reported, where known.
    """

    pot_id: str
    word: str
    snapshot: Snapshot | None
    pot: Pot | None
    batch: int | None = None
    since_utc_s: float | None = None


def cells(now: PotNow, unit: str, tz: tzinfo | None) -> tuple[str, ...]:
    """Return the row below HEADS; a cell is empty where it does not apply or nothing is known."""
    snapshot, floor = now.snapshot, "" if now.pot is None else pressure(now.pot.floor_pa, unit)
    if snapshot is None:
        return (now.pot_id, now.word, "", floor, "", "", "")
    teller = TimeTeller(snapshot.t_s, snapshot.utc_s, tz)
    gauge_pa, forecast, cure = snapshot.reading.gauge_pa, snapshot.forecast, snapshot.cure
    if forecast is not None and (cure is None or cure.progress < 1.0):
        when = "passed" if forecast.crossing_s <= snapshot.t_s else teller.by(forecast.crossing_s)
        floor = f"{floor or 'reached'} {when}"
    done = ""
    if cure is not None:
        end = "" if cure.progress >= 1.0 else f", done {teller.by(cure.done_s)}"
        done = f"{100.0 * cure.progress:.0f} %{end}"
    return (
        now.pot_id,
        now.word,
        "no reading" if gauge_pa is None else pressure(gauge_pa, unit),
        floor,
        _leak(snapshot.leak, unit) if snapshot.stage is not Stage.OPEN else "",
        done,
        "; ".join(_alarm(each, teller, tz) for each in snapshot.alarms),
    )


def line(now: PotNow, *, watched: bool, rehearsed: str | None) -> dict[str, Any]:
    """Return the object for a JSON line. watched: a watch is running. rehearsed: the night, or None."""
    snapshot = now.snapshot
    heard_utc_s = now.since_utc_s if snapshot is None else snapshot.utc_s
    reading = None if snapshot is None else snapshot.reading
    said: dict[str, Any] = {
        "kind": "status",
        "pot": now.pot_id,
        "watched": watched and snapshot is not None,
        "heard": None if heard_utc_s is None else rfc3339(heard_utc_s),
        "rehearsed": rehearsed,
        "state": now.word,
        "stage": None if snapshot is None else snapshot.stage,
        "batch": now.batch,
        "gauge_pressure_kpa": kpa(None if reading is None else reading.gauge_pa),
        "quality": None if reading is None else reading.quality,
        "floor_kpa": kpa(None if now.pot is None else now.pot.floor_pa),
        "floor_forecast": None,
        "leak": None,
        "cure": None,
        "alarms": [],
    }
    if snapshot is None:
        return said
    if (forecast := snapshot.forecast) is not None:
        said["floor_forecast"] = _moment(snapshot, forecast.crossing_s) | {
            "earliest_s": _ahead(snapshot, forecast.earliest_s),
            "latest_s": _ahead(snapshot, forecast.latest_s),
            "before_cure_done": forecast.before_cure_done,
        }
    if (leak := snapshot.leak) is not None:
        rates = leak.rate_pa_per_s
        said["leak"] = {
            "rate_kpa_per_h": kpa_per_h(rates.value),
            "low": kpa_per_h(rates.low),
            "high": kpa_per_h(rates.high),
            "established": leak.established,
        }
    if (cure := snapshot.cure) is not None:
        said["cure"] = {"progress": round(cure.progress, 4), "done": _moment(snapshot, cure.done_s)}
    said["alarms"] = [_alarm_line(each, snapshot) for each in snapshot.alarms]
    return said


def _alarm_line(alarm: StandingAlarm, snapshot: Snapshot) -> dict[str, Any]:
    return {
        "alarm": alarm.alarm,
        "priority": alarm.priority,
        "state": alarm.state,
        "since": None if alarm.since_utc_s is None else rfc3339(alarm.since_utc_s),
        "do": alarm.do,
        "by": None if alarm.by_s is None else _moment(snapshot, alarm.by_s),
        "text": alarm.text,
    }


def _alarm(alarm: StandingAlarm, teller: TimeTeller, tz: tzinfo | None) -> str:
    do = headline(alarm, teller)
    return f"{alarm.alarm} ({alarm_state(alarm, tz)}){f': {do}' if do else ''}"


def _leak(leak: LeakEstimate | None, unit: str) -> str:
    if leak is None:
        return ""
    rates = leak.rate_pa_per_s
    return rate(rates.value, unit) if leak.established else f"< {rate(max(rates.high, 0.0), unit)}"


def _moment(snapshot: Snapshot, t_s: float) -> dict[str, Any]:
    utc_s = snapshot.utc_s
    return {
        "time": None if utc_s is None else rfc3339(utc_s + t_s - snapshot.t_s),
        "in_s": _ahead(snapshot, t_s),
    }


def _ahead(snapshot: Snapshot, t_s: float | None) -> float | None:
    return None if t_s is None else round(t_s - snapshot.t_s, 1)
