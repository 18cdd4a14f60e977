"""First simulator: gas, wall and contents are one lump each; all the resin's heat reaches the gas one way."""

from collections.abc import Sequence

import numpy as np
from curing import Cure
from draw import DrawnNight
from numpy.typing import NDArray
from recorded import Recorded, read
from vessel import Seen, Vessels, play

Floats = NDArray[np.float64]

_FULL_RATIO = 5.1  # pressure at which the drawn conductances stand, atmospheres: 60 psi gauge
_AT_K = 2.0  # and temperature difference; below a tenth of it they fall no further


class Lumps:
    """Three lumps a pot. Conductances go with the square root of the pressure (laminar; Holman, Heat
    Transfer) and a drawn power of the temperature difference.
    """

    def __init__(self, nights: Sequence[DrawnNight], room_k: Floats) -> None:
        pots = [night.parameters for night in nights]
        self.cure = Cure(nights, room_k, cells=1)
        self._gas_wall = np.array([pot.gas_wall_w_per_k for pot in pots])
        self._gas_contents = np.array([pot.gas_contents_w_per_k for pot in pots])
        self._wall_room = np.array([pot.wall_room_w_per_k for pot in pots])
        self._wall_j_per_k = np.array([pot.wall_j_per_k for pot in pots])
        self._contents_j_per_k = np.array([pot.contents_j_per_k for pot in pots])
        self._power = np.array([night.make.convection_power for night in nights])
        self._room_power = np.array([night.make.room_power for night in nights])
        self._touching = np.array(
            [0.0 if night.sensing.contents_inside else night.sensing.contents_gas_share for night in nights]
        )
        warmer_k = np.array([night.contents.warmer_k for night in nights])
        share = self.cure.resin_j_per_k / self._contents_j_per_k
        self.contents_k = room_k + warmer_k + share * self.cure.warmed_k
        self.wall_k = room_k.copy()
        self.layers_k = room_k[:, None].copy()
        self.layer_shares = np.ones_like(self.layers_k)
        self.room_j = np.zeros_like(room_k)
        self.cure_j = np.zeros_like(room_k)

    def exchange(
        self,
        t_s: float,
        step_s: float,
        capacity: Floats,
        pressure_ratio: Floats,
        stir: Floats,
        room_k: Floats,
    ) -> None:
        """Relax the gas exactly towards wall and contents; they get what it gave."""
        gas_k, wall_k, contents_k = self.layers_k[:, 0], self.wall_k, self.contents_k
        denser = np.sqrt(pressure_ratio / _FULL_RATIO)
        to_wall = self._gas_wall * denser * stir * _lift(gas_k - wall_k, self._power)
        to_contents = self._gas_contents * denser * _lift(gas_k - contents_k, self._power)
        to_room = self._wall_room * _lift(wall_k - room_k, self._room_power)
        both = np.maximum(to_wall + to_contents, 1e-9)
        settled_k = (to_wall * wall_k + to_contents * contents_k) / both
        x = both * step_s / capacity
        decayed = -np.expm1(-x)
        mean_k = settled_k + (gas_k - settled_k) * decayed / x
        to_wall_j = to_wall * (mean_k - wall_k) * step_s
        to_contents_j = to_contents * (mean_k - contents_k) * step_s
        self.layers_k = (gas_k - (to_wall_j + to_contents_j) / capacity)[:, None]
        room_j = to_room * (wall_k - room_k) * step_s
        cure_j = self.cure.step(t_s, step_s, contents_k[:, None])[:, 0]
        self.wall_k = wall_k + (to_wall_j - room_j) / self._wall_j_per_k
        self.contents_k = contents_k + (to_contents_j + cure_j) / self._contents_j_per_k
        self.room_j += room_j
        self.cure_j += cure_j

    def seal_k(self) -> Floats:
        return self.wall_k

    def seen(self) -> Seen:
        gas_k = self.layers_k[:, 0]
        touched_k = self.contents_k + self._touching * (gas_k - self.contents_k)
        return Seen(gas_k, self.wall_k, touched_k, self.wall_k)

    def stored_j(self) -> Floats:
        return self._wall_j_per_k * self.wall_k + self._contents_j_per_k * self.contents_k


def _lift(difference_k: Floats, power: Floats) -> Floats:
    return np.maximum(np.abs(difference_k) / _AT_K, 0.1) ** power


def simulate(nights: Sequence[DrawnNight], step_s: float) -> list[Recorded]:
    """Play the nights. The same night gives the same readings."""
    return read(nights, play(Vessels(nights, Lumps), step_s), step_s)
