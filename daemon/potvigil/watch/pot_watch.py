"""PotWatch: samples and commands of one pot in, events out; a snapshot of all that is known now.

It has no clock and no file: the same samples and commands always give the same events. A restart in the
night, a report and a regression test all rely on that.
"""

from dataclasses import replace

from potvigil.leak.known import Known
from potvigil.model.batch_details import DetailError
from potvigil.model.events import (
    LAST_BATCH,
    Action,
    AlarmEvent,
    AlarmId,
    BatchSummary,
    Command,
    Detail,
    Event,
    NoteEvent,
    NoteId,
    Priority,
    Snapshot,
    Stage,
)
from potvigil.model.pot import Pot
from potvigil.model.reading import Quality, Reading, Sample
from potvigil.sensing.before_fill import BeforeFill
from potvigil.sensing.senses import Senses
from potvigil.watch.alarm_rules import USUAL_SHELVED_S
from potvigil.watch.alarm_states import AlarmBook, ConditionWords
from potvigil.watch.batch_edits import edit
from potvigil.watch.batch_tracker import BatchTracker
from potvigil.watch.conditions import Conditions, Scene, conditions
from potvigil.watch.refusals import refusal
from potvigil.wording import notes

TEST_SHOWN_S = 60.0
_TEST = ConditionWords("Nothing to do", "This is a test alarm. Nothing is wrong.")
_NO_SAMPLE = Reading(0.0, None, None, None, 0.0, None, None, None, Quality.BAD, "no reading yet")


