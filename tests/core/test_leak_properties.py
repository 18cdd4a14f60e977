"""What must hold of the leak estimate for any readings: of the filter, the bank, the lags and the parts."""

from collections.abc import Sequence
from itertools import pairwise
from math import exp, inf, isfinite, log
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.core.air import RATE, RISE_SIGMAS, SIZE, AirFilter
from potvigil.core.allowance import ALLOWANCES, allowance_for
from potvigil.core.change import change
from potvigil.core.event import Interval
from potvigil.core.lag import LaggedThermometers
from potvigil.core.leak import Leak, LeakFilter
from potvigil.core.onset import OnsetBank
from potvigil.core.reading import Place, Quality, Reading

HOUR = 3600.0
ATMOSPHERE_PA = 101_325.0
FULL_PA = 515_010.438  # absolute: 60 psi gauge
KELVIN = 293.15
LOG_K = log(KELVIN)
NOISE_PA = 200.0  # 0.03 psi
PSI_PER_H = 1.0 / 74.696 / HOUR  # of the air at 60 psi gauge, 1/s
SIGMA = 1.5e-4  # of a bin, in ln
STILL = (0.0, 0.0, 0.0)

places = st.sampled_from([Place.GAS, Place.WALL, Place.ROOM, None])
seeds = st.integers(0, 10_000)
# bins as a pot may give them, rises, jumps and all; in ln
wild_bins = st.lists(st.floats(-0.01, 0.01), min_size=10, max_size=60)


def few(examples: int) -> settings:
    return settings(max_examples=examples, derandomize=True, deadline=None, database=None)


def reading(
    t_s: float,
    absolute_pa: float,
    *,
    ambient_pa: float = ATMOSPHERE_PA,
    gas_k: float | None = KELVIN,
    wall_k: float | None = None,
    room_k: float | None = None,
) -> Reading:
    gauge_pa = absolute_pa - ambient_pa
    return Reading(t_s, None, gauge_pa, absolute_pa, ambient_pa, gas_k, wall_k, room_k, Quality.GOOD)


def readings(
    times_s: Sequence[float], rate_per_s: float, seed: int, onset_s: float = 0.0, scale: float = 1.0
) -> list[Reading]:
    """Give a pot at one temperature that loses a constant share of its air; all pressures times `scale`."""
    random = Random(seed)
    return [
        reading(
            t_s,
            scale * (FULL_PA * exp(-rate_per_s * max(t_s - onset_s, 0.0)) + random.gauss(0.0, NOISE_PA)),
            ambient_pa=scale * ATMOSPHERE_PA,
        )
        for t_s in times_s
    ]


def estimated(all_of_them: Sequence[Reading], noise_pa: float = NOISE_PA) -> Leak:
    leak_filter = LeakFilter(LaggedThermometers(), all_of_them[0].t_s)
    for each in all_of_them:
        leak_filter.add(each, noise_pa)
    assert leak_filter.estimate is not None
    return leak_filter.estimate


def since_the_start(
    times_s: Sequence[float], y: Sequence[float], place: Place | None
) -> tuple[list[float], list[Interval]]:
    """Return the innovations, and the rate since the start after each bin from the second on."""
    air, bank = AirFilter(allowance_for(place, 8.0), 0.0), OnsetBank()
    innovations, answers = [], []
    for i, t_s in enumerate(times_s):
        elapsed_s = t_s - times_s[i - 1] if i else 0.0
        step = air.step(elapsed_s, y[i], SIGMA**2, LOG_K, STILL, 0.0)
        bank.take(t_s, step)
        innovations.append(step.innovation)
        answer = bank.since_the_start()
        if answer is not None:
            answers.append(answer)
    return innovations, answers


def width(answer: Interval) -> float:
    return answer.high - answer.low


# -- what does not matter --------------------------------------------------------------------------


@few(25)
@given(place=places, y=wild_bins, factor=st.floats(0.1, 10.0))
def test_pressures_times_any_factor_leave_the_filter_and_the_rate_as_they_are(
    place: Place | None, y: list[float], factor: float
) -> None:
    times_s = [20.0 * i for i in range(len(y))]
    news, rates = since_the_start(times_s, y, place)
    scaled_news, scaled_rates = since_the_start(times_s, [each + log(factor) for each in y], place)
    assert scaled_news == pytest.approx(news, rel=1e-6, abs=1e-10)
    for rate, scaled in zip(rates, scaled_rates, strict=True):
        assert width(scaled) == pytest.approx(width(rate), rel=1e-6)
        assert scaled.value == pytest.approx(rate.value, rel=1e-6, abs=1e-6 * width(rate))


