"""The simulated pot through a batch: fill, thermal fall, leak, top-up, regulator, vent."""

import pytest
from CoolProp.CoolProp import PropsSI

from potvigil.sim.gas_laws import Leak, LeakLaw
from potvigil.sim.pot import PotModel
from potvigil.sim.pot_parts import CureHeat, Fill, Join, PotParameters, Regulate, Supply, Table, Vent, level
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

WORKING_PA = 60 * PA_PER_PSI
FILL = Fill(120.0, WORKING_PA)
PSI_PER_H = PA_PER_PSI / SECONDS_PER_HOUR


def gauge_psi(model: PotModel, t_s: float) -> float:
    model.advance(t_s)
    return model.gauge_pa / PA_PER_PSI


def time_of_fill(model: PotModel) -> float:
    """Return when the fill ended, to half a second."""
    model.advance(121.0)
    fed_mol = -1.0
    while model.fed_mol != fed_mol:
        fed_mol = model.fed_mol
        model.advance(model.t_s + 0.5)
    return model.t_s


def test_an_open_pot_is_at_the_outside_pressure_in_any_weather() -> None:
    model = PotModel(ambient_pa=Table([0, 600], [101_325, 99_000]), room_k=Table([0, 600], [293, 288]))
    for t_s in (1.0, 60.0, 300.0, 600.0):
        assert abs(gauge_psi(model, t_s)) < 0.001


def test_the_fill_takes_about_a_minute_and_stops_at_its_target() -> None:
    model = PotModel(actions=[FILL])
    full_s = time_of_fill(model)
    assert 60.0 <= full_s - 120.0 <= 90.0
    assert gauge_psi(model, full_s) == pytest.approx(60.0, abs=0.2)


def test_heat_of_compression_costs_two_to_five_psi_and_most_of_it_within_minutes() -> None:
    # What casters see after a minute's fill; the size is common practice, not a published figure
    model = PotModel(actions=[FILL])
    full_s = time_of_fill(model)
    peak = gauge_psi(model, full_s)
    after_minutes = gauge_psi(model, full_s + 300.0)
    after_an_hour = gauge_psi(model, full_s + 3600.0)
    assert 2.0 < peak - after_an_hour < 5.0
    assert 0.0 < after_minutes - after_an_hour < 0.3 * (peak - after_an_hour)


def test_a_sound_pot_falls_a_quarter_psi_for_each_kelvin_the_room_cools() -> None:
    # Real gas at 60 psi gauge and 293 K: 1779 Pa/K = 0.258 psi/K (CoolProp)
    room_k = Table([0, 7200, 36000, 72000], [298.15, 298.15, 288.15, 288.15])
    model = PotModel(room_k=room_k, absolute_pa=515_010.0)
    before, before_k = gauge_psi(model, 7200.0), model.gas_k
    after, after_k = gauge_psi(model, 72000.0), model.gas_k
    assert before_k - after_k == pytest.approx(10.0, abs=0.1)
    assert (before - after) / (before_k - after_k) == pytest.approx(0.2535, rel=0.005)


def test_barometer_moves_the_gauge_reading_and_not_the_absolute_one() -> None:
    model = PotModel(ambient_pa=Table([0, 3600], [101_325, 100_325]), absolute_pa=515_010.0)
    model.advance(3600.0)
    assert model.absolute_pa == pytest.approx(515_010.0, abs=0.1)
    assert model.gauge_pa == pytest.approx(515_010.0 - 100_325.0, abs=0.1)


def test_contents_follow_the_room_in_hours_and_the_gas_the_wall_in_tens_of_seconds() -> None:
    pot = PotParameters()
    model = PotModel(pot, absolute_pa=515_010.0)
    gas_j_per_k = model.amount_mol * 2.5 * 8.314462618
    assert 10.0 < gas_j_per_k / (pot.gas_wall_w_per_k + pot.gas_contents_w_per_k) < 60.0
    model = PotModel(pot, room_k=Table([0, 1], [298.15, 288.15]), absolute_pa=515_010.0)
    while model.contents_k > 288.15 + 10.0 / 2.718:
        model.advance(model.t_s + 60.0)
    assert 1.0 < model.t_s / SECONDS_PER_HOUR < 3.0


@pytest.mark.parametrize("law", LeakLaw)
def test_a_leak_has_the_requested_rate_at_its_onset_and_none_before(law: LeakLaw) -> None:
    leak = Leak(7200.0, law, rate_pa_per_s=1.5 * PSI_PER_H)
    model = PotModel(actions=[FILL], leaks=[leak])
    model.advance(7200.0)
    assert model.leaked_mol == 0.0
    assert model.leak_pa_per_s == 0.0
    model.advance(7201.0)
    assert model.leak_pa_per_s == pytest.approx(1.5 * PSI_PER_H, rel=1e-3)
    before = model.absolute_pa / model.gas_k
    model.advance(7201.0 + 900.0)
    fall_pa = (before - model.absolute_pa / model.gas_k) * model.gas_k
    assert fall_pa / 900.0 == pytest.approx(1.5 * PSI_PER_H, rel=0.02)


