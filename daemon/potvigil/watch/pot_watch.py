"""PotWatch: samples and commands of one pot in, events out; the snapshot says all that is known now.

It holds no clock and no file: fed the same samples and commands again it says the same again, which is how
a restart in the night, a report and a regression test work.
"""

from dataclasses import replace
from math import hypot

from potvigil.leak.estimator import Leak, LeakFilter, sizes_of
from potvigil.leak.forecast import forecast_floor
from potvigil.leak.known import Known, learn
from potvigil.leak.pressure_checks import Doubt
from potvigil.leak.resin_heat import heating_k_per_h
from potvigil.model.batch_details import DetailError, check_mixed_at, mixed_utc_s, read
from potvigil.model.events import (
    LAST_BATCH,
    NORMAL_95,
    Action,
    AlarmEvent,
    AlarmId,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    Command,
    Detail,
    EditEvent,
    Event,
    Interval,
    LeakEstimate,
    NoteEvent,
    NoteId,
    Priority,
    Snapshot,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import TEMPERATURE_UNKNOWN_K, Place, Quality, Reading, Sample, Sensor
from potvigil.physics.air import corrected_absolute_pa
from potvigil.physics.flow import orifice_diameter_m, standard_cm3_per_min
from potvigil.sensing.barometer_checks import Outside
from potvigil.sensing.before_fill import BeforeFill
from potvigil.sensing.conversion import convert
from potvigil.sensing.thermometer_checks import Probes
from potvigil.units import ZERO_CELSIUS_K, span
from potvigil.watch.alarm_rules import USUAL_SHELVED_S
from potvigil.watch.alarm_states import AlarmBook, Told
from potvigil.watch.batch import Batch
from potvigil.watch.conditions import Conditions, Scene, conditions
from potvigil.watch.stages import StageTracker, TopUp, Trigger
from potvigil.wording.quantities import TimeTeller, pressure

# The fill's heat counts as gone when it can move the pressure by no more than 0.3 psi/h at 60 psi gauge;
# never judged on less than 5 min, and given up on after 90: then the leak filter's interval carries it.
SETTLED_RATE_PER_S = 0.3 / 75.0 / 3600.0
SETTLE_LEAST_S, SETTLE_MOST_S = 300.0, 5400.0
# Worth a word where the temperature changes the cure by so much.
CURE_LENGTH_SHARE = 0.1
GAP_S = 60.0
GAP_SHOWN_S = 1.0
TEST_SHOWN_S = 60.0
UNDER_PRESSURE = (
    "The pot is under pressure, so its batch stays open and watched. "
    "It closes by itself once the pot is vented."
)
_TEST = Told("Nothing to do", "This is a test of the alarm. Nothing is wrong.")
_NO_SAMPLE = Reading(0.0, None, None, None, 0.0, None, None, None, Quality.BAD, "no reading yet")


class PotWatch:
    """Watches one pot. Every time is on the record's axis."""

    def __init__(self, pot: Pot, known: Known | None = None) -> None:
        """Begin to watch. known: what earlier batches of the pot taught."""
        self._pot, self._known = pot, known
        self._taught: Known | None = None
        self._stage = StageTracker(pot)
        self._alarms = AlarmBook()
        self._outside_air = Outside()
        self._probes = Probes()
        self._before = BeforeFill()
        self._leak_filter: LeakFilter | None = None
        self._doubt = Doubt(pot, self._before)
        self._top_up_seen: TopUp | None = None
        self._batch: Batch | None = None
        self._reading = _NO_SAMPLE
        self._last_t_s: float | None = None
        self._gap_s = 0.0
        self._gap_until_s = 0.0
        self._vented_early_s: float | None = None
        self._test_until_s: float | None = None
        self._doubted = False  # some reading of this hold was
        self._missing_before: frozenset[Place] = frozenset()
        self._outside: Conditions = {}

    # -- what goes in ------------------------------------------------------------------------------

    def feed(self, sample: Sample) -> list[Event]:
        """Take one sample, no older than the last; return what happened."""
        believed = self._outside_air.correct(sample, self._stage.stage is not Stage.OPEN)
        as_read = convert(believed, self._pot)
        t_s = as_read.t_s
        reading = self._probes.believe(as_read, self._stage.has_cooled(t_s), self._is_leaking())
        self._reading = reading
        self._before.update(reading, self._stage.stage is not Stage.OPEN)
        self._note_gap(t_s)
        if self._batch is not None:
            self._batch.clock.take(t_s, self._resin_k(reading))
        events: list[Event] = []
        emptied = False
        if reading.gauge_pa is not None and reading.quality is not Quality.BAD:
            emptied = self._take_pressure(reading, reading.gauge_pa, events)
        pressure_fault = self._pressure_fault()
        self._doubted = self._doubted or pressure_fault is not None or bool(self._probes.reasons)
        missing = self._missing(as_read, sample) if self._pot.thermometers else {}
        self._tell_thermometer_back(reading, missing, events)
        self._tell_cure_done(reading, events)
        self._update_alarms(reading, pressure_fault, missing, events)
        if emptied:
            self._close_batch(reading, events)
        return events

    def handle(self, command: Command) -> list[Event]:
        """Carry out a command; return what happened, or the one note that says why it is refused."""
        fault = self._fault_of(command)
        if fault is not None:
            return [NoteEvent(command.t_s, self._reading.utc_s, NoteId.REFUSED, fault)]
        t_s, utc_s = command.t_s, self._reading.utc_s
        events: list[Event] = []
        match command.action:
            case Action.ACKNOWLEDGE:
                self._keep_alarms(self._alarms.acknowledge(t_s, utc_s, command.alarm), events)
            case Action.SHELVE:
                if command.alarm is not None:
                    duration_s = command.duration_s or USUAL_SHELVED_S
                    self._keep_alarms(self._alarms.shelve(t_s, utc_s, command.alarm, duration_s), events)
            case Action.UNSHELVE:
                self._keep_alarms(self._alarms.unshelve(t_s, utc_s, command.alarm), events)
            case Action.EDIT:
                if command.field is not None:
                    self._edit(command, command.field, utc_s, events)
            case Action.OPEN:
                self._open_batch(t_s, utc_s, events)
            case Action.CLOSE:
                events += self.end(t_s)
            case Action.TEST_ALARM:
                self._alarms.prioritise_test(Priority(command.text or Priority.LOW))
                self._test_until_s = t_s + TEST_SHOWN_S
        return events

    def _fault_of(self, command: Command) -> str | None:
        """Return why a command cannot be carried out, None where it can; of a detail `_edit` says so."""
        alarm = command.alarm
        match command.action:
            case Action.ACKNOWLEDGE if alarm is not None and not self._alarms.stands(alarm):
                return f"{alarm} does not stand: there is nothing to acknowledge"
            case Action.SHELVE if alarm is None:
                return "say which alarm is to be put aside"
            case Action.SHELVE if alarm is not None and not self._alarms.may_be_shelved(alarm):
                return f"{alarm} does not stand; an alarm of high priority is put aside only while it does"
            case Action.UNSHELVE if alarm is not None and not self._alarms.is_shelved(alarm):
                return f"{alarm} is not put aside: there is nothing to take back"
            case Action.EDIT if command.field is None:
                return "say which detail is to be changed"
            case Action.OPEN if self._batch is not None:
                return "a batch is open; change that one, or close it first"
            case Action.CLOSE if self._batch is None:
                return "no batch is open"
            case Action.CLOSE if self._is_under_pressure():
                return UNDER_PRESSURE
            case Action.TEST_ALARM if command.text not in ("", *Priority):
                return f"there is no priority {command.text!r}; give {', '.join(Priority)}"
            case Action.TEST_ALARM if self._alarms.is_shelved(AlarmId.TEST):
                return "the test alarm is put aside, so nobody would hear it; take that back first"
        return None

    def end(self, t_s: float) -> list[Event]:
        """Close the batch as it stands, whatever the pressure, as if no more readings came."""
        events: list[Event] = []
        self._close_batch(replace(self._reading, t_s=t_s), events)
        return events

    def report(self, alarm: AlarmId, told: Told | None) -> None:
        """Say whether something outside the pot is wrong (record, clock); taken up with the next sample."""
        self._outside[alarm] = told

    def know(self, known: Known | None) -> None:
        """Say what is known of the pot, for the next hold on: what batches taught, less what was changed."""
        self._known, self._taught = known, None

    # -- what is known -----------------------------------------------------------------------------

    @property
    def stage(self) -> Stage:
        return self._stage.stage

    def snapshot(self) -> Snapshot:
        """Return all that is known now."""
        reading, batch = self._reading, self._batch
        leak = self._leak()
        return Snapshot(
            pot_id=self._pot.pot_id,
            t_s=reading.t_s,
            utc_s=reading.utc_s,
            stage=self._stage.stage,
            stage_since_s=self._stage.since_s,
            reading=reading,
            corrected_gauge_pa=self._corrected_gauge_pa(),
            leak=None if batch is None else batch.leak,
            forecast=None if batch is None else batch.forecast,
            change=None if batch is None else batch.change(reading, leak),
            cure=None if batch is None else batch.clock.cure(),
            batch_start_s=None if batch is None else batch.start_s,
            details={} if batch is None else dict(batch.details),
            top_ups=0 if batch is None else len(batch.top_ups),
            alarms=self._alarms.standing(),
        )

    def learnt(self) -> Known | None:
        """Return what all sound batches so far have taught of the pot, None where none has."""
        return self._known

    def taught(self) -> Known | None:
        """Return what is known since the last batch closed; None where that batch taught nothing."""
        return self._taught

    @property
    def takes_word(self) -> bool:
        """Whether what is said now of the pot still bears on the hold: it has not begun."""
        return self.stage in (Stage.OPEN, Stage.FILLING)

    def summary(self) -> BatchSummary | None:
        """Return the open batch as judged so far, None when none is open."""
        if self._batch is None:
            return None
        return self._batch.summary(self._reading.t_s, complete=False)

    # -- pressure ----------------------------------------------------------------------------------

    def _take_pressure(self, reading: Reading, gauge_pa: float, events: list[Event]) -> bool:
        """Move the stages and the estimate; return True when the pot is empty and the batch over."""
        t_s = reading.t_s
        before = self._stage.stage
        self._enter(self._stage.update(t_s, gauge_pa), before, reading, events)
        stage, batch = self._stage.stage, self._batch
        if batch is None:
            return False
        if stage is Stage.SETTLING or stage is Stage.HOLDING:
            self._follow_hold(reading, batch, events)
        if self._pressure_fault() is None:
            batch.take_good(t_s, self._stage.stage, reading)
        return stage is Stage.OPEN and before is not Stage.OPEN

    def _enter(self, stage: Stage | None, before: Stage, reading: Reading, events: list[Event]) -> None:
        if stage is None:
            return
        t_s, utc_s = reading.t_s, reading.utc_s
        if stage is Stage.FILLING and self._batch is None:
            start_s = self._stage.pressurised_since_s
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
            heating = heating_k_per_h(sizes_of(self._pot), batch.resin, batch.clock.age_s, batch.resin_kg)
            self._leak_filter = LeakFilter(self._pot, self._before, batch.start_s, self._known, heating)
            batch.known_from = 0 if self._known is None else self._known.batches
            self._doubted = False
            self._doubt = Doubt(self._pot, self._before)
        elif stage is Stage.VENTING:
            batch.vented, batch.vented_gelled = True, batch.clock.gelled
        elif stage is Stage.OPEN and before is Stage.VENTING and not batch.clock.gelled:
            self._vented_early_s = t_s

    def _follow_hold(self, reading: Reading, batch: Batch, events: list[Event]) -> None:
        leak_filter, tracker = self._leak_filter, self._stage
        if leak_filter is None:
            return
        jump = tracker.last_top_up
        if jump is not None and jump is not self._top_up_seen:
            self._top_up_seen = jump
            if self._doubt.reason is None:
                self._take_top_up(jump, reading, batch, leak_filter, events)
        steadiness = tracker.steadiness
        is_stirred = tracker.is_stirred(reading.t_s)
        if is_stirred or steadiness.astray:
            leak_filter.drop_bin()
            if is_stirred or not steadiness.restless:
                return
        misled = self._doubt.misled
        self._doubt.update(reading, steadiness.noise_pa, steadiness.restless)
        if steadiness.restless:
            return
        # what the filter was told before it was noticed was wrong too
        if misled and not self._doubt.misled:
            leak_filter.top_up(0.0)
        if self._doubt.reason is not None or reading.quality is not Quality.GOOD:
            return
        if leak_filter.add(reading, steadiness.noise_pa):
            self._take_estimate(reading, batch, leak_filter)
            shut_s = reading.t_s - tracker.since_s
            settled = shut_s >= SETTLE_LEAST_S and (
                leak_filter.fill_per_s < SETTLED_RATE_PER_S
                or (leak_filter.estimate is not None and leak_filter.estimate.established)
            )
            if tracker.stage is Stage.SETTLING and (settled or shut_s >= SETTLE_MOST_S):
                self._enter(tracker.fire(Trigger.SETTLED, reading.t_s), Stage.SETTLING, reading, events)

    def _take_top_up(
        self, jump: TopUp, reading: Reading, batch: Batch, leak_filter: LeakFilter, events: list[Event]
    ) -> None:
        batch.top_ups.append(jump)
        rise_share = jump.rise_pa / (reading.absolute_pa or 1.0)
        leak_filter.top_up(rise_share)
        self._doubt.top_up(rise_share)
        if self._pot.supply is Supply.REGULATED:
            return  # the regulator feeds as often as it must; that is no news each time
        unit = self._pot.pressure_unit
        now = pressure(reading.gauge_pa or 0.0, unit)
        text = f"Topped up by {pressure(jump.rise_pa, unit)} to {now} in {span(jump.end_s - jump.start_s)}."
        events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.TOP_UP, text))

    def _take_estimate(self, reading: Reading, batch: Batch, leak_filter: LeakFilter) -> None:
        leak = leak_filter.estimate
        if leak is None or reading.gauge_pa is None or reading.absolute_pa is None:
            return
        batch.take_estimate(reading.t_s, _in_units(leak, reading, reading.absolute_pa, self._pot), leak)
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
        """Return what the resin is thought to be at, K: never by a gas that a fill has just warmed.

        Nor, until the pot is shut, by the air in it: a mould from the oven warms that, and not yet the resin.
        """
        if reading.contents_k is not None or self._stage.has_cooled(reading.t_s):
            return reading.resin_k
        before_k = None if self.takes_word else self._before.kelvin.get(Place.GAS)
        return reading.room_k or reading.wall_k or before_k

    def _is_under_pressure(self) -> bool:
        """Say whether the pot is surely under pressure; of a transducer in doubt nobody can tell."""
        return self.stage is not Stage.OPEN and self._pressure_fault() is None

    def _is_leaking(self) -> bool:
        leak = self._leak()
        return leak is not None and leak.established

    def _leak(self) -> Leak | None:
        return None if self._leak_filter is None or self._batch is None else self._leak_filter.estimate

    def _corrected_gauge_pa(self) -> float | None:
        reading, batch = self._reading, self._batch
        start = None if batch is None else batch.hold_start
        if start is None or reading.absolute_pa is None:
            return None
        for now_k, then_k in (
            (reading.gas_k, start.gas_k),
            (reading.wall_k, start.wall_k),
            (reading.room_k, start.room_k),
        ):
            if now_k is not None and then_k is not None:
                return corrected_absolute_pa(reading.absolute_pa, now_k, then_k) - start.ambient_pa
        return None

    def _pressure_fault(self) -> str | None:
        reading = self._reading
        if reading.fault is not None:
            return reading.fault
        return self._doubt.reason if self._stage.stage in (Stage.SETTLING, Stage.HOLDING) else None

    # -- batches, notes and alarms -----------------------------------------------------------------

    def _open_batch(self, t_s: float, utc_s: float | None, events: list[Event]) -> None:
        self._batch = Batch(self._pot, t_s, utc_s)
        self._batch.stages[Stage.OPEN] = t_s
        self._leak_filter = self._taught = None
        self._vented_early_s = None
        events.append(BatchOpened(t_s, utc_s))

    def _close_batch(self, reading: Reading, events: list[Event]) -> None:
        batch = self._batch
        if batch is None:
            return
        summary = batch.summary(reading.t_s, complete=True)
        taught = None if self._leak_filter is None or self._doubted else self._leak_filter.taught()
        if taught is not None and summary.verdict is Verdict.HELD and not batch.top_ups:
            self._known = self._taught = learn(self._known, taught, sizes_of(self._pot))
        self._batch = None
        self._leak_filter = None
        events.append(BatchClosed(reading.t_s, reading.utc_s, summary))

    def _edit(self, command: Command, field: Detail, utc_s: float | None, events: list[Event]) -> None:
        taken_over = command.by == LAST_BATCH
        batch, mixed_s = self._batch, None
        try:
            text = read(field, command.text)
            if batch is None:
                raise DetailError(f"{field}: no batch is open; name a closed one by its number")
            if field is Detail.MIXED_AT:
                mixed_s = self._mixed_s(text, batch) if text else batch.start_s
        except DetailError as error:
            if not taken_over:
                events.append(NoteEvent(command.t_s, utc_s, NoteId.REFUSED, str(error)))
            return
        old = batch.edit(field, text, taken_over=taken_over)
        if old is None:
            return
        if mixed_s is not None:
            batch.clock.mixed(mixed_s)
        events.append(EditEvent(command.t_s, utc_s, field, old, text, command.by))

    def _mixed_s(self, mixed_at: str, batch: Batch) -> float | None:
        """Return a mixed-at time on the record's axis, None without a wall clock. Raises DetailError."""
        now_s, now_utc_s = self._reading.t_s, self._reading.utc_s
        if now_utc_s is None:
            return None
        fill_s = batch.stages.get(Stage.FILLING)
        if fill_s is None:
            check_mixed_at(mixed_at, now_utc_s, "now")
        else:
            check_mixed_at(mixed_at, now_utc_s - (now_s - fill_s), "the fill")
        return now_s - (now_utc_s - mixed_utc_s(mixed_at))

    def _note_gap(self, t_s: float) -> None:
        if self._last_t_s is not None and t_s - self._last_t_s > GAP_S:
            self._gap_s = t_s - self._last_t_s
            self._gap_until_s = t_s + GAP_SHOWN_S
        elif t_s > self._gap_until_s:
            self._gap_s = 0.0
        self._last_t_s = t_s

    def _missing(self, reading: Reading, sample: Sample) -> dict[Place, str]:
        missing = {
            place: why for place, why in self._probes.reasons.items() if place in self._pot.thermometers
        }
        for place, kelvin in reading.temperatures:
            if kelvin is None and place in self._pot.thermometers:
                details = [
                    fault.detail
                    for fault in sample.faults
                    if fault.sensor is Sensor.THERMOMETER and fault.place in (place, None)
                ]
                missing[place] = details[0] if details else "no reading"
        return missing

    def _tell_thermometer_back(
        self, reading: Reading, missing: dict[Place, str], events: list[Event]
    ) -> None:
        if not missing and not self._missing_before:
            return
        for place in self._missing_before - missing.keys():
            text = f"The {place} thermometer answers again."
            events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.THERMOMETER_BACK, text))
        self._missing_before = frozenset(missing)

    def _tell_cure_length(self, reading: Reading, batch: Batch, events: list[Event]) -> None:
        cure, hold_s, kelvin = batch.clock.cure(), batch.resin.hold_s, self._resin_k(reading)
        needs_s = cure.done_s - batch.clock.start_s
        if cure.early_s is None or kelvin is None or abs(needs_s - hold_s) < CURE_LENGTH_SHARE * hold_s:
            return
        done = TimeTeller(reading.t_s, reading.utc_s, self._pot.tz).ahead(
            cure.done_s, cure.early_s, cure.late_s
        )
        text = (
            f"At {kelvin - ZERO_CELSIUS_K:.0f} C this cure needs about {span(needs_s)} "
            f"instead of {span(hold_s)}: done {done}."
        )
        events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.CURE_LENGTH, text))

    def _tell_cure_done(self, reading: Reading, events: list[Event]) -> None:
        batch = self._batch
        if batch is None or batch.cure_told or not batch.clock.done:
            return
        batch.cure_told = True
        text = "The cure is done: the pot may be vented. Open the vent fully and wait for the gauge's zero."
        events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.CURE_DONE, text))

    def _update_alarms(
        self,
        reading: Reading,
        pressure_fault: str | None,
        missing: dict[Place, str],
        events: list[Event],
    ) -> None:
        scene = Scene(
            pot=self._pot,
            reading=reading,
            stage=self._stage.stage,
            batch=self._batch,
            rapid_loss=self._stage.rapid_loss,
            vented_early_s=self._vented_early_s,
            pressure_fault=pressure_fault,
            gap_s=self._gap_s,
            missing=missing,
            standing=self._alarms.true_now,
        )
        told = conditions(scene)
        if self._outside:
            told.update(self._outside)
        if self._test_until_s is not None:
            shown = reading.t_s < self._test_until_s
            told[AlarmId.TEST] = _TEST if shown else None
            if not shown:
                self._test_until_s = None
        self._keep_alarms(self._alarms.update(reading.t_s, reading.utc_s, told), events)

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