@few(4)
@given(seed=seeds, factor=st.floats(0.6, 2.0), psi_per_h=st.sampled_from([0.0, 2.0]))
def test_a_pot_at_twice_the_pressure_leaks_the_same_share(seed: int, factor: float, psi_per_h: float) -> None:
    # but for the real-gas factor, 0.2 % of ln p at 5 bar
    times_s, rate_per_s = [10.0 * i for i in range(720)], psi_per_h * PSI_PER_H
    leak = estimated(readings(times_s, rate_per_s, seed))
    scaled = estimated(readings(times_s, rate_per_s, seed, scale=factor), factor * NOISE_PA)
    tolerance = 0.005 * abs(leak.rate_per_s.value) + 0.02 * width(leak.rate_per_s)
    assert scaled.rate_per_s.value == pytest.approx(leak.rate_per_s.value, abs=tolerance)
    assert width(scaled.rate_per_s) == pytest.approx(width(leak.rate_per_s), rel=0.02)
    assert scaled.established == leak.established


@few(5)
@given(seed=seeds, shift_s=st.integers(0, 10_000_000), psi_per_h=st.sampled_from([0.0, 2.0]))
def test_another_origin_of_the_time_axis_moves_the_onset_and_nothing_else(
    seed: int, shift_s: int, psi_per_h: float
) -> None:
    times_s = [10.0 * i for i in range(540)]
    here = estimated(readings(times_s, psi_per_h * PSI_PER_H, seed, onset_s=1800.0))
    random = Random(seed)
    there = estimated(
        [
            reading(
                t_s + shift_s,
                FULL_PA * exp(-psi_per_h * PSI_PER_H * max(t_s - 1800.0, 0.0)) + random.gauss(0.0, NOISE_PA),
            )
            for t_s in times_s
        ]
    )
    assert there.rate_per_s == here.rate_per_s
    assert (there.significance, there.established) == (here.significance, here.established)
    if here.onset_s is None:
        assert there.onset_s is None
    else:
        assert there.onset_s is not None
        for then, moved in (
            (here.onset_s.low, there.onset_s.low),
            (here.onset_s.value, there.onset_s.value),
            (here.onset_s.high, there.onset_s.high),
        ):
            assert moved - shift_s == pytest.approx(then, abs=1e-6)


# -- gaps and odd times ----------------------------------------------------------------------------


def assert_a_gap_is_no_gain(place: Place | None, seed: int, before: int, missing: int, after: int) -> None:
    # what is known of the rate at a time is at most what it would be with the missing bins seen as well;
    # y falls, so that no heat is opened, and by so little that nothing is an outlier
    random = Random(seed)
    times_s = [20.0 * i for i in range(before + missing + after)]
    y = [-1e-7 * t_s + random.uniform(-0.45, 0.45) * RISE_SIGMAS * SIGMA for t_s in times_s]
    kept = [i for i in range(len(times_s)) if not before <= i < before + missing]
    _, seen = since_the_start(times_s, y, place)
    _, gap = since_the_start([times_s[i] for i in kept], [y[i] for i in kept], place)
    for bins in range(after):
        assert width(gap[before - 1 + bins]) >= width(seen[before + missing - 1 + bins]) * (1.0 - 1e-9)


@few(25)
@given(
    place=places,
    seed=seeds,
    before=st.integers(75, 150),
    missing=st.integers(1, 180),
    after=st.integers(1, 60),
)
def test_bins_that_are_missing_never_make_the_interval_narrower(
    place: Place | None, seed: int, before: int, missing: int, after: int
) -> None:
    assert_a_gap_is_no_gain(place, seed, before, missing, after)


@pytest.mark.parametrize("before", [2, 5, 10])
@pytest.mark.parametrize("place", [Place.GAS, Place.WALL])
def test_nor_do_bins_that_are_missing_while_the_fill_still_stirs_the_gas(place: Place, before: int) -> None:
    for missing in (10, 20, 50):
        assert_a_gap_is_no_gain(place, 1, before, missing, after=60)


