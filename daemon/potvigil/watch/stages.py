"""Stages of a batch and the transitions between them.

Only the table below says which stage follows which; a trigger that is not in it is a bug, and raises.
Everything is judged on good readings of the gauge pressure alone; a gap or a broken transducer changes no
stage.

    open -> filling -> settling -> holding <-> venting -> open
               ^          |           |           |
               '----------'-----------'-----------'  (refilled; vented from anywhere; emptied by a leak)

A top-up during the hold is a jump up, not a stage: the hold and its leak estimate continue.
"""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from statistics import median

from potvigil.model.events import Stage
from potvigil.model.pot import Pot
from potvigil.sensing.noise import Steadiness
from potvigil.units import PA_PER_PSI


class Trigger(StrEnum):
    PRESSURISED = "pressurised"  # above the noise of an open pot
    FILLED = "filled"  # stopped rising, near working pressure
    SETTLED = "settled"  # from the leak filter: the fill's heat is gone
    VENT_OPENED = "vent opened"  # falling as fast as only an open valve allows
    RISING = "rising"  # refilled before the vent was finished
    STEADIED = "steadied"  # the vent was closed with pressure left
    RESTORED = "restored"  # back where it was within seconds: bad readings, not a vent
    EMPTIED = "emptied"  # back at the pressure outside


TRANSITIONS: dict[tuple[Stage, Trigger], Stage] = {
    (Stage.OPEN, Trigger.PRESSURISED): Stage.FILLING,
    (Stage.FILLING, Trigger.FILLED): Stage.SETTLING,
    (Stage.FILLING, Trigger.EMPTIED): Stage.OPEN,
    (Stage.SETTLING, Trigger.SETTLED): Stage.HOLDING,
    (Stage.SETTLING, Trigger.VENT_OPENED): Stage.VENTING,
    (Stage.SETTLING, Trigger.EMPTIED): Stage.OPEN,
    (Stage.HOLDING, Trigger.VENT_OPENED): Stage.VENTING,
    (Stage.HOLDING, Trigger.EMPTIED): Stage.OPEN,
    (Stage.VENTING, Trigger.RISING): Stage.FILLING,
    (Stage.VENTING, Trigger.STEADIED): Stage.SETTLING,
    (Stage.VENTING, Trigger.RESTORED): Stage.HOLDING,
    (Stage.VENTING, Trigger.EMPTIED): Stage.OPEN,
}

# A pot counts as pressurised above this share of the working pressure, and above a few times the zero error
# of a cheap transducer (0.5 % of 100 psi).
PRESSURISED_SHARE, PRESSURISED_LEAST_PA = 0.03, 1.5 * PA_PER_PSI
# Below this share of the working pressure a fill that pauses is still a fill.
FILLED_SHARE = 0.7
# A fill or top-up is over when the last half minute rose by less than 0.3 psi/min: no compressor that still
# feeds is so slow, and no cooling pot rises.
LOOK_BACK_S = 60.0
RISE_OVER_S, RISE_OVER_PA = 30.0, 0.15 * PA_PER_PSI
# A reading that only returns to where it was (the median of so long before the rise) had been wrong.
WAS_S, COME_BACK_SHARE = 180.0, 0.25
# A jump up: 30 psi/h; resin heat and morning sun stay below 3 psi/h.
TOP_UP_PA = 0.5 * PA_PER_PSI
# A regulator feeds in small steps: a quarter psi in 10 s, which heat cannot do either.
FEED_PA = 0.25 * PA_PER_PSI
# A vent takes a quarter of the gauge pressure in 10 s (a 20 L pot through a 4 mm valve loses two thirds);
# heat of a quick fill leaves more slowly than that. Once settled, 2 psi in 10 s is a valve too.
VENT_S, VENT_SHARE, VENT_PA = 10.0, 0.25, 2.0 * PA_PER_PSI
# Air let in warms the gas by 0.4 of its share; most of that heat leaves within tens of seconds.
STIRRED_S = 60.0
# Faster than any slow leak, slower than a valve: 90 psi/h; only after the fill's heat has left.
RAPID_PA_PER_MINUTE, RAPID_AFTER_S = 1.5 * PA_PER_PSI, 900.0
EMPTIED_S = 30.0
# No compressor restores a vented pot within so long; a plug that was touched recovers sooner.
RESTORED_S, RESTORED_PA = 45.0, 0.5 * PA_PER_PSI
# A step no larger than noise is not a step.
NOISE_SIGMAS = 6.0
_FEWEST, _LONGEST = 3, 2.5


