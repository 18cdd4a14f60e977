"""Third simulator: warm gas lies on cool gas, and the contents have a core with the resin and a shell.

Two layers of gas at one pressure, each with a fixed part of the amount: n_i cp dT_i = Q_i + V_i dp. What
rises from warm contents goes mostly to the upper layer, what sinks from cold ones to the lower. While the
lower layer is the warmer one they overturn, with the cube root of the difference (turbulent); otherwise they
hardly mix. The probe in the gas hangs in the upper layer. The wall has a lower and an upper half.
"""

from collections.abc import Sequence

import numpy as np
from curing import Cure
from draw import DrawnNight
from numpy.typing import NDArray
from recorded import Recorded, read
from vessel import Seen, Vessels, play

from potvigil.sim.gas_laws import GAMMA

Floats = NDArray[np.float64]

_FULL_RATIO = 5.1  # pressure at which the drawn conductances stand, atmospheres: 60 psi gauge
_AT_K = 2.0  # and temperature difference
_UPPER_STEEL = 0.55  # of the wall's area and capacity: the lid is part of the upper half


class Layers:
    """Upper and lower gas, upper and lower wall, core and shell of the contents."""

    def __init__(self, nights: Sequence[DrawnNight], room_k: Floats) -> None:
        pots = [night.parameters for night in nights]
        makes = [night.make for night in nights]
        contents = [night.contents for night in nights]
        self.cure = Cure(nights, room_k, cells=1)
        upper = np.array([make.upper_share for make in makes])
        self.layer_shares = np.stack([upper, 1.0 - upper], axis=1)
        self._steel_shares = np.array([_UPPER_STEEL, 1.0 - _UPPER_STEEL])
        self._gas_wall = np.array([pot.gas_wall_w_per_k for pot in pots])[:, None] * self._steel_shares
        self._wall_room = np.array([pot.wall_room_w_per_k for pot in pots])[:, None] * self._steel_shares
        self._wall_j_per_k = np.array([pot.wall_j_per_k for pot in pots])[:, None] * self._steel_shares
        self._gas_contents = np.array([pot.gas_contents_w_per_k for pot in pots])
        self._plume = np.array([make.plume_share for make in makes])
        self._halves = np.array([make.clamp_w_per_k for make in makes])
        self._overturn = np.array([make.overturn_w_per_k for make in makes])
        self._still = np.array([make.still_w_per_k for make in makes])
        self._core_shell = np.array([make.core_w_per_k for make in makes])
        self._room_power = np.array([make.room_power for make in makes])[:, None]
        self._probe_above = np.array([make.probe_above for make in makes])
        self._inside = np.array([night.sensing.contents_inside for night in nights])
        self._gas_share = np.array([night.sensing.contents_gas_share for night in nights])

        mould_j_per_k = np.array([each.mould_kg * each.j_per_kg_k for each in contents])
        core_share = np.array([make.core_share for make in makes])
        self._core_j_per_k = self.cure.resin_j_per_k + core_share * mould_j_per_k
        self._shell_j_per_k = (1.0 - core_share) * mould_j_per_k
        warmer_k = room_k + np.array([each.warmer_k for each in contents])
        self.core_k = warmer_k + self.cure.warmed_k * self.cure.resin_j_per_k / self._core_j_per_k
        self.shell_k = warmer_k
        self.walls_k = np.repeat(room_k[:, None], 2, axis=1)
        self.layers_k = self.walls_k.copy()
        self.room_j, self.cure_j = np.zeros_like(room_k), np.zeros_like(room_k)

    def exchange(
        self,
        t_s: float,
        step_s: float,
        capacity: Floats,
        pressure_ratio: Floats,
        stir: Floats,
        room_k: Floats,
    ) -> None:
        """Solve both layers of gas at once, implicitly; the solids get what these gave."""
        gas_k, walls_k, shell_k = self.layers_k, self.walls_k, self.shell_k
        denser = np.sqrt(pressure_ratio / _FULL_RATIO)
        lift = np.maximum(np.abs(gas_k - walls_k) / _AT_K, 0.05) ** 0.25
        to_walls = self._gas_wall * (denser * stir)[:, None] * lift
        mean_k = (gas_k * self.layer_shares).sum(axis=1)
        from_contents = self._gas_contents * denser
        from_contents = from_contents * np.maximum(np.abs(shell_k - mean_k) / _AT_K, 0.05) ** 0.25
        above = np.where(shell_k > mean_k, self._plume, 1.0 - self._plume)
        to_shell = from_contents[:, None] * np.stack([above, 1.0 - above], axis=1)
        unstable_k = np.maximum(gas_k[:, 1] - gas_k[:, 0], 0.0)
        mixing = denser * (self._still + self._overturn * np.cbrt(unstable_k)) * stir**2

        # n_i cp (T_i - before) = Q_i + share_i (gamma - 1) (Q_1 + Q_2): the pressure is one for both
        given = to_walls + to_shell
        held = to_walls * walls_k + to_shell * shell_k[:, None]
        share = self.layer_shares * (GAMMA - 1.0)
        inert = self.layer_shares * (GAMMA * capacity / step_s)[:, None]
        a = inert[:, 0] + given[:, 0] * (1.0 + share[:, 0]) + mixing
        b = share[:, 0] * given[:, 1] - mixing
        c = share[:, 1] * given[:, 0] - mixing
        d = inert[:, 1] + given[:, 1] * (1.0 + share[:, 1]) + mixing
        right = inert * gas_k + held + share * held.sum(axis=1)[:, None]
        whole = a * d - b * c
        upper_k = (d * right[:, 0] - b * right[:, 1]) / whole
        lower_k = (a * right[:, 1] - c * right[:, 0]) / whole
        self.layers_k = np.stack([upper_k, lower_k], axis=1)

        walls_j = to_walls * (self.layers_k - walls_k) * step_s
        shell_j = (to_shell * (self.layers_k - shell_k[:, None])).sum(axis=1) * step_s
        differs_k = walls_k - room_k[:, None]
        lifted = np.maximum(np.abs(differs_k) / _AT_K, 0.1) ** self._room_power
        room_j = self._wall_room * lifted * differs_k * step_s
        down_j = self._halves * (walls_k[:, 0] - walls_k[:, 1]) * step_s
        across_j = np.stack([-down_j, down_j], axis=1)
        self.walls_k = walls_k + (walls_j - room_j + across_j) / self._wall_j_per_k
        cured_j = self.cure.step(t_s, step_s, self.core_k[:, None])[:, 0]
        out_j = self._core_shell * (self.core_k - shell_k) * step_s
        self.core_k = self.core_k + (cured_j - out_j) / self._core_j_per_k
        self.shell_k = shell_k + (shell_j + out_j) / self._shell_j_per_k
        self.room_j += room_j.sum(axis=1)
        self.cure_j += cured_j

    def seal_k(self) -> Floats:
        return self.walls_k[:, 0]

    def seen(self) -> Seen:
        upper_k, lower_k = self.layers_k[:, 0], self.layers_k[:, 1]
        touched_k = self.shell_k + self._gas_share * (lower_k - self.shell_k)
        within_k = 0.5 * (self.shell_k + self.core_k)
        steel_k = np.where(self._probe_above, self.walls_k[:, 0], self.walls_k[:, 1])
        return Seen(upper_k, steel_k, np.where(self._inside, within_k, touched_k), self.walls_k[:, 0])

    def stored_j(self) -> Floats:
        contents_j = self._core_j_per_k * self.core_k + self._shell_j_per_k * self.shell_k
        stored: Floats = contents_j + (self._wall_j_per_k * self.walls_k).sum(axis=1)
        return stored


def simulate(nights: Sequence[DrawnNight], step_s: float) -> list[Recorded]:
    """Play the nights. The same night gives the same readings."""
    return read(nights, play(Vessels(nights, Layers), step_s), step_s)
