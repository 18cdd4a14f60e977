"""What one observation does to the cells of a bank."""

from dataclasses import dataclass

from potvigil.leak.pot_model import Floats


@dataclass(frozen=True, slots=True)
class Correction:
    """One thing seen, by cell: row of the observation, innovation, its variance, gain.

    of_the_air: a loss of air shows in it. trust: how much it counts as evidence, at most 1.
    """

    row: Floats
    innovation: Floats
    variance: Floats
    gain: Floats
    of_the_air: bool
    trust: float
