"""What the page says of a pot: a word, a level, a sentence each. Only what the core said, put into words."""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum

from potvigil.model.events import (
    AlarmId,
    AlarmState,
    Change,
    Detail,
    Priority,
    Snapshot,
    Stage,
    StandingAlarm,
    Verdict,
)
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import Place, Quality
from potvigil.record.rows import TraceRow
from potvigil.units import LEAST_SHOWN, PRESSURE_UNITS_PA, degrees, span
from potvigil.wording import verdict as verdict_words
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import TimeTeller, pressure, rate, shown
from potvigil.wording.silence import LOOK_AT_THE_GAUGE


class Severity(StrEnum):
    CALM = "calm"
    NOTE = "note"
    WARN = "warn"
    ALARM = "alarm"
    UNKNOWN = "unknown"


SIGNS = {
    Severity.CALM: "●",
    Severity.NOTE: "●",
    Severity.WARN: "▲",
    Severity.ALARM: "■",
    Severity.UNKNOWN: "○",
}
# Which comes first where several stand.
_RANK = (Severity.ALARM, Severity.WARN, Severity.NOTE, Severity.CALM)

STAGE_WORDS = {
    Stage.OPEN: "open, empty",
    Stage.FILLING: "filling",
    Stage.SETTLING: "settling",
    Stage.HOLDING: "holding",
    Stage.VENTING: "venting",
}
CURE_DONE = "cure done: may be vented"
_VERDICT_LEVELS = {
    Verdict.HELD: Severity.CALM,
    Verdict.LEAKED: Severity.WARN,
    Verdict.FELL_BELOW_FLOOR: Severity.ALARM,
    Verdict.VENTED_EARLY: Severity.ALARM,
    Verdict.INCOMPLETE: Severity.UNKNOWN,
}
VERDICT_WORDS = {each: (said, _VERDICT_LEVELS[each]) for each, said in verdict_words.VERDICT_WORDS.items()}
STILL_OPEN = ("Still open", Severity.NOTE)

# A clock time further away than this is said with its day.
_DAY_SAID_S = 18 * 3600.0
_SHUT = (Stage.SETTLING, Stage.HOLDING)
_NOTES = (AlarmId.CLOCK_UNSET, AlarmId.TEST)


@dataclass(frozen=True, slots=True)
class Teller:
    """Says when, by the wall clock.

    less_s: Unix time less the record's axis, None where unknown. tz: None for the machine's own zone.
    """

    less_s: float | None
    tz: tzinfo | None

    def at(self, now_s: float) -> TimeTeller:
        """Return who says when something is, as seen from that moment."""
        return TimeTeller(now_s, None if self.less_s is None else now_s + self.less_s, self.tz)

    def local(self, t_s: float) -> datetime | None:
        return None if self.less_s is None else local(t_s + self.less_s, self.tz)

    def clock(self, t_s: float, now_s: float | None = None) -> str:
        """Return 03:12, with the day where it is far from now_s; empty without a wall clock."""
        moment = self.local(t_s)
        if moment is None:
            return ""
        far = now_s is not None and abs(t_s - now_s) > _DAY_SAID_S
        return f"{moment:%a %H:%M}" if far else f"{moment:%H:%M}"


def local(utc_s: float, tz: tzinfo | None) -> datetime:
    return datetime.fromtimestamp(utc_s, UTC).astimezone(tz)


def teller_of(snapshot: Snapshot, tz: tzinfo | None) -> Teller:
    utc_s = snapshot.utc_s
    return Teller(None if utc_s is None else utc_s - snapshot.t_s, tz)


def silent_word(since: str | None) -> str:
    return "no data" if since is None else f"no data since {since}"


def alarm_level(alarm: StandingAlarm) -> Severity:
    """Return how pressing an alarm is as it stands: what is over, or put aside, presses less."""
    is_high = alarm.priority is Priority.HIGH
    if alarm.alarm in _NOTES or (alarm.state is AlarmState.SHELVED and not is_high):
        return Severity.NOTE
    if alarm.state in (AlarmState.RETURNED, AlarmState.SHELVED):
        return Severity.WARN if is_high else Severity.NOTE
    return Severity.ALARM if is_high else Severity.WARN


def word(snapshot: Snapshot, pot: Pot | None) -> tuple[str, Severity]:
    """Return the word for a pot as it is now, and its level."""
    standing = [each for each in snapshot.alarms if is_true(each)]
    pressing = [each for each in standing if each.priority is Priority.HIGH]
    levels = {alarm_level(each) for each in snapshot.alarms}
    level = next((each for each in _RANK if each in levels), Severity.CALM)
    if pressing:
        return ALARM_WORDS[pressing[0].alarm], level
    if snapshot.reading.gauge_pa is None or snapshot.reading.quality is Quality.BAD:
        return "no reading", Severity.UNKNOWN
    if is_cure_done(snapshot):
        return CURE_DONE, level
    leaks = snapshot.stage in _SHUT and TraceRow.of(snapshot).leak_established
    if leaks and (not standing or standing[0].alarm is AlarmId.LEAK):
        return _leak_word(snapshot, pot), min(level, Severity.WARN, key=_RANK.index)
    if standing:
        return ALARM_WORDS[standing[0].alarm], level
    return STAGE_WORDS[snapshot.stage], level