@few(15)
@given(
    seed=seeds,
    steps_s=st.lists(st.sampled_from([0.2, 1.0, 7.3, 20.0, 61.7, 600.0, 3600.0]), min_size=150, max_size=300),
    psi_per_h=st.sampled_from([0.0, 0.5, 3.0]),
)
def test_samples_at_any_times_give_a_finite_interval_about_the_truth(
    seed: int, steps_s: list[float], psi_per_h: float
) -> None:
    times_s = np.concatenate([[0.0], np.cumsum(steps_s)]).tolist()
    times_s = [t_s for t_s in times_s if t_s < 8 * HOUR]
    if times_s[-1] < HOUR:
        times_s.append(HOUR)
        times_s.append(HOUR + 30.0)
    leak = estimated(readings(times_s, psi_per_h * PSI_PER_H, seed))
    rate = leak.rate_per_s
    assert all(isfinite(each) for each in (rate.low, rate.value, rate.high, leak.significance))
    assert rate.low < rate.value < rate.high
    # 95 % at 1.96 sigma; 5 sigma are beyond chance
    assert abs(rate.value - psi_per_h * PSI_PER_H) < 5.0 * width(rate) / (2.0 * 1.96)
    if leak.onset_s is not None:
        assert leak.onset_s.low <= leak.onset_s.value <= leak.onset_s.high


@few(6)
@given(
    seed=seeds,
    psi_per_h=st.floats(1.0, 5.0),
    onset_s=st.floats(0.0, HOUR),
    rise=st.floats(0.01, 0.2),
    after_s=st.floats(1.5 * HOUR, 2 * HOUR),
)
def test_a_leak_stays_one_leak_through_a_top_up(
    seed: int, psi_per_h: float, onset_s: float, rise: float, after_s: float
) -> None:
    rate_per_s = psi_per_h * PSI_PER_H
    top_up_s = onset_s + after_s
    leak_filter = LeakFilter(LaggedThermometers(), 0.0)
    random = Random(seed)
    topped_up = False
    for i in range(int((top_up_s + HOUR) / 10.0)):
        t_s = 10.0 * i
        absolute_pa = FULL_PA * exp(-rate_per_s * max(t_s - onset_s, 0.0))
        if t_s >= top_up_s and not topped_up:
            before = leak_filter.estimate
            assert before is not None and before.established
            leak_filter.top_up(rise)
            topped_up = True
        if topped_up:
            absolute_pa *= 1.0 + rise
        leak_filter.add(reading(t_s, absolute_pa + random.gauss(0.0, NOISE_PA)), NOISE_PA)
        if topped_up:
            leak = leak_filter.estimate
            assert leak is not None and leak.established and leak.onset_s is not None
            assert leak.onset_s.value < top_up_s
    assert topped_up
    assert leak is not None
    assert abs(leak.rate_per_s.value - rate_per_s) < width(leak.rate_per_s)  # 4 sigma


# -- numbers that stay what they are ---------------------------------------------------------------


def assert_is_a_covariance(p: list[list[float]]) -> None:
    matrix = np.array(p)
    diagonal = np.diag(matrix)
    assert np.all(np.isfinite(matrix))
    assert np.all(diagonal >= 0.0)
    scale = np.sqrt(np.multiply.outer(diagonal, diagonal))
    # beside their own size: rounding of a level that may be anything, 1 in ln
    assert np.all(np.abs(matrix - matrix.T) <= 1e-7 * scale + 1e-16)
    assert np.all(np.abs(matrix) <= (1.0 + 1e-6) * scale + 1e-15)


@few(2)
@given(
    seed=seeds,
    bin_s=st.sampled_from([35.0, 60.0]),
    events=st.lists(
        st.sampled_from([Place.GAS, Place.WALL, Place.ROOM, None, 0.02, 0.3]), min_size=20, max_size=60
    ),
)
def test_covariances_stay_covariances_over_three_days(
    seed: int, bin_s: float, events: list[Place | float | None]
) -> None:
    random = Random(seed)
    bins = int(72 * HOUR / bin_s)
    due = dict(zip(sorted(random.sample(range(1, bins), len(events))), events, strict=True))
    sound = AirFilter(allowance_for(Place.WALL, 8.0), 0.0015)
    mean, second = [0.0] * SIZE, [[0.0] * SIZE for _ in range(SIZE)]
    mean[RATE], second[RATE][RATE] = 2.0 * PSI_PER_H, PSI_PER_H**2
    leaking = sound.leaking(mean, second)
    level = 13.0
    for i in range(bins):
        if i in due:
            event = due[i]
            level = 13.0
            for air in (sound, leaking):
                if isinstance(event, float):
                    air.reopen(event)
                else:
                    air.allow(allowance_for(event, 8.0), 0.0015)
        level -= 0.05 * PSI_PER_H * bin_s
        y = level + random.gauss(0.0, SIGMA) + 0.002 * np.sin(2.0 * np.pi * i * bin_s / (24 * HOUR))
        movements = (random.gauss(0.0, 0.001), random.gauss(0.0, 0.002), random.gauss(0.0, 0.005))
        elapsed_s = (HOUR if random.random() < 0.001 else bin_s) if i else 0.0
        for air in (sound, leaking):
            air.step(elapsed_s, float(y), SIGMA**2, LOG_K, movements, -1e-6)
        if i % 100 == 0 or i in due:
            assert_is_a_covariance(sound._p)
            assert_is_a_covariance(leaking._p)


