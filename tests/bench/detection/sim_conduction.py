"""Second simulator: heat creeps through resin and mould by conduction; the lid is a piece of its own.

The contents are a slab or a long cylinder, resin within, silicone round it, in finite volumes. Their surface
gives heat to the gas by natural convection and to the steel by radiation and through the floor. The mould
takes up air as a slab does by diffusion. Film coefficients of air, W/(m2 K): 1.42 (dT/L)^1/4 vertical plates
and cylinders, 1.32 (dT/L)^1/4 or 0.59 (dT/L)^1/4 under a lid colder or warmer than the gas, all with the
square root of the pressure in atmospheres (laminar; Holman, Heat Transfer, simplified equations for air).
"""

from collections.abc import Sequence

import numpy as np
from curing import Cure
from draw import DrawnNight
from kinetics import resins
from numpy.typing import NDArray
from recorded import Recorded, read
from vessel import DIFFUSIVE, Seen, Vessels, play

Floats = NDArray[np.float64]

RESIN_CELLS, MOULD_CELLS = 6, 8
_HEIGHT_OVER_DIAMETER = 1.2  # of the pot; common
_CURED_SHARE = 0.2  # of contents without fresh resin; only where the grid changes
_RADIANT_W_PER_M2_K = 5.1  # 4 sigma T^3 at 293 K times an emissivity of 0.9; steel is painted or dull
_LEAST_K = 0.1  # below this difference the films are no longer natural convection


class Solid:
    """Slabs (insulated at x = 0) or cylinders in finite volumes, n at once; heat flows by implicit Euler.

    edges_m (n, cells + 1) from the middle outwards; w_per_m_k, j_per_m3_k (n, cells); area_m2 (n) of the
    outer surface; slab (n). skin_w_per_k (n): from the middle of the outer cell to the surface.
    """

    def __init__(
        self, edges_m: Floats, w_per_m_k: Floats, j_per_m3_k: Floats, area_m2: Floats, slab: NDArray[np.bool_]
    ) -> None:
        outer_m = edges_m[:, -1:]
        is_slab = slab[:, None]
        middles_m = 0.5 * (edges_m[:, 1:] + edges_m[:, :-1])
        area = area_m2[:, None]
        volumes = np.where(
            is_slab, area * np.diff(edges_m), 0.5 * area / outer_m * np.diff(edges_m**2)
        )  # of the cylinder: pi h (r2^2 - r1^2) with 2 pi h = area / r
        self.j_per_k = volumes * j_per_m3_k
        self.skin_w_per_k = self._across(middles_m, edges_m[:, 1:], w_per_m_k, area, outer_m, is_slab)[:, -1]
        to_edge = self._across(middles_m, edges_m[:, 1:], w_per_m_k, area, outer_m, is_slab)[:, :-1]
        from_edge = self._across(edges_m[:, :-1], middles_m, w_per_m_k, area, outer_m, is_slab)[:, 1:]
        self._between = 1.0 / (1.0 / to_edge + 1.0 / from_edge)
        self._steps: dict[float, Floats] = {}

    @staticmethod
    def _across(
        inner_m: Floats,
        to_m: Floats,
        w_per_m_k: Floats,
        area: Floats,
        outer_m: Floats,
        slab: NDArray[np.bool_],
    ) -> Floats:
        """Return the conductance from inner_m to to_m, W/K."""
        round_m = outer_m * np.log(to_m / np.maximum(inner_m, 1e-9 * outer_m))
        return w_per_m_k * area / np.where(slab, to_m - inner_m, round_m)

    def after(self, cells_k: Floats, heat_j: Floats, step_s: float) -> Floats:
        """Return the cells a step later, having got that heat."""
        step_s = round(step_s, 6)
        solved = self._steps.get(step_s)
        if solved is None:
            matrix = np.zeros((*cells_k.shape, cells_k.shape[1]))
            inner = np.arange(cells_k.shape[1] - 1)
            for here, there in ((inner, inner + 1), (inner + 1, inner)):
                share = step_s * self._between / self.j_per_k[:, here]
                matrix[:, here, there] = -share
                matrix[:, here, here] += share
            matrix += np.eye(cells_k.shape[1])
            solved = self._steps[step_s] = np.linalg.inv(matrix)
        return np.matmul(solved, (cells_k + heat_j / self.j_per_k)[:, :, None])[:, :, 0]


