"""The messages published over MQTT: the Homie convention, version 5. Pure; `mqtt.py` sends them.

The workshop is the root device, each pot a child `<workshop>-<pot>`. A retained topic without a payload is
unset: that is how an unknown value, or an alarm that is normal again, is published. A rehearsal uses its own
domain, so that no listener for the real pots (`homie/5/...`) can take it for one.

Source of the rules: The Homie Convention 5.0.0 (11 May 2025), https://homieiot.github.io.
"""

import json
import math
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import cache

from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    Detail,
    Priority,
    Snapshot,
    StandingAlarm,
)
from potvigil.model.pot import Pot
from potvigil.outputs.broker.homie_tree import (
    ALERT,
    DETAILS,
    EMPTY_STRING,
    NODES,
    NONE,
    STANDING,
    UNSET,
    Message,
    topic_base,
)
from potvigil.units import (
    PA_PER_HPA,
    PRESSURE_DECIMALS,
    PRESSURE_UNITS_PA,
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    in_degrees,
)
from potvigil.wording.alarm import in_words
from potvigil.wording.quantities import TimeTeller, alarm_state

_LATEST_UTC_S = 253_402_300_740.0  # a minute before the year 10000, where ISO 8601 needs an agreement
_FINER = 1  # decimals more than people read: just finer than the sensor
_STANDING_NONE = {f"{STANDING}/{alarm}": "false" for alarm in AlarmId}


def states(workshop: str, pots: Iterable[Pot], state: str, rehearsed: bool = False) -> list[Message]:
    """Return `$state` (init, ready or disconnected) for each pot and, last, for the workshop."""
    bases = [topic_base(workshop, pot.pot_id, rehearsed) for pot in pots] + [
        topic_base(workshop, None, rehearsed)
    ]
    return [Message(f"{base}/$state", state.encode()) for base in bases]


def last_will(workshop: str, rehearsed: bool = False) -> Message:
    """Return the last will, published when this program vanishes: the root's counts for all."""
    return Message(f"{topic_base(workshop, None, rehearsed)}/$state", b"lost")


def values(
    workshop: str, pot: Pot, snapshot: Snapshot, batch_id: int | None, rehearsed: bool = False
) -> list[Message]:
    """Return every retained property of a pot; an unknown one has an empty payload (unset)."""
    known = _known(pot, snapshot, batch_id, rehearsed)
    return [
        Message(topic, _payload(known.get(path)), qos=0 if slow else 1, slow=slow)
        for topic, path, slow in _retained(workshop, pot.pot_id, rehearsed)
    ]


@cache
def _retained(workshop: str, pot_id: str, rehearsed: bool) -> tuple[tuple[str, str, bool], ...]:
    """Return topic, node/property and whether it is slow of every retained property of a pot."""
    base = topic_base(workshop, pot_id, rehearsed)
    return tuple(
        (
            f"{base}/{node}/{name}",
            f"{node}/{name}",
            prop.datatype in ("float", "datetime", "duration") and not prop.settable,
        )
        for node, (_, properties) in NODES.items()
        for name, prop in properties.items()
        if prop.retained
    )


def property_topic(workshop: str, pot_id: str, path: str, rehearsed: bool = False) -> str:
    """Return the topic of a pot's node/property."""
    return f"{topic_base(workshop, pot_id, rehearsed)}/{path}"


def alert_topic(workshop: str, pot_id: str, alarm: AlarmId, rehearsed: bool = False) -> str:
    """Return the topic of an alarm of a pot."""
    return f"{topic_base(workshop, pot_id, rehearsed)}{ALERT}{alarm}"


def alerts(workshop: str, pot: Pot, snapshot: Snapshot, rehearsed: bool = False) -> list[Message]:
    """Return `$alert/<id>` for every alarm there is: its text while it is not normal, else empty (unset).

    Also shown, with their state at the start of the text: acknowledged, shelved until when, cleared.
    """
    base = f"{topic_base(workshop, pot.pot_id, rehearsed)}{ALERT}"
    teller = TimeTeller(snapshot.t_s, snapshot.utc_s, pot.tz)
    texts = {alarm.alarm: alarm_text(alarm, teller, pot, rehearsed).encode() for alarm in _standing(snapshot)}
    return [Message(f"{base}{alarm}", texts.get(alarm, UNSET)) for alarm in AlarmId]


