"""What the page says about a pot: a word, a level, a few sentences. It words the core's verdicts, no more."""

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
# The most severe first.
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
VERDICT_WORDS = {each: (text, _VERDICT_LEVELS[each]) for each, text in verdict_words.VERDICT_WORDS.items()}
STILL_OPEN = ("Still open", Severity.NOTE)

# A clock time further away than this carries its weekday.
_DAY_SHOWN_S = 18 * 3600.0
_SHUT = (Stage.SETTLING, Stage.HOLDING)
_NOTES = (AlarmId.CLOCK_UNSET, AlarmId.TEST)


@dataclass(frozen=True, slots=True)
class WallClock:
    """Turns times on the record's axis into wall-clock time.

    offset_s: Unix time minus the record's axis, None if unknown. tz: None for the machine's own zone.
    """

    offset_s: float | None
    tz: tzinfo | None

    def at(self, now_s: float) -> TimeTeller:
        """Return a teller of times as seen from now_s."""
        return TimeTeller(now_s, None if self.offset_s is None else now_s + self.offset_s, self.tz)

    def local(self, t_s: float) -> datetime | None:
        return None if self.offset_s is None else local(t_s + self.offset_s, self.tz)

    def clock(self, t_s: float, now_s: float | None = None) -> str:
        """Return 03:12, with the weekday if far from now_s; empty without a wall clock."""
        moment = self.local(t_s)
        if moment is None:
            return ""
        far = now_s is not None and abs(t_s - now_s) > _DAY_SHOWN_S
        return f"{moment:%a %H:%M}" if far else f"{moment:%H:%M}"


def local(utc_s: float, tz: tzinfo | None) -> datetime:
    return datetime.fromtimestamp(utc_s, UTC).astimezone(tz)


def wall_clock_of(snapshot: Snapshot, tz: tzinfo | None) -> WallClock:
    utc_s = snapshot.utc_s
    return WallClock(None if utc_s is None else utc_s - snapshot.t_s, tz)


def silent_word(since: str | None) -> str:
    return "no data" if since is None else f"no data since {since}"


def alarm_level(alarm: StandingAlarm) -> Severity:
    """Return the level of an alarm; one that has returned to normal or is shelved ranks lower."""
    is_high = alarm.priority is Priority.HIGH
    if alarm.alarm in _NOTES or (alarm.state is AlarmState.SHELVED and not is_high):
        return Severity.NOTE
    if alarm.state in (AlarmState.RETURNED, AlarmState.SHELVED):
        return Severity.WARN if is_high else Severity.NOTE
    return Severity.ALARM if is_high else Severity.WARN


def word(snapshot: Snapshot, pot: Pot | None) -> tuple[str, Severity]:
    """Return the word that sums up a pot now, and its level."""
    active = [each for each in snapshot.alarms if is_active(each)]
    urgent = [each for each in active if each.priority is Priority.HIGH]
    levels = {alarm_level(each) for each in snapshot.alarms}
    level = next((each for each in _RANK if each in levels), Severity.CALM)
    if urgent:
        return ALARM_WORDS[urgent[0].alarm], level
    if snapshot.reading.gauge_pa is None or snapshot.reading.quality is Quality.BAD:
        return "no reading", Severity.UNKNOWN
    if is_cure_done(snapshot):
        return CURE_DONE, level
    leaks = snapshot.stage in _SHUT and TraceRow.of(snapshot).leak_established
    if leaks and (not active or active[0].alarm is AlarmId.LEAK):
        return _leak_word(snapshot, pot), min(level, Severity.WARN, key=_RANK.index)
    if active:
        return ALARM_WORDS[active[0].alarm], level
    return STAGE_WORDS[snapshot.stage], level


def is_active(alarm: StandingAlarm) -> bool:
    """Return whether the alarm's condition holds now; a high alarm is shelved only while it does."""
    if alarm.state is AlarmState.SHELVED:
        return alarm.priority is Priority.HIGH
    return alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def _is_made_up(snapshot: Snapshot, pot: Pot | None) -> bool:
    """Return whether a regulator makes up for the leak: if it could not, there would be a forecast."""
    return snapshot.forecast is None and pot is not None and pot.supply is Supply.REGULATED


def _leak_word(snapshot: Snapshot, pot: Pot | None) -> str:
    forecast, cure = snapshot.forecast, snapshot.cure
    if _is_made_up(snapshot, pot):
        return "leak, made up by the supply"
    if forecast is None or cure is None:
        return ALARM_WORDS[AlarmId.LEAK]
    return "leak, may not hold" if forecast.earliest_s < cure.done_s else "leak, but it will hold"


