"""The filter of the sound pot and its bank of onsets against linear algebra done the long way round.

The filter goes bin by bin and keeps a dozen states. Here the same pot is one joint Gaussian of all its bins,
its covariance written down from the textbook: Ornstein-Uhlenbeck s^2 exp(-|dt|/tau) and Matern 3/2
s^2 (1 + a) exp(-a) with a = sqrt(3) |dt|/l (Rasmussen & Williams, Gaussian Processes for Machine Learning
(2006), eqs. 4.17 and B.28; from memory), Wiener q min(t, t'), and rank one for what dies away from a first
value. A leak's rate is then generalised least squares, (X' C^-1 X)^-1 X' C^-1 y with variance
(X' C^-1 X)^-1 (Aitken, Proc. Royal Society of Edinburgh 55 (1935) 42; from memory), and what is new in every
bin is a row of the Cholesky factor.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf, log, sqrt
from unittest.mock import patch

import numpy as np
import numpy.typing as npt
import pytest
from scipy.linalg import cholesky, solve_triangular
from scipy.stats import binom, chi2, linregress, norm

from potvigil.core.air import (
    FAST_S,
    HEAT_S,
    LEVEL_WANDER_PER_SQRT_S,
    RATE,
    RATE_WANDER_PER_SQRT_H,
    RISE_SIGMAS,
    ROUNDING,
    SIZE,
    SLOW_S,
    SOAK_S,
    STIRRED,
    TRANSIENT_S,
    UPTAKE_MEAN,
    UPTAKE_S,
    UPTAKE_SIGMA,
    AirFilter,
    Step,
)
from potvigil.core.allowance import Allowance, Lag, allowance_for
from potvigil.core.event import Interval
from potvigil.core.gas import compressibility
from potvigil.core.lag import LaggedThermometers
from potvigil.core.leak import Leak, LeakFilter
from potvigil.core.onset import OnsetBank
from potvigil.core.reading import Place, Quality, Reading

Array = npt.NDArray[np.float64]

PLACES = [Place.GAS, Place.WALL, Place.ROOM, None]
SIGMA = 1.5e-4  # of a bin, in ln: 0.01 psi at 60 psi gauge
LOG_K = log(293.15)
NORMAL_95 = float(norm.ppf(0.975))
NEW_LEVEL = 1.0  # variance of a level nothing is known of; "huge" beside everything else in ln
# what air let in, by this share, leaves behind: heat of compression, dying away like the fill's own
TRANSIENT_PER_RISE, SOAK_PER_RISE = 0.1, 0.05


@pytest.fixture(autouse=True)
def one_pace(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the fill's heat die as it is said to: what else it may do is no Gaussian."""
    monkeypatch.setattr("potvigil.core.air.TRANSIENT_SPREAD", 0.0)


@dataclass(frozen=True)
class Hold:
    """Bins of one hold. top_ups: share let in, by the bin before which it was; others: thermometers
    that took over before a bin."""

    t_s: Array
    y: Array
    movements: Array
    allowance: Allowance
    holds_mould: bool = True
    top_ups: Mapping[int, float] | None = None
    others: Mapping[int, Allowance] | None = None

    def allowances(self) -> list[Allowance]:
        others, now, all_of_them = self.others or {}, self.allowance, []
        for i in range(len(self.t_s)):
            now = others.get(i, now)
            all_of_them.append(now)
        return all_of_them

    def same_thermometer(self) -> npt.NDArray[np.bool_]:
        segment = np.cumsum([i in (self.others or {}) for i in range(len(self.t_s))])
        return np.equal.outer(segment, segment)


def mean(hold: Hold) -> Array:
    """Return what a sound pot is expected to do besides its level."""
    uptake = (UPTAKE_MEAN if hold.holds_mould else 0.0) * np.exp(-(hold.t_s - hold.t_s[0]) / UPTAKE_S)
    shares = np.array([[lag.share for lag in each.lags] for each in hold.allowances()])
    return np.asarray(uptake + np.sum(shares * hold.movements, axis=1))


