"""The control chart's arithmetic against printed run lengths, a worked example and a library's quantiles."""

import math
from random import Random
from statistics import mean

import numpy as np
import pytest
from scipy import optimize, stats

from potvigil.statistics.ewma import LAMBDA, Ewma, L
from potvigil.statistics.small_samples import fieller, level, same_tail, student

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (from memory; the recursion recomputed)
NIST_TARGET, NIST_SIGMA, NIST_LAMBDA = 50.0, 2.0539, 0.3
NIST_DATA = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
NIST_EWMA = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip
NIST_LIMITS = (47.4115, 52.5884)


def test_the_handbooks_worked_example() -> None:
    chart = Ewma(NIST_LAMBDA)
    variance = NIST_SIGMA**2
    for value, printed in zip(NIST_DATA, NIST_EWMA, strict=True):
        chart.add(value - NIST_TARGET, variance, variance)
        assert round(NIST_TARGET + chart.value, 2) == printed
        assert abs(chart.value) <= 3.0 * chart.sigma()
    # the handbook cuts at four figures: 52.58842 and 47.41158
    assert NIST_TARGET - 3.0 * chart.sigma() == pytest.approx(NIST_LIMITS[0], abs=1e-4)
    assert NIST_TARGET + 3.0 * chart.sigma() == pytest.approx(NIST_LIMITS[1], abs=1e-4)


@pytest.mark.parametrize("lam", [0.05, 0.2, 0.4])
def test_limits_are_the_textbooks_where_all_batches_are_equally_well_known(lam: float) -> None:
    # Montgomery, Introduction to Statistical Quality Control: var = s^2 lam/(2 - lam) (1 - (1 - lam)^(2 i))
    chart = Ewma(lam)
    for i in range(1, 60):
        chart.add(0.0, 1.7**2, 1.7**2)
        exact = 1.7 * math.sqrt(lam / (2.0 - lam) * (1.0 - (1.0 - lam) ** (2 * i)))
        assert chart.sigma() == pytest.approx(exact, rel=1e-12)


def test_its_variance_is_what_unequal_values_have() -> None:
    generator = np.random.default_rng(4)
    sigmas = [1.0, 0.4, 5.0, 1.0, 2.0, 0.7, 30.0, 1.0]
    target_sigma = 0.6
    ends = []
    for _ in range(20_000):
        chart, off = Ewma(), generator.normal(0.0, target_sigma)
        for sigma, value in zip(sigmas, generator.normal(0.0, sigmas), strict=True):
            chart.add(value - off, sigma**2, 1.0)
        ends.append(chart.value)
    # a standard deviation from 20,000 values is good to 0.5 %
    assert chart.sigma(target_sigma**2) == pytest.approx(np.std(ends), rel=0.02)


def run_length(random: Random, lam: float, limit: float, shift: float) -> int:
    chart = Ewma(lam, own=lam / (2.0 - lam))  # the limits of a long run from the first value on
    length = 0
    while True:
        length += 1
        chart.add(random.gauss(shift, 1.0), 1.0, 1.0)
        if abs(chart.value) > limit * chart.sigma():
            return length


# Lucas & Saccucci, Technometrics 32 (1990) 1, as in Montgomery's table of average run lengths
# (from memory; all recomputed by an integral equation)
PRINTED = {
    (0.40, 3.054): {0.0: 500.0, 0.25: 224.0, 0.5: 71.2, 1.0: 14.3, 2.0: 3.5},
    (0.25, 2.998): {0.0: 500.0, 0.25: 170.0, 0.5: 48.2, 1.0: 11.1, 2.0: 3.6},
    (0.20, 2.962): {0.0: 500.0, 0.25: 150.0, 0.5: 41.8, 1.0: 10.5, 2.0: 3.7},
    (0.10, 2.814): {0.0: 500.0, 0.25: 106.0, 0.5: 31.3, 1.0: 10.3, 2.0: 4.4},
    (0.05, 2.615): {0.0: 500.0, 0.25: 84.1, 0.5: 28.7, 1.0: 11.4, 2.0: 5.2},
}