@dataclass(frozen=True, slots=True)
class TopUp:
    """A jump up in the hold: start, end and rise, Pa."""

    start_s: float
    end_s: float
    rise_pa: float


class _Window:
    """The readings of the last `span_s` seconds, or the last three if they come more slowly.

    The oldest of them was between `at_least_pa` and `at_most_pa`.
    """

    def __init__(self, span_s: float) -> None:
        self._span_s = span_s
        self._points: deque[tuple[float, float, float]] = deque()
        self.oldest_s = self.at_least_pa = self.at_most_pa = 0.0

    def add(self, t_s: float, at_least_pa: float, at_most_pa: float) -> None:
        points = self._points
        points.append((t_s, at_least_pa, at_most_pa))
        # three readings where they come slowly: a step needs a third reading to confirm it
        while points[0][0] < t_s - (self._span_s if len(points) > _FEWEST else _LONGEST * self._span_s):
            points.popleft()
        self.oldest_s, self.at_least_pa, self.at_most_pa = points[0]

    def lowest(self) -> tuple[float, float]:
        t_s, _, at_most_pa = min(self._points, key=lambda point: point[2])
        return t_s, at_most_pa

    def median_pa(self, until_s: float) -> float:
        return median(at_most_pa for t_s, _, at_most_pa in self._points if t_s <= until_s)

    def restart(self) -> None:
        """Forget all but the newest reading."""
        newest = self._points[-1]
        self._points.clear()
        self._points.append(newest)
        self.oldest_s, self.at_least_pa, self.at_most_pa = newest


