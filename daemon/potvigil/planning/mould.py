"""The outside of the mould, and whether it fits into the pot."""

from dataclasses import dataclass
from math import hypot, pi

# Room that a mould in its bag needs on each side, to be lowered and lifted with gloves on and to stay off the
# wall; and between its top and the lid, where fittings reach in. Common practice.
BESIDE_M, ABOVE_M = 0.01, 0.015


@dataclass(frozen=True, slots=True)
class Mould:
    """A box of length, width and height, or a round one: width_m None, length_m its diameter. Outside, m."""

    length_m: float
    width_m: float | None
    height_m: float

    @property
    def across_m(self) -> float:
        """Return its largest width seen from above: what must fit into a round pot."""
        return self.length_m if self.width_m is None else hypot(self.length_m, self.width_m)

    @property
    def volume_m3(self) -> float:
        """Return its volume, resin included."""
        if self.width_m is None:
            return pi / 4.0 * self.length_m**2 * self.height_m
        return self.length_m * self.width_m * self.height_m


@dataclass(frozen=True, slots=True)
class Clearance:
    """The room left by a mould on its stand, m: on each side, and above it. Below 0 it does not fit."""

    beside_m: float
    above_m: float

    @property
    def goes_in(self) -> bool:
        return self.beside_m >= 0.0 and self.above_m >= 0.0

    @property
    def has_room(self) -> bool:
        """Return whether there is room for bag, gloves and fittings too."""
        return self.beside_m >= BESIDE_M and self.above_m >= ABOVE_M


def fit(mould: Mould, stand_m: float, inside_diameter_m: float, inside_height_m: float) -> Clearance:
    """Return the room that is left in the pot."""
    return Clearance((inside_diameter_m - mould.across_m) / 2.0, inside_height_m - stand_m - mould.height_m)
