"""What a bank says of its pot, and a bank that learns nothing."""

import numpy as np
import pytest

from potvigil.leak.bank import PotBank
from potvigil.leak.pot_model import CONSTANTS, UPTAKE_MEAN_K, UPTAKE_S, UPTAKE_SIGMA_K, Sizes

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
