"""What is known of the batch in the pot: when things happened, what the pressure did, its verdict."""

from collections import deque
from itertools import pairwise

from potvigil.leak.estimator import Leak
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchAlarm,
    BatchSummary,
    Change,
    Detail,
    FloorForecast,
    LeakEstimate,
    Stage,
)
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import UNSEEN_AFTER_S, Place, Reading
from potvigil.physics.air import corrected_absolute_pa
from potvigil.physics.cure import CureClock
from potvigil.units import MASS
from potvigil.watch.alarm_states import ConditionWords
from potvigil.watch.pressure_change import change
from potvigil.watch.stages import TopUp
from potvigil.watch.verdict import Facts, judge

# The floor counts as passed after so long below it; shorter is noise or a hand on the valve.
BELOW_FLOOR_S = 30.0
_VENT_MARGIN_S = 30.0
# A regulator holds the pot while the pressure is no more than a tenth below working (droop and setting
# are some percent: common practice), or it gave air lately.
FED_SHARE, FED_LATELY_S = 0.9, 1800.0
FEWEST_TOP_UPS = 6


class Batch:
    """The batch in the pot, from its first sample; plain attributes, changed by the watch alone."""

    def __init__(self, pot: Pot, start_s: float, start_utc_s: float | None) -> None:
        self._pot = pot
        self.start_s = start_s
        self.start_utc_s = start_utc_s
        self.known_from = 0  # how many earlier batches taught the pot's constants
        self.details: dict[Detail, str] = {}
        self._taken_over: set[Detail] = set()
        self.stages: dict[Stage, float] = {}
        self.hold_start: Reading | None = None
        self.hold_end: Reading | None = None
        self._newest: Reading | None = None
        self.lowest_gauge_pa: float | None = None
        self.floor_crossed_s: float | None = None
        self.resin = pot.resin(None)
        self.clock = CureClock(start_s, self.resin)
        self.vented = False
        self.vented_gelled = False  # had the resin gelled by the vent?
        self.cure_told = False
        self.top_ups: list[TopUp] = []
        self.leak: LeakEstimate | None = None
        self._estimates: deque[tuple[float, LeakEstimate, Leak]] = deque()
        self.forecast: FloorForecast | None = None
        # of the newest estimate; composing them at every tick is expensive
        self.words: dict[AlarmId, ConditionWords] = {}
        self._below_since_s: float | None = None
        self._last_good_s = start_s
        self._unseen_s = self._longest_gap_s = 0.0
        self._alarms: list[BatchAlarm] = []

    def edit(self, field: Detail, text: str, *, taken_over: bool) -> str | None:
        """Change a detail; return what it was before, None where nothing changes.

        taken_over: from the last batch; that never replaces what was entered. Entering it again makes it
        entered.
        """
        old = self.details.get(field)
        if old is not None and (taken_over or (old == text and field not in self._taken_over)):
            return None
        self.details[field] = text
        if taken_over:
            self._taken_over.add(field)
        else:
            self._taken_over.discard(field)
        if field is Detail.RESIN:
            self.resin = self._pot.resin(text)
            self.clock.retime(self.resin)
        return old or ""

    @property
    def resin_kg(self) -> float | None:
        """The mass of resin poured, kg; None where it was not entered."""
        said = self.details.get(Detail.MASS)
        return MASS.read(said).si if said else None

    def is_fed(self, t_s: float, gauge_pa: float) -> bool:
        """Return whether a regulator keeps the pressure from falling."""
        if self._pot.supply is Supply.SHUT:
            return False
        lately = bool(self.top_ups) and t_s - self.top_ups[-1].end_s < FED_LATELY_S
        return lately or gauge_pa > FED_SHARE * self._pot.working_pa

    def put_back_pa_per_s(self, now_s: float) -> float | None:
        """Return the rate at which recent top-ups replaced lost air, Pa/s; None where there were too few.

        Each of them replaces what was lost since the one before.
        """
        lately = [each for each in self.top_ups if each.end_s > now_s - FED_LATELY_S]
        if len(lately) < FEWEST_TOP_UPS:
            return None
        shut_s = sum(each.start_s - before.end_s for before, each in pairwise(lately))
        return sum(each.rise_pa for each in lately[1:]) / max(shut_s, 1.0)

    def take_good(self, t_s: float, stage: Stage, reading: Reading) -> None:
        """Take one good reading of the batch."""
        gap_s = t_s - self._last_good_s
        if gap_s > UNSEEN_AFTER_S and self._last_good_s < self.clock.cure().done_s:
            self._unseen_s += gap_s
            self._longest_gap_s = max(self._longest_gap_s, gap_s)
        self._last_good_s = t_s
        if stage is Stage.HOLDING and self.hold_start is None:
            self.hold_start = reading
        if stage is Stage.SETTLING or stage is Stage.HOLDING:
            self._take_shut(t_s, reading)

    def _take_shut(self, t_s: float, reading: Reading) -> None:
        gauge_pa = reading.gauge_pa
        if gauge_pa is None:
            return
        # taken half a minute late, so that they leave out the first moments of a vent
        if self._newest is None:
            self._newest = reading
        elif t_s - self._newest.t_s >= _VENT_MARGIN_S:
            self._take_sure(self._newest)
            self._newest = reading
        if gauge_pa >= self._pot.floor_pa:
            self._below_since_s = None
        elif self._below_since_s is None:
            self._below_since_s = t_s
        elif (
            self.floor_crossed_s is None
            and t_s - self._below_since_s >= BELOW_FLOOR_S
            and self._below_since_s < self.clock.cure().done_s
        ):
            self.floor_crossed_s = self._below_since_s

    def _take_sure(self, reading: Reading) -> None:
        if self.hold_start is not None and reading.t_s >= self.hold_start.t_s:
            self.hold_end = reading
        gauge_pa = reading.gauge_pa
        if gauge_pa is not None and (self.lowest_gauge_pa is None or gauge_pa < self.lowest_gauge_pa):
            self.lowest_gauge_pa = gauge_pa

    def take_estimate(self, t_s: float, estimate: LeakEstimate, leak: Leak) -> None:
        """Take the newest leak estimate, in units and as the filter gives it."""
        self.leak = estimate
        self._estimates.append((t_s, estimate, leak))
        # one older than half a minute is kept, in case the last half minute turns out to be a vent
        while len(self._estimates) > 1 and self._estimates[1][0] <= t_s - _VENT_MARGIN_S:
            self._estimates.popleft()

    def leak_at_the_end(self) -> tuple[LeakEstimate | None, Leak | None]:
        """Return the newest estimate; of a vented batch, the newest that leaves out the vent."""
        if not self._estimates:
            return None, None
        vented_s = self.stages.get(Stage.VENTING) if self.vented else None
        for t_s, estimate, leak in reversed(self._estimates):
            if vented_s is None or t_s <= vented_s - _VENT_MARGIN_S:
                return estimate, leak
        return self._estimates[0][1:]

    def take_alarm(self, event: AlarmEvent) -> None:
        """Keep when an alarm was raised and when it returned in this batch."""
        if event.repeat:
            return
        if event.state is AlarmState.UNACKNOWLEDGED:
            self._alarms.append(BatchAlarm(event.alarm, event.t_s, None))
        elif event.state in (AlarmState.RETURNED, AlarmState.NORMAL):
            for i, known in enumerate(self._alarms):
                if known.alarm is event.alarm and known.returned_s is None:
                    self._alarms[i] = BatchAlarm(event.alarm, known.raised_s, event.t_s)

    def top_up_pa(self, until_s: float) -> float:
        """Return the sum of the jumps up since the hold began, Pa."""
        since_s = self.start_s if self.hold_start is None else self.hold_start.t_s
        return sum(jump.rise_pa for jump in self.top_ups if since_s < jump.end_s <= until_s)

    def change(self, now: Reading, leak: Leak | None) -> Change | None:
        """Return why the gauge changed since the hold began, None before there was a hold."""
        if self.hold_start is None:
            return None
        return change(self.hold_start, now, leak, self.top_up_pa(now.t_s))

    def corrected_gauge_pa(self, now: Reading) -> float | None:
        """Return what the gauge would show at the temperature and outside pressure of the hold's start, Pa.

        None before there was a hold, or where no thermometer that answered then answers now.
        """
        if self.hold_start is None or now.absolute_pa is None:
            return None
        for (place, now_k), (_, then_k) in zip(now.temperatures, self.hold_start.temperatures, strict=True):
            if place is not Place.CONTENTS and now_k is not None and then_k is not None:
                return corrected_absolute_pa(now.absolute_pa, now_k, then_k) - self.hold_start.ambient_pa
        return None

    def summary(self, t_s: float, *, complete: bool) -> BatchSummary:
        """Judge the batch as it stands at `t_s`."""
        pot, start, end = self._pot, self.hold_start, self.hold_end
        estimate, leak = self.leak_at_the_end()
        cure = self.clock.cure()
        last_s = self.stages.get(Stage.VENTING, t_s) if complete else t_s
        missing_s = last_s - self._last_good_s
        verdict, reason = judge(
            Facts(
                end_s=last_s - self.start_s,
                vented=self.vented,
                pressurised=Stage.SETTLING in self.stages,
                hold_s=cure.done_s - self.start_s,
                gelled=self.vented_gelled,
                floor_crossed_s=None if self.floor_crossed_s is None else self.floor_crossed_s - self.start_s,
                leak_established=leak is not None and leak.established,
                unseen_s=self._unseen_s + (missing_s if missing_s > UNSEEN_AFTER_S else 0.0),
                longest_gap_s=max(self._longest_gap_s, missing_s),
                gel_known=self.resin.gel_s is not None,
                above_maximum=any(each.alarm is AlarmId.OVER_PRESSURE for each in self._alarms),
            )
        )
        return BatchSummary(
            pot_id=pot.pot_id,
            verdict=verdict,
            reason=reason,
            complete=complete,
            start_s=self.start_s,
            start_utc_s=self.start_utc_s,
            end_s=t_s,
            stages=dict(self.stages),
            hold_start_s=None if start is None else start.t_s,
            hold_end_s=None if end is None else end.t_s,
            hold_start_gauge_pa=None if start is None else start.gauge_pa,
            hold_end_gauge_pa=None if end is None else end.gauge_pa,
            lowest_gauge_pa=self.lowest_gauge_pa,
            change=None if end is None else self.change(end, leak),
            leak=estimate,
            floor_crossed_s=self.floor_crossed_s,
            floor_forecast_s=None if self.forecast is None else self.forecast.crossing_s,
            cure=cure,
            top_ups=len(self.top_ups),
            alarms=tuple(self._alarms),
            details=dict(self.details),
            known_from=self.known_from,
        )