@few(3)
@given(steps_s=st.lists(st.sampled_from([20.0, 20.0, 20.0, 21.7, 300.0]), min_size=1, max_size=30))
def test_the_onsets_that_are_kept_stay_few_over_three_days(steps_s: list[float]) -> None:
    step = AirFilter(allowance_for(Place.GAS, 8.0), 0.0).step(0.0, 0.0, SIGMA**2, LOG_K, STILL, 0.0)
    bank, t_s, i = OnsetBank(), 0.0, 0
    while t_s < 72 * HOUR:
        bank.take(t_s, step)
        t_s += steps_s[i % len(steps_s)]
        i += 1
        assert len(bank._onsets) < 80
    kept_s = [each.t_s for each in bank._onsets]
    assert kept_s[0] == 0.0
    assert kept_s == sorted(set(kept_s))


pressures_pa = st.floats(0.0, 1.2e6)
outside_pa = st.floats(85_000.0, 106_000.0)
kelvins = st.one_of(st.none(), st.floats(265.0, 320.0))
rates = st.floats(-1e-6, 1e-4)
leaks = st.one_of(
    st.none(),
    st.builds(
        lambda rate, onset_s, lost: Leak(
            Interval(rate, rate - 1e-7, rate + 1e-7),
            None if onset_s is None else Interval(onset_s, onset_s - 60.0, onset_s + 60.0),
            lost,
            onset_s is not None,
            6.0,
        ),
        rates,
        st.one_of(st.none(), st.floats(-10_000.0, 40_000.0)),
        st.floats(0.0, 0.5),
    ),
)


@few(300)
@given(
    gauges_pa=st.tuples(pressures_pa, pressures_pa),
    ambients_pa=st.tuples(outside_pa, outside_pa),
    gases_k=st.tuples(kelvins, kelvins),
    walls_k=st.tuples(kelvins, kelvins),
    leak=leaks,
    top_up_pa=st.floats(0.0, 3e5),
)
def test_the_parts_of_a_change_add_up_whatever_was_read(
    gauges_pa: tuple[float, float],
    ambients_pa: tuple[float, float],
    gases_k: tuple[float | None, float | None],
    walls_k: tuple[float | None, float | None],
    leak: Leak | None,
    top_up_pa: float,
) -> None:
    start, now = (
        reading(t_s, gauge_pa + ambient_pa, ambient_pa=ambient_pa, gas_k=gas_k, wall_k=wall_k)
        for t_s, gauge_pa, ambient_pa, gas_k, wall_k in zip(
            (0.0, 30_000.0), gauges_pa, ambients_pa, gases_k, walls_k, strict=True
        )
    )
    parts = change(start, now, leak, top_up_pa)
    assert parts is not None
    causes = (parts.cooling_pa, parts.barometer_pa, parts.leak_pa, parts.top_up_pa)
    assert parts.total_pa == now.gauge_pa - start.gauge_pa
    assert sum(causes) == pytest.approx(parts.total_pa, abs=1e-6 * max(1.0, *map(abs, causes)))


# -- thermometers and their averages ---------------------------------------------------------------


def averages_k(lagged: LaggedThermometers, place: Place, kelvin: float) -> list[float]:
    """Return the three averages that the movements stand for."""
    left, averages = kelvin, []
    for movement in lagged.movements(place, kelvin):
        left -= movement * kelvin
        averages.append(left)
    return averages


def at_place(t_s: float, place: Place, kelvin: float | None) -> Reading:
    one = {"gas_k": None, "wall_k": None, "room_k": None} | {f"{place}_k": kelvin}
    return reading(t_s, FULL_PA, **one)


def relaxed(over_s: float, elapsed_s: float) -> float:
    return 1.0 if over_s == inf else exp(-elapsed_s / over_s)


