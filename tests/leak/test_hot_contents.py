"""How much evidence counts where contents are hot, or may be."""

from math import log

import numpy as np
import pytest

from potvigil.leak.correction import HotContents
from potvigil.leak.pot_model import HEATING, SIZE, SURFACE

MIN = 60.0


def hot_after(seems_k: list[float], held_s: float, heating_k_per_h: float = 0.0) -> HotContents:
    """How hot contents are taken to be that seem so hot, minute by minute, to the one cell there is."""
    hot, x = HotContents(), np.zeros((1, SIZE))
    x[0, HEATING] = heating_k_per_h
    for i, x[0, SURFACE] in enumerate(seems_k):
        hot.carry(MIN, held_s + MIN * i, np.ones(1), x, np.zeros((1, SIZE, SIZE)))
    return hot


def test_contents_that_may_be_hot_count_as_hot() -> None:
    """The mean square of what they may be: of cells that disagree, and of the doubt within each."""
    hot, x, p = HotContents(), np.zeros((2, SIZE)), np.zeros((2, SIZE, SIZE))
    x[:, SURFACE] = 1.0, 5.0
    p[:, SURFACE, SURFACE] = 4.0, 16.0
    hot.carry(MIN, MIN, np.array([0.75, 0.25]), x, p)
    assert hot.off_the_wall_k == pytest.approx((0.75 * (1.0 + 4.0) + 0.25 * (25.0 + 16.0)) ** 0.5)


def test_early_in_a_hold_contents_are_as_hot_as_they_seem() -> None:
    hot = hot_after([6.0] * 5, 2 * MIN)
    assert hot.off_the_wall_k == pytest.approx(6.0)
    assert hot.trust == pytest.approx(0.5)
    assert hot_after([-6.0] * 5, 2 * MIN).trust == pytest.approx(0.5)


def test_contents_found_hot_all_along_late_in_a_hold_are_doubted() -> None:
    late = hot_after([6.0] * 30, 300 * MIN)
    assert late.off_the_wall_k == pytest.approx(6.0 * log(330 / 300), rel=0.01)
    assert late.trust > 0.98
    at_last = hot_after([6.0] * 600, 300 * MIN)
    assert at_last.off_the_wall_k == pytest.approx(6.0)


def test_contents_that_a_resin_heats_are_believed_hot_at_any_time() -> None:
    assert hot_after([20.0] * 30, 300 * MIN, 12.0).off_the_wall_k == pytest.approx(6.0 + 0.57, rel=0.01)
    assert hot_after([20.0] * 30, 300 * MIN, -12.0).off_the_wall_k == pytest.approx(0.57, rel=0.01)


def test_contents_that_cool_are_no_hotter_than_they_seem() -> None:
    assert hot_after([6.0] * 5 + [2.0], 2 * MIN).off_the_wall_k == pytest.approx(2.0)
