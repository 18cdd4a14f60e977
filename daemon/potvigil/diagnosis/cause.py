"""What a leak followed through a hold: the pressure, as a hole or a fine gap does, the cold, or neither.

Each guess gives the course of the share of air lost through this hold, up to one factor. It carries the trace
that it would leave in the bank of a sound pot, and the bank's innovations are regressed on it, with all
states of the pot integrated out (as in leak/onsets.py). That gives each guess its likelihood; a kind of leak
is as likely as its guesses on average, and is only claimed if twenty times as likely as the rest together.

    hole    a choked hole always loses the same share: a valve that is not quite shut, a fitting
    gap     a laminar gap loses with (p^2 - pa^2)/p: a seal's face, a thread
    cold    it opens as the wall cools: a seal that stiffens
    above   it loses only above a pressure: a relief valve, a lid that lifts
    other   it grew or shrank on its own
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate, pairwise
from math import exp, log, sqrt

import numpy as np

from potvigil.leak.bank import PotBank
from potvigil.leak.bins import Bin, BinSum
from potvigil.leak.cells import CELLS
from potvigil.leak.estimator import Z_ESTABLISHED, Leak, LeakFilter, bank_for, see_bin
from potvigil.leak.onsets import LossTraces, log_sum
from potvigil.leak.pot_model import T0_K
from potvigil.model.events import Interval, Stage
from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Quality, Reading, Sample
from potvigil.physics.leak_laws import laminar_share
from potvigil.sensing.before_fill import BeforeFill
from potvigil.sensing.conversion import convert
from potvigil.watch.hold import Hold, has_settled
from potvigil.watch.stages import StageTracker

BIN_S = 60.0
SURE = 0.95  # of all kinds together
LEAST_SIGNIFICANCE = Z_ESTABLISHED
LEAST_BINS = 30
LEAST_COOLING_K = 1.0  # with less, the cold shows nothing
# The filter is not the pot: evidence counts half. Found on the bench's nights with known causes.
TEMPER = 0.5
# By how much a seal opens per kelvin of cold; 2 to 8 % are common practice.
_PER_K = (0.02, 0.04, 0.08, 0.16)
_PER_H = (-0.3, -0.1, 0.1, 0.3)
# Where it would stop losing, as shares of the span from the lowest gauge pressure seen to the highest.
_ABOVE_SHARES = (-1.0, -0.4, -0.15, 0.0, 0.05, 0.12, 0.25, 0.4, 0.6, 0.8)
_ONSETS = 5


class Cause(StrEnum):
    HOLE = "hole"
    GAP = "gap"
    COLD = "cold"
    ABOVE = "above"
    OTHER = "other"


# Hardly anything about a pot grows or shrinks on its own in a night.
_PRIOR = {Cause.HOLE: 1.0, Cause.GAP: 1.0, Cause.COLD: 1.0, Cause.ABOVE: 1.0, Cause.OTHER: 0.05}


@dataclass(frozen=True, slots=True)
class Moment:
    """The pot over one bin. seal_k: the thermometer nearest the seal; let_in: share of the air, before it."""

    bin: Bin
    seal_k: float | None
    let_in: float

    @property
    def gauge_pa(self) -> float:
        return self.bin.gauge_pa


@dataclass(frozen=True, slots=True)
class CauseFinding:
    """kinds: how likely each is, adding up to 1. onset_s: None where it was there from the first.

    rates_pa_per_s, gauges_pa, seal_ks: where the likeliest guess lost least and where it lost most (for
    ABOVE: at its last and at its first). above_pa: gauge pressure below which nothing was lost.
    rate_pa_per_s: at the end. begun_s: when the first reading of the hold was taken.
    """

    kinds: dict[Cause, float]
    onset_s: Interval | None
    rates_pa_per_s: tuple[float, float]
    gauges_pa: tuple[float, float]
    seal_ks: tuple[float | None, float | None]
    above_pa: float | None
    rate_pa_per_s: Interval
    begun_s: float

    @property
    def kind(self) -> Cause | None:
        """Return the kind that is beyond doubt, None where none is."""
        possible = self.possible
        return possible[0] if len(possible) == 1 else None

    @property
    def possible(self) -> list[Cause]:
        """Return the kinds that together are beyond doubt, the likeliest first.

        Where the pot cooled, a hole is never alone: a gap that opens with the cold can lose in the same way.
        Nor is OTHER: it fits whatever the filter does not know of the pot, and comes last.
        """
        known: dict[Cause, float] = {
            kind: likely for kind, likely in self.kinds.items() if kind is not Cause.OTHER
        }
        ranked = sorted(known, key=lambda kind: -known[kind])
        sums = accumulate(known[kind] for kind in ranked)
        found: list[Cause] = ranked[: 1 + sum(each < SURE * sum(known.values()) for each in sums)]
        if found == [Cause.HOLE] and self.kinds[Cause.COLD] > 0.0:
            found = [Cause.HOLE, Cause.COLD]
        return [*found, Cause.OTHER] if self.kinds[Cause.OTHER] > 1.0 - SURE else found


class Course:
    """The evidence for causes: one hold's one-minute bins, besides its leak estimate."""

    def __init__(self, leak_filter: LeakFilter, before: BeforeFill) -> None:
        """Begin. before: what the thermometers read before the fill."""
        self.before = before
        self.moments: list[Moment] = []
        self._leak_filter = leak_filter
        self._bin = BinSum(BIN_S)
        self._let_in = 0.0

    def add(self, reading: Reading, noise_pa: float) -> bool:
        """Take one believed reading, with the scatter of the pressure, Pa."""
        if reading.absolute_pa is None:
            return False
        done = self._bin.take(reading, reading.absolute_pa, noise_pa)
        if done is not None:
            seal_k = next((done.kelvin[each] for each in _NEAR_THE_SEAL if each in done.kelvin), None)
            self.moments.append(Moment(done, seal_k, self._let_in))
            self._let_in = 0.0
        return self._leak_filter.add(reading, noise_pa)

    def drop_bin(self) -> None:
        """Note that the readings went bad."""
        self._bin.drop()
        self._leak_filter.drop_bin()

    def top_up(self, rise_share: float) -> None:
        """Note that air was let in, about this share of what was there."""
        self._bin.drop()
        self._let_in += rise_share
        self._leak_filter.top_up(rise_share)

    @property
    def leak(self) -> Leak | None:
        """The newest estimate, None before there is one."""
        return self._leak_filter.estimate