known_places = st.sampled_from(list(Place))
cuts_s = st.lists(st.floats(0.1, 900.0), min_size=1, max_size=60)


@few(40)
@given(place=known_places, cuts=cuts_s, first_k=st.floats(275.0, 310.0), then_k=st.floats(275.0, 310.0))
def test_averages_of_a_steady_thermometer_do_not_depend_on_how_the_time_is_cut(
    place: Place, cuts: list[float], first_k: float, then_k: float
) -> None:
    # tau x' + x = T from x = T0: x = T - (T - T0) exp(-t/tau)
    lagged, t_s = LaggedThermometers(), 50.0
    lagged.update(at_place(t_s, place, first_k), shut=False)
    for cut_s in cuts:
        t_s += cut_s
        lagged.update(at_place(t_s, place, then_k), shut=True)
    for average_k, lag in zip(averages_k(lagged, place, then_k), ALLOWANCES[place].lags, strict=True):
        expected_k = then_k - (then_k - first_k) * relaxed(lag.over_s, t_s - 50.0)
        assert average_k == pytest.approx(expected_k, abs=1e-9)


@few(40)
@given(place=known_places, cuts=cuts_s, seed=seeds)
def test_averages_of_any_thermometer_are_those_of_a_first_order_lag_behind_its_steps(
    place: Place, cuts: list[float], seed: int
) -> None:
    # the same equation for a staircase, each reading standing since the one before: the sum of its responses
    random = Random(seed)
    ends_s = [0.0, *np.cumsum(cuts).tolist()]
    kelvin = [random.uniform(280.0, 300.0) for _ in ends_s]
    lagged = LaggedThermometers()
    for t_s, each in zip(ends_s, kelvin, strict=True):
        lagged.update(at_place(t_s, place, each), shut=t_s > 0.0)
    for average_k, lag in zip(averages_k(lagged, place, kelvin[-1]), ALLOWANCES[place].lags, strict=True):
        expected_k = kelvin[0] * relaxed(lag.over_s, ends_s[-1]) + sum(
            each * (relaxed(lag.over_s, ends_s[-1] - end_s) - relaxed(lag.over_s, ends_s[-1] - begin_s))
            for each, (begin_s, end_s) in zip(kelvin[1:], pairwise(ends_s), strict=True)
        )
        assert average_k == pytest.approx(expected_k, abs=1e-9)


@few(30)
@given(
    place=known_places,
    step_s=st.sampled_from([1.0, 2.0, 10.0]),
    hours=st.floats(0.1, 3.0),
    kelvin_per_h=st.floats(-6.0, 6.0),
)
def test_averages_of_a_ramp_are_those_of_a_first_order_lag_within_half_a_step(
    place: Place, step_s: float, hours: float, kelvin_per_h: float
) -> None:
    # tau x' + x = T0 + s t from x = T0: x = T0 + s (t - tau (1 - exp(-t/tau))); a reading stands for the
    # whole step before it, so the averages lead by at most half of what the thermometer moves in a step
    lagged, per_s = LaggedThermometers(), kelvin_per_h / HOUR
    lagged.update(at_place(0.0, place, 293.0), shut=False)
    steps = int(hours * HOUR / step_s)
    for i in range(1, steps + 1):
        lagged.update(at_place(i * step_s, place, 293.0 + per_s * i * step_s), shut=True)
    t_s = steps * step_s
    now_k = 293.0 + per_s * t_s
    for average_k, lag in zip(averages_k(lagged, place, now_k), ALLOWANCES[place].lags, strict=True):
        tau = lag.over_s
        expected_k = 293.0 if tau == inf else 293.0 + per_s * (t_s - tau * (1.0 - exp(-t_s / tau)))
        assert abs(average_k - expected_k) <= 0.5 * abs(per_s) * step_s + 1e-9


@few(30)
@given(place=known_places, silent=st.integers(1, 400), spoken=st.integers(1, 50))
def test_a_thermometer_that_was_silent_has_not_stopped_the_time(
    place: Place, silent: int, spoken: int
) -> None:
    # it answers the same after as before: what the averages had to catch up with, they have
    lagged, then_k = LaggedThermometers(), 290.0
    lagged.update(at_place(0.0, place, 293.0), shut=False)
    kelvins: list[float | None] = [then_k] * spoken + [None] * silent + [then_k]
    for i, kelvin in enumerate(kelvins, start=1):
        lagged.update(at_place(10.0 * i, place, kelvin), shut=True)
    for average_k, lag in zip(averages_k(lagged, place, then_k), ALLOWANCES[place].lags, strict=True):
        expected_k = then_k + 3.0 * relaxed(lag.over_s, 10.0 * len(kelvins))
        assert average_k == pytest.approx(expected_k, abs=1e-9)


