"""Filling: against an independent full model integrated by scipy, the simulated pot, and closed forms."""

from dataclasses import replace
from math import inf, pi

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from potvigil.physics.fill import Compressor, equalised_pa, fill, fills
from potvigil.sim.pot import PotModel
from potvigil.sim.pot_parts import Fill as SimFill
from potvigil.sim.pot_parts import PotParameters, Supply
from potvigil.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

ROOM_K, OUTSIDE_PA, GAS_M3 = 293.15, STANDARD_ATMOSPHERE_PA, 0.017
R, CP, CV = 287.055, 1004.69, 717.64  # air, J/(kg K): CODATA R over 28.9647 g/mol; cp = 7/2 R, cv = 5/2 R
COMPRESSOR = Compressor(
    tank_m3=0.024,
    free_air_m3_per_s=0.09 / 60.0,
    cut_in_pa=90.0 * PA_PER_PSI,
    cut_out_pa=120.0 * PA_PER_PSI,
    rated_pa=90.0 * PA_PER_PSI,
)


def one(compressor=COMPRESSOR, tank_psi=120.0, to_psi=60.0, gas_m3=GAS_M3, **ways):
    return fill(
        compressor, tank_psi * PA_PER_PSI, gas_m3, to_psi * PA_PER_PSI, OUTSIDE_PA, ROOM_K,
        **{"delivered": 1.0, **ways},
    )  # fmt: skip


def whole_model(compressor: Compressor, tank_psi: float, to_psi: float, heat_time_s: float, pumps: bool):
    """Mass and energy of both vessels, kg and J, by scipy; return time, s, and what would be left cold, Pa.

    Nozzle flow in its mass form (Shapiro, Compressible Fluid Flow, ch. 4). Heat goes with m cv (T - room).
    """
    volumes = compressor.tank_m3, GAS_M3

    def state(y):
        (m_t, u_t), (m_p, u_p) = y[:2], y[2:]
        temperatures = u_t / m_t / CV, u_p / m_p / CV
        return [
            m * R * t / v for m, t, v in zip((m_t, m_p), temperatures, volumes, strict=True)
        ], temperatures

    def rates(_, y):
        (p_t, p_p), (t_t, t_p) = state(y)
        flow = 0.0
        if p_t > p_p:
            x = max(p_p / p_t, (2.0 / 2.4) ** 3.5)  # choked below
            mach2 = 5.0 * (x ** (-1.0 / 3.5) - 1.0)
            flow = compressor.area_m2 * p_t * (1.4 * mach2 / (R * t_t)) ** 0.5 * (1.0 + 0.2 * mach2) ** -3.0
        came = 0.0
        if pumps:
            free = compressor.delivers_m3_per_s(p_t, OUTSIDE_PA)
            came = OUTSIDE_PA * free / (R * ROOM_K)
        lost = [m * CV * (t - ROOM_K) / heat_time_s for m, t in ((y[0], t_t), (y[2], t_p))]
        return [
            came - flow,
            came * CP * ROOM_K - flow * CP * t_t - lost[0],
            flow,
            flow * CP * t_t - lost[1],
        ]

    def there(_, y):
        return state(y)[0][1] - (to_psi * PA_PER_PSI + OUTSIDE_PA)

    there.terminal = True
    masses = [
        p * v / (R * ROOM_K)
        for p, v in zip((tank_psi * PA_PER_PSI + OUTSIDE_PA, OUTSIDE_PA), volumes, strict=True)
    ]
    start = [masses[0], masses[0] * CV * ROOM_K, masses[1], masses[1] * CV * ROOM_K]
    ran = solve_ivp(
        rates, (0.0, 3000.0), start, events=there, rtol=1e-7, atol=1e-10, max_step=1.0, method="LSODA"
    )
    (time_s,), (y,) = ran.t_events[0], ran.y_events[0]
    return time_s, y[2] * R * ROOM_K / GAS_M3 - OUTSIDE_PA


@pytest.mark.parametrize("area_mm2", [1.0, 4.0, 12.0])
@pytest.mark.parametrize(("tank_psi", "pumps"), [(120.0, False), (90.0, True)])
@pytest.mark.parametrize("heat_time_s", [8.0, 60.0, 1e9])
def test_a_fill_takes_as_long_as_the_full_model_says(area_mm2, tank_psi, pumps, heat_time_s) -> None:
    compressor = replace(COMPRESSOR, area_m2=area_mm2 * 1e-6)
    if not pumps:  # a tank large enough to do it alone, its motor never starting
        compressor = replace(compressor, tank_m3=0.1, cut_in_pa=30.0 * PA_PER_PSI)
    time_s, settled_pa = whole_model(compressor, tank_psi, 60.0, heat_time_s, pumps)
    got = one(compressor, tank_psi, heat_time_s=heat_time_s)
    assert got.time_s == pytest.approx(time_s, rel=0.02, abs=0.3)
    assert got.settled_pa == pytest.approx(settled_pa, rel=0.01)