def is_cure_done(snapshot: Snapshot) -> bool:
    """Return whether the cure is done in a pot still under pressure."""
    return snapshot.stage in _SHUT and snapshot.cure is not None and snapshot.cure.progress >= 1.0


def trend(snapshot: Snapshot, pot: Pot | None, unit: str) -> str | None:
    """Return what the pressure is doing and why, None if there is nothing to say."""
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
        if _is_made_up(snapshot, pot):
            return f"Losing {losing}: air is being lost, and the supply makes up for it."
        return f"Falling {losing}: air is being lost."
    if snapshot.stage is Stage.SETTLING:
        return "Settling: the air is still cooling from the fill."
    if row.leak_pa_per_s is None or snapshot.change is None:
        return "Too early to tell whether air is being lost."
    return _steady(snapshot.change, reading.nearest[0], unit)


def _steady(change: Change, nearest: Place | None, unit: str) -> str:
    """Return why the pressure has moved since the hold began although no leak shows."""
    no_loss = "no air loss detected"
    total_pa = change.total_pa
    if abs(total_pa) < LEAST_SHOWN[unit] * PRESSURE_UNITS_PA[unit]:
        return f"Steady: {no_loss}."
    fell = total_pa < 0.0
    way = "fall" if fell else "rise"
    size = pressure(abs(total_pa), unit)
    heat = ("the room cooling" if nearest is Place.ROOM else "cooling") if fell else "warming"
    causes = {
        heat: change.cooling_pa,
        "a change in the air pressure outside": change.barometer_pa,
        "air let in": change.top_up_pa,
    }
    why, part_pa = min(causes.items(), key=lambda each: each[1] if fell else -each[1])
    if nearest is None or abs(part_pa) < abs(total_pa) / 2.0:
        return f"{'Down' if fell else 'Up'} {size} since the hold began; {no_loss}."
    return f"Steady: the {way} of {size} is {why}; {no_loss}."


def cure(snapshot: Snapshot, wall: WallClock) -> str | None:
    """Return the time left to the end of the cure, or when it ended."""
    known = snapshot.cure
    if known is None:
        return None
    now_s = snapshot.t_s
    clock = wall.clock(known.done_s, now_s)
    if known.progress >= 1.0:
        return f"The cure is done, since {clock}." if clock else "The cure is done."
    ahead = f"{span(known.done_s - now_s)} to the end of the cure"
    if not clock:
        return f"{ahead}."
    if known.early_s is None or known.late_s is None:
        return f"{ahead}, about {clock}."
    early, late = wall.clock(known.early_s, now_s), wall.clock(known.late_s, now_s)
    return f"{ahead}, about {clock} ({early}-{late})."


def forecast(snapshot: Snapshot, tz: tzinfo | None) -> str | None:
    """Return when the floor will be crossed and what a top-up would gain; None if no crossing is forecast."""
    known = snapshot.forecast
    if known is None or snapshot.stage not in _SHUT or TraceRow.of(snapshot).leak_pa_per_s is None:
        return None
    if is_cure_done(snapshot):
        return None  # the floor no longer matters
    if known.crossing_s <= snapshot.t_s:
        return "The pressure is below the floor."
    teller = TimeTeller(snapshot.t_s, snapshot.utc_s, tz)
    about = teller.ahead(known.crossing_s, known.earliest_s, known.latest_s)
    order = "before" if known.before_cure_done else "after"
    text = f"Falls below the floor {about}, {order} the cure is done."
    if known.top_up_until_s is None or not known.before_cure_done:
        return text
    if snapshot.cure is not None and known.top_up_until_s >= snapshot.cure.done_s:
        return f"{text} A top-up now lasts through the cure."
    return f"{text} A top-up now lasts at least {teller.until(known.top_up_until_s)}."


def temperatures(snapshot: Snapshot, pot: Pot | None) -> str | None:
    """Return the reading of each thermometer that is or should be there, the nearest to the gas first."""
    texts, unit = [], "C" if pot is None else pot.temperature_unit
    for place, kelvin in snapshot.reading.temperatures:
        if kelvin is not None:
            texts.append(f"{place.value} {degrees(kelvin, unit, 1)}")
        elif pot is not None and place in pot.thermometers:
            texts.append(f"{place.value} no reading")
    return ", ".join(texts) or None


def label(snapshot: Snapshot) -> str:
    return shown(snapshot.details.get(Detail.LABEL, ""))