@pytest.mark.parametrize(("lam", "limit"), PRINTED)
def test_average_run_lengths_match_the_table(lam: float, limit: float) -> None:
    for shift, printed in PRINTED[lam, limit].items():
        random = Random(f"{lam} {shift}")
        runs = [run_length(random, lam, limit, shift) for _ in range(1600)]
        # a run length scatters by at most about its own mean: 2.5 % at 1600 runs, held to three of these;
        # short ones are printed to 0.1
        assert mean(runs) == pytest.approx(printed, rel=0.075, abs=0.1), shift


def test_the_chart_of_a_pot_is_one_of_them() -> None:
    assert (LAMBDA, L) in PRINTED


# Any table of Student's t; here 0.975 and 0.995, from memory
@pytest.mark.parametrize(
    ("freedom", "at_975", "at_995"),
    [(1, 12.7062, 63.6567), (5, 2.5706, 4.0321), (10, 2.2281, 3.1693), (120, 1.9799, 2.6174)],
)
def test_students_quantiles(freedom: int, at_975: float, at_995: float) -> None:
    assert student(0.975, freedom) == pytest.approx(at_975, abs=6e-5)
    assert student(0.995, freedom) == pytest.approx(at_995, abs=6e-5)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 14, 98])
def test_students_quantiles_far_out_are_scipys(freedom: int) -> None:
    for sigmas in (1.0, 2.962, 4.5):
        assert same_tail(sigmas, freedom) == pytest.approx(
            stats.t.isf(stats.norm.sf(sigmas), freedom), rel=1e-6
        )


def test_the_scatter_between_batches_is_paule_and_mandels() -> None:
    # by their definition: with 1/(s^2 + scatter^2) as weights the squares add up to n - 1
    generator = np.random.default_rng(8)
    for n in (3, 5, 15):
        sigmas = generator.uniform(0.2, 3.0, n)
        values = generator.normal(4.0, np.hypot(sigmas, 3.0))

        def surplus(extra: float, sigmas=sigmas, values=values) -> float:
            weights = 1.0 / (sigmas**2 + extra)
            return float(
                np.sum(weights * (values - np.average(values, weights=weights)) ** 2) - len(values) + 1
            )

        found = level(values.tolist(), sigmas.tolist())
        if surplus(1e-4) > 0.0:
            extra = optimize.brentq(surplus, 1e-4, 1e4)
            assert found.scatter == pytest.approx(math.sqrt(extra), rel=1e-6)
        else:
            assert found.scatter == pytest.approx(0.01)
        assert found.mean == pytest.approx(np.average(values, weights=1.0 / (sigmas**2 + found.scatter**2)))


def test_equal_values_known_alike_have_the_plain_mean_and_standard_deviation() -> None:
    values = np.random.default_rng(2).normal(4.0, 1.0, 12)
    found = level(values.tolist(), [1e-9] * 12)
    assert found.mean == pytest.approx(np.mean(values))
    assert found.scatter == pytest.approx(np.std(values, ddof=1), rel=1e-6)
    low, high = stats.t.interval(0.95, 11, np.mean(values), stats.sem(values))
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), rel=1e-5)


def test_a_ratios_interval_holds_the_truth_on_95_of_100() -> None:
    generator = np.random.default_rng(3)
    tops, bottoms = generator.multivariate_normal((6.0, 2.0), ((0.5, 0.1), (0.1, 0.12)), 4000).T
    found = [
        fieller(top, bottom, 0.5, 0.12, 0.1, 1.959964) for top, bottom in zip(tops, bottoms, strict=True)
    ]
    bounded = [each for each in found if each is not None]
    assert len(bounded) > 3900
    held = mean(float(each.low <= 3.0 <= each.high) for each in bounded)
    # binomial: 0.35 % at 4000
    assert held == pytest.approx(0.95, abs=0.012)
    assert all(each.low <= each.value <= each.high for each in bounded)


def test_a_ratio_to_what_may_be_nothing_has_no_interval() -> None:
    assert fieller(3.0, 0.1, 0.01, 0.01, 0.0, 1.959964) is None
