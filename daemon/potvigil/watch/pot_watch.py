"""PotWatch: samples and commands of one pot in, events out; a snapshot of all that is known now.

It has no clock and no file: the same samples and commands always give the same events. A restart in the
night, a report and a regression test all rely on that.
"""

from dataclasses import replace

from potvigil.leak.estimator import Leak, LeakFilter, sizes_of
from potvigil.leak.forecast import forecast_floor
from potvigil.leak.in_units import in_units
from potvigil.leak.known import Known, learn
from potvigil.leak.resin_heat import heating_k_per_h
from potvigil.model.batch_details import DetailError
from potvigil.model.events import (
    LAST_BATCH,
    Action,
    AlarmEvent,
    AlarmId,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    Command,
    Detail,
    Event,
    NoteEvent,
    NoteId,
    Priority,
    Snapshot,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import Place, Quality, Reading, Sample
from potvigil.sensing.barometer_checks import Outside
from potvigil.sensing.before_fill import BeforeFill
from potvigil.sensing.conversion import convert
from potvigil.sensing.silence import Silence
from potvigil.sensing.thermometer_checks import Probes
from potvigil.watch.alarm_rules import USUAL_SHELVED_S
from potvigil.watch.alarm_states import AlarmBook, ConditionWords
from potvigil.watch.batch import Batch
from potvigil.watch.batch_edits import edit
from potvigil.watch.conditions import Conditions, Scene, conditions
from potvigil.watch.hold import Hold, has_settled
from potvigil.watch.refusals import refusal
from potvigil.watch.stages import StageTracker
from potvigil.wording import notes
from potvigil.wording.quantities import TimeTeller

# Worth a note where the temperature changes the cure by this share.
CURE_LENGTH_SHARE = 0.1
TEST_SHOWN_S = 60.0
_TEST = ConditionWords("Nothing to do", "This is a test alarm. Nothing is wrong.")
_NO_SAMPLE = Reading(0.0, None, None, None, 0.0, None, None, None, Quality.BAD, "no reading yet")
_SHUT = (Stage.SETTLING, Stage.HOLDING)


class PotWatch:
    """Watches one pot. Every time is on the record's axis."""

    def __init__(self, pot: Pot, known: Known | None = None, alarms: AlarmBook | None = None) -> None:
        """Start. known: learnt from earlier batches of the pot. alarms: those already active."""
        self._pot, self._known = pot, known
        self._taught: Known | None = None
        self._stages = StageTracker(pot)
        self._alarms = AlarmBook() if alarms is None else alarms
        self._outside_air = Outside()
        self._probes = Probes(pot.thermometers, pot.temperature_unit)
        self._before = BeforeFill()
        self._silence = Silence()
        self._hold: Hold[LeakFilter] | None = None  # from the shut valve until the pot is empty
        self._doubted = False  # a reading of this hold was doubted
        self._batch: Batch | None = None
        self._reading = _NO_SAMPLE
        self._vented_early_s: float | None = None
        self._test_until_s: float | None = None
        self._outside: Conditions = {}

    # -- what goes in ------------------------------------------------------------------------------

    def feed(self, sample: Sample) -> list[Event]:
        """Take one sample, no older than the last; return what happened."""
        reading = self._believe(sample)
        if self._batch is not None:
            self._batch.clock.take(reading.t_s, self._resin_k(reading))
        events: list[Event] = []
        was_emptied = False
        if reading.gauge_pa is not None and reading.quality is not Quality.BAD:
            was_emptied = self._take_pressure(reading, reading.gauge_pa, events)
        self._doubted = self._doubted or self.pressure_fault is not None or bool(self._probes.reasons)
        for place in self._probes.back:
            text = notes.thermometer_back(place)
            events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.THERMOMETER_BACK, text))
        self._tell_cure_done(reading, events)
        self._update_alarms(reading, events)
        if was_emptied:
            self._close_batch(reading, events)
            self._hold = None
        return events

    def handle(self, command: Command) -> list[Event]:
        """Carry out a command; return what happened, or one note saying why it was refused."""
        t_s, utc_s, alarm = command.t_s, self._reading.utc_s, command.alarm
        under_pressure = self.stage is not Stage.OPEN and self.pressure_fault is None  # and known to be
        why_not = refusal(
            command, self._alarms, batch_open=self._batch is not None, under_pressure=under_pressure
        )
        if why_not is not None:
            return [NoteEvent(t_s, utc_s, NoteId.REFUSED, why_not)]
        events: list[Event] = []
        match command.action:
            case Action.ACKNOWLEDGE:
                self._keep_alarms(self._alarms.acknowledge(t_s, utc_s, alarm, command.by), events)
            case Action.SHELVE if alarm is not None:
                duration_s = command.duration_s or USUAL_SHELVED_S
                self._keep_alarms(self._alarms.shelve(t_s, utc_s, alarm, duration_s), events)
            case Action.UNSHELVE:
                self._keep_alarms(self._alarms.unshelve(t_s, utc_s, alarm), events)
            case Action.EDIT if command.field is not None:
                self._edit(command, command.field, events)
            case Action.OPEN:
                self._open_batch(t_s, utc_s, events)
            case Action.CLOSE:
                events += self.end(t_s)
            case Action.TEST_ALARM:
                self._alarms.prioritise_test(Priority(command.text or Priority.LOW))
                self._test_until_s = t_s + TEST_SHOWN_S
        return events

    def end(self, t_s: float) -> list[Event]:
        """Close the batch as it is, whatever the pressure, as if no more readings came."""
        events: list[Event] = []
        self._close_batch(replace(self._reading, t_s=t_s), events)
        return events

    def report(self, alarm: AlarmId, words: ConditionWords | None) -> None:
        """Report a fault outside the pot (record, clock), None once cleared; used with the next sample."""
        self._outside[alarm] = words

    def know(self, known: Known | None) -> None:
        """Set what is known of the pot from the next hold on: learnt from batches, less what has changed."""
        self._known, self._taught = known, None

    # -- what is known -----------------------------------------------------------------------------

    @property
    def stage(self) -> Stage:
        return self._stages.stage

    @property
    def before(self) -> BeforeFill:
        """What the thermometers read before the fill."""
        return self._before

    @property
    def believed(self) -> bool:
        """Whether the leak estimate takes the newest reading."""
        is_read = self._reading.gauge_pa is not None and self._reading.quality is not Quality.BAD
        return is_read and self._hold is not None and self._hold.believed and self.stage in _SHUT

    @property
    def noise_pa(self) -> float:
        """Scatter of one reading of the pressure, 1 sigma."""
        return self._stages.steadiness.noise_pa

    @property
    def pressure_fault(self) -> str | None:
        """Why the pressure is doubted, None where it is believed."""
        if self._reading.fault is not None or self._hold is None or self.stage not in _SHUT:
            return self._reading.fault
        return self._hold.doubt

    @property
    def leak(self) -> Leak | None:
        """The newest leak estimate of this hold, None before there is one."""
        return None if self._hold is None else self._hold.follower.estimate

    def snapshot(self) -> Snapshot:
        """Return everything known now."""
        reading, batch = self._reading, self._batch
        return Snapshot(
            pot_id=self._pot.pot_id,
            t_s=reading.t_s,
            utc_s=reading.utc_s,
            stage=self.stage,
            stage_since_s=self._stages.since_s,
            reading=reading,
            corrected_gauge_pa=None if batch is None else batch.corrected_gauge_pa(reading),
            leak=None if batch is None else batch.leak,
            forecast=None if batch is None else batch.forecast,
            change=None if batch is None else batch.change(reading, self.leak),
            cure=None if batch is None else batch.clock.cure(),
            batch_start_s=None if batch is None else batch.start_s,
            details={} if batch is None else dict(batch.details),
            top_ups=0 if batch is None else len(batch.top_ups),
            alarms=self._alarms.standing(),
        )

    def learnt(self) -> Known | None:
        """Return what all sound batches so far have taught about the pot, None where there was none."""
        return self._known

    def taught(self) -> Known | None:
        """Return what the last closed batch added to what is known, None where it taught nothing."""
        return self._taught

    @property
    def takes_word(self) -> bool:
        """Whether a new `known` still affects this hold: the hold has not begun."""
        return self.stage in (Stage.OPEN, Stage.FILLING)

    def summary(self) -> BatchSummary | None:
        """Return the open batch with its verdict so far, None when none is open."""
        if self._batch is None:
            return None
        return self._batch.summary(self._reading.t_s, complete=False)

    # -- readings ----------------------------------------------------------------------------------

    def _believe(self, sample: Sample) -> Reading:
        """Return the sample as a reading, less what is not believed."""
        is_shut = self.stage is not Stage.OPEN
        as_read = convert(self._outside_air.correct(sample, is_shut), self._pot)
        leak, unexplained = self.leak, None
        if self.stage in _SHUT and not self._stages.is_stirred(as_read.t_s):
            unexplained = False if leak is None else leak.is_suspected
        has_cooled = self._stages.has_cooled(as_read.t_s)
        reading = self._probes.believe(as_read, sample.faults, judge=has_cooled, unexplained=unexplained)
        self._reading = reading
        self._before.update(reading, is_shut)
        self._silence.take(reading.t_s)
        return reading

    def _take_pressure(self, reading: Reading, gauge_pa: float, events: list[Event]) -> bool:
        """Update stage, estimate and batch; return whether the pot was emptied just now."""
        before = self.stage
        self._enter(self._stages.update(reading.t_s, gauge_pa), before, reading, events)
        if self._hold is not None and self.stage in _SHUT:
            self._follow(self._hold, reading, events)
        if self._batch is not None and self.pressure_fault is None:
            self._batch.take_good(reading.t_s, self.stage, reading)
        return self.stage is Stage.OPEN and before is not Stage.OPEN

    def _enter(self, stage: Stage | None, before: Stage, reading: Reading, events: list[Event]) -> None:
        if stage is None:
            return
        t_s, utc_s = reading.t_s, reading.utc_s
        if stage is Stage.FILLING and self._batch is None:
            start_s = self._stages.pressurised_since_s
            self._open_batch(start_s, None if utc_s is None else utc_s - (t_s - start_s), events)
        events.append(StageEvent(t_s, utc_s, stage))
        batch = self._batch
        if batch is None:
            return
        if before is Stage.VENTING and stage is not Stage.OPEN:
            batch.vented = False  # it was bled, not emptied: the batch goes on
            batch.stages.pop(Stage.VENTING, None)
        if stage is Stage.HOLDING and stage not in batch.stages:
            self._tell_cure_length(reading, batch, events)
        batch.stages.setdefault(stage, t_s)
        if stage is Stage.SETTLING:
            self._begin_hold(batch)
        elif stage is Stage.VENTING:
            batch.vented, batch.vented_gelled = True, batch.clock.gelled
        elif stage is Stage.OPEN and before is Stage.VENTING and not batch.clock.gelled:
            self._vented_early_s = t_s

    def _begin_hold(self, batch: Batch) -> None:
        heating = heating_k_per_h(sizes_of(self._pot), batch.resin, batch.clock.age_s, batch.resin_kg)
        leak_filter = LeakFilter(self._pot, self._before, batch.start_s, self._known, heating)
        self._hold = Hold(self._pot, self._before, self._stages, leak_filter)
        self._doubted = False
        batch.known_from = 0 if self._known is None else self._known.batches

    def _follow(self, hold: Hold[LeakFilter], reading: Reading, events: list[Event]) -> None:
        top_up, batch = hold.top_up(reading), self._batch
        if top_up is not None and batch is not None:
            batch.top_ups.append(top_up)
            if self._pot.supply is not Supply.REGULATED:  # a regulator feeds all the time; that is no news
                took_s, now_pa = top_up.end_s - top_up.start_s, reading.gauge_pa or 0.0
                text = notes.topped_up(top_up.rise_pa, now_pa, took_s, self._pot.pressure_unit)
                events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.TOP_UP, text))
        if not hold.take(reading):
            return
        if batch is not None:
            self._take_estimate(reading, batch)
        if self.stage is Stage.SETTLING and has_settled(reading.t_s - self._stages.since_s, hold.follower):
            self._enter(self._stages.settle(reading.t_s), Stage.SETTLING, reading, events)

    def _take_estimate(self, reading: Reading, batch: Batch) -> None:
        leak = self.leak
        if leak is None or reading.gauge_pa is None or reading.absolute_pa is None:
            return
        batch.take_estimate(reading.t_s, in_units(leak, reading, reading.absolute_pa, self._pot), leak)
        batch.forecast = None
        batch.words.clear()
        if leak.established and not batch.is_fed(reading.t_s, reading.gauge_pa):
            batch.forecast = forecast_floor(
                reading.t_s,
                reading.gauge_pa,
                reading.ambient_pa,
                self._pot.floor_pa,
                self._pot.working_pa,
                leak.rate_per_s,
                batch.clock.cure().done_s,
            )

    def _resin_k(self, reading: Reading) -> float | None:
        """Return the assumed temperature of the resin, K, but never from gas that a fill has just warmed.

        Nor from the air in an open pot: a mould from the oven warms the air before it warms the resin.
        """
        if reading.contents_k is not None or self._stages.has_cooled(reading.t_s):
            return reading.resin_k
        before_k = None if self.takes_word else self._before.kelvin.get(Place.GAS)
        return reading.room_k or reading.wall_k or before_k

    # -- batches, notes and alarms -----------------------------------------------------------------

    def _open_batch(self, t_s: float, utc_s: float | None, events: list[Event]) -> None:
        self._batch = Batch(self._pot, t_s, utc_s)
        self._batch.stages[Stage.OPEN] = t_s
        self._taught = self._vented_early_s = None
        events.append(BatchOpened(t_s, utc_s))

    def _close_batch(self, reading: Reading, events: list[Event]) -> None:
        batch = self._batch
        if batch is None:
            return
        summary = batch.summary(reading.t_s, complete=True)
        taught = None if self._hold is None or self._doubted else self._hold.follower.taught()
        if taught is not None and summary.verdict is Verdict.HELD and not batch.top_ups:
            self._known = self._taught = learn(self._known, taught, sizes_of(self._pot))
        self._batch = None
        events.append(BatchClosed(reading.t_s, reading.utc_s, summary))

    def _edit(self, command: Command, field: Detail, events: list[Event]) -> None:
        try:
            changed = edit(command, field, self._batch, self._reading)
        except DetailError as error:
            if command.by != LAST_BATCH:  # nobody waits for the answer to a carried-over detail
                events.append(NoteEvent(command.t_s, self._reading.utc_s, NoteId.REFUSED, str(error)))
            return
        if changed is not None:
            events.append(changed)

    def _tell_cure_length(self, reading: Reading, batch: Batch, events: list[Event]) -> None:
        cure, usual_s, kelvin = batch.clock.cure(), batch.resin.hold_s, self._resin_k(reading)
        needs_s = cure.done_s - batch.clock.start_s
        if cure.early_s is None or kelvin is None or abs(needs_s - usual_s) < CURE_LENGTH_SHARE * usual_s:
            return
        teller = TimeTeller(reading.t_s, reading.utc_s, self._pot.tz)
        done = teller.ahead(cure.done_s, cure.early_s, cure.late_s)
        text = notes.cure_length(kelvin, self._pot.temperature_unit, needs_s, usual_s, done)
        events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.CURE_LENGTH, text))

    def _tell_cure_done(self, reading: Reading, events: list[Event]) -> None:
        batch = self._batch
        if batch is not None and batch.clock.done and not batch.cure_told:
            batch.cure_told = True
            events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.CURE_DONE, notes.CURE_DONE))

    def _update_alarms(self, reading: Reading, events: list[Event]) -> None:
        scene = Scene(
            pot=self._pot,
            reading=reading,
            stage=self.stage,
            batch=self._batch,
            rapid_loss=self._stages.rapid_loss,
            vented_early_s=self._vented_early_s,
            pressure_fault=self.pressure_fault,
            gap_s=self._silence.gap_s,
            missing=self._probes.missing,
            standing=self._alarms.true_now,
        )
        found = conditions(scene)
        if self._outside:
            found.update(self._outside)
        if self._test_until_s is not None:
            shown = reading.t_s < self._test_until_s
            found[AlarmId.TEST] = _TEST if shown else None
            if not shown:
                self._test_until_s = None
        self._keep_alarms(self._alarms.update(reading.t_s, reading.utc_s, found), events)

    def _keep_alarms(self, changed: list[AlarmEvent], events: list[Event]) -> None:
        for event in changed:
            batch = self._batch
            if batch is not None:
                leak = batch.leak
                event = replace(
                    event,
                    leak_rate_pa_per_s=None if leak is None else leak.rate_pa_per_s.value,
                    floor_forecast_s=None if batch.forecast is None else batch.forecast.crossing_s,
                )
                batch.take_alarm(event)
            events.append(event)