def covariance(hold: Hold) -> Array:
    """Return the covariance of y over all bins of a sound pot; the thermometers' shares are independent."""
    t_s, n = hold.t_s, len(hold.t_s)
    since_s, apart_s = t_s - t_s[0], np.abs(np.subtract.outer(t_s, t_s))
    same, allowances = hold.same_thermometer(), hold.allowances()
    slow, fast, heat = (np.array([getattr(a, name) for a in allowances]) for name in ("slow", "fast", "heat"))
    a = sqrt(3.0) * apart_s / FAST_S
    # what each thermometer has of its own
    own = NEW_LEVEL + np.outer(slow, slow) * np.exp(-apart_s / SLOW_S)
    own += np.outer(fast, fast) * (1.0 + a) * np.exp(-a)
    begin_s = np.array([t_s[max(int(np.argmax(row)) - 1, 0)] for row in same])
    own += LEVEL_WANDER_PER_SQRT_S**2 * (np.minimum.outer(t_s, t_s) - begin_s)
    for i in range(3):
        moved = hold.movements[:, i] * [each.lags[i].sigma for each in allowances]
        own += np.outer(moved, moved)
    total = np.where(same, own, 0.0)

    for sigma, constant_s in (
        (hold.allowance.transient, TRANSIENT_S),
        (hold.allowance.soak, SOAK_S),
        (UPTAKE_SIGMA if hold.holds_mould else 0.0, UPTAKE_S),
    ):
        total += _outer(sigma * np.exp(-since_s / constant_s))
    # heat: OU whose variance moves to what the new thermometer leaves of it
    variance = np.empty(n)
    variance[0] = heat[0] ** 2
    for i in range(1, n):
        kept = np.exp(-2.0 * (t_s[i] - t_s[i - 1]) / HEAT_S)
        variance[i] = kept * variance[i - 1] + heat[i] ** 2 * (1.0 - kept)
    earlier = np.minimum.outer(np.arange(n), np.arange(n))
    total += variance[earlier] * np.exp(-apart_s / HEAT_S)

    for at, rise in (hold.top_ups or {}).items():
        later = np.arange(n) >= at
        total += NEW_LEVEL * _outer(later & same[at])
        for share, constant_s in ((TRANSIENT_PER_RISE, TRANSIENT_S), (SOAK_PER_RISE, SOAK_S)):
            total += _outer(np.where(later, share * rise * np.exp(-(t_s - t_s[at - 1]) / constant_s), 0.0))
    total += _stirring(hold, same)
    return np.asarray(total + SIGMA**2 * np.eye(n))


def _stirring(hold: Hold, same: npt.NDArray[np.bool_]) -> Array:
    # knocks on the smooth process, each answered by the Matern law, weaker with the time since air was let in
    t_s, n = hold.t_s, len(hold.t_s)
    total, filled_s, size = np.zeros((n, n)), t_s[0], STIRRED
    for k in range(1, n):
        if k in (hold.top_ups or {}):
            filled_s, size = t_s[k - 1], STIRRED * (hold.top_ups or {})[k]
        step = sqrt(3.0) * (t_s[k] - t_s[k - 1]) / FAST_S
        stirred = size * np.exp(-(t_s[k - 1] - filled_s) / hold.allowances()[k].stirred_s)
        knock = stirred * sqrt(1.0 - ((1.0 + step) * np.exp(-step)) ** 2)
        a = sqrt(3.0) * np.maximum(t_s - t_s[k], 0.0) / FAST_S
        total += _outer(np.where((t_s >= t_s[k]) & same[k], knock * (1.0 + a) * np.exp(-a), 0.0))
    return total


def _outer(column: npt.ArrayLike) -> Array:
    return np.asarray(np.multiply.outer(column, column), dtype=float)


