"""The watch's state for the schedule, and an alarm of its own once the watch is silent."""

from datetime import tzinfo

from potvigil.clock import Instant
from potvigil.live_reader import Live
from potvigil.model.events import AlarmId, AlarmState, Priority, Stage, StandingAlarm
from potvigil.notifying.schedule import THE_WATCH, Situation
from potvigil.watch.alarm_states import FIRST_REPEAT_S, LAST_REPEAT_S
from potvigil.wording.silence import LOOK_AND_SEE, says_nothing

# A restarted watch is back by then: the unit's watchdog takes 35 s, plus a start.
SILENT_AFTER_S = 120.0


class Hearing:
    """Turns the watch's state into the active alarms.

    offset_s: the record's axis less the boot clock, as known before the watch is first heard. workshop: whose
    watch it is. with_rehearsals: whether a rehearsal counts. tz: None for the machine's own.
    """

    def __init__(
        self,
        workshop: str,
        tz: tzinfo | None,
        started_boot_s: float,
        offset_s: float = 0.0,
        *,
        with_rehearsals: bool = False,
    ) -> None:
        self._workshop, self._tz = workshop, tz
        self._started_boot_s, self._offset_s = started_boot_s, offset_s
        self._with_rehearsals = with_rehearsals

    @property
    def offset_s(self) -> float:
        """The record's axis less the boot clock."""
        return self._offset_s

    def take(self, live: Live | None, at: Instant) -> Situation:
        """Return the active alarms. live: the watch's last state, None where it never had one."""
        if live is not None and live.workshop != self._workshop:
            live = None
        if live is not None and live.rehearsed is not None and not self._with_rehearsals:
            return Situation(at.boot_s + self._offset_s, at.utc_s, {})
        heard_s, heard_utc_s = self._heard(live, at)
        t_s = at.boot_s + self._offset_s
        if live is not None and not live.is_silent(at.boot_s):
            age_s = t_s - heard_s
            utc_s = None if heard_utc_s is None else heard_utc_s + age_s
            standing = {pot_id: pot.snapshot.alarms for pot_id, pot in live.pots.items()}
            return Situation(t_s, utc_s, {THE_WATCH: (), **standing}, live.rehearsed is not None)
        begun_s = max(heard_s, self._started_boot_s + self._offset_s if live is None else heard_s)
        if t_s - begun_s < SILENT_AFTER_S:
            return Situation(t_s, at.utc_s, {})
        alarm = self._silence(live, heard_s, heard_utc_s, t_s, at.utc_s)
        return Situation(
            t_s, at.utc_s, {THE_WATCH: (alarm,)}, live is not None and live.rehearsed is not None
        )

    def _heard(self, live: Live | None, at: Instant) -> tuple[float, float | None]:
        """Return when the watch was last heard, at the earliest: on the record's axis, and Unix time."""
        if live is None or not live.pots:
            return self._offset_s, None  # since the machine was started
        last = max((pot.snapshot for pot in live.pots.values()), key=lambda snapshot: snapshot.t_s)
        if at.boot_s >= live.written_boot_s:
            self._offset_s = last.t_s - live.written_boot_s
        else:  # written in another boot
            self._offset_s = max(self._offset_s, last.t_s - at.boot_s)
        return last.t_s, last.utc_s

    def _silence(
        self, live: Live | None, heard_s: float, heard_utc_s: float | None, t_s: float, utc_s: float | None
    ) -> StandingAlarm:
        # with all pots open a stopped watch is worth one message at most; otherwise a cast may be at risk
        idle = live is not None and all(
            pot.batch is None and pot.snapshot.stage is Stage.OPEN for pot in live.pots.values()
        )
        return StandingAlarm(
            AlarmId.READINGS_STOPPED,
            Priority.LOW if idle else Priority.HIGH,
            AlarmState.UNACKNOWLEDGED,
            heard_s,
            heard_utc_s,
            says_nothing(heard_utc_s, utc_s, self._tz),
            do=LOOK_AND_SEE,
            announced_s=heard_s if idle else last_announced_s(heard_s + SILENT_AFTER_S, t_s),
        )


def last_announced_s(since_s: float, t_s: float) -> float:
    """Return when an alarm unacknowledged since then was last announced, at the intervals of the watch."""
    at_s, step_s = since_s, FIRST_REPEAT_S
    while at_s + step_s <= t_s:
        at_s += step_s
        step_s = min(2.0 * step_s, LAST_REPEAT_S)
    return at_s