def _in_units(leak: Leak, reading: Reading, absolute_pa: float, pot: Pot) -> LeakEstimate:
    """Return the leak in the units of the trade, at the present pressure."""
    rate = leak.rate_per_s
    temperature_k = reading.nearest_k or TEMPERATURE_UNKNOWN_K
    # how well the gas volume is known does not touch psi/h, only the flow
    volume_m3, sigma_m3 = pot.gas_volume_m3
    value = rate.value * absolute_pa * volume_m3
    by_volume = NORMAL_95 * rate.value * absolute_pa * sigma_m3
    flow = Interval(
        value,
        value - hypot((rate.value - rate.low) * absolute_pa * volume_m3, by_volume),
        value + hypot((rate.high - rate.value) * absolute_pa * volume_m3, by_volume),
    )
    return LeakEstimate(
        t_s=reading.t_s,
        rate_pa_per_s=Interval(*(share * absolute_pa for share in (rate.value, rate.low, rate.high))),
        pa_m3_per_s=flow,
        std_cm3_per_min=Interval(
            *(standard_cm3_per_min(each, temperature_k) for each in (flow.value, flow.low, flow.high))
        ),
        orifice_m=orifice_diameter_m(flow.value, absolute_pa, reading.ambient_pa, temperature_k),
        onset_s=leak.onset_s,
        established=leak.established,
    )