class Joint:
    """The joint Gaussian of a hold: `new` is what each bin adds to those before it, in sigma."""

    def __init__(self, hold: Hold) -> None:
        self._t_s = hold.t_s
        self._factor = cholesky(covariance(hold), lower=True)
        self.sigma = np.diag(self._factor)
        new = self._white(hold.y - mean(hold))
        # a level that nothing is known of is put where its first bin is: nothing is new in that one
        same, bins = hold.same_thermometer(), np.arange(len(hold.t_s))
        for at in sorted({0, *(hold.top_ups or {}), *(hold.others or {})}):
            step = self._white(np.where((bins >= at) & same[at], 1.0, 0.0))
            new = new - step * new[at] / step[at]
        self.new = new

    def log_likelihoods(self) -> Array:
        """Return the log likelihood of the bins up to each."""
        return np.asarray(np.cumsum(-0.5 * self.new**2 - np.log(self.sigma) - 0.5 * log(2.0 * np.pi)))

    def least_squares(self, onset: int) -> tuple[Array, Array]:
        """Return rate and standard error of a leak since that bin, for the bins up to each after it."""
        ramp = self._white(-np.maximum(self._t_s - self._t_s[onset], 0.0))
        with np.errstate(invalid="ignore", divide="ignore"):
            information = np.cumsum(ramp * ramp)
            rate, error = np.cumsum(ramp * self.new) / information, 1.0 / np.sqrt(information)
        return rate[onset + 1 :], error[onset + 1 :]

    def _white(self, column: Array) -> Array:
        return np.asarray(solve_triangular(self._factor, column, lower=True))


def made_up(place: Place | None, seed: int, bins: int = 120, rate_per_s: float = 3e-7) -> Hold:
    """Return irregular bins of a pot that falls as it likes, but never rises: a rise would open the heat."""
    random = np.random.default_rng(seed)
    allowance = allowance_for(place, room_swing_k=8.0)
    t_s = 5_000.0 + np.cumsum(random.uniform(15.0, 70.0, bins))
    movements = np.zeros((bins, 3))
    if place is not None:
        movements = np.cumsum(random.normal(0.0, 1e-4, (bins, 3)), axis=0)
    y = 13.0 - rate_per_s * (t_s - t_s[0]) - np.cumsum(random.uniform(0.0, 2e-5, bins))
    y += random.uniform(-0.9, 0.9, bins) * SIGMA
    hold = Hold(t_s, y, movements, allowance)
    shares = np.array([lag.share for lag in allowance.lags])
    return replace(hold, y=y + movements @ shares)


def steps_of(hold: Hold, air: AirFilter | None = None) -> list[Step]:
    """Run the filter over a hold; nothing may trigger in it that is not linear."""
    air = air or AirFilter(hold.allowance, 0.0, hold.holds_mould)
    steps = []
    for i, t_s in enumerate(hold.t_s):
        if i in (hold.top_ups or {}):
            air.reopen((hold.top_ups or {})[i])
        if i in (hold.others or {}):
            air.allow((hold.others or {})[i], 0.0)
        elapsed_s = t_s - hold.t_s[i - 1] if i else 0.0
        one, two, three = hold.movements[i]
        step = air.step(elapsed_s, hold.y[i], SIGMA**2, LOG_K, (one, two, three), 0.0)
        assert step.innovation**2 < 15.9 * step.variance, "an outlier by the filter's rule: choose other data"
        steps.append(replace(step, decay=tuple(step.decay)))  # the filter goes on writing into its own
    return steps


def assert_never_rises(hold: Hold) -> None:
    shares = np.array([[lag.share for lag in each.lags] for each in hold.allowances()])
    y = hold.y - np.sum(shares * hold.movements, axis=1)
    cuts = sorted({0, len(y), *(hold.top_ups or {}), *(hold.others or {})})
    for begin, end in pairwise(cuts):
        assert np.all(y[begin:end] - np.minimum.accumulate(y[begin:end]) < RISE_SIGMAS * SIGMA)


def banked(hold: Hold, steps: list[Step], since: int) -> list[Interval]:
    """Return "a leak since that bin" after every bin beyond it."""
    bank, answers = OnsetBank(), []
    for k in range(since, len(steps)):
        if k in (hold.others or {}):
            bank.change_thermometer()
        bank.take(hold.t_s[k], steps[k])
        answers.append(bank.since_the_start())
    assert answers[0] is None  # one bin says nothing of a rate
    return [each for each in answers if each is not None]


