"""The simulated pot against printed tables, closed forms, an ODE solver and the reference air of CoolProp."""

from math import pi

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from potvigil.sim.gas_laws import (
    AIR_KG_PER_MOL,
    Leak,
    LeakLaw,
    absolute_pa_of,
    bore_area_m2,
    capillary_conductance,
    capillary_mol_per_s,
    orifice_mol_per_s,
)
from potvigil.sim.pot import PotModel
from potvigil.sim.pot_parts import CureHeat, Fill, PotParameters, Regulate, Supply, Vent, level
from potvigil.units import MOLAR_GAS_CONSTANT, PA_PER_PSI, SECONDS_PER_HOUR, STANDARD_ATMOSPHERE_PA

ROOM_K = 293.15
BATH = 1e15  # heat capacity of a wall that never warms, J/K
SIXTY_PSI_PA = STANDARD_ATMOSPHERE_PA + 60 * PA_PER_PSI


def bare_pot(volume_m3: float, gas_wall_w_per_k: float = 0.0, real_gas: bool = False) -> PotParameters:
    """A vessel with nothing in it, in a bath; insulated unless a conductance is given."""
    return PotParameters(
        internal_volume_m3=volume_m3,
        contents_volume_m3=0.0,
        gas_wall_w_per_k=gas_wall_w_per_k,
        gas_contents_w_per_k=0.0,
        stirring_s_per_mol=0.0,
        wall_j_per_k=BATH,
        real_gas=real_gas,
    )


ISOTHERMAL_20_L = bare_pot(0.020, gas_wall_w_per_k=1e6)


def time_to(model: PotModel, absolute_pa: float, step_s: float) -> float:
    """Advance until the pressure has fallen to a value; return when, interpolated."""
    while True:
        before_s, before_pa = model.t_s, model.absolute_pa
        model.advance(before_s + step_s)
        if model.absolute_pa <= absolute_pa:
            share = (before_pa - absolute_pa) / (before_pa - model.absolute_pa)
            return before_s + share * (model.t_s - before_s)


# Printed table "Discharge of air through an orifice", compressed-air handbook sheet 15-010504-002, flow
# coefficient 1: cubic feet of free air a minute (14.696 psia, 70 F) by gauge psi, for 1/64 to 1/8 in.
DISCHARGE = {
    1: (0.028, 0.112, 0.450, 1.80),
    5: (0.062, 0.248, 0.993, 3.97),
    9: (0.083, 0.331, 1.32, 5.30),
    12: (0.095, 0.379, 1.52, 6.07),
    15: (0.105, 0.420, 1.68, 6.72),
    20: (0.123, 0.491, 1.96, 7.86),
    30: (0.158, 0.633, 2.53, 10.1),
    40: (0.194, 0.774, 3.10, 12.4),
    50: (0.229, 0.916, 3.66, 14.7),
    60: (0.264, 1.06, 4.23, 16.9),
    70: (0.300, 1.20, 4.79, 19.2),
    100: (0.406, 1.62, 6.49, 26.0),
}


@pytest.mark.parametrize("gauge_psi", DISCHARGE)
@pytest.mark.parametrize("hole", range(4))
def test_orifice_discharges_as_the_printed_table(gauge_psi: int, hole: int) -> None:
    seventy_f_k = (70.0 + 459.67) * 5.0 / 9.0
    outside_pa = 14.696 * PA_PER_PSI
    diameter_m = 0.0254 / (64, 32, 16, 8)[hole]
    mol_per_s = orifice_mol_per_s(
        bore_area_m2(diameter_m), outside_pa + gauge_psi * PA_PER_PSI, outside_pa, seventy_f_k
    )
    cubic_feet_per_min = mol_per_s * MOLAR_GAS_CONSTANT * seventy_f_k / outside_pa / 0.3048**3 * 60.0
    printed = DISCHARGE[gauge_psi][hole]
    assert cubic_feet_per_min == pytest.approx(printed, rel=0.007)


def test_choked_factor_is_whites() -> None:
    # White, Fluid Mechanics, 8th ed., problem 3.27: mass flow = 0.685 p0 A / sqrt(R T0)
    kg_per_s = orifice_mol_per_s(1.0, 1e6, 1e5, 300.0) * AIR_KG_PER_MOL
    specific = MOLAR_GAS_CONSTANT / AIR_KG_PER_MOL
    assert kg_per_s * (specific * 300.0) ** 0.5 / 1e6 == pytest.approx(0.6847315, rel=1e-6)


