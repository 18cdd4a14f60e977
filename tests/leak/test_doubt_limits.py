"""The limits at which a pressure is doubted, from both sides, and what survives a change of the pot."""

import pytest

from potvigil.history.forgetting import forgotten
from potvigil.leak.estimator import Leak
from potvigil.leak.in_units import in_units
from potvigil.leak.known import Known, learn
from potvigil.leak.pot_model import Sizes, usual
from potvigil.leak.pressure_checks import Doubt
from potvigil.model.events import Interval
from potvigil.model.pot import Supply, Transducer
from potvigil.model.reading import Place, Quality, Reading
from potvigil.sensing.before_fill import BeforeFill
from shut_pot import ATMOSPHERE_PA, PSI, pot

NOISE_PA = 0.03 * PSI


def reading(t_s: float, gauge_psi: float, gas_k: float | None = 293.15) -> Reading:
    gauge_pa = gauge_psi * PSI
    return Reading(
        t_s, None, gauge_pa, gauge_pa + ATMOSPHERE_PA, ATMOSPHERE_PA, gas_k, None, None, Quality.GOOD
    )


def doubt(**changed: object) -> Doubt:
    return Doubt(pot(thermometers=frozenset({Place.GAS}), **changed), BeforeFill())


def wavering(t_s: float) -> float:
    return 60.0 + 0.002 * (t_s % 20.0)


@pytest.mark.parametrize(("times", "is_doubted"), [(7.5, False), (8.5, True)])
def test_eightfold_scatter_is_doubted(times: float, is_doubted: bool) -> None:
    of = doubt()
    for t_s in range(0, 1000, 10):
        of.update(reading(t_s, wavering(t_s)), NOISE_PA)
    for t_s in range(1000, 1100, 10):
        of.update(reading(t_s, wavering(t_s)), times * NOISE_PA)
    assert (of.reason is not None) is is_doubted
    assert not of.misled


@pytest.mark.parametrize(("seconds", "is_doubted"), [(50, False), (70, True)])
def test_scatter_is_doubted_after_a_minute(seconds: int, is_doubted: bool) -> None:
    of = doubt()
    for t_s in range(0, 1000, 10):
        of.update(reading(t_s, wavering(t_s)), NOISE_PA)
    for t_s in range(1000, 1000 + seconds, 10):
        of.update(reading(t_s, wavering(t_s)), 20.0 * NOISE_PA)
    assert (of.reason is not None) is is_doubted


@pytest.mark.parametrize(("quiet_s", "is_doubted"), [(590, False), (640, True)])
def test_the_usual_scatter_is_known_after_ten_minutes(quiet_s: int, is_doubted: bool) -> None:
    of = doubt()
    for t_s in range(0, quiet_s, 10):
        of.update(reading(t_s, wavering(t_s)), NOISE_PA)
    for t_s in range(quiet_s, quiet_s + 600, 10):
        # as a share of the pressure, at most eight times a floor, with no earlier scatter to compare
        of.update(reading(t_s, wavering(t_s)), 20.0 * NOISE_PA)
        if t_s < quiet_s + 100 and of.reason is not None:
            assert is_doubted
            return
    assert not is_doubted


@pytest.mark.parametrize(("seconds", "is_doubted"), [(110, False), (140, True)])
def test_an_unsteady_reading_is_doubted_after_two_minutes(seconds: int, is_doubted: bool) -> None:
    of = doubt()
    for t_s in range(0, seconds, 10):
        of.update(reading(t_s, 60.0), NOISE_PA, restless=True)
    assert (of.reason is not None) is is_doubted


def test_a_calm_spell_restarts_the_two_minutes() -> None:
    of = doubt()
    for t_s in range(0, 220, 10):
        of.update(reading(t_s, wavering(t_s)), NOISE_PA, restless=t_s != 100)
    assert of.reason is None