_NEAR_THE_SEAL = (Place.WALL, Place.GAS, Place.ROOM)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


_Share = Callable[[Moment], float]


@dataclass(slots=True)
class _Guess:
    """One course of the share lost, with the regression on its trace: in sigmas, 1/s, and a likelihood.

    log_likelihood: against a sound pot, with the factor integrated out under a flat prior, the same for all.
    """

    kind: Cause
    share: _Share
    onset_s: float | None
    above_pa: float | None = None
    significance: float = 0.0
    rate_per_s: float = 0.0
    log_likelihood: float = 0.0

    def lost(self, elapsed_s: float, now: Moment) -> float:
        """Return the loss over so many seconds up to now, at unit factor."""
        if self.onset_s is None:
            return elapsed_s * self.share(now)
        return min(elapsed_s, max(now.bin.t_s - self.onset_s, 0.0)) * self.share(now)


def _guesses(moments: Sequence[Moment], onsets_s: Sequence[float | None]) -> list[_Guess]:
    first = moments[0]
    seal_k = first.seal_k
    highest, lowest = max(m.gauge_pa for m in moments), min(m.gauge_pa for m in moments)

    def hole(moment: Moment) -> float:
        return 1.0

    def gap(moment: Moment) -> float:
        return _laminar(moment) / _laminar(first)

    def cold(law: _Share, per_k: float) -> _Share:
        return lambda m: law(m) * max(1.0 + per_k * ((seal_k or 0.0) - (m.seal_k or seal_k or 0.0)), 0.0)

    def above(from_pa: float) -> _Share:
        return lambda m: max(m.gauge_pa - from_pa, 0.0) / (highest - from_pa)

    def by_itself(per_h: float) -> _Share:
        return lambda m: exp(per_h * (m.bin.t_s - first.bin.t_s) / 3600.0)

    made: list[_Guess] = []
    for onset_s in onsets_s:
        made += [_Guess(Cause.HOLE, hole, onset_s), _Guess(Cause.GAP, gap, onset_s)]
        if _moved_k(moments) >= LEAST_COOLING_K:
            made += [_Guess(Cause.COLD, cold(law, k), onset_s) for law in (hole, gap) for k in _PER_K]
        for share in _ABOVE_SHARES:
            from_pa = lowest + share * (highest - lowest)
            made.append(_Guess(Cause.ABOVE, above(from_pa), onset_s, from_pa))
        made += [_Guess(Cause.OTHER, by_itself(each), onset_s) for each in _PER_H]
    return made