class PotWatch:
    """Watches one pot. Every time is on the record's axis."""

    def __init__(self, pot: Pot, known: Known | None = None, alarms: AlarmBook | None = None) -> None:
        """Start. known: learnt from earlier batches of the pot. alarms: those already active."""
        self._pot = pot
        self._senses = Senses(pot)
        self._batches = BatchTracker(pot, self._senses.before, known)
        self._alarms = AlarmBook() if alarms is None else alarms
        self._reading = _NO_SAMPLE
        self._test_until_s: float | None = None
        self._outside: Conditions = {}

    # -- what goes in ------------------------------------------------------------------------------

    def feed(self, sample: Sample) -> list[Event]:
        """Take one sample, no older than the last; return what happened."""
        senses, batches, was_open = self._senses, self._batches, self.stage is Stage.OPEN
        reading = self._reading = senses.take(
            sample,
            is_shut=not was_open,
            judge=batches.has_cooled(sample.t_s),
            unexplained=batches.falls_unexplained(sample.t_s),
        )
        events = batches.take(reading, thermometer_doubted=senses.doubts_a_thermometer)
        for place in senses.back:
            text = notes.thermometer_back(place)
            events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.THERMOMETER_BACK, text))
        events += self._update_alarms(reading)
        if self.stage is Stage.OPEN and not was_open:
            events += batches.close(reading.t_s, reading.utc_s)
        return events

    def handle(self, command: Command) -> list[Event]:
        """Carry out a command; return what happened, or one note saying why it was refused."""
        t_s, utc_s, alarm = command.t_s, self._reading.utc_s, command.alarm
        under_pressure = self.stage is not Stage.OPEN and self.pressure_fault is None  # and known to be
        why_not = refusal(
            command, self._alarms, batch_open=self._batches.batch is not None, under_pressure=under_pressure
        )
        if why_not is not None:
            return [NoteEvent(t_s, utc_s, NoteId.REFUSED, why_not)]
        match command.action:
            case Action.ACKNOWLEDGE:
                return self._noted_by_the_batch(self._alarms.acknowledge(t_s, utc_s, alarm, command.by))
            case Action.SHELVE if alarm is not None:
                duration_s = command.duration_s or USUAL_SHELVED_S
                return self._noted_by_the_batch(self._alarms.shelve(t_s, utc_s, alarm, duration_s))
            case Action.UNSHELVE:
                return self._noted_by_the_batch(self._alarms.unshelve(t_s, utc_s, alarm))
            case Action.EDIT if command.field is not None:
                return self._edit(command, command.field)
            case Action.OPEN:
                return [self._batches.open(t_s, utc_s)]
            case Action.CLOSE:
                return self.end(t_s)
            case Action.TEST_ALARM:
                self._alarms.prioritise_test(Priority(command.text or Priority.LOW))
                self._test_until_s = t_s + TEST_SHOWN_S
        return []

    def end(self, t_s: float) -> list[Event]:
        """Close the batch as it is, whatever the pressure, as if no more readings came."""
        return self._batches.close(t_s, self._reading.utc_s)

    def report(self, alarm: AlarmId, words: ConditionWords | None) -> None:
        """Report a fault outside the pot (record, clock), None once cleared; used with the next sample."""
        self._outside[alarm] = words

    def know(self, known: Known | None) -> None:
        """Set what is known of the pot from the next hold on: learnt from batches, less what has changed."""
        self._batches.know(known)

    # -- what is known -----------------------------------------------------------------------------

    @property
    def stage(self) -> Stage:
        return self._batches.stage

    @property
    def before(self) -> BeforeFill:
        """What the thermometers read before the fill."""
        return self._senses.before

    @property
    def believed(self) -> bool:
        """Whether the leak estimate takes the newest reading."""
        return self._batches.believed

    @property
    def noise_pa(self) -> float:
        """Scatter of one reading of the pressure, 1 sigma."""
        return self._batches.noise_pa

    @property
    def pressure_fault(self) -> str | None:
        """Why the pressure is doubted, None where it is believed."""
        return self._batches.pressure_fault

    def snapshot(self) -> Snapshot:
        """Return everything known now."""
        reading, batch = self._reading, self._batches.batch
        return Snapshot(
            pot_id=self._pot.pot_id,
            t_s=reading.t_s,
            utc_s=reading.utc_s,
            stage=self.stage,
            stage_since_s=self._batches.since_s,
            reading=reading,
            corrected_gauge_pa=None if batch is None else batch.corrected_gauge_pa(reading),
            leak=None if batch is None else batch.leak,
            forecast=None if batch is None else batch.forecast,
            change=None if batch is None else batch.change(reading, self._batches.leak),
            cure=None if batch is None else batch.clock.cure(),
            batch_start_s=None if batch is None else batch.start_s,
            details={} if batch is None else dict(batch.details),
            top_ups=0 if batch is None else len(batch.top_ups),
            alarms=self._alarms.standing(),
        )

    def learnt(self) -> Known | None:
        """Return what all sound batches so far have taught about the pot, None where there was none."""
        return self._batches.known

    def taught(self) -> Known | None:
        """Return what the last closed batch added to what is known, None where it taught nothing."""
        return self._batches.taught

    @property
    def takes_word(self) -> bool:
        """Whether a new `known` still affects this hold: the hold has not begun."""
        return self.stage in (Stage.OPEN, Stage.FILLING)

    def summary(self) -> BatchSummary | None:
        """Return the open batch with its verdict so far, None when none is open."""
        batch = self._batches.batch
        return None if batch is None else batch.summary(self._reading.t_s, complete=False)

    # -- within ------------------------------------------------------------------------------------

    def _edit(self, command: Command, field: Detail) -> list[Event]:
        try:
            changed = edit(command, field, self._batches.batch, self._reading)
        except DetailError as error:
            if command.by == LAST_BATCH:  # nobody waits for the answer to a carried-over detail
                return []
            return [NoteEvent(command.t_s, self._reading.utc_s, NoteId.REFUSED, str(error))]
        return [] if changed is None else [changed]

    def _update_alarms(self, reading: Reading) -> list[Event]:
        batches = self._batches
        found = conditions(
            Scene(
                pot=self._pot,
                reading=reading,
                stage=batches.stage,
                batch=batches.batch,
                rapid_loss=batches.rapid_loss,
                vented_early_s=batches.vented_early_s,
                pressure_fault=batches.pressure_fault,
                gap_s=self._senses.gap_s,
                missing=self._senses.missing,
                standing=self._alarms.true_now,
            )
        )
        if self._outside:
            found.update(self._outside)
        if self._test_until_s is not None:
            shown = reading.t_s < self._test_until_s
            found[AlarmId.TEST] = _TEST if shown else None
            if not shown:
                self._test_until_s = None
        return self._noted_by_the_batch(self._alarms.update(reading.t_s, reading.utc_s, found))

    def _noted_by_the_batch(self, changed: list[AlarmEvent]) -> list[Event]:
        """Return the changes with what the open batch knows of the leak; the batch keeps them too."""
        batch = self._batches.batch
        if batch is None:
            return list(changed)
        leak, forecast = batch.leak, batch.forecast
        known = [
            replace(
                event,
                leak_rate_pa_per_s=None if leak is None else leak.rate_pa_per_s.value,
                floor_forecast_s=None if forecast is None else forecast.crossing_s,
            )
            for event in changed
        ]
        for event in known:
            batch.take_alarm(event)
        return list(known)