def assert_is_least_squares(hold: Hold, onset: int) -> None:
    assert_never_rises(hold)
    answers = banked(hold, steps_of(hold), onset)
    rates, errors = Joint(hold).least_squares(onset)
    assert len(answers) == len(rates)
    for answer, rate, error in zip(answers, rates, errors, strict=True):
        assert answer.value == pytest.approx(rate, rel=1e-6, abs=2e-6 * error)
        assert answer.high - answer.value == pytest.approx(NORMAL_95 * error, rel=1e-6)
        assert answer.value - answer.low == pytest.approx(NORMAL_95 * error, rel=1e-6)


@pytest.mark.parametrize("place", PLACES)
def test_what_is_new_in_every_bin_is_what_the_joint_gaussian_says(place: Place | None) -> None:
    hold = made_up(place, seed=1)
    assert_never_rises(hold)
    steps, joint = steps_of(hold), Joint(hold)
    assert [step.innovation / sqrt(step.variance) for step in steps] == pytest.approx(joint.new, abs=2e-6)
    assert [sqrt(step.variance) for step in steps] == pytest.approx(joint.sigma, rel=1e-6)
    ours = np.cumsum([norm.logpdf(step.innovation, scale=sqrt(step.variance)) for step in steps])
    assert ours == pytest.approx(joint.log_likelihoods(), rel=1e-6)
    # and the sum of their squares is the quadratic form r' C^-1 r
    residual = hold.y - mean(hold) - (hold.y[0] - mean(hold)[0])
    form = residual @ np.linalg.solve(covariance(hold), residual)
    assert sum(step.innovation**2 / step.variance for step in steps) == pytest.approx(form, rel=1e-5)


@pytest.mark.parametrize("onset", [0, 1, 30, 90])
@pytest.mark.parametrize("place", PLACES)
def test_a_leak_since_any_bin_is_generalised_least_squares(place: Place | None, onset: int) -> None:
    assert_is_least_squares(made_up(place, seed=2), onset)


@pytest.mark.parametrize("onset", [0, 20])
@pytest.mark.parametrize("place", PLACES)
def test_a_leak_goes_on_through_a_top_up(place: Place | None, onset: int) -> None:
    hold = made_up(place, seed=3)
    jump = np.where(np.arange(len(hold.y)) >= 70, log(1.08), 0.0)
    assert_is_least_squares(replace(hold, y=hold.y + jump, top_ups={70: 0.08}), onset)


@pytest.mark.parametrize("onset", [0, 20])
@pytest.mark.parametrize(
    ("first", "second"), [(Place.GAS, Place.WALL), (Place.ROOM, Place.GAS), (None, Place.GAS)]
)
def test_a_leak_goes_on_through_a_change_of_thermometer(
    first: Place | None, second: Place, onset: int
) -> None:
    hold, other = made_up(first, seed=4), allowance_for(second, 8.0)
    shares = [lag.share for lag in hold.allowance.lags], [lag.share for lag in other.lags]
    # the other thermometer stands 2 K higher and has its own lags
    jump = np.where(
        np.arange(len(hold.y)) < 60, 0.0, -2.0 / 293.0 + hold.movements @ np.subtract(*shares[::-1])
    )
    assert_is_least_squares(replace(hold, y=hold.y + jump, others={60: other}), onset)


def test_the_likeliest_leak_is_the_best_of_all_least_squares() -> None:
    # a fall that begins at bin 50; the bank keeps some onsets only, none further from the best than a tenth
    hold = made_up(Place.GAS, seed=5, rate_per_s=0.0)
    hold = replace(hold, y=hold.y - 1.0e-6 * np.maximum(hold.t_s - hold.t_s[50], 0.0))
    assert_never_rises(hold)
    bank, joint, steps = OnsetBank(), Joint(hold), steps_of(hold)
    fits = [joint.least_squares(onset) for onset in range(len(hold.t_s) - 1)]
    for i, (t_s, step) in enumerate(zip(hold.t_s, steps, strict=True)):
        bank.take(t_s, step)
        significance = bank.significance()
        if i == 0:
            assert significance is None
            continue
        best = max(rates[i - 1 - k] / errors[i - 1 - k] for k, (rates, errors) in enumerate(fits[:i]))
        assert significance is not None
        assert significance <= best + 1e-5
        assert significance >= best - 0.02 * abs(best) - 0.01