def _moved_k(moments: Sequence[Moment]) -> float:
    """Return by how much the seal's thermometer changed, K; 0 where there is none."""
    known = [m.seal_k for m in moments if m.seal_k is not None]
    return max(known) - min(known) if known else 0.0


def _laminar(moment: Moment) -> float:
    outside_pa = moment.bin.ambient_pa
    return laminar_share(max(moment.bin.absolute_pa, 1.01 * outside_pa), outside_pa)


def find(course: Course | None, pot: Pot) -> CauseFinding | None:
    """Compare the kinds; None where too little was seen, or no leak is beyond doubt."""
    if course is None or course.leak is None or len(course.moments) < LEAST_BINS:
        return None
    moments, rate, onset_s = course.moments, course.leak.rate_per_s, course.leak.onset_s
    begun_s = moments[0].bin.t_s
    onsets: list[float | None] = [None]
    # If assumed present from the fill, a leak that started an hour later seems to grow, with the cold or
    # alone.
    if onset_s is not None and onset_s.high > begun_s:
        first_s = max(onset_s.low, begun_s)
        reach_s = (onset_s.high - first_s) / (_ONSETS - 1)
        onsets += [max(onset_s.value, begun_s), *(first_s + i * reach_s for i in range(_ONSETS))]
    guesses = _guesses(moments, onsets)
    _regress(course, guesses, pot)
    best = max(guesses, key=lambda each: each.log_likelihood)
    if best.significance < LEAST_SIGNIFICANCE:
        return None
    kinds = _weigh(guesses)
    return _told(moments, guesses, kinds, onset_s, rate)


def _regress(course: Course, guesses: Sequence[_Guess], pot: Pot) -> None:
    bank, losses = bank_for(pot), LossTraces(CELLS, len(guesses))
    bank.learn_nothing()
    for last, now in pairwise([course.moments[0], *course.moments]):
        if now.let_in > 0.0:
            bank.reopen(now.let_in)
        elapsed_s = now.bin.t_s - last.bin.t_s
        losses.traces = bank.carry(elapsed_s, losses.traces)
        losses.lost += [each.lost(elapsed_s, now) for each in guesses]
        for seen in see_bin(bank, now.bin, course.before, elapsed_s):
            losses.follow(seen)
    _tell(bank, losses, guesses)


def _tell(bank: PotBank, losses: LossTraces, guesses: Sequence[_Guess]) -> None:
    """Pass the result to the guesses: all cells together."""
    none = log_sum(bank.log_weights)
    ratios, rates = np.maximum(losses.log_ratios(), 0.0), losses.rates()
    for i, guess in enumerate(guesses):
        if not losses.information[:, i].all():
            continue
        likely = bank.log_weights + ratios[:, i]
        guess.significance = sqrt(2.0 * max(log_sum(likely) - none, 0.0))
        likely = likely - 0.5 * np.log(losses.information[:, i])
        guess.log_likelihood = log_sum(likely) - none
        guess.rate_per_s = float(np.exp(likely - log_sum(likely)) @ rates[:, i]) / T0_K