@pytest.mark.parametrize(
    ("ratio", "share"), [(0.6, 0.98830), (0.8, 0.81726), (0.9, 0.61550), (0.99, 0.20475)]
)
def test_subsonic_flow_stays_close_to_the_ellipse_of_iso_6358(ratio: float, share: float) -> None:
    # ISO 6358: flow over choked flow is sqrt(1 - ((r - b)/(1 - b))^2), b = 0.528; within 0.4 % of St Venant
    choked = orifice_mol_per_s(1e-6, 5e5, 0.0, ROOM_K)
    assert orifice_mol_per_s(1e-6, 5e5, ratio * 5e5, ROOM_K) / choked == pytest.approx(share, rel=0.004)


@pytest.mark.parametrize(
    ("diameter_m", "length_m", "pv_flow"),
    [(10e-6, 5e-3, 3.4384e-4), (20e-6, 5e-3, 5.5014e-3), (50e-6, 10e-3, 0.10745)],
)
def test_capillary_follows_compressible_poiseuille(
    diameter_m: float, length_m: float, pv_flow: float
) -> None:
    # pV flow = pi r^4 (p1^2 - p2^2) / (16 mu L), leak-testing handbooks (from memory), here written out again
    conductance = capillary_conductance(diameter_m, length_m)
    flow = capillary_mol_per_s(conductance, SIXTY_PSI_PA, STANDARD_ATMOSPHERE_PA, ROOM_K)
    by_hand = (
        pi * (diameter_m / 2) ** 4 * (SIXTY_PSI_PA**2 - STANDARD_ATMOSPHERE_PA**2) / (16 * 18.2e-6 * length_m)
    )
    assert flow * MOLAR_GAS_CONSTANT * ROOM_K == pytest.approx(by_hand, rel=1e-9)
    assert by_hand == pytest.approx(pv_flow, rel=1e-4)


@pytest.mark.parametrize("gas_k", [265.0, 280.0, 293.15, 310.0, 340.0, 380.0])
@pytest.mark.parametrize("absolute_pa", [101_325.0, 300_000.0, SIXTY_PSI_PA, 690_000.0])
def test_real_gas_pressure_agrees_with_the_reference_equation_for_air(
    gas_k: float, absolute_pa: float
) -> None:
    # CoolProp: Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000) 331
    density = PropsSI("Dmolar", "T", gas_k, "P", absolute_pa, "Air")
    assert absolute_pa_of(density * 0.02, gas_k, 0.02) == pytest.approx(absolute_pa, rel=2.0e-4)


def test_sealed_pot_changes_by_the_real_gas_pressure_coefficient() -> None:
    # CoolProp at 293.15 K and 5.15 bar: 1779.0 Pa/K at constant volume, where the ideal gas has 1756.8
    density = PropsSI("Dmolar", "T", ROOM_K, "P", SIXTY_PSI_PA, "Air")
    expected = PropsSI("d(P)/d(T)|Dmolar", "T", ROOM_K, "Dmolar", density, "Air")
    slope = absolute_pa_of(density, ROOM_K + 0.5, 1.0) - absolute_pa_of(density, ROOM_K - 0.5, 1.0)
    assert slope == pytest.approx(expected, rel=1e-3)
    assert slope == pytest.approx(1779.0, rel=1e-3)


def test_two_states_of_a_vessel_give_the_leak_of_40_cfr_1065_644() -> None:
    # 40 CFR 1065.644, example: 2.0000 L, 293.15 K, 25300 to 50600 Pa in 70 s; 2.9657e-4 mol/s recomputed
    vessel = bare_pot(0.002)
    late = PotModel(vessel, absolute_pa=50_600.0).amount_mol
    early = PotModel(vessel, absolute_pa=25_300.0).amount_mol
    assert (late - early) / 70.0 == pytest.approx(2.96570e-4, rel=1e-4)