def test_the_filter_of_the_leaking_pot_begins_with_what_the_bank_has_found() -> None:
    hold, bank = made_up(Place.GAS, seed=6, rate_per_s=1.5e-6), OnsetBank()
    air = AirFilter(hold.allowance, 0.0)
    for t_s, step in zip(hold.t_s, steps_of(hold, air), strict=True):
        bank.take(t_s, step)
    leaking = air.leaking(*bank.moments())
    rate, sigma = leaking.rate_per_s
    found = bank.found().rate_per_s
    assert rate == pytest.approx(found.value, rel=1e-9)
    assert NORMAL_95 * sigma == pytest.approx(found.high - found.value, rel=1e-6)
    assert air.rate_per_s == (0.0, 0.0)
    # and it knows where the air stands: the next bins of that leak are no surprise to it
    one, two, three = hold.movements[-1]
    for i in range(1, 21):
        y = hold.y[-1] - rate * 20.0 * i
        step = leaking.step(20.0, y, SIGMA**2, LOG_K, (one, two, three), 0.0)
        assert abs(step.innovation) < 3.0 * sqrt(step.variance)


@pytest.mark.parametrize("place", PLACES)
def test_the_rate_of_a_leaking_pot_is_known_as_well_as_its_wandering_lets_it(place: Place | None) -> None:
    # a rate known to one part in three, wandering like a Wiener process, against conditioning of the joint
    # Gaussian of rate and bins (Rasmussen & Williams eq. A.6, from memory); y on its mean, so that the
    # estimate stands still
    rate, sigma = 3e-6, 1e-6
    hold = made_up(place, seed=7)
    since_s = hold.t_s - hold.t_s[0]
    hold = replace(hold, y=13.0 + mean(hold) - rate * since_s)
    first, second = [0.0] * SIZE, [[0.0] * SIZE for _ in range(SIZE)]
    first[RATE], second[RATE][RATE] = rate, sigma**2
    air = AirFilter(hold.allowance, 0.0).leaking(first, second)

    knocks = (RATE_WANDER_PER_SQRT_H * rate) ** 2 * np.diff(since_s, prepend=0.0) / 3600.0
    ramps = np.maximum(np.subtract.outer(hold.t_s, hold.t_s), 0.0)  # by bin, and by when the rate was knocked
    whole = covariance(hold) + sigma**2 * _outer(since_s) + (ramps * knocks) @ ramps.T
    for i in range(len(hold.t_s)):
        one, two, three = hold.movements[i]
        elapsed_s = hold.t_s[i] - hold.t_s[i - 1] if i else 0.0
        air.step(elapsed_s, hold.y[i], SIGMA**2, LOG_K, (one, two, three), 0.0)
        if i % 7:
            continue
        seen = slice(0, i + 1)
        shared = -(sigma**2) * since_s[seen] - ramps[seen, seen] @ knocks[seen]
        left = sigma**2 + knocks[seen].sum() - shared @ np.linalg.solve(whole[seen, seen], shared)
        assert air.rate_per_s == pytest.approx((rate, sqrt(left)), rel=2e-6)


# -- mass point: no doubt about the temperature, white noise ---------------------------------------

CERTAIN = Allowance(
    slow=0.0,
    fast=0.0,
    heat=0.0,
    heat_share=0.0,
    transient=0.0,
    soak=0.0,
    stirred_s=1.0,
    lags=(Lag(60.0, 0.0, 0.0), Lag(600.0, 0.0, 0.0), Lag(inf, 0.0, 0.0)),
)
BIN_S, BINS = 2.0, 40  # over before a rise is looked for
COARSE = 3e-3  # noise of a bin, in ln, beside which the level's wander is nothing


def mass_point(t_s: Array, y: Array, noise: float = COARSE) -> list[Interval]:
    """Return the rate since the first point after every point from the second on."""
    with patch("potvigil.core.air.STIRRED", 0.0):  # no fill came before this hold
        air, bank, answers = AirFilter(CERTAIN, 0.0, holds_mould=False), OnsetBank(), []
    for i, (at_s, each) in enumerate(zip(t_s, y, strict=True)):
        step = air.step(at_s - t_s[i - 1] if i else 0.0, each, noise**2, LOG_K, (0.0, 0.0, 0.0), 0.0)
        bank.take(at_s, step)
        answers.append(bank.since_the_start())
    return [each for each in answers if each is not None]


