"""Does an empty pot hold? A test that runs until the answer is certain, with the night watch's leak filter.

It is sequential: the estimate is looked at whenever the information about the leak has grown by half. The
test ends as soon as the estimate is so many of its own standard errors below the limit (pass) or above it
(fail), and at the latest after a time computed in advance. So many standard errors: Pocock's boundary
(Biometrika 64 (1977) 191), the same at each look, which makes the interval around the estimate Jennison and
Turnbull's repeated confidence interval (J. R. Stat. Soc. B 51 (1989) 305): it contains the truth with 95 %
whenever one stops. A pot that leaks exactly the limit passes in at most 2.5 % of tests, and fails in at most
2.5 %.

The longest time: until a pot that leaks half the limit passes in nine of ten tests. The resolution of the
wiring and the loss allowed on the way follow ASTM E2930: ten times finer than the limit, and less than a
tenth of the pressure.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from math import exp, inf, log1p, sqrt

from potvigil.leak.estimator import LeakFilter
from potvigil.model.events import NORMAL_95, AlarmId, AlarmState, Event, Interval, Snapshot, Stage
from potvigil.model.pot import Pot
from potvigil.model.reading import TEMPERATURE_UNKNOWN_K, Place, Quality, Reading, Sample
from potvigil.physics.leak_laws import laminar_share
from potvigil.sensing.before_fill import BeforeFill
from potvigil.sensing.resolution import Resolution, resolution
from potvigil.units import PRESSURE, TIME
from potvigil.watch.pot_watch import PotWatch

LOOKS, GROWTH = 20, 1.5
# Pocock's constant for 20 looks, 5 % two-sided. For equal steps it is tabulated (2.178, 2.413, 2.555 for 2,
# 5, 10 looks); where information grows by half from look to look it would be 2.88, where it doubles 2.95: by
# Armitage, McPherson and Rowe's recursion (J. R. Stat. Soc. A 132 (1969) 235), recomputed in tests/reference.
BOUNDARY = 2.95
# An interval wider than either decides nothing: of the limit; and 2.6 psi/h at 60 psi, for a gross leak.
# From there to 0.1 psi/h are sixteen looks.
WORTH_A_LOOK, GROSS_PER_S = 4.0, 0.035 / 3600.0
POWER_SIGMAS = 1.2816  # nine of ten, standard normal
NO_TEST_BEYOND_S, LEAST_S = 12 * 3600.0, 1200.0
# The computation assumes a room at constant temperature.
_SLACK = 1.3
LARGEST_LOSS = 0.1  # of the absolute pressure, ASTM E2930-13
# A pass holds for the working pressure; below this share of it, it would be a guess.
NEAR_WORKING = 0.85
FILL_WITHIN_S, NO_READING_S = 3600.0, 900.0
# How long to wait for the fill's heat, by the place of the thermometer: an empty pot gives its heat only to
# the wall, more slowly than a full one, and only a probe in the gas sees it leave.
SETTLE_S: dict[Place | None, float] = {Place.GAS: 120.0, Place.WALL: 600.0, Place.ROOM: 600.0, None: 600.0}
_LAW_MIDDLE = 0.5  # between a hole, which always loses the same share, and a fine gap
_PLAN_STEP_S = 60.0
_STANDS = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


class LimitError(ValueError):
    """An unusable limit; worded for the person who gave it."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A pot is tight if a cure of `over_s` from the working pressure loses less than `loss_pa`."""

    loss_pa: float
    over_s: float

    def share_per_s(self, working_absolute_pa: float) -> float:
        """Return the share of the air, 1/s, that a pot on the limit loses.

        Assumes a choked hole: a fine gap loses less as the pressure falls.
        """
        return -log1p(-self.loss_pa / working_absolute_pa) / self.over_s

    def loss_of(self, share_per_s: float, working_absolute_pa: float) -> float:
        """Return what a cure loses, Pa, at that share."""
        return working_absolute_pa * (1.0 - exp(-share_per_s * self.over_s))


def usual_limit(pot: Pot) -> Limit:
    """Return the loss that takes a whole hold from the working pressure just down to the floor."""
    return Limit(pot.working_pa - pot.floor_pa, pot.hold_s)


def read_limit(text: str, pot: Pot) -> Limit:
    """Read '3 psi in 12 h'. Raises LimitError."""
    parts = re.fullmatch(r"\s*(.+?)\s+in\s+(.+?)\s*", text)
    if parts is None:
        raise LimitError(f'{text!r} is not a limit; give one like "3 psi in 12 h"')
    try:
        loss, over = PRESSURE.read(parts[1]), TIME.read(parts[2])
    except ValueError as error:
        raise LimitError(f"{text!r}: {error}") from None
    if not 0.0 < loss.si < pot.working_pa or not 600.0 <= over.si <= 30 * 86_400.0:
        raise LimitError(
            f"{text!r}: the loss must lie between zero and the working pressure, the time between 10 min "
            "and 30 d"
        )
    return Limit(loss.si, over.si)