@pytest.mark.parametrize(("share", "is_doubted"), [(1.075, False), (1.09, True)])
def test_a_climb_of_eight_percent_is_doubted(share: float, is_doubted: bool) -> None:
    of = doubt()
    low, high = 60.0, 60.0 + (share - 1.0) * (60.0 + ATMOSPHERE_PA / PSI)
    for t_s, psi in enumerate([low, low, low, high, high]):
        of.update(reading(10.0 * t_s, psi + 0.001 * t_s), NOISE_PA)
    assert (of.reason is not None) is is_doubted
    assert of.misled is is_doubted


def stuck_after(seconds: float, moved_k: float, **changed: object) -> bool:
    of = doubt(supply=Supply.REGULATED, **changed)  # for which a constant pressure is normal
    t_s = 0.0
    while t_s <= seconds:
        of.update(reading(t_s, 60.0, 293.15 + moved_k * t_s / seconds), NOISE_PA)
        t_s += 10.0
    return of.reason is not None


@pytest.mark.parametrize(
    ("seconds", "moved_k", "is_stuck"),
    [
        (1180.0, 0.5, False),
        (1220.0, 0.5, True),
        (1220.0, 0.25, False),
        (3580.0, 0.0, False),
        (3620.0, 0.0, True),
    ],
)
def test_an_unchanging_reading_is_stuck_after_20_minutes_or_an_hour(
    seconds: float, moved_k: float, is_stuck: bool
) -> None:
    assert stuck_after(seconds, moved_k) is is_stuck


@pytest.mark.parametrize(
    ("step_k", "seconds", "moved_k", "is_stuck"),
    [
        (0.08, 3700.0, 0.0, True),
        (0.12, 3700.0, 0.0, False),  # too coarse to be moved by noise alone
        (0.2, 3700.0, 0.5, False),  # three steps, 0.6 K, must have shown
        (0.2, 3700.0, 0.7, True),
    ],
)
def test_a_coarse_converter_is_stuck_only_after_a_change_it_must_have_shown(
    step_k: float, seconds: float, moved_k: float, is_stuck: bool
) -> None:
    step_pa = step_k / 293.15 * (60.0 * PSI + ATMOSPHERE_PA)
    # 100 psi over 0.8 of the supply, 5 V: Pa a count to volts a count
    transducer = Transducer(volts_per_count=step_pa / (100.0 * PSI) * 0.8 * 5.0, span_pa=100.0 * PSI)
    assert stuck_after(seconds, moved_k, transducer=transducer) is is_stuck


# -- what batches teach ------------------------------------------------------------------------------

SIZES = Sizes(0.020, 0.003)


def test_a_changed_probe_or_mould_forgets_its_constants() -> None:
    mould = {"wall-surface", "core-surface", "surface-core", "surface-begins", "core-begins", "uptake"}
    assert forgotten([], same_mould=True) == set()
    assert forgotten(["seal", "valve", "transducer"], same_mould=True) == set()
    assert forgotten(["thermometer"], same_mould=True) == {"contents-probe-gain"}
    assert forgotten([], same_mould=False) == mould
    assert forgotten(["thermometer"], same_mould=False) == mould | {"contents-probe-gain"}


def test_a_learnt_constant_has_double_sigma_and_fades() -> None:
    mean, sigma = usual(SIZES)["surface-wall"]
    taught = {"surface-wall": (mean + 0.5 * sigma, 0.3 * sigma)}
    known = learn(None, taught, SIZES)
    assert known.batches == 1
    now_mean, now_sigma = known.found["surface-wall"]
    assert now_mean == pytest.approx(mean + 0.5 * sigma)
    assert now_sigma == pytest.approx((0.6**2 + 0.1**2) ** 0.5 * sigma)  # twice 0.3, and a tenth


@pytest.mark.parametrize(("said", "kept"), [(0.0, 0.25), (0.05, 0.25), (0.9, 1.0)])
def test_a_learnt_sigma_stays_between_a_quarter_and_all_of_the_usual(said: float, kept: float) -> None:
    mean, sigma = usual(SIZES)["surface-wall"]
    found = learn(None, {"surface-wall": (mean, said * sigma)}, SIZES).found
    assert found["surface-wall"][1] == pytest.approx(kept * sigma)


