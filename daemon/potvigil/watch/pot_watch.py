"""PotWatch: samples and commands of one pot in, events out; the snapshot says all that is known now.

It holds no clock and no file: fed the same samples and commands again it says the same again, which is how
a restart in the night, a report and a regression test work.
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
        """Begin to watch. known: what earlier batches of the pot taught. alarms: that stand already."""
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
        """Carry out a command; return what happened, or the one note that says why it is refused."""
        t_s, utc_s, alarm = command.t_s, self._reading.utc_s, command.alarm
        under_pressure = self.stage is not Stage.OPEN and self.pressure_fault is None  # and surely so
        why_not = refusal(
            command, self._alarms, batch_open=self._batches.batch is not None, under_pressure=under_pressure
        )
        if why_not is not None:
            return [NoteEvent(t_s, utc_s, NoteId.REFUSED, why_not)]
        match command.action:
            case Action.ACKNOWLEDGE:
                return self._in_the_batch(self._alarms.acknowledge(t_s, utc_s, alarm, command.by))
            case Action.SHELVE if alarm is not None:
                duration_s = command.duration_s or USUAL_SHELVED_S
                return self._in_the_batch(self._alarms.shelve(t_s, utc_s, alarm, duration_s))
            case Action.UNSHELVE:
                return self._in_the_batch(self._alarms.unshelve(t_s, utc_s, alarm))
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
        """Close the batch as it stands, whatever the pressure, as if no more readings came."""
        return self._batches.close(t_s, self._reading.utc_s)

    def report(self, alarm: AlarmId, told: ConditionWords | None) -> None:
        """Say whether something outside the pot is wrong (record, clock); taken up with the next sample."""
        self._outside[alarm] = told

    def know(self, known: Known | None) -> None:
        """Say what is known of the pot, for the next hold on: what batches taught, less what was changed."""
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
        """Why the pressure is not to be believed, None where it is."""
        return self._batches.pressure_fault

    def snapshot(self) -> Snapshot:
        """Return all that is known now."""
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
        """Return what all sound batches so far have taught of the pot, None where none has."""
        return self._batches.known

    def taught(self) -> Known | None:
        """Return what is known since the last batch closed; None where that batch taught nothing."""
        return self._batches.taught

    @property
    def takes_word(self) -> bool:
        """Whether what is said now of the pot still bears on the hold: it has not begun."""
        return self.stage in (Stage.OPEN, Stage.FILLING)

    def summary(self) -> BatchSummary | None:
        """Return the open batch as judged so far, None when none is open."""
        batch = self._batches.batch
        return None if batch is None else batch.summary(self._reading.t_s, complete=False)

    # -- within ------------------------------------------------------------------------------------

    def _edit(self, command: Command, field: Detail) -> list[Event]:
        try:
            changed = edit(command, field, self._batches.batch, self._reading)
        except DetailError as error:
            if command.by == LAST_BATCH:  # what was taken over, nobody waits for
                return []
            return [NoteEvent(command.t_s, self._reading.utc_s, NoteId.REFUSED, str(error))]
        return [] if changed is None else [changed]

    def _update_alarms(self, reading: Reading) -> list[Event]:
        batches = self._batches
        told = conditions(
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
            told.update(self._outside)
        if self._test_until_s is not None:
            shown = reading.t_s < self._test_until_s
            told[AlarmId.TEST] = _TEST if shown else None
            if not shown:
                self._test_until_s = None
        return self._in_the_batch(self._alarms.update(reading.t_s, reading.utc_s, told))

    def _in_the_batch(self, changed: list[AlarmEvent]) -> list[Event]:
        """Return these changes of alarms with what the batch knew of the leak; it keeps them."""
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