class Judgement(StrEnum):
    PASS = "pass"
    FAIL = "fail"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Schedule:
    """How long a test takes from the shut valve, s: no answer before the first, none after the second.

    enough: a pot that leaks half the limit will pass by then, nine times in ten. place: the thermometer used.
    reach_per_s: share of the air by which the estimate may miss at the end, where that is not enough.
    """

    earliest_s: float
    latest_s: float
    enough: bool
    place: Place | None
    reach_per_s: float | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """What was known at a look. share_per_s: of the air, with its interval, at working_pa (gauge)."""

    after_s: float
    working_pa: float
    share_per_s: Interval


@dataclass(frozen=True, slots=True)
class Result:
    """How the test ended. why: only where there is no answer; one clause. look: None where there was none."""

    answer: Judgement
    after_s: float
    look: Look | None
    why: str = ""


def empty(pot: Pot) -> Pot:
    """Return the pot with nothing in it."""
    return replace(pot, contents_volume_m3=0.0)


def settle_s(pot: Pot) -> float:
    """Return how long after a fill, s, an empty pot shows nothing."""
    return SETTLE_S[_nearest(pot)]


def _nearest(pot: Pot) -> Place | None:
    return next((each for each in (Place.GAS, Place.WALL, Place.ROOM) if each in pot.thermometers), None)


def plan(pot: Pot, limit: Limit, period_s: float, sigmas: float = BOUNDARY) -> Schedule:
    """Compute in advance how long the test of a pot takes, with a reading every `period_s`.

    sigmas: by how many of its standard errors the estimate must differ from the limit.
    """
    place = _nearest(pot)
    working_pa = pot.working_pa + pot.ambient_pa
    share = limit.share_per_s(working_pa)
    wired = None if pot.transducer is None else resolution(pot.transducer, period_s)
    earliest_s = 0.0 if wired is None else wired.shown_after_s(share * working_pa)
    # at twice the limit no more than a tenth may be gone
    most_s = max(min(NO_TEST_BEYOND_S, LARGEST_LOSS / (2.0 * share)), LEAST_S)
    wanted_per_s, known_s, sigma_per_s = 0.5 * share / (sigmas + POWER_SIGMAS), inf, inf
    for after_s, sigma_per_s in _known(pot, place, wired, most_s):
        if sigma_per_s < wanted_per_s:
            known_s = after_s
            break
    latest_s = max(_SLACK * known_s, 1.5 * earliest_s, LEAST_S)
    is_enough = latest_s <= most_s
    reach_per_s = None if is_enough else sigmas * sigma_per_s
    return Schedule(earliest_s, min(latest_s, most_s), is_enough, place, reach_per_s)


def _known(
    pot: Pot, place: Place | None, wired: Resolution | None, most_s: float
) -> Iterator[tuple[float, float]]:
    """Yield when the leak filter reaches which standard error, in a room at constant temperature."""
    noise_pa = 100.0 if wired is None else wired.scatter_pa * sqrt(wired.period_s)  # over a second
    before = BeforeFill()
    leak_filter = LeakFilter(empty(pot), before, 0.0)
    gas_k, wall_k, room_k, _ = (TEMPERATURE_UNKNOWN_K if each is place else None for each in Place)
    absolute_pa = pot.working_pa + pot.ambient_pa
    t_s = 0.0
    while SETTLE_S[place] + t_s < most_s:
        t_s += _PLAN_STEP_S
        reading = Reading(
            t_s,
            None,
            pot.working_pa,
            absolute_pa,
            pot.ambient_pa,
            gas_k,
            wall_k,
            room_k,
            Quality.GOOD,
        )
        before.update(reading, True)
        leak_filter.add(reading, noise_pa / sqrt(_PLAN_STEP_S))
        leak = leak_filter.estimate
        if leak is not None:
            yield SETTLE_S[place] + t_s, _sigma(leak.rate_per_s)