def standard_error(answer: Interval) -> float:
    return (answer.high - answer.value) / NORMAL_95


def cramer_rao_floor(noise: float, points: int, step_s: float) -> float:
    """Return the least variance of a line's slope in white noise, 1/s2: 12 s^2/(dt^2 N (N^2 - 1)).

    Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), example 3.7; from memory.
    """
    return 12.0 * noise**2 / (step_s**2 * points * (points**2 - 1))


def assert_holds_95_of_100(held: int, runs: int) -> None:
    """Bounds that a binomial count of 95 % leaves once in a thousand (scipy)."""
    low, high = binom.interval(0.999, runs, 0.95)
    assert low <= held <= high


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_with_no_doubt_about_the_temperature_the_rate_is_the_mass_point_slope_and_limit(seed: int) -> None:
    # mass-point method (ANSI/ANS-56.8, formulas from memory) on ln W; noise known, so the normal quantile of
    # one-sided 95 % (1.6449) takes the place of Student's
    random = np.random.default_rng(seed)
    t_s = 100.0 + np.cumsum(random.uniform(1.0, 4.0, BINS))
    y = 13.0 - 2e-5 * t_s + random.normal(0.0, COARSE, BINS)
    one_sided = float(norm.ppf(0.95))
    for points, answer in enumerate(mass_point(t_s, y), start=2):
        fit = linregress(t_s[:points], y[:points])
        error = COARSE / sqrt(np.sum((t_s[:points] - t_s[:points].mean()) ** 2))
        assert answer.value == pytest.approx(-fit.slope, abs=1e-5 * error)
        limit = answer.value + one_sided * standard_error(answer)
        assert limit == pytest.approx(-fit.slope + one_sided * error, abs=3e-5 * error)


def test_a_day_of_points_that_lose_a_thousandth_says_a_tenth_of_a_percent_a_day() -> None:
    # 97 points in 24 h, W = 1e5 (1 - 0.001 t/24): 0.1000 % per day of the first mass, 0.05 % more of the mean
    hours = np.arange(97) * 0.25
    day = mass_point(hours * 3600.0, np.log(1e5 * (1.0 - 0.001 * hours / 24.0)), noise=1e-4)[-1]
    assert 100.0 * 86_400.0 * day.value == pytest.approx(0.1 * 1.0005, rel=1e-5)


def test_the_slope_of_a_certain_pot_reaches_the_cramer_rao_floor_and_no_less() -> None:
    points = BIN_S * np.arange(BINS)
    for count, answer in enumerate(mass_point(points, np.full(BINS, 13.0)), start=2):
        floor = cramer_rao_floor(COARSE, count, BIN_S)
        assert standard_error(answer) ** 2 == pytest.approx(floor, rel=1e-5)
    # and with doubt about the thermometer it is never below
    for place in PLACES:
        hold = made_up(place, seed=8)
        hold = replace(hold, t_s=20.0 * np.arange(len(hold.t_s)))
        for count, answer in enumerate(banked(hold, steps_of(hold), 0), start=2):
            assert standard_error(answer) ** 2 > cramer_rao_floor(SIGMA, count, 20.0)


def test_the_one_sided_limit_of_a_certain_pot_is_above_the_truth_in_95_of_100() -> None:
    runs, above, square = 400, 0, 0.0
    one_sided, t_s = float(norm.ppf(0.95)), BIN_S * np.arange(BINS)
    floor = cramer_rao_floor(COARSE, BINS, BIN_S)
    for seed in range(runs):
        random = np.random.default_rng(1000 + seed)
        rate = random.uniform(0.0, 4e-5)
        answer = mass_point(t_s, 13.0 - rate * t_s + random.normal(0.0, COARSE, BINS))[-1]
        above += rate <= answer.value + one_sided * standard_error(answer)
        square += (answer.value - rate) ** 2 / floor
    assert_holds_95_of_100(above, runs)
    low, high = chi2.interval(0.999, runs)
    assert low <= square <= high  # its scatter is the one it claims


# -- coverage: pots drawn from the model -----------------------------------------------------------