class Conduction:
    """Gas, lid, wall and the cells of mould and resin."""

    def __init__(self, nights: Sequence[DrawnNight], room_k: Floats) -> None:
        pots = [night.parameters for night in nights]
        makes = [night.make for night in nights]
        self.solid, self._length_m, self._surface_m2 = _solid(nights)
        shares = self.solid.j_per_k[:, :RESIN_CELLS]
        shares = shares / shares.sum(axis=1, keepdims=True)
        self.cure = Cure(nights, room_k, RESIN_CELLS, shares)
        inner_m3 = np.array([pot.internal_volume_m3 for pot in pots])
        self._diameter_m = (4.0 * inner_m3 / (np.pi * _HEIGHT_OVER_DIAMETER)) ** (1.0 / 3.0)
        self._height_m = _HEIGHT_OVER_DIAMETER * self._diameter_m
        lid_m2 = np.pi / 4.0 * self._diameter_m**2
        factor = np.array([make.film_factor for make in makes])
        self._lid_film = factor * lid_m2 / self._diameter_m**0.25
        self._wall_film = 1.42 * factor * (4.0 * lid_m2 * _HEIGHT_OVER_DIAMETER) / self._height_m**0.25
        self._contents_film = 1.42 * factor * self._surface_m2 / self._length_m**0.25
        # an adiabatic pot (film_factor 0) has no radiation either; else it does not go with the factor
        radiant = _RADIANT_W_PER_M2_K * self._surface_m2 * (factor > 0.0)
        self._floor = np.array([make.floor_w_per_k for make in makes])
        self._radiant_lid, self._radiant_wall = 0.2 * radiant, 0.8 * radiant
        lid = np.array([make.lid_share for make in makes])
        steel = np.array([pot.wall_j_per_k for pot in pots])
        outside = np.array([pot.wall_room_w_per_k for pot in pots])
        lid_area_share = 1.0 / (1.0 + 4.0 * _HEIGHT_OVER_DIAMETER)
        self._lid_j_per_k, self._wall_j_per_k = lid * steel, (1.0 - lid) * steel
        self._lid_room, self._wall_room = lid_area_share * outside, (1.0 - lid_area_share) * outside
        self._clamp = np.array([make.clamp_w_per_k for make in makes])
        self._room_power = np.array([make.room_power for make in makes])
        self._probe_above = np.array([make.probe_above for make in makes])
        self._inside = np.array([night.sensing.contents_inside for night in nights])
        self._gas_share = np.array([night.sensing.contents_gas_share for night in nights])

        self.cells_k = np.repeat(room_k[:, None], RESIN_CELLS + MOULD_CELLS, axis=1)
        self.cells_k += np.array([night.contents.warmer_k for night in nights])[:, None]
        self.cells_k[:, :RESIN_CELLS] += self.cure.warmed_k[:, None]
        self._surface_k = self.cells_k[:, -1]
        self.lid_k, self.wall_k = room_k.copy(), room_k.copy()
        self.layers_k = room_k[:, None].copy()
        self.layer_shares = np.ones_like(self.layers_k)
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
        """Relax the gas exactly between lid, wall and the contents' surface, then let heat creep."""
        gas_k, lid_k, wall_k, skin_k = self.layers_k[:, 0], self.lid_k, self.wall_k, self.cells_k[:, -1]
        denser = np.sqrt(pressure_ratio)
        under_lid = np.where(gas_k > lid_k, 1.32, 0.59)
        to_lid = under_lid * self._lid_film * denser * stir * _quarter(gas_k - lid_k)
        to_wall = self._wall_film * denser * stir * _quarter(gas_k - wall_k)
        film = self._contents_film * denser * _quarter(gas_k - self._surface_k)
        skin = self.solid.skin_w_per_k
        radiant = self._radiant_lid + self._radiant_wall
        # gas and steel meet the surface, the surface the middle of the outer cell: a star made into a mesh
        through = film + radiant + skin
        to_skin = film * skin / through
        skin_lid = self._radiant_lid * skin / through
        skin_wall = self._radiant_wall * skin / through + self._floor
        gas_lid, gas_wall = film * self._radiant_lid / through, film * self._radiant_wall / through
        lid_wall = self._radiant_lid * self._radiant_wall / through + self._clamp
        to_lid = to_lid + gas_lid
        to_wall = to_wall + gas_wall

        whole = np.maximum(to_lid + to_wall + to_skin, 1e-9)
        settled_k = (to_lid * lid_k + to_wall * wall_k + to_skin * skin_k) / whole
        x = whole * step_s / capacity
        mean_k = settled_k + (gas_k - settled_k) * -np.expm1(-x) / x
        lid_j, wall_j = to_lid * (mean_k - lid_k) * step_s, to_wall * (mean_k - wall_k) * step_s
        skin_j = to_skin * (mean_k - skin_k) * step_s
        self.layers_k = (gas_k - (lid_j + wall_j + skin_j) / capacity)[:, None]

        across_j = lid_wall * (lid_k - wall_k) * step_s
        warms_lid_j = skin_lid * (skin_k - lid_k) * step_s
        warms_wall_j = skin_wall * (skin_k - wall_k) * step_s
        lid_room_j = self._lid_room * self._outdoors(lid_k - room_k) * step_s
        wall_room_j = self._wall_room * self._outdoors(wall_k - room_k) * step_s
        self.lid_k = lid_k + (lid_j - across_j + warms_lid_j - lid_room_j) / self._lid_j_per_k
        self.wall_k = wall_k + (wall_j + across_j + warms_wall_j - wall_room_j) / self._wall_j_per_k
        self.room_j += lid_room_j + wall_room_j

        heat_j = np.zeros_like(self.cells_k)
        cured_j = self.cure.step(t_s, step_s, self.cells_k[:, :RESIN_CELLS])
        heat_j[:, :RESIN_CELLS] = cured_j
        heat_j[:, -1] = skin_j - warms_lid_j - warms_wall_j
        self.cells_k = self.solid.after(self.cells_k, heat_j, step_s)
        self.cure_j += cured_j.sum(axis=1)
        met_k = film * mean_k + self._radiant_lid * lid_k + self._radiant_wall * wall_k + skin * skin_k
        self._surface_k = met_k / through

    def _outdoors(self, difference_k: Floats) -> Floats:
        """Return the difference to the room, lifted by the power drawn for the outside."""
        return difference_k * np.maximum(np.abs(difference_k) / 2.0, 0.1) ** self._room_power

    def seal_k(self) -> Floats:
        return self.lid_k

    def seen(self) -> Seen:
        gas_k, surface_k = self.layers_k[:, 0], self._surface_k
        touched_k = surface_k + self._gas_share * (gas_k - surface_k)
        within_k = self.cells_k[:, RESIN_CELLS + MOULD_CELLS // 2]
        steel_k = np.where(self._probe_above, self.lid_k, self.wall_k)
        return Seen(gas_k, steel_k, np.where(self._inside, within_k, touched_k), self.lid_k)

    def stored_j(self) -> Floats:
        steel_j = self._lid_j_per_k * self.lid_k + self._wall_j_per_k * self.wall_k
        stored: Floats = steel_j + (self.solid.j_per_k * self.cells_k).sum(axis=1)
        return stored


def _solid(nights: Sequence[DrawnNight]) -> tuple[Solid, Floats, Floats]:
    """Return the contents as finite volumes, their height, m, and their surface, m2."""
    edges, conductivities, capacities, areas, heights = [], [], [], [], []
    for night in nights:
        contents, make = night.contents, night.make
        volume_m3 = night.parameters.contents_volume_m3
        family = resins()[contents.resin].family if contents.resin_kg else None
        share = contents.resin_kg / family.kg_per_m3 / volume_m3 if family else _CURED_SHARE
        if make.slab:
            # no thicker than it is wide: a mould is at most about a cube
            outer_m = min(make.half_thickness_m, 0.5 * volume_m3 ** (1.0 / 3.0))
            area_m2 = volume_m3 / outer_m
            inner_m = share * outer_m
            heights.append(np.sqrt(0.5 * area_m2))
        else:
            outer_m = (volume_m3 / (2.0 * np.pi * make.slimness)) ** (1.0 / 3.0)
            area_m2 = 2.0 * volume_m3 / outer_m
            inner_m = np.sqrt(share) * outer_m
            heights.append(2.0 * make.slimness * outer_m)
        edges.append(
            np.concatenate(
                [
                    np.linspace(0.0, inner_m, RESIN_CELLS + 1),
                    np.linspace(inner_m, outer_m, MOULD_CELLS + 1)[1:],
                ]
            )
        )
        mould = contents.w_per_m_k, contents.j_per_kg_k * contents.kg_per_m3
        resin = (family.w_per_m_k, family.j_per_kg_k * family.kg_per_m3) if family else mould
        conductivities.append([resin[0]] * RESIN_CELLS + [mould[0]] * MOULD_CELLS)
        capacities.append([resin[1]] * RESIN_CELLS + [mould[1]] * MOULD_CELLS)
        areas.append(area_m2)
    slab = np.array([night.make.slab for night in nights])
    surface = np.array(areas)
    solid = Solid(np.array(edges), np.array(conductivities), np.array(capacities), surface, slab)
    return solid, np.array(heights), surface


def _quarter(difference_k: Floats) -> Floats:
    root: Floats = np.sqrt(np.sqrt(np.maximum(np.abs(difference_k), _LEAST_K)))
    return root


def simulate(nights: Sequence[DrawnNight], step_s: float) -> list[Recorded]:
    """Play the nights. The same night gives the same readings."""
    return read(nights, play(Vessels(nights, Conduction, DIFFUSIVE), step_s), step_s)