class Tightness:
    """One test. Feed it samples from the open pot on; `result` says how it ended, None while it goes on.

    look: the newest one. watch: the night watch over the same samples, which gives a feed's events.
    """

    def __init__(self, pot: Pot, limit: Limit, planned: Schedule, period_s: float) -> None:
        self._pot, self._limit, self._plan = empty(pot), limit, planned
        self._wired = None if pot.transducer is None else resolution(pot.transducer, period_s)
        self.watch = PotWatch(self._pot)
        self.look: Look | None = None
        self.result: Result | None = None
        self.after_s = 0.0  # since the valve was shut, or air was let in again
        self._leak_filter: LeakFilter | None = None
        self._begun_s: float | None = None
        self._shut_s: float | None = None
        self._top_ups = 0
        self._last_good_s = 0.0
        self._looks = 0
        self._best = 0.0  # the information at the last look: 1/variance of the share lost

    @property
    def is_low(self) -> bool:
        """Return whether the pot is shut too far below its working pressure for a pass."""
        gauge_pa = self.watch.snapshot().reading.gauge_pa
        return (
            self._shut_s is not None
            and gauge_pa is not None
            and gauge_pa < NEAR_WORKING * self._pot.working_pa
        )

    def feed(self, sample: Sample) -> list[Event]:
        """Take one sample; return the watch's events."""
        events = self.watch.feed(sample)
        if self.result is None:
            self._judge(self.watch.snapshot())
        return events

    def end(self, why: str) -> None:
        """End the test without a certain answer."""
        if self.result is None:
            self.result = Result(Judgement.CANNOT_TELL, self.after_s, self.look, why)

    def _judge(self, now: Snapshot) -> None:
        t_s, reading = now.t_s, now.reading
        if self._begun_s is None:
            self._begun_s = self._last_good_s = t_s
        doubted = next(
            (
                each.text
                for each in now.alarms
                if each.alarm is AlarmId.PRESSURE_SENSOR and each.state in _STANDS
            ),
            None,
        )
        good = reading.quality is Quality.GOOD and doubted is None
        if good:
            self._last_good_s = t_s
        self._follow_valve(now)
        if t_s - self._last_good_s > NO_READING_S:
            why = (reading.fault or doubted or "there were no readings").rstrip(".")
            self.end(f"there was no usable reading for {NO_READING_S / 60.0:.0f} min: {why}")
        elif self._shut_s is None:
            if t_s - self._begun_s > FILL_WITHIN_S:
                self.end("the pot did not reach its working pressure and stay there within an hour")
        elif now.stage in (Stage.VENTING, Stage.OPEN):
            self.end("the pot was vented before the answer was certain")
        elif self.watch.believed:
            self._measure(reading)

    def _follow_valve(self, now: Snapshot) -> None:
        """Start again whenever air was let in."""
        shut = now.stage in (Stage.SETTLING, Stage.HOLDING)
        if shut and (self._shut_s is None or now.top_ups > self._top_ups):
            self._shut_s, self._top_ups = now.t_s, now.top_ups
            self._leak_filter = None
            self._looks, self._best, self.look = 0, 0.0, None
        if self._shut_s is not None:
            self.after_s = now.t_s - self._shut_s

    def _measure(self, reading: Reading) -> None:
        absolute_pa = reading.absolute_pa
        if absolute_pa is None or self._shut_s is None:
            return
        if self.after_s < SETTLE_S[self._plan.place]:
            return
        if self._leak_filter is None:
            self._leak_filter = LeakFilter(self._pot, self.watch.before, self._shut_s)
        self._leak_filter.add(reading, self.watch.noise_pa)
        leak = self._leak_filter.estimate
        if leak is not None:
            self._look_at(leak.rate_per_s, reading, absolute_pa)

    def _look_at(self, rate_per_s: Interval, reading: Reading, absolute_pa: float) -> None:
        """Look at the estimate if it is time to, and stop if it is clear."""
        working_pa = self._pot.working_pa + reading.ambient_pa
        limit = self._limit.share_per_s(working_pa)
        share = _at_working(rate_per_s, absolute_pa, working_pa, reading.ambient_pa)
        last = self.after_s > self._plan.latest_s
        information = 1.0 / _sigma(share) ** 2
        reach = BOUNDARY / sqrt(information)
        is_worth_it = reach < max(WORTH_A_LOOK * limit, GROSS_PER_S)
        is_due = information >= GROWTH * self._best and self._looks < LOOKS - 1 and is_worth_it
        if not (last or is_due) or not self._is_resolved(max(limit, share.low) * working_pa):
            return
        self._looks += 1
        self._best = max(information, self._best)
        interval = Interval(share.value, share.value - reach, share.value + reach)
        self.look = Look(self.after_s, working_pa - reading.ambient_pa, interval)
        if interval.low > limit:
            self.result = Result(Judgement.FAIL, self.after_s, self.look)
        elif interval.high < limit and not self.is_low:
            self.result = Result(Judgement.PASS, self.after_s, self.look)
        elif last:
            self.end(
                "it was too far below the working pressure to be representative"
                if interval.high < limit
                else "the leak may lie on either side of the limit"
            )

    def _is_resolved(self, rate_pa_per_s: float) -> bool:
        """Return whether the wiring is fine enough to show such a leak so soon."""
        return self._wired is None or self._wired.shown_after_s(rate_pa_per_s) <= self.after_s


def _at_working(rate: Interval, absolute_pa: float, working_pa: float, ambient_pa: float) -> Interval:
    """Return the share lost per second as it would be at the working pressure, Pa absolute."""
    now_pa = max(absolute_pa, 1.01 * ambient_pa)
    factor = (laminar_share(working_pa, ambient_pa) / laminar_share(now_pa, ambient_pa)) ** _LAW_MIDDLE
    return Interval(rate.value * factor, rate.low * factor, rate.high * factor)


def _sigma(rate: Interval) -> float:
    return (rate.high - rate.low) / (2.0 * NORMAL_95)