def filled(pot: PotParameters, inlet_k: float, line_pa: float, **start: float) -> PotModel:
    """Fill a vessel from a line that never tires; return it at the moment the valve shuts."""
    ambient_pa = 100_000.0
    supply = Supply(
        tank_volume_m3=1e9,
        tank_gauge_pa=2e6,
        line_gauge_pa=line_pa - ambient_pa,
        valve_area_m2=1e-3,
        inlet_k=inlet_k,
    )
    model = PotModel(
        pot,
        supply=supply,
        actions=[Fill(0.0, line_pa - ambient_pa)],
        room_k=level(inlet_k),
        ambient_pa=level(ambient_pa),
        **start,
    )
    while model.absolute_pa < line_pa - 3.0:
        model.advance(model.t_s + 0.01)
    return model


def test_filling_a_rigid_tank_takes_the_air_and_gives_the_heat_of_cengel_and_boles() -> None:
    # Cengel & Boles, Thermodynamics, unsteady flow: 2 m3 from 100 kPa, 22 C to 600 kPa, 77 C; the line is at
    # 600 kPa, 22 C. Answers: 9.58 kg enter, 339 kJ leave.
    def ends_k(conductance: float) -> PotModel:
        return filled(bare_pot(2.0, conductance), 295.0, 600_000.0)

    conductance = brentq(lambda w_per_k: ends_k(w_per_k).gas_k - 350.0, 10.0, 5000.0, rtol=1e-3)
    tank = ends_k(conductance)
    assert tank.fed_mol * AIR_KG_PER_MOL == pytest.approx(9.58, rel=0.005)
    cv = 2.5 * MOLAR_GAS_CONSTANT
    start_mol = 100_000.0 * 2.0 / (MOLAR_GAS_CONSTANT * 295.0)
    heat_j = tank.flow_j - (tank.amount_mol * tank.gas_k - start_mol * 295.0) * cv
    assert heat_j == pytest.approx(339e3, rel=0.005)


@pytest.mark.parametrize(("supply_k", "end_k"), [(290.0, 406.0), (300.0, 420.0)])
def test_an_evacuated_insulated_vessel_fills_to_gamma_times_the_supply_temperature(
    supply_k: float, end_k: float
) -> None:
    # Textbook limit T = gamma Ts; 300 K gives the 420 K that a printed solution names
    vessel = filled(bare_pot(0.020), supply_k, 600_000.0, absolute_pa=10.0)
    assert vessel.gas_k == pytest.approx(end_k, rel=1e-3)


def test_a_pot_filled_at_once_loses_seventeen_psi_without_a_leak() -> None:
    # T2 = gamma Ts / (1 + (p1/p2)(gamma Ts/T1 - 1)): 380.5 K; cooled to 293.15 K: 396815 Pa, 17.1 psi less
    model = PotModel(
        bare_pot(0.020, gas_wall_w_per_k=1.0),
        supply=Supply(tank_volume_m3=1e9, valve_area_m2=1e-2),
        actions=[Fill(0.0, 60 * PA_PER_PSI)],
    )
    hottest_k = 0.0
    while model.t_s < 0.2:
        model.advance(model.t_s + 0.001)
        hottest_k = max(hottest_k, model.gas_k)
    assert hottest_k == pytest.approx(380.5, rel=2e-3)
    model.advance(3600.0)
    assert model.absolute_pa == pytest.approx(396_815.0, rel=2e-3)
    assert model.leaked_mol == 0.0


def test_blow_down_takes_the_time_of_bird_stewart_and_lightfoot() -> None:
    # Transport Phenomena, "free batch expansion": 10 ft3, 100 atm, 300 K, nozzle 0.1 ft2, insulated.
    # The throat reaches 1 atm when the tank is at 1.8929 atm and 96.58 K, after 0.5783 s.
    model = PotModel(
        bare_pot(10 * 0.3048**3),
        leaks=[Leak(0.0, size=0.1 * 0.3048**2)],
        room_k=level(300.0),
        absolute_pa=100 * STANDARD_ATMOSPHERE_PA,
    )
    end_s = time_to(model, 1.8929 * STANDARD_ATMOSPHERE_PA, 0.0005)
    assert end_s == pytest.approx(0.5783, rel=3e-3)
    assert model.gas_k == pytest.approx(96.58, rel=3e-3)


