"""What a wiring resolves, against numpy's and scipy's own: quantised readings, fitted lines, a leak found."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from scipy import stats

from potvigil.model.pot import Transducer
from potvigil.sensing.resolution import FINER, Resolution, resolution
from shut_pot import PSI

DIRECT = Transducer(volts_per_count=187.5e-6, span_pa=100 * PSI)  # ADS1115 at 6.144 V
COARSE = Transducer(volts_per_count=3.3 / 1024 / 0.6, span_pa=100 * PSI)  # MCP3008 behind a divider


def test_one_count_of_the_usual_wiring() -> None:
    # 187.5 uV of 4 V for 100 psi
    assert resolution(DIRECT, 1.0).count_pa == pytest.approx(0.0046875 * PSI, rel=1e-9)


# Mean of round(x + noise) - x over all x in a step, peak to peak, by scipy's normal distribution
@pytest.mark.parametrize("sigma", [0.2, 0.3, 0.4, 0.5])
def test_what_noise_leaves_of_a_step(sigma: float) -> None:
    x = np.linspace(0.0, 1.0, 401)
    k = np.arange(-6, 8)[:, None]
    inside = stats.norm.cdf((k + 0.5 - x) / sigma) - stats.norm.cdf((k - 0.5 - x) / sigma)
    left = np.ptp((k * inside).sum(axis=0) - x)
    count_pa = COARSE.pa_per_count
    said = resolution(COARSE, 1.0, noise=sigma * count_pa / COARSE.span_pa).steps_pa / count_pa
    # the harmonic's amplitude is 1/pi of what is said, so the swing is 2/pi of it
    assert left == pytest.approx(said * 2.0 / np.pi, rel=0.1)


def test_without_noise_a_step_is_a_count() -> None:
    fine = resolution(DIRECT, 1.0, noise=0.0)
    assert fine.steps_pa == fine.count_pa == fine.resolved_pa


def test_scatter_of_a_reading_and_of_a_slope() -> None:
    random = np.random.default_rng(7)
    fine = resolution(COARSE, 2.0, noise=0.001)
    noise_pa = 0.001 * COARSE.span_pa
    n, slopes = 300, []
    t = 2.0 * np.arange(n)
    for _ in range(400):
        exact = random.uniform(0.0, 100 * PSI)
        seen = np.round((exact + random.normal(0.0, noise_pa, (n, 4))) / fine.count_pa) * fine.count_pa
        slopes.append(np.polyfit(t, seen.mean(axis=1), 1)[0])
    expected = fine.scatter_pa * sqrt(12.0 * 2.0 / (2.0 * n) ** 3)
    assert np.std(slopes) == pytest.approx(expected, rel=0.15)


def test_a_measured_supply_brings_its_own_steps() -> None:
    supplied = replace(DIRECT, supply_volts_per_count=187.5e-6)
    # at 4.5 V: one count of the supply against the next, through share and span
    share = [4.5 / (n * 187.5e-6) for n in (26666, 26667)]
    moved_pa = (share[0] - share[1]) / 0.8 * 100 * PSI
    assert resolution(supplied, 1.0).steps_pa == pytest.approx(moved_pa, rel=1e-3)
    assert resolution(DIRECT, 1.0).steps_pa < 0.01 * moved_pa


@pytest.mark.parametrize("transducer", [DIRECT, COARSE, replace(COARSE, supply_volts_per_count=0.0054)])
@pytest.mark.parametrize("rate_psi_per_h", [0.1, 1.0])
def test_at_the_stated_time_steps_and_scatter_are_a_tenth_of_the_leak(
    transducer: Transducer, rate_psi_per_h: float
) -> None:
    rate = rate_psi_per_h * PSI / 3600.0
    fine = resolution(transducer, 1.0)
    t = fine.shown_after_s(rate)
    steps, slope = fine.steps_pa / t, fine.scatter_pa * sqrt(12.0 / t**3)
    assert max(steps, slope) == pytest.approx(rate / FINER)


def test_a_finer_wiring_shows_sooner_and_a_slower_leak_later() -> None:
    rate = 0.1 * PSI / 3600.0
    assert resolution(DIRECT, 1.0).shown_after_s(rate) < resolution(COARSE, 1.0).shown_after_s(rate)
    assert resolution(DIRECT, 1.0).shown_after_s(rate / 2) > resolution(DIRECT, 1.0).shown_after_s(rate)
    assert resolution(DIRECT, 10.0).shown_after_s(rate) > resolution(DIRECT, 1.0).shown_after_s(rate)


def test_the_ten_times_rule_of_astm_e2930() -> None:
    # whole steps of 0.0047 psi, and a tenth of 0.1 psi/h: 28 min
    quiet = Resolution(0.0046875 * PSI, 0.0046875 * PSI, 0.0, 1.0)
    assert quiet.shown_after_s(0.1 * PSI / 3600.0) / 60.0 == pytest.approx(28.1, abs=0.1)
