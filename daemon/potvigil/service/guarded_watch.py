"""A pot's watch whose failure does not stop the watches of other pots, and raises an alarm.

A watch that raises is dropped with all it knew of the batch; its alarms stay active. A new one takes the next
sample. If that fails too, the next try comes after a minute, then two, four, at most an hour: so a failure at
every sample does not fill the log, and recovery is noticed.
"""

import logging

from potvigil.leak.known import Known
from potvigil.model.events import (
    AlarmId,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    Command,
    Cure,
    Event,
    NoteEvent,
    NoteId,
    Snapshot,
    Stage,
    Verdict,
)
from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.watch.alarm_states import AlarmBook, ConditionWords
from potvigil.watch.pot_watch import PotWatch
from potvigil.wording import failing

FIRST_PAUSE_S, LONGEST_PAUSE_S = 60.0, 3600.0
# A watch that ran this long does not fail at every sample.
STEADY_S = 600.0

_log = logging.getLogger("potvigil")


class GuardedWatch:
    """Same interface as PotWatch. has_failed: at any time since it was made."""

    def __init__(self, pot: Pot) -> None:
        self._pot = pot
        self._alarms = AlarmBook()
        self._watch = PotWatch(pot, alarms=self._alarms)
        self._opened: BatchOpened | None = None  # of the open batch
        self._newest_s = 0.0
        self._newest_utc_s: float | None = None
        self._failed_s: float | None = None
        self._pause_s = 0.0
        self._logged: set[str] = set()
        self._pending: list[Event] = []  # events of calls that cannot return any

    @property
    def has_failed(self) -> bool:
        return bool(self._logged)

    def feed(self, sample: Sample) -> list[Event]:
        """Take one sample, no older than the last; return what happened."""
        events, self._pending = self._pending, []
        self._newest_s, self._newest_utc_s = sample.t_s, sample.utc_s
        if self._failed_s is not None and sample.t_s < self._failed_s + self._pause_s:
            return events + self._alarm()
        try:
            self.report(AlarmId.WATCH_FAILING, None)
            return events + self._tracked(self._watch.feed(sample))
        except Exception as error:
            return events + self._restart(error) + self._alarm()

    def handle(self, command: Command) -> list[Event]:
        """Carry out a command; return what happened, or one note saying why it was refused."""
        try:
            return self._tracked(self._watch.handle(command))
        except Exception as error:
            self._pending += self._restart(error)
            return [NoteEvent(command.t_s, self._newest_utc_s, NoteId.REFUSED, failing.COMMAND)]

    def snapshot(self) -> Snapshot:
        """Return everything known now."""
        try:
            return self._watch.snapshot()
        except Exception as error:
            self._pending += self._restart(error)
            return self._watch.snapshot()

    def summary(self) -> BatchSummary | None:
        """Return the open batch with its verdict so far, None when none is open."""
        try:
            return self._watch.summary()
        except Exception as error:
            self._pending += self._restart(error)
            return None

    def report(self, alarm: AlarmId, words: ConditionWords | None) -> None:
        """Report a fault outside the pot, None where it cleared."""
        self._watch.report(alarm, words)

    def know(self, known: Known | None) -> None:
        """Set what is known of the pot from the next hold on."""
        self._watch.know(known)

    def taught(self) -> Known | None:
        """Return what the last closed batch added to what is known, None where it taught nothing."""
        return self._watch.taught()

    @property
    def stage(self) -> Stage:
        return self._watch.stage

    @property
    def takes_word(self) -> bool:
        """Whether a new `known` still affects this hold."""
        return self._watch.takes_word

    def _tracked(self, events: list[Event]) -> list[Event]:
        for event in events:
            if isinstance(event, BatchOpened):
                self._opened = event
            elif isinstance(event, BatchClosed):
                self._opened = None
        return events

    def _restart(self, error: Exception) -> list[Event]:
        """Replace the failed watch by a new one; return the closing of its batch."""
        t_s, failed_s = self._newest_s, self._failed_s
        fails_again = failed_s is not None and t_s - failed_s - self._pause_s < STEADY_S
        self._pause_s = min(max(2.0 * self._pause_s, FIRST_PAUSE_S), LONGEST_PAUSE_S) if fails_again else 0.0
        self._failed_s = t_s
        what = repr(error)
        if what not in self._logged:
            self._logged.add(what)
            _log.error("monitoring of %s failed and is restarted", self._pot.pot_id, exc_info=error)
        self._watch = PotWatch(self._pot, alarms=self._alarms)
        opened, self._opened = self._opened, None
        if opened is None:
            return []
        return [BatchClosed(t_s, self._newest_utc_s, _cut_off(self._pot, opened, t_s))]

    def _alarm(self) -> list[Event]:
        words = ConditionWords(failing.WHAT_TO_DO, failing.why(self._pause_s))
        return list(self._alarms.update(self._newest_s, self._newest_utc_s, {AlarmId.WATCH_FAILING: words}))


def _cut_off(pot: Pot, opened: BatchOpened, t_s: float) -> BatchSummary:
    """Return the closing of a batch whose watch failed."""
    return BatchSummary(
        pot_id=pot.pot_id,
        verdict=Verdict.INCOMPLETE,
        reason=failing.CUT_OFF,
        complete=True,
        start_s=opened.t_s,
        start_utc_s=opened.utc_s,
        end_s=t_s,
        stages={},
        hold_start_s=None,
        hold_end_s=None,
        hold_start_gauge_pa=None,
        hold_end_gauge_pa=None,
        lowest_gauge_pa=None,
        change=None,
        leak=None,
        floor_crossed_s=None,
        floor_forecast_s=None,
        cure=Cure(0.0, opened.t_s + pot.hold_s),
        top_ups=0,
        alarms=(),
    )
