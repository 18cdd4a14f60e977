"""The scatter of single readings, against numpy, and which of them are outliers or restless."""

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.sensing.noise import ASTRAY_PA, Steadiness
from shut_pot import PSI


def after(readings_pa: Iterable[float], step_s: float = 1.0) -> Steadiness:
    steadiness = Steadiness()
    for i, pa in enumerate(readings_pa):
        steadiness.update(i * step_s, float(pa))
    return steadiness


@pytest.mark.parametrize("slope_psi_per_h", [0.0, -90.0, 600.0])
@pytest.mark.parametrize("sigma_psi", [0.002, 0.03, 0.08])
@pytest.mark.parametrize("step_s", [0.25, 1.0, 10.0])
def test_the_scatter_estimate_ignores_the_slope(
    step_s: float, sigma_psi: float, slope_psi_per_h: float
) -> None:
    random = np.random.default_rng(1)
    t_s = np.arange(2000) * step_s
    readings_pa = (60.0 + slope_psi_per_h * t_s / 3600.0 + random.normal(0.0, sigma_psi, t_s.size)) * PSI
    steadiness = after(readings_pa, step_s)
    of_all_pa = float(np.std(np.diff(readings_pa, 2), ddof=1)) / 6.0**0.5
    assert steadiness.usual_pa == pytest.approx(of_all_pa, rel=0.15)
    assert not steadiness.restless


def test_turns_of_normal_readings_average_sigma_over_root_pi() -> None:
    # David and Nagaraja, Order Statistics: the highest of three normal readings is 3/(2 sqrt(pi)) sigma
    # above their mean (from memory), checked here with two hundred thousand of them
    readings = np.random.default_rng(2).normal(size=200_000)
    before, after_it = np.diff(readings)[:-1], -np.diff(readings)[1:]
    turns = np.where(before * after_it > 0.0, np.minimum(abs(before), abs(after_it)), 0.0)
    assert turns.mean() == pytest.approx(np.pi**-0.5, rel=0.01)


def test_coarse_steps_count_as_scatter() -> None:
    # rounding to a step adds step^2 / 12 where the scatter is not small against it (Widrow and Kollar,
    # Quantization Noise, chapter 5; from memory)
    random = np.random.default_rng(3)
    step_pa, sigma_pa = 0.12 * PSI, 0.08 * PSI
    readings_pa = np.round((60.0 * PSI + random.normal(0.0, sigma_pa, 4000)) / step_pa) * step_pa
    assert after(readings_pa).usual_pa == pytest.approx((sigma_pa**2 + step_pa**2 / 12.0) ** 0.5, rel=0.1)


def test_increased_scatter_shows_at_once_but_is_not_usual_yet() -> None:
    random = np.random.default_rng(4)
    quiet, loud = random.normal(0.0, 0.01 * PSI, 1800), random.normal(0.0, 0.15 * PSI, 30)
    steadiness = after([*quiet, *loud])
    assert steadiness.noise_pa == pytest.approx(0.15 * PSI, rel=0.6)
    assert steadiness.usual_pa < 0.04 * PSI
    assert steadiness.noise_pa > 3.0 * steadiness.usual_pa


@settings(max_examples=50, deadline=None)
@given(
    heights=st.lists(st.floats(0.0, 60.0), min_size=3, max_size=60),
    down=st.booleans(),
    step_s=st.sampled_from([0.25, 1.0, 10.0]),
)
def test_a_steady_rise_or_fall_is_never_restless(heights: list[float], down: bool, step_s: float) -> None:
    steadiness = Steadiness()
    for i, psi in enumerate(sorted(heights, reverse=down)):
        steadiness.update(i * step_s, psi * PSI)
        assert not steadiness.restless


@pytest.mark.parametrize("step_s", [0.25, 1.0, 10.0])
def test_two_close_spikes_are_restless_for_a_while(step_s: float) -> None:
    steadiness, t_s = Steadiness(), 0.0
    seen = []
    spiky = [60.0] * 100 + [80.0] + [60.0] * 5 + [45.0] + [60.0] * 400
    for psi in spiky:
        steadiness.update(t_s, psi * PSI)
        seen.append(steadiness.restless)
        t_s += step_s
    first, last = seen.index(True), len(seen) - 1 - seen[::-1].index(True)
    assert 106 <= first <= 108
    assert (last - first) * step_s <= max(45.0, 8.0 * step_s)
    assert steadiness.usual_pa < 0.2 * ASTRAY_PA


def test_only_the_spike_itself_is_astray() -> None:
    steadiness = after([60.0 * PSI] * 50)
    steadiness.update(50.0, 61.0 * PSI)
    assert steadiness.astray
    for t_s in (51.0, 52.0, 53.0):
        steadiness.update(t_s, 60.0 * PSI)
    assert not steadiness.astray