def test_a_thermometer_of_which_nothing_is_known_has_not_moved() -> None:
    lagged = LaggedThermometers()
    assert lagged.movements(None, 293.0) == lagged.movements(Place.WALL, 293.0) == STILL


# -- a movement at a stroke -------------------------------------------------------------------------


def moved_at_a_stroke(fell_psi: float, at_s: float, seed: int, until_s: float = 2.0 * HOUR) -> list[Reading]:
    random, psi_pa = Random(seed), 6894.757
    return [
        reading(t_s, FULL_PA - (fell_psi * psi_pa if t_s >= at_s else 0.0) + random.gauss(0.0, NOISE_PA))
        for t_s in np.arange(0.0, until_s, 2.0)
    ]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("at_s", [3600.0, 3606.0, 3616.0])  # at the edge of a bin and within
@pytest.mark.parametrize("fell_psi", [-0.3, 0.05, 0.08, 0.12, 0.4, 1.5])
def test_a_movement_at_a_stroke_that_stays_is_never_a_leak(fell_psi: float, at_s: float, seed: int) -> None:
    leak_filter = LeakFilter(LaggedThermometers(), 0.0)
    for each in moved_at_a_stroke(fell_psi, at_s, seed):
        leak_filter.add(each, NOISE_PA)
        assert leak_filter.estimate is None or not leak_filter.estimate.established
    assert leak_filter.estimate is not None
    rate = leak_filter.estimate.rate_per_s
    assert rate.low <= 0.0 <= rate.high


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("steps_psi", [(0.14, 0.49), (0.3, 0.6), (-0.3, -0.6), (0.4, -0.4), (0.45, 0.45)])
def test_a_movement_that_comes_back_within_a_minute_is_never_a_leak(
    steps_psi: tuple[float, float], seed: int
) -> None:
    leak_filter = LeakFilter(LaggedThermometers(), 0.0)
    random, steps_pa = Random(seed), {3600.0 + 20.0 * i: psi * 6894.757 for i, psi in enumerate(steps_psi)}
    for t_s in np.arange(0.0, 1.5 * HOUR, 10.0):
        moved_pa = next((pa for at_s, pa in steps_pa.items() if at_s <= t_s < at_s + 20.0), 0.0)
        leak_filter.add(reading(t_s, FULL_PA + moved_pa + random.gauss(0.0, NOISE_PA)), NOISE_PA)
        assert leak_filter.estimate is None or not leak_filter.estimate.established


def test_what_came_just_before_readings_went_astray_can_be_dropped() -> None:
    leak_filter, random = LeakFilter(LaggedThermometers(), 0.0), Random(4)
    for t_s in np.arange(0.0, HOUR, 10.0):
        leak_filter.add(reading(t_s, FULL_PA + random.gauss(0.0, NOISE_PA)), NOISE_PA)
    before = leak_filter.estimate
    leak_filter.drop_bin()
    leak_filter.add(reading(HOUR, 0.9 * FULL_PA), NOISE_PA)
    leak_filter.drop_bin()
    leak_filter.add(reading(HOUR + 10.0, FULL_PA), NOISE_PA)
    assert leak_filter.estimate == before
    leak_filter.add(reading(HOUR + 40.0, FULL_PA), NOISE_PA)
    assert leak_filter.estimate is not None
    assert not leak_filter.estimate.established
    assert leak_filter.estimate.rate_per_s.high < 3.0 * PSI_PER_H


@pytest.mark.parametrize(
    ("psi_per_h", "within_s"), [(3.0, 240.0), (10.0, 150.0), (30.0, 120.0), (100.0, 120.0)]
)
def test_what_goes_on_falling_is_a_leak_within_minutes_however_fast(
    psi_per_h: float, within_s: float
) -> None:
    times_s = np.arange(0.0, 3600.0 + within_s, 2.0)
    for seed in range(5):
        found = estimated(readings(times_s, psi_per_h * PSI_PER_H, seed, onset_s=3600.0))
        assert found.established
        assert found.rate_per_s.value == pytest.approx(psi_per_h * PSI_PER_H, rel=0.5)