RUNS, MODEL_BIN_S, MODEL_BINS = 200, 40.0, 90
KELVIN, ATMOSPHERE_PA = 293.15, 101_325.0
FULL_PA = 515_010.438  # 60 psi gauge
PSI_PER_H = 1.0 / 74.696 / 3600.0  # of the air at 60 psi gauge, 1/s


def model_hold(place: Place) -> Hold:
    """Return the bins of an hour at one temperature; y is to be filled in."""
    t_s = MODEL_BIN_S * np.arange(MODEL_BINS)
    none = np.zeros(MODEL_BINS)
    return Hold(t_s, none, np.zeros((MODEL_BINS, 3)), allowance_for(place, 8.0), holds_mould=False)


class Drawn:
    """Pots drawn from the model, their level known, that leak at a constant rate since a time."""

    def __init__(self, place: Place) -> None:
        self.hold = model_hold(place)
        self._factor = cholesky(covariance(self.hold) - NEW_LEVEL, lower=True)

    def y(self, random: np.random.Generator, rate_per_s: float, onset_s: float) -> Array:
        noise = self._factor @ random.standard_normal(MODEL_BINS)
        full = log(FULL_PA / compressibility(FULL_PA, KELVIN) / KELVIN)
        return np.asarray(full + noise - rate_per_s * np.maximum(self.hold.t_s - onset_s, 0.0))


def followed(hold: Hold, y: Array) -> Leak:
    """Give the bins to the whole leak filter, one reading each, as a probe in the gas would."""
    leak_filter = LeakFilter(LaggedThermometers(), 0.0, holds_mould=False)
    for t_s, each in zip(hold.t_s, y, strict=True):
        ideal_pa = pa = float(np.exp(each)) * KELVIN
        for _ in range(6):  # solves p/Z(p) = ideal
            pa = ideal_pa * compressibility(pa, KELVIN)
        reading = Reading(t_s, None, pa - ATMOSPHERE_PA, pa, ATMOSPHERE_PA, KELVIN, None, None, Quality.GOOD)
        leak_filter.add(reading, pa * sqrt(SIGMA**2 - ROUNDING**2))
    assert leak_filter.estimate is not None
    return leak_filter.estimate


def test_the_rate_of_a_leak_from_the_start_lies_in_its_interval_in_95_of_100() -> None:
    pots, held = Drawn(Place.GAS), 0
    hold = pots.hold
    for seed in range(RUNS):
        random = np.random.default_rng(5000 + seed)
        rate = PSI_PER_H * random.uniform(0.0, 0.5)
        y = pots.y(random, rate, onset_s=0.0)
        air, bank = AirFilter(hold.allowance, 0.0, holds_mould=False), OnsetBank()
        for i, t_s in enumerate(hold.t_s):
            elapsed_s = MODEL_BIN_S if i else 0.0
            bank.take(t_s, air.step(elapsed_s, y[i], SIGMA**2, LOG_K, (0.0, 0.0, 0.0), 0.0))
        answer = bank.since_the_start()
        assert answer is not None
        held += answer.low <= rate <= answer.high
    assert_holds_95_of_100(held, RUNS)


def test_rate_and_onset_of_a_leak_in_mid_hold_lie_in_their_intervals_in_95_of_100() -> None:
    pots, found, rates_held, onsets_held = Drawn(Place.GAS), 0, 0, 0
    for seed in range(RUNS):
        random = np.random.default_rng(9000 + seed)
        rate = PSI_PER_H * random.uniform(1.0, 4.0)
        onset_s = random.uniform(0.25, 0.6) * pots.hold.t_s[-1]
        leak = followed(pots.hold, pots.y(random, rate, onset_s))
        if leak.onset_s is None:
            continue
        found += 1
        rates_held += leak.rate_per_s.low <= rate <= leak.rate_per_s.high
        onsets_held += leak.onset_s.low <= onset_s <= leak.onset_s.high
    assert found >= RUNS - 1
    # of the rate more than 95 may: its interval also carries how a leak may change, which these do not
    assert rates_held >= binom.interval(0.999, found, 0.95)[0]
    assert_holds_95_of_100(onsets_held, found)