def _weigh(guesses: Sequence[_Guess]) -> dict[Cause, float]:
    best = max(each.log_likelihood for each in guesses)
    weights: dict[Cause, float] = {}
    for kind, prior in _PRIOR.items():
        own = [exp(TEMPER * (each.log_likelihood - best)) for each in guesses if each.kind is kind]
        weights[kind] = prior * _mean(own) if own else 0.0
    total = sum(weights.values())
    return {kind: weight / total for kind, weight in weights.items()}


def _told(
    moments: Sequence[Moment],
    guesses: Sequence[_Guess],
    kinds: dict[Cause, float],
    onset_s: Interval | None,
    rate: Interval,
) -> CauseFinding:
    likeliest = max(kinds, key=lambda kind: kinds[kind])
    same = [each for each in guesses if each.kind is likeliest]
    guess = max(same, key=lambda each: each.log_likelihood)
    from_the_fill = max(each.log_likelihood for each in same if each.onset_s is None)
    is_late = TEMPER * (guess.log_likelihood - from_the_fill) > -log(1.0 - SURE)
    leaking = [m for m in moments if guess.onset_s is None or m.bin.t_s > guess.onset_s]
    ends = [
        min(leaking, key=lambda m: guess.share(m) * m.bin.absolute_pa),
        max(leaking, key=lambda m: guess.share(m) * m.bin.absolute_pa),
    ]
    least, most = (guess.rate_per_s * guess.share(m) * m.bin.absolute_pa for m in ends)
    last_pa = moments[-1].bin.absolute_pa
    return CauseFinding(
        kinds=kinds,
        onset_s=onset_s if is_late else None,
        rates_pa_per_s=(least, most),
        gauges_pa=(ends[0].gauge_pa, ends[1].gauge_pa),
        seal_ks=(ends[0].seal_k, ends[1].seal_k),
        above_pa=guess.above_pa,
        rate_pa_per_s=Interval(*(each * last_pa for each in (rate.value, rate.low, rate.high))),
        begun_s=moments[0].bin.t_s,
    )


def follow(samples: Iterable[Sample], pot: Pot, settle_s: float = 0.0) -> Course | None:
    """Take the samples of one batch or test, from the open pot to its vent; None where it was never shut.

    pot: contents_volume_m3 is 0 for an empty one. settle_s: how long after the valve was shut, or air let in,
    readings are ignored.
    """
    stages, before = StageTracker(pot), BeforeFill()
    leak_filter: LeakFilter | None = None
    course: Course | None = None
    hold: Hold[Course] | None = None
    shut_s = 0.0
    for sample in samples:
        reading = convert(sample, pot)
        before.update(reading, stages.stage is not Stage.OPEN)
        if reading.gauge_pa is None or reading.quality is Quality.BAD:
            continue
        entered = stages.update(reading.t_s, reading.gauge_pa)
        if course is not None and course.moments and entered in (Stage.OPEN, Stage.FILLING, Stage.SETTLING):
            break
        if entered is Stage.SETTLING:
            leak_filter = LeakFilter(pot, before, stages.pressurised_since_s)
            course, shut_s = Course(leak_filter, before), reading.t_s
            hold = Hold(pot, before, stages, course)
        if hold is None or leak_filter is None or stages.stage not in (Stage.SETTLING, Stage.HOLDING):
            continue
        if hold.top_up(reading) is not None:
            shut_s = reading.t_s
        if reading.t_s - shut_s >= settle_s:
            hold.take(reading)
        if stages.stage is Stage.SETTLING and has_settled(reading.t_s - stages.since_s, leak_filter):
            stages.settle(reading.t_s)
    return course
