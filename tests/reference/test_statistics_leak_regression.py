"""The leak filter's answer against least squares by scipy, where both must say the same."""

from math import exp, log
from random import Random

import pytest
from scipy.stats import linregress

from potvigil.leak.estimator import Leak, LeakFilter
from potvigil.model.reading import Quality, Reading
from potvigil.physics.air import compressibility
from potvigil.sensing.before_fill import BeforeFill
from shut_pot import pot

PA = 515_010.438  # 60 psig over one atmosphere
KELVIN = 293.15
NOISE_PA = 200.0  # 0.03 psi
NORMAL_95 = 1.959964


def hold(rate_per_s: float, seed: int, hours: float = 3.0) -> tuple[Leak, float, float]:
    """Run a hold with an exact ramp in ln p; return the filter's answer, scipy's slope and its error."""
    random = Random(seed)
    before = BeforeFill()
    leak_filter = LeakFilter(pot(contents_volume_m3=0.0), before, 0.0)
    times, logs = [], []
    for i in range(int(hours * 360)):
        t_s = 10.0 * i
        absolute_pa = PA * exp(-rate_per_s * t_s) + random.gauss(0.0, NOISE_PA)
        reading = Reading(
            t_s, None, absolute_pa - 101_325.0, absolute_pa, 101_325.0, KELVIN, None, None, Quality.GOOD
        )
        before.update(reading, shut=i > 0)
        leak_filter.add(reading, NOISE_PA)
        times.append(t_s)
        logs.append(log(absolute_pa / compressibility(absolute_pa, KELVIN)))
    fit = linregress(times, logs)
    assert leak_filter.estimate is not None
    return leak_filter.estimate, -fit.slope, fit.stderr


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("psi_per_h", [0.0, 0.2, 0.5, 1.5])
def test_a_ramp_in_white_noise_has_the_slope_of_least_squares(psi_per_h: float, seed: int) -> None:
    rate_per_s = psi_per_h / 74.696 / 3600.0
    leak, slope_per_s, _ = hold(rate_per_s, seed)
    assert leak.rate_per_s.low <= slope_per_s <= leak.rate_per_s.high


def test_no_ramp_is_no_leak_and_a_steep_one_is() -> None:
    assert not hold(0.0, seed=6)[0].established
    assert hold(1.5 / 74.696 / 3600.0, seed=6)[0].established


def test_uncertainty_about_the_pot_only_widens_the_interval() -> None:
    # Gauss and Markov: for white noise alone no unbiased estimate is better than least squares
    leak, _, stderr = hold(0.0, seed=4)
    assert leak.rate_per_s.high - leak.rate_per_s.low >= 2.0 * NORMAL_95 * stderr


def test_the_onset_of_a_ramp_from_the_start_is_the_start() -> None:
    leak, _, _ = hold(1.5 / 74.696 / 3600.0, seed=5)
    assert leak.onset_s is not None
    assert leak.onset_s.low < 900.0
