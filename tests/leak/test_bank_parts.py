"""What a bank teaches, a bank that learns nothing, and what a bank makes of a sudden bin."""

import numpy as np
import pytest

from potvigil.leak.bank import PotBank
from potvigil.leak.cells import CELLS
from potvigil.leak.onsets import OnsetBank
from potvigil.leak.pot_model import CONSTANTS, UPTAKE_MEAN_K, UPTAKE_S, UPTAKE_SIGMA_K, Sizes
from potvigil.model.reading import Place

SIZES = Sizes(0.020, 0.004)


def test_a_hold_teaches_the_uptake_that_was_due_at_its_start() -> None:
    bank = PotBank(SIZES)
    for _ in range(round(UPTAKE_S / 20.0)):  # an e-th of it is left to come
        bank.carry(20.0)
    mean_k, sigma_k = bank.taught()["uptake"]
    assert mean_k == pytest.approx(UPTAKE_MEAN_K, rel=1e-3)
    assert UPTAKE_SIGMA_K < sigma_k < 1.8 * UPTAKE_SIGMA_K  # it does not decay quite as a law says


def test_a_bank_that_learns_nothing_is_sure_of_its_constants_and_of_nothing_else() -> None:
    bank = PotBank(SIZES)
    for _ in range(30):
        bank.carry(20.0)
    before = bank.p.copy()
    bank.learn_nothing()
    assert not bank.p[:, CONSTANTS].any() and not bank.p[:, :, CONSTANTS].any()
    others = np.ones(before.shape[1], dtype=bool)
    others[CONSTANTS] = False
    assert (bank.p[:, others][:, :, others] == before[:, others][:, :, others]).all()


@pytest.mark.parametrize("jump_k", [0.8, -0.8])
@pytest.mark.parametrize("stays", [False, True])
def test_a_sudden_bin_that_does_not_last_moves_no_level(jump_k: float, stays: bool) -> None:
    """A loud reading spoils one bin, and makes the wire seem noisy afterwards; a step stays."""
    bank, onsets = PotBank(SIZES), OnsetBank(CELLS)
    random, level_k, sigma_k = np.random.default_rng(6), 3000.0, 0.05
    for i in range(240):
        onsets.carry(bank, 20.0 if i else 0.0)
        onsets.losses.follow(bank.see_probe(Place.WALL, 0.0))
        jumped_k = jump_k if i == 200 or (stays and i > 200) else 0.0
        noise_k = sigma_k if i <= 200 else 0.22
        air_k = level_k + jumped_k + random.normal(0.0, sigma_k)
        onsets.losses.follow(bank.see_air(20.0, air_k, noise_k**2))
        for sign in (1.0, -1.0):
            assert (onsets.significance(bank, sign) or 0.0) < 3.5
        onsets.begin(20.0 * i, bank, None)
    assert bank.air_ahead()[0] == pytest.approx(air_k, abs=0.15)