def test_a_leak_from_the_start_has_its_rate_at_the_named_pressure() -> None:
    leak = Leak(0.0, rate_pa_per_s=2.0 * PSI_PER_H, at_gauge_pa=WORKING_PA)
    model = PotModel(actions=[FILL], leaks=[leak])
    model.advance(1800.0)
    share = (model.absolute_pa) / (WORKING_PA + model.ambient_pa)
    assert model.leak_pa_per_s == pytest.approx(2.0 * PSI_PER_H * share, rel=0.01)


def test_a_stiffening_seal_leaks_more_in_the_cold_and_no_less_in_the_warm() -> None:
    def rate(room_c: float) -> float:
        leak = Leak(0.0, rate_pa_per_s=1.5 * PSI_PER_H, at_gauge_pa=WORKING_PA, opens_per_k_colder=0.05)
        room = Table([0.0, SECONDS_PER_HOUR], [293.15, 273.15 + room_c])
        model = PotModel(actions=[FILL], leaks=[leak], room_k=room)
        model.advance(10 * SECONDS_PER_HOUR)
        return model.leak_pa_per_s / model.absolute_pa

    # 10 K colder by morning, the wall nearly as much: a leak half as large again
    assert rate(10.0) == pytest.approx(1.48 * rate(20.0), rel=0.03)
    assert rate(30.0) == pytest.approx(rate(20.0), rel=0.03)


def test_a_leak_needs_a_size_or_a_rate_and_a_pressure_to_have_a_rate_at() -> None:
    with pytest.raises(ValueError, match="size or its rate"):
        Leak(0.0)
    with pytest.raises(ValueError, match="size or its rate"):
        Leak(0.0, size=1e-9, rate_pa_per_s=1.0)
    with pytest.raises(ValueError, match="at_gauge_pa"):
        PotModel(leaks=[Leak(0.0, rate_pa_per_s=1.0)])


def test_a_top_up_lifts_the_pot_again_while_the_leak_goes_on() -> None:
    leak = Leak(0.0, rate_pa_per_s=3.0 * PSI_PER_H, at_gauge_pa=WORKING_PA)
    model = PotModel(actions=[FILL, Fill(7200.0, WORKING_PA)], leaks=[leak])
    low = gauge_psi(model, 7200.0)
    fed_mol = model.fed_mol
    topped_up = gauge_psi(model, 7260.0)
    assert low < 53.0
    assert topped_up > 58.0
    assert model.fed_mol > fed_mol
    assert gauge_psi(model, 10800.0) < topped_up - 2.0


def test_a_regulator_keeps_a_leaking_pot_within_its_deadband() -> None:
    leak = Leak(0.0, rate_pa_per_s=4.0 * PSI_PER_H, at_gauge_pa=WORKING_PA)
    model = PotModel(actions=[Regulate(120.0, WORKING_PA, 0.5 * PA_PER_PSI)], leaks=[leak])
    model.advance(900.0)
    fed_mol = model.fed_mol
    for t_s in range(900, 14400, 7):
        assert 59.45 < gauge_psi(model, float(t_s)) < 60.05
    assert model.fed_mol - fed_mol == pytest.approx(model.leaked_mol, rel=0.15)


def test_a_vent_empties_the_pot_within_a_minute_and_chills_the_gas() -> None:
    model = PotModel(actions=[FILL, Vent(3600.0)])
    model.advance(3600.0)
    before_k = model.gas_k
    model.advance(3605.0)
    assert model.gas_k < before_k - 8.0
    assert gauge_psi(model, 3660.0) == pytest.approx(0.0, abs=0.001)


def test_a_bleed_shuts_at_its_target_and_the_warming_gas_recovers() -> None:
    model = PotModel(actions=[Fill(120.0, 88 * PA_PER_PSI), Vent(900.0, WORKING_PA)])
    lowest = min(gauge_psi(model, 900.0 + 0.2 * i) for i in range(60))
    assert lowest == pytest.approx(60.0, abs=0.5)
    assert 60.5 < gauge_psi(model, 1800.0) < 66.0


def test_a_small_tank_feeds_less_and_the_compressor_makes_up_for_it() -> None:
    tired = Supply(tank_volume_m3=0.004, tank_gauge_pa=5e5, pump_mol_per_s=0.01)
    model = PotModel(supply=tired, actions=[FILL])
    assert time_of_fill(model) - 120.0 > 150.0


