"""The odd pot through its night: one gas, a side and a base, a slab of mould by finite differences.

Nothing of it is taken from the watch or from the other simulators but the gas laws. Free convection goes with
the difference to the power 1/4 (laminar, plane: Incropera, Fundamentals of Heat and Mass Transfer, ch. 9),
inside with the root of the pressure as well (Grashof with its square); everything that faces something
radiates. Air in silicone: Fick's law with the solubility and diffusivity of polydimethylsiloxane.
"""

from dataclasses import dataclass
from math import expm1, log1p, pi

import numpy as np
from night import HOUR, PSI, Casting, Hand, Night
from numpy.typing import NDArray

from potvigil.sim.gas_laws import (
    CP_J_PER_MOL_K,
    CV_J_PER_MOL_K,
    absolute_pa_of,
    orifice_mol_per_s,
)
from potvigil.units import MOLAR_GAS_CONSTANT, ZERO_CELSIUS_K

Floats = NDArray[np.float64]

NODES, SOAK_NODES = 10, 40
DIFFUSIVITY = (
    3.4e-9  # m2/s, N2 and O2 in polydimethylsiloxane (Merkel et al., J. Polym. Sci. B 38 (2000) 415)
)
MOL_PER_M3 = 44.6  # of gas at 0 C and an atmosphere
MOULD_J_PER_M3_K = 1200.0 * 1400.0
STEFAN = 5.67e-8
SEAT_W_PER_M2_K = 10.0  # a millimetre or two of air


@dataclass
class Truth:
    """A row each step: Pa absolute and outside, K; lost: Pa/s by the leak."""

    t_s: Floats
    absolute_pa: Floats
    outside_pa: Floats
    gas_k: Floats
    side_k: Floats
    base_k: Floats
    room_k: Floats
    mould_k: Floats


def _curing_w(castings: list[Casting], t_s: float) -> float:
    """Return the heat of all castings, W: u^m exp(m (1 - u)) of the time u since mixing over its peak."""
    watts = 0.0
    for each in castings:
        u = (t_s - each.mixed_s) / each.peak_after_s
        if u > 0.0:
            m = each.sharpness
            # the area under it, by Stirling: sqrt(2 pi / m) within some percent
            watts += (
                each.joules / (each.peak_after_s * (2 * pi / m) ** 0.5) * np.exp(m * (np.log(u) + 1.0 - u))
            )
    return float(watts)


def _film(delta_k: float, length_m: float, pressure: float = 1.0) -> float:
    """Return W/(m2 K) of free convection; never quite none, for air is never quite still."""
    return max(1.4 * (abs(delta_k) / length_m) ** 0.25 * pressure**0.5, 0.6)