def test_pot_blows_down_between_the_adiabatic_and_the_isothermal_limit() -> None:
    # 20 L, 60 psi gauge, ideal 1 mm hole, to the end of choking (191801 Pa): 97.14 and 126.63 s, closed forms
    def blow_down_s(gas_wall_w_per_k: float) -> float:
        model = PotModel(
            bare_pot(0.020, gas_wall_w_per_k),
            leaks=[Leak(0.0, size=bore_area_m2(1e-3))],
            absolute_pa=SIXTY_PSI_PA,
        )
        return time_to(model, 191_801.0, 0.1)

    adiabatic_s, real_s, isothermal_s = (blow_down_s(conductance) for conductance in (0.0, 2.0, 1e6))
    assert adiabatic_s == pytest.approx(97.14, rel=3e-3)
    assert isothermal_s == pytest.approx(126.63, rel=3e-3)
    assert adiabatic_s + 2.0 < real_s < isothermal_s - 2.0


def test_orifice_reaches_forty_psi_when_the_exponential_says() -> None:
    # p = p0 exp(-t/tau), tau = V / (A 0.68473 sqrt(R T)): 20 L, 20 um, 60 to 40 psi gauge in 27.745 h
    model = PotModel(ISOTHERMAL_20_L, leaks=[Leak(0.0, size=bore_area_m2(20e-6))], absolute_pa=SIXTY_PSI_PA)
    model.advance(5.0)
    assert model.leak_pa_per_s == pytest.approx(0.8390 * PA_PER_PSI / SECONDS_PER_HOUR, rel=1e-3)
    end_s = time_to(model, STANDARD_ATMOSPHERE_PA + 40 * PA_PER_PSI, 600.0)
    assert end_s / SECONDS_PER_HOUR == pytest.approx(27.745, rel=1e-3)


def test_capillary_reaches_forty_psi_when_the_closed_form_says() -> None:
    # dp/dt = -k (p^2 - pa^2), k = 1.07884e-12 1/(Pa s) for d = 20 um, L = 5 mm in 20 L: 193.38 h; sixteen
    # times the flow (d = 40 um) takes a sixteenth of the time
    leak = Leak(0.0, LeakLaw.CAPILLARY, size=capillary_conductance(40e-6, 5e-3))
    model = PotModel(ISOTHERMAL_20_L, leaks=[leak], absolute_pa=SIXTY_PSI_PA)
    end_s = time_to(model, STANDARD_ATMOSPHERE_PA + 40 * PA_PER_PSI, 300.0)
    assert 16 * end_s / SECONDS_PER_HOUR == pytest.approx(193.38, rel=1e-3)


@pytest.mark.parametrize("law", LeakLaw)
def test_isothermal_loss_agrees_with_an_ode_solver_to_the_end(law: LeakLaw) -> None:
    """Through the change from choked to subsonic flow, down to 2 psi gauge."""
    size = {LeakLaw.ORIFICE: bore_area_m2(60e-6), LeakLaw.CAPILLARY: capillary_conductance(60e-6, 5e-3)}[law]
    flow = {LeakLaw.ORIFICE: orifice_mol_per_s, LeakLaw.CAPILLARY: capillary_mol_per_s}[law]

    def slope(_t: float, p: list[float]) -> list[float]:
        return [-flow(size, p[0], STANDARD_ATMOSPHERE_PA, ROOM_K) * MOLAR_GAS_CONSTANT * ROOM_K / 0.020]

    times_s = [3600.0, 7200.0, 14400.0, 28800.0, 43200.0]
    exact = solve_ivp(slope, (0.0, times_s[-1]), [SIXTY_PSI_PA], t_eval=times_s, rtol=1e-10, atol=1e-3)
    model = PotModel(ISOTHERMAL_20_L, leaks=[Leak(0.0, law, size=size)], absolute_pa=SIXTY_PSI_PA)
    for t_s, expected_pa in zip(times_s, exact.y[0], strict=True):
        model.advance(t_s)
        assert model.absolute_pa == pytest.approx(expected_pa, abs=30.0)


