"""The laws of one pot (leak/pot_model.py) against what physics and calculus say of the same equations.

Derivatives against central differences; the course of wall, surface, core and gas against scipy's integrator
of the equations written down once more; the lag of a probe against the exact answer of a first-order lag to a
ramp; capacities and times against the first law and the geometry of a pot.
"""

from math import exp, log
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.integrate import solve_ivp

from potvigil.leak import bank as bank_module
from potvigil.leak import pot_model
from potvigil.leak.bank import PotBank
from potvigil.leak.cells import CELLS
from potvigil.leak.pot_model import (
    AIR,
    CONSTANTS,
    CONTENTS_PROBE_GAIN,
    CORE,
    DRIFT,
    EXCESS,
    FAST,
    GAS_PROBE_LAG_S,
    HEATING,
    HEATING_S,
    LEFT_BEHIND,
    LN_CORE_SURFACE,
    LN_EXCESS,
    LN_FASTEST,
    LN_ROOM_WALL,
    LN_SURFACE_CORE,
    LN_SURFACE_WALL,
    LN_WALL_SURFACE,
    OFFSETS,
    PACES,
    RATES,
    ROOM,
    SIZE,
    START_CORE,
    START_SURFACE,
    SURFACE,
    UPTAKE,
    UPTAKE_S,
    WALL,
    WALL_PROBE_LAG_S,
    WALL_PROBE_ROOM_SHARE,
    Sizes,
    flow,
    pressure_row,
    prior,
    probe_row,
    rates_per_s,
    start,
)
from potvigil.model.reading import Place

Array = npt.NDArray[np.float64]

POT = Sizes(0.020, 0.003)
EMPTY = Sizes(0.020, 0.0)
HOUR = 3600.0


def anywhere(seed: int, cells: int = 6) -> tuple[Array, Array]:
    """Return states such as a pot may have, and how much of the resin's heat reaches the surface."""
    random = np.random.default_rng(seed)
    (mean, sigma), (begin, unsure) = prior(POT), start(POT)
    x = mean + begin + random.normal(size=(cells, SIZE)) * np.minimum(sigma + unsure, 5.0)
    x[:, RATES] = np.minimum(x[:, RATES], LN_FASTEST - 0.01)  # below where they are held
    x[:, AIR] += 3850.0
    x[:, SURFACE], x[:, CORE] = random.normal(0.0, 2.0, (2, cells))
    x[:, [DRIFT, FAST]] = random.normal(0.0, 0.1, (cells, 2))
    return x, random.uniform(0.0, 1.0, cells)


def equations(x: Array, heat_share: float) -> Array:
    """Return d/dt of wall, surface, core and excess of one pot, by the words of leak/pot_model.py.

    The wall takes heat from the surface and from the room; the contents leave the gas behind a wall that
    moves by a share of that; surface gives to the wall, surface and core to each other; resin heats both.
    """
    wall, surface, core, excess = x[WALL], x[SURFACE], x[CORE], x[EXCESS]
    d_wall = exp(x[LN_ROOM_WALL]) * (x[ROOM] - wall) + exp(x[LN_SURFACE_WALL]) * surface
    d_surface = (
        -LEFT_BEHIND * d_wall
        - exp(x[LN_WALL_SURFACE]) * surface
        + exp(x[LN_CORE_SURFACE]) * (core - surface)
        + heat_share * x[HEATING] / HOUR
    )
    d_core = -LEFT_BEHIND * d_wall + exp(x[LN_SURFACE_CORE]) * (surface - core) + x[HEATING] / HOUR
    return np.array((d_wall, d_surface, d_core, -exp(x[LN_EXCESS]) * excess))


def differences(seen: Any, x: Array) -> Array:
    """Return the derivative of what `seen` gives, by every state, by central differences."""
    columns = []
    for state in range(SIZE):
        step = np.zeros(SIZE)
        step[state] = 1e-4
        columns.append((seen(x + step) - seen(x - step)) / 2e-4)
    return np.stack(columns, axis=-1)