def test_the_mould_absorbs_its_share_over_its_time() -> None:
    pot = PotParameters(mould_share=0.002, mould_time_constant_s=3600.0)
    model = PotModel(pot, absolute_pa=515_010.0)
    plain_mol = model.amount_mol
    pot_filled = PotModel(pot, actions=[FILL])
    pot_filled.advance(1200.0)
    early_mol = pot_filled.absorbed_mol
    pot_filled.advance(36000.0)
    assert 0.2 < early_mol / pot_filled.absorbed_mol < 0.4
    gained_mol = pot_filled.fed_mol
    assert pot_filled.absorbed_mol == pytest.approx(0.002 * gained_mol, rel=0.01)
    model.advance(36000.0)
    assert model.amount_mol == pytest.approx(plain_mol)  # it began saturated


def test_cure_heat_is_a_hump_whose_fall_looks_like_a_leak() -> None:
    pot = PotParameters(
        gas_contents_w_per_k=1.8, contents_j_per_k=2500.0, wall_j_per_k=5000.0, wall_room_w_per_k=4.0
    )
    model = PotModel(pot, actions=[FILL], cure=CureHeat(5400.0, 900.0, 50_000.0))
    before = gauge_psi(model, 2700.0)
    curve = [gauge_psi(model, float(t_s)) for t_s in range(2700, 18000, 60)]
    assert 1.0 < max(curve) - before < 2.5
    steepest = max(early - late for early, late in zip(curve, curve[60:], strict=False))
    assert 0.8 < steepest < 2.5  # psi in an hour
    assert model.leaked_mol == 0.0


def test_cure_heat_has_the_stated_energy() -> None:
    cure = CureHeat(3000.0, 400.0, 20_000.0)
    assert sum(cure.power_w(float(t_s)) for t_s in range(6000)) == pytest.approx(20_000.0, rel=1e-4)


@pytest.mark.parametrize("stride_s", [0.25, 5.0, 60.0])
def test_the_step_length_hardly_matters(stride_s: float) -> None:
    def run(stride_s: float) -> list[float]:
        model = PotModel(
            PotParameters(mould_share=0.002),
            actions=[FILL, Vent(7200.0)],
            leaks=[Leak(1800.0, rate_pa_per_s=5 * PSI_PER_H)],
            cure=CureHeat(3600.0, 600.0, 30_000.0),
            room_k=Table([0, 7200], [295.0, 291.0]),
        )
        seen = []
        t_s = 0.0
        while t_s < 7080.0:
            t_s += stride_s
            model.advance(t_s)
            if t_s % 600.0 == 0.0:
                seen.append(model.gauge_pa)
        return seen

    for coarse, fine in zip(run(stride_s), run(1.0), strict=True):
        assert coarse == pytest.approx(fine, abs=0.02 * PA_PER_PSI)


def test_time_does_not_go_backwards() -> None:
    model = PotModel(actions=[FILL])
    model.advance(500.0)
    pressure_pa = model.absolute_pa
    model.advance(400.0)
    assert (model.t_s, model.absolute_pa) == (500.0, pressure_pa)


def test_a_table_is_linear_between_its_points_and_level_outside() -> None:
    table = Table([10.0, 20.0, 40.0], [1.0, 2.0, 0.0])
    assert [table(t_s) for t_s in (0.0, 10.0, 15.0, 20.0, 30.0, 40.0, 99.0)] == [1, 1, 1.5, 2, 1, 0, 0]
    assert table(12.5) == 1.25  # and backwards
    single = Table([5.0], [3.0])
    assert [single(0.0), single(9.0)] == [3.0, 3.0]
    assert level(7.0)(1e9) == 7.0


@pytest.mark.parametrize(("times_s", "values"), [([], []), ([0.0], []), ([0.0, 0.0], [1.0, 2.0])])
def test_a_table_refuses_unordered_points(times_s: list[float], values: list[float]) -> None:
    with pytest.raises(ValueError, match="table"):
        Table(times_s, values)


def test_a_pot_full_of_contents_is_refused() -> None:
    with pytest.raises(ValueError, match="room for gas"):
        PotParameters(internal_volume_m3=0.02, contents_volume_m3=0.02)


def test_a_pot_opened_to_a_vessel_shares_its_air_with_it() -> None:
    # settled at one temperature the density evens out: Boyle, with real air's pressure by CoolProp
    pot = PotModel(
        PotParameters(contents_volume_m3=0.0), actions=(Fill(0.0, WORKING_PA), Join(7200.0, 0.002))
    )
    pot.advance(7199.0)
    before_mol = pot.amount_mol
    pot.advance(7200.0)
    assert pot.gas_k == pytest.approx(pot.wall_k, abs=0.5)  # expanding freely, it does no work
    pot.advance(40_000.0)
    outside = PropsSI("Dmolar", "P", 101_325.0, "T", 293.15, "Air")
    density = (before_mol + 0.002 * outside) / 0.022
    assert pot.amount_mol / 0.022 == pytest.approx(density, rel=1e-4)
    assert pot.absolute_pa == pytest.approx(PropsSI("P", "Dmolar", density, "T", pot.gas_k, "Air"), rel=1e-3)