class StageTracker:
    """Follows one pot through its stages; `update` takes one good reading, the attributes give the state.

    stage, since_s: the present stage. topping_up: a jump is under way. rapid_loss: falling far faster than a
    leak. pressurised_since_s: first reading of the newest fill, where its batch starts. last_top_up: the
    newest finished jump. steadiness: how noisy the readings are.
    """

    def __init__(self, pot: Pot) -> None:
        self._pressurised_pa = max(PRESSURISED_SHARE * pot.working_pa, PRESSURISED_LEAST_PA)
        self._filled_pa = FILLED_SHARE * pot.working_pa
        self.stage = Stage.OPEN
        self.since_s = 0.0
        self.steadiness = Steadiness()
        self.topping_up = False
        self.rapid_loss = False
        self.pressurised_since_s = 0.0
        self.last_top_up: TopUp | None = None
        self._before = _Window(WAS_S)
        self._minute = _Window(LOOK_BACK_S)
        self._half_minute = _Window(RISE_OVER_S)
        self._moment = _Window(VENT_S)
        self._last_pa: float | None = None
        self._above_since_s: float | None = None
        self._below_since_s: float | None = None
        self._base: tuple[float, float] = (0.0, 0.0)  # before the jump
        self._calm: tuple[float, float] | None = None  # before the readings went up and down
        self._held_pa: float | None = None  # a minute before a vent that began in the hold
        self._hot_since_s = 0.0  # when the newest fill or top-up ended, its heat still in the gas
        self._restored_s = -inf

    def update(self, t_s: float, gauge_pa: float) -> Stage | None:
        """Take one good reading; return the new stage if it changed."""
        self.steadiness.update(t_s, gauge_pa)
        last_pa = gauge_pa if self._last_pa is None else self._last_pa
        self._last_pa = gauge_pa
        # a single spike must not change the stage, now or as the pressure of a minute ago: two neighbouring
        # readings have to agree
        at_least_pa, at_most_pa = min(gauge_pa, last_pa), max(gauge_pa, last_pa)
        self._before.add(t_s, at_least_pa, at_most_pa)
        self._minute.add(t_s, at_least_pa, at_most_pa)
        self._half_minute.add(t_s, at_least_pa, at_most_pa)
        self._moment.add(t_s, at_least_pa, at_most_pa)

        if self.stage is Stage.OPEN:
            return self._update_open(t_s, gauge_pa)
        if self._emptied(t_s, gauge_pa):
            return self._fire(Trigger.EMPTIED, t_s)
        if self.stage is Stage.FILLING:
            filled = at_least_pa >= self._filled_pa and self._rise_is_over(t_s, at_least_pa)
            return self._fire(Trigger.FILLED, t_s) if filled else None
        if self.stage is Stage.VENTING:
            return self._update_venting(t_s, at_least_pa)
        if self._is_restless(at_least_pa):
            return None
        if self._vent_opened(at_most_pa):
            self._held_pa = self._minute.at_least_pa if self.stage is Stage.HOLDING else None
            return self._fire(Trigger.VENT_OPENED, t_s)
        self._follow_top_up(t_s, at_least_pa)
        self._follow_loss(t_s, at_most_pa)
        return None

    def settle(self, t_s: float) -> Stage:
        """Note that the fill's heat is gone, as the leak estimate found; only while settling."""
        return self._fire(Trigger.SETTLED, t_s)

    def _fire(self, trigger: Trigger, t_s: float) -> Stage:
        """Apply a trigger and return the new stage. Raises KeyError where the table has no such step."""
        following = TRANSITIONS[self.stage, trigger]
        self.stage, self.since_s = following, t_s
        if trigger is Trigger.RESTORED:
            self._restored_s = t_s
        elif trigger is not Trigger.SETTLED:  # the pot stays shut: a jump under way continues
            if trigger is not Trigger.VENT_OPENED:  # may yet turn out to be no vent, and leaves no heat
                self._hot_since_s = t_s
            self.topping_up = self.rapid_loss = False
            self._above_since_s = self._below_since_s = None
        return following

    def is_stirred(self, t_s: float) -> bool:
        """Return whether air is coming in, or came so lately that the gas is still losing that heat."""
        return self.topping_up or t_s - max(self._hot_since_s, self._restored_s) < STIRRED_S

    def has_cooled(self, t_s: float) -> bool:
        """Return whether the pot is shut and the heat of its newest fill or top-up has left the gas."""
        is_shut = self.stage in (Stage.SETTLING, Stage.HOLDING) or self._may_be_restored(t_s)
        return is_shut and t_s - self._hot_since_s > RAPID_AFTER_S

    def _update_open(self, t_s: float, gauge_pa: float) -> Stage | None:
        if gauge_pa < self._pressurised_pa:
            self._above_since_s = None
            return None
        if self._above_since_s is None:  # one reading may be a spike; the second confirms
            self._above_since_s = t_s
            return None
        self.pressurised_since_s = self._above_since_s
        return self._fire(Trigger.PRESSURISED, t_s)

    def _emptied(self, t_s: float, gauge_pa: float) -> bool:
        if gauge_pa >= self._pressurised_pa:
            self._below_since_s = None
            return False
        if self._below_since_s is None:
            self._below_since_s = t_s
        return t_s - self._below_since_s >= EMPTIED_S

    def _rise_is_over(self, t_s: float, gauge_pa: float) -> bool:
        window = self._half_minute
        long_enough = t_s - max(window.oldest_s, self.since_s) >= 0.6 * RISE_OVER_S
        # against the usual scatter: readings that just began to scatter are not at rest
        over_pa = max(RISE_OVER_PA, NOISE_SIGMAS * self.steadiness.usual_pa)
        return long_enough and gauge_pa - window.at_most_pa < over_pa

    def _vent_opened(self, gauge_pa: float) -> bool:
        fall_pa = self._moment.at_least_pa - gauge_pa
        if fall_pa > max(VENT_SHARE * self._moment.at_least_pa, self._beyond_noise(0.0)):
            return True
        return self.stage is Stage.HOLDING and fall_pa > self._beyond_noise(VENT_PA)

    def _update_venting(self, t_s: float, gauge_pa: float) -> Stage | None:
        if self._may_be_restored(t_s) and self._held_pa is not None:
            is_back = gauge_pa > self._held_pa - max(RESTORED_PA, self.steadiness.noise_pa)
            if (
                not is_back and not self.steadiness.restless
            ):  # no hand on a valve makes readings go up and down
                return None
            self._calm = (self.since_s, self._held_pa)  # any pressure above that was let in
            return self._fire(Trigger.RESTORED, t_s)
        if t_s - self.since_s < LOOK_BACK_S:
            return None
        change_pa = gauge_pa - self._minute.at_most_pa
        if change_pa > self._beyond_noise(TOP_UP_PA):
            return self._fire(Trigger.RISING, t_s)
        if abs(change_pa) < self._beyond_noise(RISE_OVER_PA) and gauge_pa > 2.0 * self._pressurised_pa:
            return self._fire(Trigger.STEADIED, t_s)
        return None

    def _may_be_restored(self, t_s: float) -> bool:
        """Return whether an apparent vent during the hold may still turn out to be none."""
        began_in_hold = self.stage is Stage.VENTING and self._held_pa is not None
        return began_in_hold and t_s - self.since_s <= RESTORED_S

    def _is_restless(self, gauge_pa: float) -> bool:
        """Wait until unsteady readings end; only the difference between before and after counts."""
        if self.steadiness.restless:
            if self._calm is None:
                self._calm = (self._minute.oldest_s, self._minute.at_most_pa)
            return True
        if self._calm is not None:
            if self.topping_up or gauge_pa - self._calm[1] > self._beyond_noise(TOP_UP_PA):
                self.topping_up, self._base = True, self._calm
            self._calm = None
            self._restart_windows()
        return False

    def _follow_loss(self, t_s: float, gauge_pa: float) -> None:
        past_fill_heat = t_s - self._hot_since_s > RAPID_AFTER_S
        fall_pa = self._minute.at_least_pa - gauge_pa
        whole_minute = t_s - self._minute.oldest_s > 0.8 * LOOK_BACK_S
        self.rapid_loss = (
            past_fill_heat and whole_minute and fall_pa > self._beyond_noise(RAPID_PA_PER_MINUTE)
        )

    def _follow_top_up(self, t_s: float, gauge_pa: float) -> None:
        if not self.topping_up:
            if self._rose(self._minute, gauge_pa, TOP_UP_PA) or self._rose(self._moment, gauge_pa, FEED_PA):
                self.topping_up = True
                self._base = self._minute.lowest()
        elif self._rise_is_over(t_s, gauge_pa):
            base_s, base_pa = self._base
            self.topping_up = False
            if gauge_pa - base_pa < FEED_PA:
                return  # the readings were only bad for a while
            self._hot_since_s = t_s
            self.last_top_up = TopUp(base_s, t_s, gauge_pa - base_pa)
            self._minute.restart()  # the jump must not be seen a second time

    def _rose(self, window: _Window, gauge_pa: float, least_pa: float) -> bool:
        least_pa = self._beyond_noise(least_pa)
        if gauge_pa - window.at_most_pa <= least_pa or window.oldest_s <= self._hot_since_s:
            return False
        # the pressure of a pot fed again and again is a sawtooth: a feed ends half its size above the middle
        return gauge_pa - self._before.median_pa(window.oldest_s) > COME_BACK_SHARE * least_pa

    def _restart_windows(self) -> None:
        for window in (self._minute, self._half_minute, self._moment):
            window.restart()

    def _beyond_noise(self, least_pa: float) -> float:
        return max(least_pa, NOISE_SIGMAS * self.steadiness.noise_pa)