def alarm_text(
    alarm: AlarmEvent | StandingAlarm, teller: TimeTeller, pot: Pot, rehearsed: bool = False
) -> str:
    """Return an alarm in words: its name, its state, what to do, and why."""
    stamps = ["REHEARSAL"] if rehearsed else []
    if alarm.alarm is AlarmId.TEST:
        stamps.append("TEST")
    stamps.append(f"{alarm.priority} alarm, {alarm_state(alarm, pot.tz)}")
    return ": ".join([*stamps, in_words(alarm, teller)])


def _standing(snapshot: Snapshot) -> list[StandingAlarm]:
    return [alarm for alarm in snapshot.alarms if alarm.state is not AlarmState.NORMAL]


def _known(pot: Pot, snapshot: Snapshot, batch_id: int | None, rehearsed: bool) -> dict[str, str | None]:
    """Return node/property -> payload text of what is known; unknown ones are None or missing."""
    reading = snapshot.reading
    unit_pa = PRESSURE_UNITS_PA[pot.pressure_unit]
    decimals = PRESSURE_DECIMALS[pot.pressure_unit] + _FINER
    # seconds to add to a time on the record's axis to make it UTC
    offset_s = None if snapshot.utc_s is None else snapshot.utc_s - snapshot.t_s

    def pressure(pa: float | None) -> str | None:
        return None if pa is None else _fixed(pa / unit_pa, decimals)

    def rate(pa_per_s: float) -> str | None:
        return _fixed(pa_per_s * SECONDS_PER_HOUR / unit_pa, decimals + 1)

    def degrees(kelvin: float | None) -> str | None:
        return None if kelvin is None else _fixed(in_degrees(kelvin, pot.temperature_unit), 2)

    def when(t_s: float | None, step_s: float = SECONDS_PER_MINUTE) -> str | None:
        return None if t_s is None or offset_s is None else datetime_text(t_s + offset_s, step_s)

    known: dict[str, str | None] = {
        "pressure/gauge": pressure(reading.gauge_pa),
        "pressure/absolute": pressure(reading.absolute_pa),
        "pressure/corrected": pressure(snapshot.corrected_gauge_pa),
        "pressure/ambient": _fixed(reading.ambient_pa / PA_PER_HPA, 1),
        "pressure/working": pressure(pot.working_pa),
        "pressure/floor": pressure(pot.floor_pa),
        "pressure/maximum": pressure(pot.maximum_pa),
        "pressure/quality": reading.quality,
        "pressure/fault": reading.fault,
        **{f"temperature/{place}": degrees(kelvin) for place, kelvin in reading.temperatures},
        "hold/stage": snapshot.stage,
        "hold/since": when(snapshot.stage_since_s, 1.0),
        "batch/rehearsed": _boolean(rehearsed),
        "alarms/count": str(len(snapshot.alarms)),
        "alarms/unacknowledged": str(
            sum(a.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED) for a in snapshot.alarms)
        ),
        "alarms/highest": _highest(snapshot.alarms),
        "alarms/states": _states(snapshot),
        "clock/axis": _fixed(snapshot.t_s, 1),
        "clock/utc": when(snapshot.t_s, 1.0),
        **_STANDING_NONE,
        **{f"{STANDING}/{alarm.alarm}": "true" for alarm in _standing(snapshot)},
    }
    if snapshot.batch_start_s is not None:
        known |= {
            "hold/top-ups": str(snapshot.top_ups),
            "batch/id": None if batch_id is None else str(batch_id),
            "batch/start": when(snapshot.batch_start_s, 1.0),
        }
        said = snapshot.details
        known |= {path: said.get(detail, "") for path, detail in DETAILS.items()}
        known["batch/mixed-at"] = said.get(Detail.MIXED_AT) or None  # a datetime cannot be an empty text
    if (change := snapshot.change) is not None:
        known |= {
            "hold/change": pressure(change.total_pa),
            "hold/change-cooling": pressure(change.cooling_pa),
            "hold/change-barometer": pressure(change.barometer_pa),
            "hold/change-leak": pressure(change.leak_pa),
            "hold/change-top-up": pressure(change.top_up_pa),
        }
    if (leak := snapshot.leak) is not None:
        known |= {
            "leak/established": _boolean(leak.established),
            "leak/rate": rate(leak.rate_pa_per_s.value),
            "leak/rate-low": rate(leak.rate_pa_per_s.low),
            "leak/rate-high": rate(leak.rate_pa_per_s.high),
            "leak/flow": _fixed(leak.std_cm3_per_min.value, 2),
            "leak/flow-low": _fixed(leak.std_cm3_per_min.low, 2),
            "leak/flow-high": _fixed(leak.std_cm3_per_min.high, 2),
            "leak/pv-flow": _significant(leak.pa_m3_per_s.value),
            "leak/orifice": _fixed(leak.orifice_m * 1000.0, 4),
        }
        if (onset := leak.onset_s) is not None:
            known |= {
                "leak/onset": when(onset.value),
                "leak/onset-earliest": when(onset.low),
                "leak/onset-latest": when(onset.high),
            }
    if (forecast := snapshot.forecast) is not None:
        known |= {
            "forecast/floor": when(forecast.crossing_s),
            "forecast/floor-earliest": when(forecast.earliest_s),
            "forecast/floor-latest": when(forecast.latest_s),
            "forecast/floor-in": _duration(forecast.crossing_s - snapshot.t_s),
            "forecast/before-cure-done": _boolean(forecast.before_cure_done),
            "forecast/top-up-until": when(forecast.top_up_until_s),
        }
    if (cure := snapshot.cure) is not None:
        known |= {
            "cure/progress": _fixed(min(max(cure.progress, 0.0), 1.0) * 100.0, 1),
            "cure/done": when(cure.done_s),
            "cure/done-in": _duration(cure.done_s - snapshot.t_s),
        }
    return known