def test_a_hold_with_leak_and_cure_heat_agrees_with_an_ode_solver() -> None:
    """The step of the model (first order, seconds long) against the same balances, integrated tightly."""
    pot = PotParameters(real_gas=False)
    cure = CureHeat(peak_s=5400.0, width_s=900.0, energy_j=50_000.0)
    size = bore_area_m2(30e-6)
    volume_m3 = pot.gas_volume_m3
    cv, cp = 2.5 * MOLAR_GAS_CONSTANT, 3.5 * MOLAR_GAS_CONSTANT
    room_k = 291.0

    def slope(t_s: float, y: list[float]) -> list[float]:
        n, gas_k, wall_k, contents_k = y
        absolute_pa = n * MOLAR_GAS_CONSTANT * gas_k / volume_m3
        leak = orifice_mol_per_s(size, absolute_pa, STANDARD_ATMOSPHERE_PA, gas_k)
        to_wall = pot.gas_wall_w_per_k * (gas_k - wall_k)
        to_contents = pot.gas_contents_w_per_k * (gas_k - contents_k)
        internal_w = -cp * gas_k * leak - to_wall - to_contents
        return [
            -leak,
            (internal_w + leak * cv * gas_k) / (n * cv),
            (to_wall - pot.wall_room_w_per_k * (wall_k - room_k)) / pot.wall_j_per_k,
            (to_contents + cure.power_w(t_s)) / pot.contents_j_per_k,
        ]

    model = PotModel(
        pot, leaks=[Leak(0.0, size=size)], cure=cure, room_k=level(room_k), absolute_pa=SIXTY_PSI_PA
    )
    start = [model.amount_mol, model.gas_k, model.wall_k, model.contents_k]
    times_s = [600.0, 4500.0, 5400.0, 6300.0, 9000.0, 18000.0]
    exact = solve_ivp(slope, (0.0, times_s[-1]), start, "LSODA", times_s, rtol=1e-9, atol=1e-9, max_step=60.0)
    for i, t_s in enumerate(times_s):
        model.advance(t_s)
        n, gas_k, wall_k, contents_k = exact.y[:, i]
        assert model.amount_mol == pytest.approx(n, rel=2e-5)
        assert model.gas_k == pytest.approx(gas_k, abs=0.02)
        assert model.wall_k == pytest.approx(wall_k, abs=0.02)
        assert model.contents_k == pytest.approx(contents_k, abs=0.02)


@settings(max_examples=25, deadline=None)
@given(
    volume_m3=st.floats(0.008, 0.05),
    gas_wall=st.floats(0.0, 10.0),
    wall_j=st.floats(1e3, 5e4),
    mould_share=st.floats(0.0, 0.003),
    leak_psi_per_h=st.floats(0.1, 200.0),
    law=st.sampled_from(LeakLaw),
    cure_j=st.floats(0.0, 2e5),
    room_k=st.floats(275.0, 305.0),
    regulated=st.booleans(),
)
def test_matter_and_energy_are_conserved_through_a_whole_batch(
    volume_m3: float,
    gas_wall: float,
    wall_j: float,
    mould_share: float,
    leak_psi_per_h: float,
    law: LeakLaw,
    cure_j: float,
    room_k: float,
    regulated: bool,
) -> None:
    target_pa = 60 * PA_PER_PSI
    leak = Leak(
        600.0, law, rate_pa_per_s=leak_psi_per_h * PA_PER_PSI / SECONDS_PER_HOUR, at_gauge_pa=target_pa
    )
    model = PotModel(
        PotParameters(
            internal_volume_m3=volume_m3,
            gas_wall_w_per_k=gas_wall,
            wall_j_per_k=wall_j,
            mould_share=mould_share,
        ),
        actions=[Regulate(30.0, target_pa, 2000.0) if regulated else Fill(30.0, target_pa), Vent(2400.0)],
        leaks=[leak],
        cure=CureHeat(1200.0, 300.0, cure_j),
        room_k=level(room_k),
    )
    start_mol, start_j = model.amount_mol, model.stored_j
    for t_s in (100.0, 1000.0, 2400.0, 2410.0, 2700.0):
        model.advance(t_s)
        gained_mol = model.fed_mol - model.vented_mol - model.leaked_mol - model.absorbed_mol
        assert model.amount_mol - start_mol == pytest.approx(gained_mol, abs=1e-10)
        gained_j = model.flow_j + model.cure_j - model.room_j
        assert model.stored_j - start_j == pytest.approx(gained_j, abs=1e-5)
    assert model.leaked_mol > 0.0
    assert model.fed_mol > 0.0
