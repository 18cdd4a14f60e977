"""The boundary of the tightness test: Pocock's constants, and ours by the same recursion."""

import numpy as np
import pytest
from scipy.optimize import brentq

from potvigil.diagnosis.tightness import BOUNDARY, GROWTH, LOOKS

# Pocock, Biometrika 64 (1977) 191, table 1, 5 % two-sided (from memory: 2.178, 2.289, 2.361, 2.413, 2.555).
POCOCK = {1: 1.960, 2: 2.178, 3: 2.289, 4: 2.361, 5: 2.413, 10: 2.555}


def crossed(boundary: float, information: list[float]) -> float:
    """Return how often |z| passes the boundary at any look, where there is nothing to find.

    Armitage, McPherson & Rowe, J. R. Stat. Soc. A 132 (1969) 235, by Simpson's rule.
    """
    n = 301
    ends = boundary * np.sqrt(information)
    weights = np.where(np.arange(n) % 2, 4.0, 2.0)
    weights[0] = weights[-1] = 1.0

    def grid(end: float) -> tuple[np.ndarray, np.ndarray]:
        x = np.linspace(-end, end, n)
        return x, weights * (x[1] - x[0]) / 3.0

    x, w = grid(ends[0])
    density = np.exp(-0.5 * x**2 / information[0]) / np.sqrt(2.0 * np.pi * information[0])
    for k in range(1, len(information)):
        step = information[k] - information[k - 1]
        y, v = grid(ends[k])
        kernel = np.exp(-0.5 * (y[:, None] - x[None, :]) ** 2 / step) / np.sqrt(2.0 * np.pi * step)
        density, x, w = kernel @ (density * w), y, v
    return float(1.0 - np.sum(density * w))


@pytest.mark.parametrize(("looks", "printed"), POCOCK.items())
def test_the_recursion_reproduces_pococks_constants(looks: int, printed: float) -> None:
    information = [k + 1.0 for k in range(looks)]
    found = brentq(lambda c: crossed(c, information) - 0.05, 1.5, 4.0)
    assert found == pytest.approx(printed, abs=0.0006)


@pytest.mark.parametrize("growth", [GROWTH, 1.75, 2.0])
def test_a_pot_on_the_limit_gets_a_wrong_verdict_in_at_most_one_of_twenty_tests(growth: float) -> None:
    wrong = crossed(BOUNDARY, [growth**k for k in range(LOOKS)])
    assert 0.04 < wrong < 0.0502