def _states(snapshot: Snapshot) -> str:
    """Return the alarms that are not normal as JSON: of each the fields of StandingAlarm that are set.

    Times are on the record's axis, as `clock/axis` is; until_utc_s alone is Unix time by the watch's clock.
    """
    listed = [
        {
            "alarm": each.alarm,
            "priority": each.priority,
            "state": each.state,
            "since_s": each.since_s,
            "text": each.text,
            "until_utc_s": each.until_utc_s,
            "do": each.do,
            "by_s": each.by_s,
            "by_whom": each.by_whom,
        }
        for each in _standing(snapshot)
    ]
    said = [{key: value for key, value in each.items() if value not in (None, "")} for each in listed]
    return json.dumps(said, ensure_ascii=False, separators=(",", ":"))


def _payload(text: str | None) -> bytes:
    if text is None:
        return UNSET
    return text.encode("utf-8", "replace") or EMPTY_STRING


def _boolean(value: bool) -> str:
    return "true" if value else "false"


def _fixed(value: float, decimals: int) -> str | None:
    """Return a float payload with so many decimals; None where the convention has none (NaN, infinity)."""
    if not math.isfinite(value):
        return None
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text  # no minus before a zero


def _significant(value: float) -> str | None:
    """Return a float payload with three digits; the convention allows an exponent, but no plus sign in it."""
    return f"{value:.3g}".replace("e+", "e") if math.isfinite(value) else None


def datetime_text(utc_s: float, step_s: float = 1.0) -> str | None:
    """Return a time as a datetime payload, rounded to a step; None for an invalid one."""
    if not 0.0 <= utc_s < _LATEST_UTC_S:  # nor NaN
        return None
    return datetime.fromtimestamp(round(utc_s / step_s) * step_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _duration(seconds: float) -> str | None:
    """Return an ISO 8601 duration in whole minutes; zero once it is over."""
    if not math.isfinite(seconds):
        return None
    hours, minutes = divmod(round(max(seconds, 0.0) / SECONDS_PER_MINUTE), 60)
    return f"PT{hours}H{minutes}M"


def _highest(alarms: Iterable[StandingAlarm]) -> str:
    priorities = {alarm.priority for alarm in alarms}
    return next((priority for priority in Priority if priority in priorities), NONE)
