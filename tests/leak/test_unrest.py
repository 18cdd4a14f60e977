"""Unrest of a thermometer: white innovations cause hardly any, biased ones do, and it fades."""

import numpy as np
import pytest

from potvigil.leak.bank import PotBank
from potvigil.leak.pot_model import CORE, FAST, LEFT_BEHIND, ROOM, SURFACE, WALL, WALL_OFFSET, Sizes
from potvigil.leak.unrest import MOVES, Unrest
from potvigil.model.reading import Place

SIGMA_K = 0.05
SIZES = Sizes(0.020, 0.004)


def after(innovations_k: np.ndarray, variance_k2: float = SIGMA_K**2) -> list[float]:
    """Return the unrest after each innovation, K^2 a bin."""
    unrest, course = Unrest(), []
    for innovation_k in innovations_k:
        unrest.see(float(innovation_k), variance_k2)
        course.append(unrest.per_bin_k2)
    return course


def test_white_noise_rarely_causes_unrest():
    """Two-sided CUSUM, K 0.5, H 8: once in 9500 values (Siegmund, as in statistics/cusum.py)."""
    noise_k = np.random.default_rng(6).normal(0.0, SIGMA_K, 380_000)
    course = np.array(after(noise_k))
    rises = int((np.diff(course) > 0.0).sum())
    assert 20 <= rises <= 65  # 40 by the formula, some hidden by what is left of an earlier one
    assert course.max() < 4.0 * SIGMA_K**2


@pytest.mark.parametrize("way", [-1.0, 1.0])
def test_minutes_of_bias_cause_unrest_of_the_same_size(way):
    course = after(np.full(90, way * 0.1))
    assert course[-1] == pytest.approx(0.1**2, rel=0.2)
    assert course[4] == 0.0  # 100 s of two sigma may be chance
    assert course[5] > 0.0


def test_alternating_innovations_cause_no_unrest():
    assert after(np.resize([0.12, -0.12], 400))[-1] == 0.0


def test_unrest_outlasts_a_cloud_and_fades_within_hours():
    stirred = after(np.full(90, 0.1))[-1]
    calm = after(np.concatenate((np.full(90, 0.1), np.zeros(1080))))
    assert 0.4 * stirred < calm[90 + 90] < 0.6 * stirred  # half an hour later
    assert calm[-1] < 0.01 * stirred  # six hours later


def test_one_jump_of_a_knocked_probe_causes_no_unrest():
    assert after(np.array([5.0, *np.zeros(30)]))[-1] == 0.0


def test_heat_from_outside_moves_the_wall_and_leaves_part_of_the_gas_behind():
    moved = MOVES[Place.WALL]
    assert moved[WALL, SURFACE] == moved[WALL, CORE] == -LEFT_BEHIND
    assert moved[SURFACE, CORE] == LEFT_BEHIND**2
    gas = moved[WALL, WALL] + 2.0 * moved[WALL, SURFACE] + moved[SURFACE, SURFACE]
    assert gas == pytest.approx((1.0 - LEFT_BEHIND) ** 2 + 0.5**2)  # half of it, give or take a half
    assert moved[WALL_OFFSET, WALL_OFFSET] == MOVES[Place.ROOM][ROOM, ROOM] == 1.0
    assert np.linalg.eigvalsh(moved).min() > -1e-12


@pytest.mark.parametrize(("place", "state"), [(Place.WALL, WALL), (Place.ROOM, ROOM)])
def test_an_unexplained_climb_makes_the_place_of_its_thermometer_less_certain(place, state):
    def unsure(k_per_bin: float) -> float:
        bank = PotBank(SIZES)
        for i in range(60):
            bank.carry(20.0)
            bank.see_probe(place, k_per_bin * max(i - 20, 0))
        bank.carry(20.0)
        return float(bank.p[0, state, state])

    assert unsure(0.3) > 1.5 * unsure(0.0)


def test_probes_in_the_gas_or_on_the_mould_have_no_unrest():
    bank = PotBank(SIZES)
    for place in (Place.GAS, Place.CONTENTS):
        for i in range(30):
            bank.see_probe(place, 0.3 * i)
    assert set(bank._unrest) == {Place.WALL, Place.ROOM}
    assert all(each.per_bin_k2 == 0.0 for each in bank._unrest.values())


def test_a_leaking_bank_keeps_its_own_unrest():
    bank = PotBank(SIZES)
    states = np.zeros(bank.x.shape)
    other = bank.leaking(states, np.zeros(bank.p.shape), bank.log_weights)
    for i in range(60):
        other.see_probe(Place.WALL, 0.3 * i)
    assert bank._unrest[Place.WALL].per_bin_k2 == 0.0 < other._unrest[Place.WALL].per_bin_k2


def fast_of(bank: PotBank, air_k: list[float], place: Place) -> float:
    """Return the variance of the model error over minutes, K^2, after bins of the pressure."""
    for each in air_k:
        bank.carry(20.0)
        bank.see_probe(place, 0.0)
        bank.see_air(20.0, 4000.0 + each, 0.02**2)
    bank.carry(600.0)
    return float(bank.p[0, FAST, FAST])


CALM = [0.0] * 60
RISE = [0.05 * i for i in range(20)]


def test_a_rise_the_gas_probe_does_not_see_is_not_heat_and_may_reverse_as_fast():
    calm = fast_of(PotBank(SIZES), CALM + [0.0] * 20, Place.GAS)
    assert fast_of(PotBank(SIZES), CALM + RISE, Place.GAS) > 2.0 * calm
    assert fast_of(PotBank(SIZES), CALM + [-each for each in RISE], Place.GAS) < 1.5 * calm  # may be a leak
    assert fast_of(PotBank(SIZES), CALM + RISE, Place.WALL) < 1.5 * calm  # may be the resin


def test_a_slowing_leak_is_not_a_drift_of_the_sensor():
    bank = PotBank(SIZES)
    other = bank.leaking(np.zeros(bank.x.shape), np.zeros(bank.p.shape), bank.log_weights)
    other.see_probe(Place.GAS, 0.0)
    assert other._rises is None
    bank.see_probe(Place.GAS, 0.0)
    assert bank._rises is not None
    assert bank.leaking(np.zeros(bank.x.shape), np.zeros(bank.p.shape), bank.log_weights)._rises is None