# -- flow ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_heat_flow_follows_the_equations(seed: int) -> None:
    x, share = anywhere(seed)
    paces, _ = flow(x, share)
    for cell in range(len(x)):
        assert paces[cell] == pytest.approx(equations(x[cell], share[cell]), rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("seed", range(3))
def test_the_derivative_of_the_flow_matches_finite_differences(seed: int) -> None:
    x, share = anywhere(seed)
    _, d = flow(x, share)
    expected = differences(lambda each: flow(each, share)[0], x)
    assert d == pytest.approx(expected, rel=1e-6, abs=1e-11)
    assert d.shape == (len(x), PACES, SIZE)


def test_no_part_responds_faster_than_its_limit() -> None:
    # 100 s for steel and silicone, 10 s for a gas that is stirred
    x, share = anywhere(4)
    held = x.copy()
    held[:, RATES] = LN_FASTEST
    x[:, RATES] = LN_FASTEST + 3.0
    assert flow(x, share)[0] == pytest.approx(flow(held, share)[0], rel=1e-12)
    # and what is held there moves nothing: a filter must not think that it does
    assert not flow(x, share)[1][:, :, RATES].any()
    assert rates_per_s(x) == pytest.approx(np.tile(1.0 / np.array([100.0] * 5 + [10.0]), (len(x), 1)))
    assert np.exp(-LN_FASTEST) == pytest.approx([100.0] * 5 + [10.0])


def test_a_pot_at_room_temperature_stays_there() -> None:
    x, share = anywhere(5)
    x[:, [SURFACE, CORE, EXCESS, HEATING]] = 0.0
    x[:, ROOM] = x[:, WALL]
    paces, _ = flow(x, share)
    assert np.all(paces == 0.0)
    bank = PotBank(POT)
    bank.x[:, [SURFACE, CORE, EXCESS, HEATING, UPTAKE]] = 0.0
    bank.x[:, WALL] = bank.x[:, ROOM] = 1.7
    before = pressure_row(bank.x)[0]
    bank.carry(8 * HOUR)
    assert bank.x[:, WALL] == pytest.approx(1.7)
    assert pressure_row(bank.x)[0] == pytest.approx(before)


def test_wall_and_contents_end_at_room_temperature() -> None:
    bank = PotBank(POT)
    bank.x[:, RATES] = bank._home[:, RATES] = log(1e-3)  # or the slowest take days
    bank.x[:, ROOM] = -3.0
    for _ in range(3):
        bank.carry(8 * HOUR)
    assert bank.x[:, WALL] == pytest.approx(-3.0, abs=0.01)
    assert bank.x[:, [SURFACE, CORE, EXCESS]] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("warm", [WALL, SURFACE, CORE, ROOM])
def test_heat_flows_from_warm_to_cold(warm: int, monkeypatch: pytest.MonkeyPatch) -> None:
    x = np.tile(prior(POT)[0], (1, 1))
    monkeypatch.setattr(pot_model, "LEFT_BEHIND", 0.0)  # what follows the wall without any heat aside
    x[:, warm] = 1.0
    (wall, surface, core, excess), _ = flow(x, np.zeros(1))[0][0], None
    signs = {
        WALL: (-1, 0, 0),  # surface and core are counted over it
        SURFACE: (1, -1, 1),
        CORE: (0, 1, -1),
        ROOM: (1, 0, 0),
    }
    assert tuple(np.sign((wall, surface, core)).astype(int)) == signs[warm]
    assert excess == 0.0


def test_surface_and_core_exchange_equal_heat() -> None:
    # by the capacities of 35 and 65 % of the contents; equal to e-folding in 1500 s
    for sizes in (POT, Sizes(0.050, 0.010), EMPTY):
        mean, _ = prior(sizes)
        out, into = exp(mean[LN_CORE_SURFACE]), exp(mean[LN_SURFACE_CORE])
        assert out * 0.35 == pytest.approx(into * 0.65)
        assert 1.0 / (out + into) == pytest.approx(1500.0)


@pytest.mark.parametrize("cell", [0, 7, CELLS - 1])
def test_a_bank_advances_its_pots_as_an_integrator_does(cell: int) -> None:
    bank = PotBank(POT)
    bank.x[:, HEATING], bank.x[:, ROOM], bank.x[:, EXCESS] = 3.0, -4.0, 2.0
    x, share = bank.x[cell].copy(), cell * 0.618 % 1.0

    def pace(t_s: float, y: Array) -> Array:
        now = x.copy()
        now[[WALL, SURFACE, CORE, EXCESS]] = y
        now[HEATING] = 3.0 * exp(-t_s / HEATING_S)
        now[RATES] = np.minimum(now[RATES], LN_FASTEST)
        return equations(now, share)

    begin = x[[WALL, SURFACE, CORE, EXCESS]]
    known = solve_ivp(pace, (0.0, HOUR), begin, rtol=1e-10, atol=1e-10, t_eval=[60.0, HOUR]).y
    # heating is taken as constant through a step: half a step of its 2400 s
    for i, steps in enumerate((12, 708)):
        for _ in range(steps):
            bank.carry(5.0)
        assert bank.x[cell, [WALL, SURFACE, CORE, EXCESS]] == pytest.approx(known[:, i], abs=6e-3)
    assert bank.x[cell, HEATING] == pytest.approx(3.0 * exp(-HOUR / HEATING_S))
    assert bank.x[cell, UPTAKE] == pytest.approx(x[UPTAKE] * exp(-HOUR / UPTAKE_S))
    assert bank.x[cell, ROOM] == -4.0


def test_one_minute_steps_are_as_good_as_one_second_steps() -> None:
    fine, coarse, one = PotBank(POT), PotBank(POT), PotBank(POT)
    for bank in (fine, coarse, one):
        bank.x[:, ROOM] = -4.0
    for _ in range(1800):
        fine.carry(1.0)
    for _ in range(30):
        coarse.carry(60.0)
    one.carry(1800.0)
    assert coarse.x[:, :PACES] == pytest.approx(fine.x[:, :PACES], abs=0.05)
    assert np.array_equal(one.x, coarse.x)
    assert np.array_equal(one.p, coarse.p)


@pytest.mark.parametrize("sizes", [POT, EMPTY, Sizes(0.008, 0.0), Sizes(0.050, 0.02)])
def test_no_pot_diverges_however_fast_its_parts_respond(sizes: Sizes) -> None:
    # sums of second order are stable up to twice the time constant of what answers fastest
    bank = PotBank(sizes)
    bank.x[:, RATES] += 4.0
    bank._home = bank.x.copy()
    most = np.abs(bank.x[:, :PACES]).max()
    for _ in range(40):
        bank.carry(300.0)
    assert np.abs(bank.x[:, :PACES]).max() <= most
    assert np.sqrt(np.diagonal(bank.p, axis1=1, axis2=2)[:, :PACES]).max() < 50.0


def test_a_covariance_advances_by_the_derivative_of_the_states(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # an extended Kalman filter: P goes to F P F' with F = dx'/dx by central differences
    for name in (
        "HEATING_K",
        "GROWTH",
        "OFFSET_K",
        "AIR_WANDER_K",
        "EXCESS_SPREAD",
        "UPTAKE_SPREAD",
        "MISSED_SHARE",
    ):
        monkeypatch.setattr(bank_module, name, 0.0)

    def quiet() -> PotBank:
        bank = PotBank(POT)
        bank._room_k = bank._wall_k = bank._drift_k = bank._stirred_k = 0.0
        bank._sigma = np.zeros(SIZE)
        return bank

    def after(x: Array) -> Array:
        bank = quiet()
        bank.x = x
        bank.carry(20.0)
        return bank.x

    monkeypatch.setattr(bank_module, "FAST_K", 0.0)
    bank = quiet()
    bank.x[:, HEATING], bank.x[:, ROOM], bank.x[:, EXCESS] = 2.0, -3.0, 4.0
    x, p = bank.x.copy(), bank.p.copy()
    way = differences(after, x)
    bank.carry(20.0)
    expected = way @ p @ way.transpose(0, 2, 1)
    # the derivative by a constant to first order in the step only: 20 s against hundreds
    scale = np.sqrt(np.maximum(np.diagonal(expected, axis1=1, axis2=2), 1e-12))
    assert np.abs(bank.p - expected).max(axis=0) == pytest.approx(
        0.0, abs=0.02 * (scale[:, :, None] * scale[:, None, :]).max()
    )
    assert np.all(np.abs(bank.p - expected) <= 0.02 * scale[:, :, None] * scale[:, None, :] + 1e-9)


# -- what is seen ----------------------------------------------------------------------------------


def test_the_pressure_is_the_sum_of_all_that_warms_and_fills_the_gas() -> None:
    x, _ = anywhere(6)
    seen, row = pressure_row(x)
    assert seen == pytest.approx(x[:, [WALL, SURFACE, AIR, DRIFT, FAST, EXCESS, UPTAKE]].sum(axis=1))
    assert row == pytest.approx(differences(lambda each: pressure_row(each)[0], x), abs=1e-7)


@pytest.mark.parametrize("place", list(Place))
@pytest.mark.parametrize("seed", range(2))
def test_the_derivative_of_a_probe_matches_finite_differences(place: Place, seed: int) -> None:
    x, share = anywhere(seed)
    gain = np.linspace(0.8, 1.3, len(x))

    def seen(each: Array) -> Array:
        return probe_row(each, place, share, gain)[0]

    _, row = probe_row(x, place, share, gain)
    assert row == pytest.approx(differences(seen, x), rel=1e-6, abs=1e-7)


def test_every_probe_sees_what_it_touches(monkeypatch: pytest.MonkeyPatch) -> None:
    x, share = anywhere(7)
    gain = np.linspace(0.8, 1.3, len(x))
    monkeypatch.setattr(pot_model, "_TRAILS", {})
    known = {
        Place.GAS: x[:, WALL] + gain * x[:, SURFACE] + x[:, EXCESS],
        Place.WALL: x[:, WALL] + WALL_PROBE_ROOM_SHARE * (x[:, ROOM] - x[:, WALL]),
        Place.ROOM: x[:, ROOM],
        Place.CONTENTS: x[:, WALL] + x[:, CONTENTS_PROBE_GAIN] * 0.5 * (x[:, SURFACE] + x[:, CORE]),
    }
    for place, kelvin in known.items():
        assert probe_row(x, place, share, gain)[0] == pytest.approx(kelvin + x[:, OFFSETS[place]])


@pytest.mark.parametrize(("place", "tau_s"), [(Place.GAS, GAS_PROBE_LAG_S), (Place.WALL, WALL_PROBE_LAG_S)])
def test_a_probe_trails_a_ramp_as_a_first_order_lag_does(
    place: Place, tau_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    # tau x' + x = s t from x(0) = 0: x = s (t - tau (1 - exp(-t/tau))), so s tau behind once it has settled
    # (any text on control; Seborg, Edgar & Mellichamp, Process Dynamics and Control, ch. 5, from memory)
    x = np.tile(prior(POT)[0], (1, 1))
    x[0, LN_SURFACE_WALL : LN_EXCESS + 1] = -30.0  # nothing but the wall moves, and the room far off moves it
    monkeypatch.setattr(pot_model, "LEFT_BEHIND", 0.0)
    monkeypatch.setattr(pot_model, "WALL_PROBE_ROOM_SHARE", 0.0)
    x[0, ROOM], x[0, LN_ROOM_WALL] = 1e6, log(1e-9)  # K, 1/s: a ramp of 1 mK/s
    t_s, slope = 1200.0, 1e-3
    x[0, WALL] = slope * t_s
    exact = slope * (t_s - tau_s * (1.0 - exp(-t_s / tau_s)))
    seen, _ = probe_row(x, place, np.zeros(1), np.ones(1))
    assert seen[0] == pytest.approx(exact, abs=2e-6 + 1e-3 * slope * tau_s)


# -- sizes -----------------------------------------------------------------------------------------


def test_a_fill_leaves_the_heat_of_the_first_law() -> None:
    # V dp, the gas back at its temperature; half of it to the wall, half to the contents where there are any
    heat_j = 0.017 * 413_685.0
    mean, _ = start(POT)
    assert mean[WALL] * 7000.0 == pytest.approx(0.5 * heat_j)
    surface_k = 0.5 * heat_j / (0.35 * 0.003 * 1.6e6)
    assert mean[START_SURFACE] == pytest.approx(0.5 * (surface_k - mean[WALL]))
    assert mean[START_CORE] == pytest.approx(-0.5 * mean[WALL])
    empty, unsure = start(EMPTY)
    assert empty[WALL] * 7000.0 == pytest.approx(0.020 * 413_685.0)
    assert unsure[UPTAKE] == empty[UPTAKE] == unsure[HEATING] == 0.0
    assert start(Sizes(0.020, 0.003, 206_842.5))[0][WALL] == pytest.approx(0.5 * mean[WALL])


def test_silicone_absorbs_0_1_to_0_3_percent() -> None:
    # common practice for silicone moulds
    mean, sigma = start(POT)
    assert mean[UPTAKE] / 293.15 == pytest.approx(0.0015)
    assert sigma[UPTAKE] / 293.15 == pytest.approx(0.001)


def test_the_gas_has_the_heat_capacity_of_air() -> None:
    # CoolProp's equation of state of air: cv times the mass; a diatomic ideal gas within 3 %
    density = PropsSI("D", "T", 293.15, "P", 515_010.0, "Air")
    heat = PropsSI("Cvmass", "T", 293.15, "P", 515_010.0, "Air")
    assert POT.gas_j == pytest.approx(0.017 * density * heat, rel=0.03)
    assert POT.steel_j == pytest.approx(15.0 * 490.0, rel=0.05)
    assert POT.contents_j == pytest.approx(0.003 * 1.6e6)
    assert EMPTY.contents_j == pytest.approx(0.01 * 0.020 * 1.6e6)
    assert Sizes(0.010, 0.0).steel_j == pytest.approx(7000.0 * 0.5**0.8)


def test_time_constants_of_a_pot_follow_from_area_and_capacities() -> None:
    # of 20 L and 3 L of mould: 0.3 W/K straight, 1.6 and 1.4 W/K by way of the gas, 2.6 W/K to the room
    mean, _ = prior(POT)
    through = 0.3 + 1.0 / (1.0 / 1.6 + 1.0 / 1.4)
    assert exp(mean[LN_ROOM_WALL]) == pytest.approx(2.6 / 7000.0)
    assert exp(mean[LN_WALL_SURFACE]) == pytest.approx(through / (0.35 * 4800.0))
    assert exp(mean[LN_SURFACE_WALL]) == pytest.approx(2.0 * through / 7000.0)
    assert exp(mean[LN_EXCESS]) == pytest.approx(3.0 / (1.5 * POT.gas_j))
    assert exp(prior(EMPTY)[0][LN_EXCESS]) == pytest.approx(1.6 / (1.5 * EMPTY.gas_j))
    # eight times the volume has four times the area: walls of the same form
    large = Sizes(0.160, 0.024)
    ratio = exp(prior(large)[0][LN_ROOM_WALL]) * large.steel_j / (2.6 / 7000.0 * 7000.0)
    assert ratio == pytest.approx(4.0)


def test_constants_are_in_the_prior_and_states_in_the_start() -> None:
    (mean, sigma), (begin, unsure) = prior(POT), start(POT)
    constant = np.zeros(SIZE, dtype=bool)
    constant[CONSTANTS] = True
    assert np.all(sigma[constant] > 0.0)
    assert not mean[~constant].any() and not sigma[~constant].any()
    assert not begin[constant].any() and not unsure[constant].any()
