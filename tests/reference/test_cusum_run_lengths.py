"""Run lengths of the CUSUM that notices a changed leak, against the printed table."""

from random import Random
from statistics import mean

import pytest

from potvigil.statistics.cusum import Cusum, K


def run_length(random: Random, threshold: float, shift: float) -> int:
    cusum = Cusum(threshold)
    length = 1
    while cusum.update(value := random.gauss(shift, 1.0), value, 1.0) is None:
        length += 1
    return length


# Lucas & Crosier, Technometrics 24 (1982) 199, zero-state, two-sided, k = 0.5; as reprinted in Montgomery,
# Introduction to Statistical Quality Control, table of average run lengths
@pytest.mark.parametrize(
    ("threshold", "shift", "printed"),
    [
        (4.0, 0.0, 168.0),
        (5.0, 0.0, 465.0),
        (4.0, 1.0, 8.38),
        (5.0, 1.0, 10.4),
        (4.0, 2.0, 3.34),
        (5.0, 2.0, 4.01),
    ],
)
def test_average_run_lengths_match_the_table(threshold: float, shift: float, printed: float) -> None:
    assert K == 0.5
    random = Random(f"{threshold} {shift}")
    runs = [run_length(random, threshold, shift) for _ in range(2500)]
    # a run length scatters by about its own mean: 2 % at 2500 runs, held to three of these
    assert mean(runs) == pytest.approx(printed, rel=0.06)


def test_what_it_says_of_the_shift_is_the_mean_since() -> None:
    cusum = Cusum(8.0)
    random = Random(1)
    for _ in range(50):
        assert cusum.update(value := 0.3 * random.gauss(0.0, 1.0), value, 20.0) is None
    told = None
    while told is None:
        told = cusum.update(-2.0, -2.0, 20.0)
    assert told == pytest.approx(-0.1, rel=0.1)
