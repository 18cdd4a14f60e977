"""The bench's limit against matched filters run on random numbers, and scipy's normal distribution."""

import sys
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm, uniform

PA_PER_PSI = 6894.757293168361  # NIST SP 811 (2008), Appendix B.8
STEP_S = 5.0
NIGHTS = 20_000


sys.path.insert(0, str(Path(__file__).parents[1] / "bench/detection"))

import limit  # noqa: E402


def ramp_pa(psi_per_h: float, readings: int) -> np.ndarray:
    return psi_per_h * PA_PER_PSI / 3600.0 * STEP_S * np.arange(1, readings + 1)


def readings_until(psi_per_h: float, sigma_pa: float, sigmas: float = 5.0, power: float = 0.5) -> int:
    delay_min = limit.delay_min(psi_per_h, sigma_pa, STEP_S, sigmas=sigmas, power=power)
    return round(delay_min * 60.0 / STEP_S)


def statistics(ramp: np.ndarray, sigma_pa: float, seed: int, leaks: bool) -> np.ndarray:
    """Return the matched filter's statistic after every reading of every night, in sigmas."""
    noise = np.random.default_rng(seed).normal(0.0, sigma_pa, (NIGHTS, len(ramp)))
    seen = noise + ramp if leaks else noise
    return np.cumsum(seen * ramp, axis=1) / (sigma_pa * np.sqrt(np.cumsum(ramp**2)))


@pytest.mark.parametrize(("psi_per_h", "sigma_pa"), [(1.5, 60.0), (1.5, 150.0), (0.3, 90.0), (15.0, 100.0)])
@pytest.mark.parametrize("power", [0.5, 0.95])
def test_the_filter_reaches_that_power_at_that_reading_and_not_before(
    psi_per_h: float, sigma_pa: float, power: float
) -> None:
    n = readings_until(psi_per_h, sigma_pa, power=power)
    ramp = ramp_pa(psi_per_h, n)
    passed = (statistics(ramp, sigma_pa, seed=n, leaks=True) >= 5.0).mean(axis=0)
    error = 4.0 * np.sqrt(0.25 / NIGHTS)
    assert passed[-1] >= power - error
    assert n == 1 or passed[-2] < power + error
    # Kay, Detection Theory (1998), ch. 4, from memory: power = Phi(d - z)
    assert passed[-1] == pytest.approx(norm.cdf(np.linalg.norm(ramp) / sigma_pa - 5.0), abs=error)


@pytest.mark.parametrize("sigmas", [2.0, 3.09, 5.0])
def test_the_reading_is_the_one_found_by_adding_up_the_squares(sigmas: float) -> None:
    for psi_per_h in np.geomspace(0.02, 200.0, 300):
        total = 0.0
        for n in count(1):
            total += (psi_per_h * PA_PER_PSI / 3600.0 * STEP_S * n / 100.0) ** 2
            if total >= sigmas**2:
                break
        assert readings_until(psi_per_h, 100.0, sigmas=sigmas) == n


def test_continuous_watching_is_no_faster_at_the_same_false_alarm_rate() -> None:
    sigmas, sigma_pa, psi_per_h = 2.0, 100.0, 1.5
    limit_n = readings_until(psi_per_h, sigma_pa, sigmas=sigmas)
    ramp = ramp_pa(psi_per_h, 3 * limit_n)
    highest = statistics(ramp, sigma_pa, seed=1, leaks=False).max(axis=1)
    threshold = np.quantile(highest, norm.cdf(sigmas))
    cried = statistics(ramp, sigma_pa, seed=2, leaks=True) >= threshold
    assert cried.any(axis=1).all()
    assert np.median(cried.argmax(axis=1) + 1) >= limit_n


def test_the_noise_of_a_reading_is_that_of_rounded_means() -> None:
    random = np.random.default_rng(3)
    noise_pa, step_pa = 20.0, 30.0
    level_pa = uniform.rvs(0.0, 1e4, size=NIGHTS, random_state=random)
    means = (level_pa[:, None] + random.normal(0.0, noise_pa, (NIGHTS, 5))).mean(axis=1)
    read = np.round(means / step_pa) * step_pa
    assert limit.reading_noise_pa(noise_pa, 5, step_pa) == pytest.approx(np.std(read - level_pa), rel=0.02)


@pytest.mark.parametrize("rate", [0.0, -1.0])
def test_a_sound_pot_has_no_detection_limit(rate: float) -> None:
    with pytest.raises(ValueError, match="no limit"):
        limit.delay_min(rate, 100.0, STEP_S)