def is_true(alarm: StandingAlarm) -> bool:
    """Say whether what an alarm tells is so now: a high one is put aside only while it is."""
    if alarm.state is AlarmState.SHELVED:
        return alarm.priority is Priority.HIGH
    return alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def _is_fed(snapshot: Snapshot, pot: Pot | None) -> bool:
    """Say whether a regulator makes up for the leak: the watch forecasts a floor where it does not."""
    return snapshot.forecast is None and pot is not None and pot.supply is Supply.REGULATED


def _leak_word(snapshot: Snapshot, pot: Pot | None) -> str:
    forecast, cure = snapshot.forecast, snapshot.cure
    if _is_fed(snapshot, pot):
        return "leak, made up by the supply"
    if forecast is None or cure is None:
        return ALARM_WORDS[AlarmId.LEAK]
    return "leak, may not hold" if forecast.earliest_s < cure.done_s else "leak, but it will hold"


def is_cure_done(snapshot: Snapshot) -> bool:
    """Return whether a pot under pressure may be vented as far as the cure goes."""
    return snapshot.stage in _SHUT and snapshot.cure is not None and snapshot.cure.progress >= 1.0


def trend(snapshot: Snapshot, pot: Pot | None, unit: str) -> str | None:
    """Return what the pressure does and why, None where there is nothing to say."""
    reading = snapshot.reading
    if reading.gauge_pa is None or reading.quality is Quality.BAD:
        return LOOK_AT_THE_GAUGE
    match snapshot.stage:
        case Stage.OPEN:
            return None
        case Stage.FILLING:
            return "The pressure is rising."
        case Stage.VENTING:
            return "The pressure is being let out."
    row = TraceRow.of(snapshot)
    if row.leak_established and row.leak_pa_per_s is not None:
        losing = rate(row.leak_pa_per_s.value, unit)
        if _is_fed(snapshot, pot):
            return f"Losing {losing}: air is being lost, and the supply makes up for it."
        return f"Falling {losing}: air is being lost."
    if snapshot.stage is Stage.SETTLING:
        return "Settling: the air is still cooling from the fill."
    if row.leak_pa_per_s is None or snapshot.change is None:
        return "Too early to tell whether air is being lost."
    return _steady(snapshot.change, reading.nearest[0], unit)


def _steady(change: Change, nearest: Place | None, unit: str) -> str:
    """Say why a pot that loses no air that shows is not where its hold began."""
    seen = "no air loss detected"
    total_pa = change.total_pa
    if abs(total_pa) < LEAST_SHOWN[unit] * PRESSURE_UNITS_PA[unit]:
        return f"Steady: {seen}."
    fell = total_pa < 0.0
    way = "fall" if fell else "rise"
    size = pressure(abs(total_pa), unit)
    heat = ("the room cooling" if nearest is Place.ROOM else "cooling") if fell else "warming"
    causes = {
        heat: change.cooling_pa,
        "the weather's pressure outside": change.barometer_pa,
        "air let in": change.top_up_pa,
    }
    why, part_pa = min(causes.items(), key=lambda each: each[1] if fell else -each[1])
    if nearest is None or abs(part_pa) < abs(total_pa) / 2.0:
        return f"{'Down' if fell else 'Up'} {size} since the hold began; {seen}."
    return f"Steady: the {way} of {size} is {why}; {seen}."


def cure(snapshot: Snapshot, teller: Teller) -> str | None:
    """Return how long the cure still takes, or since when it is done."""
    known = snapshot.cure
    if known is None:
        return None
    now_s = snapshot.t_s
    clock = teller.clock(known.done_s, now_s)
    if known.progress >= 1.0:
        return f"The cure is done, since {clock}." if clock else "The cure is done."
    ahead = f"{span(known.done_s - now_s)} to the end of the cure"
    if not clock:
        return f"{ahead}."
    if known.early_s is None or known.late_s is None:
        return f"{ahead}, about {clock}."
    early, late = teller.clock(known.early_s, now_s), teller.clock(known.late_s, now_s)
    return f"{ahead}, about {clock} ({early}-{late})."


def forecast(snapshot: Snapshot, tz: tzinfo | None) -> str | None:
    """Return when the floor would be passed and what topping up would do; None where no floor is ahead."""
    known = snapshot.forecast
    if known is None or snapshot.stage not in _SHUT or TraceRow.of(snapshot).leak_pa_per_s is None:
        return None
    if is_cure_done(snapshot):
        return None  # a floor no longer matters
    if known.crossing_s <= snapshot.t_s:
        return "The pressure is below the floor."
    teller = TimeTeller(snapshot.t_s, snapshot.utc_s, tz)
    about = teller.ahead(known.crossing_s, known.earliest_s, known.latest_s)
    order = "before" if known.before_cure_done else "after"
    said = f"Floor {about}, {order} the cure is done."
    if known.top_up_until_s is None or not known.before_cure_done:
        return said
    if snapshot.cure is not None and known.top_up_until_s >= snapshot.cure.done_s:
        return f"{said} A top-up now lasts through the cure."
    return f"{said} A top-up now lasts at least {teller.until(known.top_up_until_s)}."


def temperatures(snapshot: Snapshot, pot: Pot | None) -> str | None:
    """Return what each thermometer says that there is or should be, the nearest to the gas first."""
    said, unit = [], "C" if pot is None else pot.temperature_unit
    for place, kelvin in snapshot.reading.temperatures:
        if kelvin is not None:
            said.append(f"{place.value} {degrees(kelvin, unit, 1)}")
        elif pot is not None and place in pot.thermometers:
            said.append(f"{place.value} no reading")
    return ", ".join(said) or None


def label(snapshot: Snapshot) -> str:
    return shown(snapshot.details.get(Detail.LABEL, ""))