def play(night: Night) -> Truth:
    """Play the night to its end."""
    size = (night.volume_m3 / 0.020) ** (1.0 / 3.0)
    side_m2, base_m2 = 0.33 * size**2, 0.07 * size**2
    side_j, base_j = night.steel_j * (1.0 - night.base_share), night.steel_j * night.base_share
    face_m2 = night.contents_m3 / night.thickness_m if night.contents_m3 else 0.0
    dx, soak_dx = night.thickness_m / NODES, night.thickness_m / SOAK_NODES
    node_j = MOULD_J_PER_M3_K * face_m2 * dx
    length_m = 0.27 * size

    room_k = night.room_c(0.0) + ZERO_CELSIUS_K
    gas_k = side_k = base_k = room_k
    solids_k = room_k
    slab_k = np.full(NODES, room_k + night.warmer_k)
    resin = np.zeros(NODES)
    resin[2 : NODES - 2] = 1.0 / (NODES - 4)
    absolute_pa = outside_pa = night.outside_pa(0.0)
    volume_m3 = night.volume_m3 - night.contents_m3 - night.solids_j / 4.2e6
    n = outside_pa * volume_m3 / (MOLAR_GAS_CONSTANT * gas_k)
    n *= outside_pa / absolute_pa_of(n, gas_k, volume_m3)
    soaked = np.full(SOAK_NODES, night.soak * MOL_PER_M3 * outside_pa / 101_325.0)  # mol/m3
    taken = night.taken_share * n
    hands = sorted(night.hands, key=lambda hand: hand.from_s)
    leak_mm2, filled_s = None, None
    t_s, busy_s = 0.0, -1e9
    rows: list[tuple[float, ...]] = []
    for row in range(int(night.end_s / night.step_s)):
        while t_s < row * night.step_s - 1e-6:
            hand = next((each for each in hands if each.from_s <= t_s < each.until_s), None)
            stuck_pa = night.working_pa - night.band_pa if night.band_pa else -1.0
            if hand is None and filled_s is not None and absolute_pa - outside_pa < stuck_pa:
                hand = Hand(t_s, t_s + HOUR, night.working_pa, 110 * PSI, 1.0)
                hands.append(hand)
            near = any(0.0 <= each.from_s - t_s < night.step_s for each in hands)
            if hand is not None:
                busy_s = t_s
            quick = hand is not None or near or t_s - busy_s < 120.0
            dt = min(0.5 if quick else 1.0 if t_s - busy_s < 900.0 else 5.0, row * night.step_s - t_s)
            outside_pa = night.outside_pa(t_s)
            gauge_pa = absolute_pa - outside_pa
            room_k = night.room_c(t_s) + ZERO_CELSIUS_K

            # matter
            fed = out = 0.0
            is_open = not hands or (filled_s is None and hand is None and t_s < hands[0].from_s)
            if hand is not None:
                if hand.line_pa is not None:
                    line_pa = hand.line_pa + outside_pa
                    fed = orifice_mol_per_s(hand.mm2 * 1e-6, line_pa, absolute_pa, hand.air_k)
                    filled_s = t_s
                else:
                    out = orifice_mol_per_s(hand.mm2 * 1e-6, absolute_pa, outside_pa, gas_k)
                if hand.to_pa is not None and (gauge_pa - hand.to_pa) * (1 if hand.line_pa else -1) >= 0.0:
                    hand.until_s, fed, out = t_s, 0.0, 0.0
            if night.leak_psi_per_h and t_s >= night.leak_at_s:
                if leak_mm2 is None:
                    unit = orifice_mol_per_s(1e-6, absolute_pa, outside_pa, gas_k)
                    share = night.leak_psi_per_h * PSI / HOUR / absolute_pa
                    leak_mm2 = n * share / unit
                out += orifice_mol_per_s(leak_mm2 * 1e-6, absolute_pa, outside_pa, gas_k)
            sinks = 0.0
            if night.soak and face_m2:
                at_face = night.soak * MOL_PER_M3 * absolute_pa / 101_325.0
                edges = np.diff(np.concatenate(([at_face], soaked, [soaked[-1]])))
                edges[0] *= 2.0
                soaked = soaked + dt * DIFFUSIVITY / soak_dx**2 * (edges[1:] - edges[:-1])
                sinks = -DIFFUSIVITY / soak_dx * edges[0] * face_m2
            elif night.taken_share:
                more = (night.taken_share * n - taken) * -expm1(-dt / night.taken_s)
                taken, sinks = taken + more, more / dt
            if hand is not None and hand.line_pa is not None:
                gas_k += (
                    dt * fed * (CP_J_PER_MOL_K * hand.air_k - CV_J_PER_MOL_K * gas_k) / (n * CV_J_PER_MOL_K)
                )
            gas_k -= dt * out * MOLAR_GAS_CONSTANT * gas_k / (n * CV_J_PER_MOL_K)
            n += dt * (fed - out - sinks)
            if is_open:
                n = outside_pa * volume_m3 / (MOLAR_GAS_CONSTANT * gas_k)
                n *= outside_pa / absolute_pa_of(n, gas_k, volume_m3)

            # heat
            ratio = absolute_pa / 101_325.0
            stir = 1.0 + 60.0 * (fed + out) / size**2
            side_w = _film(gas_k - side_k, length_m, ratio) * side_m2 * stir
            base_w = _film(gas_k - base_k, 0.2, ratio) * base_m2 * 0.5 * stir
            slab_w = _film(gas_k - slab_k[0], 0.15, ratio) * face_m2 * stir
            half_w = night.w_per_m_k * face_m2 / (0.5 * dx)
            slab_w = slab_w * half_w / (slab_w + half_w) if face_m2 else 0.0
            solids_w = 0.05 * night.solids_j**0.5 if night.solids_j else 0.0
            total_w = side_w + base_w + slab_w + solids_w
            target_k = (
                side_w * side_k + base_w * base_k + slab_w * float(slab_k[0]) + solids_w * solids_k
            ) / total_w
            before_k = gas_k
            gas_k = target_k + (gas_k - target_k) * float(np.exp(-dt * total_w / (n * CV_J_PER_MOL_K)))
            mean_k = target_k + (before_k - gas_k) * n * CV_J_PER_MOL_K / (dt * total_w)
            radiated_w = 0.85 * 4 * STEFAN * 293.0**3 * face_m2 * (float(slab_k[0]) - side_k)
            outer_m2 = side_m2 * 1.1
            h_out = _film(side_k - room_k, length_m) * night.fan(t_s)
            h_out += night.emissivity * 4 * STEFAN * 293.0**3
            along_w = night.along_w * (base_k - side_k)
            floor_k = room_k if night.floor_c is None else night.floor_c(t_s) + ZERO_CELSIUS_K
            seat_w = SEAT_W_PER_M2_K * min(base_m2, face_m2) * (base_k - float(slab_k[-1]))
            side_in_w = side_w * (mean_k - side_k) + radiated_w + along_w
            side_in_w += h_out * outer_m2 * (room_k - side_k) + night.sun_w(t_s)
            base_in_w = base_w * (mean_k - base_k) - along_w - seat_w
            base_in_w += night.floor_w * (floor_k - base_k) + night.mat_w(t_s)
            if face_m2:
                flows = np.zeros(NODES + 1)
                flows[1:-1] = night.w_per_m_k * face_m2 / dx * (slab_k[:-1] - slab_k[1:])
                flows[0] = slab_w * (mean_k - float(slab_k[0])) - radiated_w
                flows[-1] = -seat_w
                slab_k = slab_k + dt / node_j * (
                    flows[:-1] - flows[1:] + resin * _curing_w(night.castings, t_s)
                )
            if night.solids_j:
                solids_k += dt / night.solids_j * solids_w * (mean_k - solids_k)
            side_k += dt / side_j * side_in_w
            base_k += dt / base_j * base_in_w

            t_s += dt
            shut_s = 0.0 if filled_s is None else t_s - filled_s
            volume = volume_m3 * (1.0 + night.creep_share * log1p(shut_s / 300.0))
            share = night.hose_share  # of the volume, at the room's temperature
            seen_k = gas_k if not share else 1.0 / ((1.0 - share) / gas_k + share / room_k)
            absolute_pa = absolute_pa_of(n, seen_k, volume)
        rows.append((t_s, absolute_pa, outside_pa, gas_k, side_k, base_k, room_k, float(slab_k[0])))
    return Truth(*np.array(rows).T)
