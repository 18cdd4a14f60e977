"""BatchTracker: what a believed reading changes of one pot's stage, hold and batch."""

from potvigil.leak.estimator import Leak, LeakFilter, sizes_of
from potvigil.leak.forecast import forecast_floor
from potvigil.leak.in_units import in_units
from potvigil.leak.known import Known, learn
from potvigil.leak.resin_heat import heating_k_per_h
from potvigil.model.events import (
    BatchClosed,
    BatchOpened,
    Event,
    NoteEvent,
    NoteId,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import Place, Quality, Reading
from potvigil.sensing.before_fill import BeforeFill
from potvigil.watch.batch import Batch
from potvigil.watch.hold import Hold, has_settled
from potvigil.watch.stages import StageTracker
from potvigil.wording import notes
from potvigil.wording.quantities import TimeTeller

# Worth a note where the temperature changes the cure by this share.
CURE_LENGTH_SHARE = 0.1
_SHUT = (Stage.SETTLING, Stage.HOLDING)


class BatchTracker:
    """Follows one pot from batch to batch.

    batch: the open one. believed: whether the leak estimate used the newest reading. vented_early_s: when the
    newest batch was vented before the gel. taught: what is known of the pot since the last batch closed, None
    where that batch taught nothing.
    """

    def __init__(self, pot: Pot, before: BeforeFill, known: Known | None) -> None:
        """Start. before: what the thermometers read before the fill. known: learnt from earlier batches."""
        self._pot, self._before, self._known = pot, before, known
        self._stages = StageTracker(pot)
        self._hold: Hold[LeakFilter] | None = None  # from the shut valve until the pot is empty
        self._fault: str | None = None  # of the newest reading
        self.batch: Batch | None = None
        self.believed = False
        self.vented_early_s: float | None = None
        self.taught: Known | None = None

    def take(self, reading: Reading, *, thermometer_doubted: bool) -> list[Event]:
        """Take one reading, no older than the last; return what happened."""
        events: list[Event] = []
        self._fault, self.believed = reading.fault, False
        if self.batch is not None:
            self.batch.clock.take(reading.t_s, self._resin_k(reading, self.batch))
        if reading.gauge_pa is not None and reading.quality is not Quality.BAD:
            before = self.stage
            self._enter(self._stages.update(reading.t_s, reading.gauge_pa), before, reading, events)
            if self._hold is not None and self.stage in _SHUT:
                self._follow(self._hold, reading, events)
            if self.batch is not None and self.pressure_fault is None:
                self.batch.take_good(reading.t_s, self.stage, reading)
        if self._hold is not None and (thermometer_doubted or self.pressure_fault is not None):
            self._hold.distrust()
        if self.batch is not None and self.batch.clock.done and not self.batch.cure_told:
            self.batch.cure_told = True
            events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.CURE_DONE, notes.CURE_DONE))
        return events

    def open(self, t_s: float, utc_s: float | None) -> BatchOpened:
        """Begin a batch."""
        self.batch = Batch(self._pot, t_s, utc_s)
        self.batch.stages[Stage.OPEN] = t_s
        self.taught = self.vented_early_s = None
        return BatchOpened(t_s, utc_s)

    def close(self, t_s: float, utc_s: float | None) -> list[Event]:
        """Close the batch as it is, if one is open, and learn from it."""
        batch, hold = self.batch, self._hold
        self.batch = None
        if self.stage is Stage.OPEN:
            self._hold = None
        if batch is None:
            return []
        summary = batch.summary(t_s, complete=True)
        taught = hold.follower.taught() if hold is not None and hold.teaches else None
        if taught is not None and summary.verdict is Verdict.HELD and not batch.top_ups:
            self._known = self.taught = learn(self._known, taught, sizes_of(self._pot))
        return [BatchClosed(t_s, utc_s, summary)]

    def know(self, known: Known | None) -> None:
        """Take what is known of the pot, for the next hold on."""
        self._known, self.taught = known, None

    # -- what is known -----------------------------------------------------------------------------

    @property
    def known(self) -> Known | None:
        """What all sound batches so far have taught about the pot, None where there was none."""
        return self._known

    @property
    def stage(self) -> Stage:
        return self._stages.stage

    @property
    def since_s(self) -> float:
        """When the stage began."""
        return self._stages.since_s

    @property
    def rapid_loss(self) -> bool:
        return self._stages.rapid_loss

    @property
    def noise_pa(self) -> float:
        """Scatter of one reading of the pressure, 1 sigma."""
        return self._stages.steadiness.noise_pa

    @property
    def pressure_fault(self) -> str | None:
        """Why the pressure is doubted, None where it is believed."""
        if self._fault is not None or self._hold is None or self.stage not in _SHUT:
            return self._fault
        return self._hold.doubt

    @property
    def leak(self) -> Leak | None:
        """The newest leak estimate of this hold, None before there is one."""
        return None if self._hold is None else self._hold.follower.estimate

    def has_cooled(self, t_s: float) -> bool:
        """Return whether the pot is shut and the heat of its newest fill or top-up has left the gas."""
        return self._stages.has_cooled(t_s)

    def falls_unexplained(self, t_s: float) -> bool | None:
        """Return whether the pressure falls more than the temperatures explain; None where it cannot tell."""
        if self.stage not in _SHUT or self._stages.is_stirred(t_s):
            return None
        return False if self.leak is None else self.leak.is_suspected

    # -- one reading ---------------------------------------------------------------------------------

    def _enter(self, stage: Stage | None, before: Stage, reading: Reading, events: list[Event]) -> None:
        if stage is None:
            return
        t_s, utc_s = reading.t_s, reading.utc_s
        if stage is Stage.FILLING and self.batch is None:
            start_s = self._stages.pressurised_since_s
            events.append(self.open(start_s, None if utc_s is None else utc_s - (t_s - start_s)))
        events.append(StageEvent(t_s, utc_s, stage))
        batch = self.batch
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
            self.vented_early_s = t_s

    def _tell_cure_length(self, reading: Reading, batch: Batch, events: list[Event]) -> None:
        cure, usual_s, kelvin = batch.clock.cure(), batch.resin.hold_s, self._resin_k(reading, batch)
        needs_s = cure.done_s - batch.clock.start_s
        if cure.early_s is None or kelvin is None or abs(needs_s - usual_s) < CURE_LENGTH_SHARE * usual_s:
            return
        teller = TimeTeller(reading.t_s, reading.utc_s, self._pot.tz)
        done = teller.ahead(cure.done_s, cure.early_s, cure.late_s)
        text = notes.cure_length(kelvin, self._pot.temperature_unit, needs_s, usual_s, done)
        events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.CURE_LENGTH, text))

    def _begin_hold(self, batch: Batch) -> None:
        heating = heating_k_per_h(sizes_of(self._pot), batch.resin, batch.clock.age_s, batch.resin_kg)
        leak_filter = LeakFilter(self._pot, self._before, batch.start_s, self._known, heating)
        self._hold = Hold(self._pot, self._before, self._stages, leak_filter)
        batch.known_from = 0 if self._known is None else self._known.batches

    def _follow(self, hold: Hold[LeakFilter], reading: Reading, events: list[Event]) -> None:
        top_up, batch = hold.top_up(reading), self.batch
        if top_up is not None and batch is not None:
            batch.top_ups.append(top_up)
            if self._pot.supply is not Supply.REGULATED:  # a regulator feeds all the time; that is no news
                took_s, now_pa = top_up.end_s - top_up.start_s, reading.gauge_pa or 0.0
                text = notes.topped_up(top_up.rise_pa, now_pa, took_s, self._pot.pressure_unit)
                events.append(NoteEvent(reading.t_s, reading.utc_s, NoteId.TOP_UP, text))
        has_news = hold.take(reading)
        self.believed = hold.believed
        if not has_news:
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

    def _resin_k(self, reading: Reading, batch: Batch) -> float | None:
        """Return the assumed temperature of the resin, K, but never from gas that a fill has just warmed.

        Nor from warm air in an open pot: a mould from the oven warms the air before it warms the resin.
        """
        if reading.contents_k is not None or self._stages.has_cooled(reading.t_s):
            return reading.resin_k
        before_k, label_k = self._before.kelvin.get(Place.GAS), batch.resin.at_k
        is_untouched = self.stage in (Stage.OPEN, Stage.FILLING)
        if is_untouched and before_k is not None and label_k is not None and before_k > label_k:
            before_k = None
        return reading.room_k or reading.wall_k or before_k