@pytest.mark.parametrize(("away", "kept"), [(2.0, 2.0), (4.0, 2.5), (-4.0, -2.5)])
def test_a_learnt_constant_stays_within_two_and_a_half_sigma_of_the_usual(away: float, kept: float) -> None:
    mean, sigma = usual(SIZES)["surface-wall"]
    found = learn(None, {"surface-wall": (mean + away * sigma, 0.3 * sigma)}, SIZES).found
    assert found["surface-wall"][0] == pytest.approx(mean + kept * sigma)


def test_what_varies_by_batch_is_averaged_over_batches() -> None:
    mean, sigma = usual(SIZES)["uptake"]
    known = None
    for away in (1.0, 1.0, -1.0):
        known = learn(known, {"uptake": (mean + away * sigma, 0.0)}, SIZES)
    assert known is not None
    assert known.batches == 3
    # the usual pot counts as one batch: (0 + 1 + 1 - 1) / 4
    assert known.found["uptake"][0] == pytest.approx(mean + 0.25 * sigma)
    # squares about the mean, with the usual sigma for the first: 1 + 0.5 -> 0.75; ... by hand
    first = (1.0 + 0.5) / 2.0
    second = (2.0 * first + 0.5**2 * 2.0 / 3.0) / 3.0
    third = (3.0 * second + (5.0 / 3.0) ** 2 * 3.0 / 4.0) / 4.0
    assert known.found["uptake"][1] == pytest.approx(min(third**0.5, 1.0) * sigma)


def test_the_mean_of_many_batches_still_adapts() -> None:
    mean, sigma = usual(SIZES)["uptake"]
    many = Known(100, {"uptake": (mean, 0.5 * sigma)})
    found = learn(many, {"uptake": (mean + 1.4 * sigma, 0.0)}, SIZES)
    assert found.batches == 101
    assert found.found["uptake"][0] == pytest.approx(mean + 0.1 * sigma)  # one of fourteen


def test_a_constant_to_learn_again_starts_at_the_usual() -> None:
    known = Known(4, {"uptake": (9.0, 1.0), "surface-wall": (8.0, 1.0)})
    prior = known.prior(SIZES, anew=frozenset({"uptake"}))
    assert prior["uptake"] == usual(SIZES)["uptake"]
    assert prior["surface-wall"] == (8.0, 1.0)
    assert known.forgetting({"uptake"}) == Known(4, {"surface-wall": (8.0, 1.0)})


# -- units of the estimate ---------------------------------------------------------------------------


def test_a_leak_is_converted_to_units_as_by_hand() -> None:
    leak = Leak(Interval(1e-6, 0.8e-6, 1.3e-6), Interval(500.0, 400.0, 600.0), 10.0, True, 8.0)
    estimate = in_units(leak, reading(100.0, 60.0), 500_000.0, pot())
    rate = estimate.rate_pa_per_s
    assert (rate.value, rate.low, rate.high) == pytest.approx((0.5, 0.4, 0.65))
    # 20 L less 3 L, known to 0.6 L and 0.45 L (3 and 15 %, 1 sigma): 0.75 L, 95 % is 1.96 sigma
    by_volume = 1.959964 * 0.5 * 0.00075
    flow = estimate.pa_m3_per_s
    assert flow.value == pytest.approx(0.5 * 0.017)
    assert flow.low == pytest.approx(0.0085 - ((0.1 * 0.017) ** 2 + by_volume**2) ** 0.5, rel=1e-4)
    assert flow.high == pytest.approx(0.0085 + ((0.15 * 0.017) ** 2 + by_volume**2) ** 0.5, rel=1e-4)
    # at 0 C and 101325 Pa, cm3 a minute
    std = estimate.std_cm3_per_min
    assert std.value == pytest.approx(0.0085 / 101_325.0 * 273.15 / 293.15 * 60e6, rel=1e-3)
    assert std.low < std.value < std.high
    assert (estimate.t_s, estimate.onset_s, estimate.established) == (100.0, leak.onset_s, True)