def test_the_simulated_fill_is_within_the_predicted_range() -> None:
    # its formulas are its own: wall and mould as lumps, a gas that is stirred while it flows, a real gas
    for valve_m2, start_pa in ((6.5e-7, 8.0e5), (2e-6, 6.0e5), (6e-6, 6.0e5)):
        supply = Supply(tank_gauge_pa=start_pa, valve_area_m2=valve_m2)
        to_pa = 60.0 * PA_PER_PSI
        pot = PotModel(PotParameters(), supply=supply, actions=[SimFill(0.0, to_pa)])
        took_s, fed_mol = 0.0, -1.0
        while pot.fed_mol > fed_mol:  # it shuts the valve itself
            fed_mol = pot.fed_mol
            took_s += 0.25
            pot.advance(took_s)
        lowest_pa = to_pa
        while pot.t_s < took_s + 900.0:
            pot.advance(pot.t_s + 1.0)
            lowest_pa = min(lowest_pa, pot.gauge_pa)
        compressor = Compressor(0.05, 0.07 * 8.314 * ROOM_K / OUTSIDE_PA, 6.0e5, 8.0e5, 6.0e5, valve_m2)
        got = fills(compressor, None, GAS_M3, 0.0008, to_pa, OUTSIDE_PA, ROOM_K)
        assert got.quick.time_s < took_s < got.slow.time_s
        ends = [each.settled_pa for each in (got.full, got.low, got.quick, got.slow)]
        # the lumps warm by some tenths of a kelvin, which holds the gauge up
        assert min(ends) - 0.5 * PA_PER_PSI < lowest_pa < max(ends) + 1.0 * PA_PER_PSI


def test_without_warming_the_closed_form_holds() -> None:
    # (p - p0) (V + Vt) of air at the room's temperature from where both vessels stand even
    still = replace(COMPRESSOR, free_air_m3_per_s=0.002)
    even_pa = equalised_pa(90.0 * PA_PER_PSI, 0.024, 0.0, GAS_M3)
    middle_pa = (even_pa + 60.0 * PA_PER_PSI) / 2.0 + OUTSIDE_PA
    free = still.delivers_m3_per_s(middle_pa, OUTSIDE_PA)
    expected_s = (60.0 * PA_PER_PSI - even_pa) * (0.024 + GAS_M3) / (OUTSIDE_PA * free)
    assert one(still, 90.0, heat_time_s=0.0).time_s == pytest.approx(expected_s, rel=0.01)


def test_two_vessels_joined_come_to_the_same_pressure_hot_or_cold() -> None:
    alone = replace(COMPRESSOR, cut_in_pa=1.0 * PA_PER_PSI, cut_out_pa=120.0 * PA_PER_PSI)
    for heat_time_s in (0.0, 20.0, inf):
        ended = one(alone, 100.0, to_psi=90.0, heat_time_s=heat_time_s)
        assert ended.time_s is None
        assert ended.reached_pa == pytest.approx(
            equalised_pa(100.0 * PA_PER_PSI, 0.024, 0.0, GAS_M3), rel=1e-6
        )


def test_a_compressor_that_cuts_out_too_low_or_waits_for_its_motor_never_gets_there() -> None:
    weak = replace(COMPRESSOR, cut_in_pa=35.0 * PA_PER_PSI, cut_out_pa=55.0 * PA_PER_PSI)
    ended = one(weak, 55.0)
    assert ended.time_s is None
    assert ended.reached_pa <= 55.1 * PA_PER_PSI
    # even at 53 psi with its motor waiting for 30 psi
    lazy = replace(COMPRESSOR, cut_in_pa=30.0 * PA_PER_PSI, cut_out_pa=90.0 * PA_PER_PSI)
    ended = one(lazy, 90.0)
    assert ended.time_s is None
    assert ended.reached_pa == pytest.approx(90.0 * PA_PER_PSI * 0.024 / 0.041, rel=1e-3)


def test_a_compressor_delivers_its_rated_air_there_and_less_against_more() -> None:
    at_rated = COMPRESSOR.delivers_m3_per_s(90.0 * PA_PER_PSI + OUTSIDE_PA, OUTSIDE_PA)
    assert at_rated == pytest.approx(0.0015)
    more = COMPRESSOR.delivers_m3_per_s(120.0 * PA_PER_PSI + OUTSIDE_PA, OUTSIDE_PA)
    less = COMPRESSOR.delivers_m3_per_s(30.0 * PA_PER_PSI + OUTSIDE_PA, OUTSIDE_PA)
    assert more < at_rated < less < 1.3 * at_rated


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    gas_l=st.floats(2.0, 60.0),
    tank_l=st.floats(3.0, 200.0),
    free_l=st.floats(20.0, 400.0),
    bore_mm=st.one_of(st.none(), st.floats(1.0, 8.0)),
    to_psi=st.floats(20.0, 80.0),
)
def test_the_range_is_ordered_and_nothing_settles_above_the_target(
    gas_l, tank_l, free_l, bore_mm, to_psi
) -> None:
    area_m2 = None if bore_mm is None else 0.6 * pi / 4.0 * (bore_mm * 1e-3) ** 2
    compressor = Compressor(
        tank_l * 1e-3, free_l / 60e3, 90.0 * PA_PER_PSI, 120.0 * PA_PER_PSI, 90.0 * PA_PER_PSI, area_m2
    )
    got = fills(compressor, None, gas_l * 1e-3, 0.03 * gas_l * 1e-3, to_psi * PA_PER_PSI, OUTSIDE_PA, ROOM_K)
    assert got.quick.time_s is not None and got.slow.time_s is not None
    assert got.full.time_s is not None and got.low.time_s is not None
    assert got.quick.time_s <= got.full.time_s + 1e-6 <= got.low.time_s + 2e-6 <= got.slow.time_s + 3e-6
    for each in (got.quick, got.full, got.low, got.slow):
        assert each.settled_pa <= to_psi * PA_PER_PSI + 1.0
        assert each.reached_pa == pytest.approx(to_psi * PA_PER_PSI, rel=1e-6)
