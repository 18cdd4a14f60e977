"""The effect of one observation on the cells of a bank."""

from dataclasses import dataclass

import numpy as np

from potvigil.leak.pot_model import HEATING, Floats


@dataclass(frozen=True, slots=True)
class Correction:
    """One observation, by cell: its row, innovation, variance of that, gain.

    of_the_air: a loss of air shows in it. trust: how much it counts as evidence, at most 1.
    """

    row: Floats
    innovation: Floats
    variance: Floats
    gain: Floats
    of_the_air: bool
    trust: float


def heat_only(x: Floats, p: Floats, gain: Floats, innovation: Floats, variance: Floats) -> None:
    """Keep a correction from making heating negative: a resin gives heat and takes none.

    One that would is projected back to no heat (Simon & Chia, IEEE Trans. Aerospace and Electronic Systems 38
    (2002) 128): a gain that is not the best one, its covariance by Joseph's form. So a leak cannot pass for a
    resin that cools. x, p: of the cells, before the gain and after it; changes gain and p.
    """
    step, least = gain[:, HEATING] * innovation, np.minimum(-x[:, HEATING], 0.0)
    too_far = step < least
    if not too_far.any():
        return
    back = p[:, :, HEATING] / np.maximum(p[:, HEATING, HEATING], 1e-12)[:, None]
    back *= np.where(too_far, gain[:, HEATING] - least / np.where(too_far, innovation, 1.0), 0.0)[:, None]
    gain -= back
    back *= np.sqrt(variance)[:, None]
    p += back[:, :, None] * back[:, None, :]
