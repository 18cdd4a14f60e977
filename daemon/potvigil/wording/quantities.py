"""Pressures, times and spans as people write them: in the pot's unit, by the wall clock."""

import unicodedata
from datetime import UTC, datetime, tzinfo

from potvigil.model.events import AlarmEvent, AlarmState, Interval, StandingAlarm
from potvigil.model.who import BUTTON, COMMAND_LINE, MQTT, PAGE
from potvigil.units import PRESSURE_DECIMALS, PRESSURE_UNITS_PA, SECONDS_PER_HOUR, span

# Control, format, surrogate, private and unassigned characters: Unicode Standard, table 4-4.
_BREAKING = ("Cc", "Cf", "Cs", "Co", "Cn")
_KEPT = "\n\t\u200d\ufe0f"  # the last two: emoji are written with them
# Less time than this is none: not worth a look at the clock.
NOW_S = 300.0
# With so much time left, it is given in steps of so much.
_COUNTDOWN = ((3 * SECONDS_PER_HOUR, 1800.0), (SECONDS_PER_HOUR, 900.0), (0.0, NOW_S))
# From then on a time of day may be taken for that of another day.
_AMBIGUOUS_S = 20 * SECONDS_PER_HOUR


def pressure(pa: float, unit: str) -> str:
    """Return a gauge pressure or a change of one, e.g. '45.3 psi'."""
    return f"{_figure(pa / PRESSURE_UNITS_PA[unit], PRESSURE_DECIMALS[unit])} {unit}"


def rate(pa_per_s: float, unit: str) -> str:
    """Return a rate of fall, e.g. '1.52 psi/h'."""
    per_hour = pa_per_s * SECONDS_PER_HOUR / PRESSURE_UNITS_PA[unit]
    return f"{_figure(per_hour, PRESSURE_DECIMALS[unit] + 1)} {unit}/h"


def _figure(value: float, decimals: int) -> str:
    return f"{round(value, decimals) + 0.0:.{decimals}f}"  # never -0.0


def whole_date(utc_s: float, tz: tzinfo | None) -> str:
    """Return a day, e.g. '3 March 2026'. tz: None for the machine's own zone."""
    day = datetime.fromtimestamp(utc_s, UTC).astimezone(tz)
    return f"{day.day} {day:%B} {day.year}"


def two_digits(value: float) -> str:
    """Return a number to two digits and never as a power of ten, e.g. '24', '180', '0.31'."""
    return f"{float(f'{value:.2g}'):g}"


def shown(text: str) -> str:
    """Return somebody's text without what would break a page or a terminal: control and direction marks."""
    return "".join(
        sign if sign in _KEPT or unicodedata.category(sign) not in _BREAKING else "\ufffd" for sign in text
    )


_STATE_WORDS = {
    AlarmState.NORMAL: "cleared",
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED: "cleared, not acknowledged",
    AlarmState.SHELVED: "shelved",
}


# the way in of somebody who gave no name
_DOORS = {
    PAGE: "on its page",
    BUTTON: "at the button",
    COMMAND_LINE: "on the command line",
    MQTT: "over MQTT",
}


def alarm_state(alarm: AlarmEvent | StandingAlarm, tz: tzinfo | None) -> str:
    """Return the state of an alarm: 'not acknowledged', 'acknowledged by Anna', 'shelved until 03:15'."""
    said = _STATE_WORDS[alarm.state]
    if alarm.by_whom:
        acknowledged = said if alarm.state is AlarmState.ACKNOWLEDGED else f"{said}, acknowledged"
        return f"{acknowledged} {_DOORS.get(alarm.by_whom) or f'by {shown(alarm.by_whom)}'}"
    if alarm.until_utc_s is None:
        return said
    return f"{said} until {datetime.fromtimestamp(alarm.until_utc_s, UTC).astimezone(tz):%H:%M}"


class TimeTeller:
    """Words for times on the record's axis: by the wall clock where that is known.

    now_s, now_utc_s: one moment on both axes. tz: None for the machine's own zone.
    """

    def __init__(self, now_s: float, now_utc_s: float | None, tz: tzinfo | None) -> None:
        self._now_s, self._now_utc_s, self._tz = now_s, now_utc_s, tz

    def ahead(self, value_s: float, earliest_s: float, latest_s: float | None) -> str:
        """Return 'about 03:40 (03:20-04:05)'; without a wall clock 'in about 19 min (13 min to 33 min)'."""
        if self._now_utc_s is None:
            low, high = self._away(earliest_s), "never" if latest_s is None else self._away(latest_s)
            return f"in about {self._away(value_s)} ({low} to {high})"
        if latest_s is None:
            return f"about {self._clock(value_s)} ({self._clock(earliest_s)} at the earliest, perhaps never)"
        return f"about {self._clock(value_s)} ({self._clock(earliest_s)}-{self._clock(latest_s)})"

    def since(self, when: Interval) -> str:
        """Return 'since about 02:05 (01:50-02:12)'; without a wall clock 'for about 2 h'."""
        if self._now_utc_s is None:
            return f"for about {self._away(when.value)}"
        low, high = self._clock(when.low), self._clock(when.high)
        return f"since about {self._clock(when.value)}" + (f" ({low}-{high})" if low != high else "")

    def by(self, t_s: float) -> str:
        """Return 'by 05:48', 'by 05:48 tomorrow', 'now'; without a wall clock 'within 2 h 45 min'."""
        left_s = t_s - self._now_s
        if left_s < NOW_S:
            return "now"
        if self._now_utc_s is not None:
            return f"by {self._clock(t_s, day=True)}"
        # a countdown changes every minute: in steps, and rather too little than too much
        step_s = next(step_s for above_s, step_s in _COUNTDOWN if left_s >= above_s)
        return f"within {span(left_s // step_s * step_s)}"

    def until(self, t_s: float) -> str:
        """Return 'until 06:30'; without a wall clock 'for 2 h 50 min'."""
        return f"for {self._away(t_s)}" if self._now_utc_s is None else f"until {self._clock(t_s)}"

    def _away(self, t_s: float) -> str:
        return span(abs(t_s - self._now_s))

    def _clock(self, t_s: float, day: bool = False) -> str:
        """Return a time of day; day: name the day unless it is today; a distant day is always named."""
        now_utc_s = self._now_utc_s or 0.0
        now, then = (
            datetime.fromtimestamp(utc_s, UTC).astimezone(self._tz)
            for utc_s in (now_utc_s, now_utc_s + t_s - self._now_s)
        )
        days = (then.date() - now.date()).days
        if not (days and day) and abs(t_s - self._now_s) < _AMBIGUOUS_S:
            return f"{then:%H:%M}"
        if abs(days) < 2:
            return f"{then:%H:%M} {('today', 'tomorrow', 'yesterday')[days]}"
        return f"{then:%H:%M} on {then:%A}" if 0 < days < 7 else f"{then:%H:%M} on {then.day} {then:%B}"


def _breaks(sign: str) -> bool:
    return sign not in _KEPT and unicodedata.category(sign) in _BREAKING


def rfc3339(utc_s: float) -> str:
    """Return Unix time as RFC 3339 in UTC, to the millisecond: 2026-01-01T22:00:00.000Z."""
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
