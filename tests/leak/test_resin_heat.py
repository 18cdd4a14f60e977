"""How much resin heat a watch expects as the hold starts."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

import potvigil.watch.batch_tracker as tracker_module
from potvigil.leak.bank import PotBank
from potvigil.leak.estimator import LeakFilter, bank_for
from potvigil.leak.pot_model import HEATING, HEATING_SIGMA_K_PER_H, Sizes
from potvigil.leak.resin_heat import MOSTLY_AFTER_GELS, PEAK_OVER_MEAN, heating_k_per_h
from potvigil.model.events import Action, Command, Detail
from potvigil.model.pot import Resin
from potvigil.model.reading import Place, Sample
from potvigil.units import PA_PER_PSI
from potvigil.watch.pot_watch import PotWatch
from shut_pot import pot

POT = Sizes(0.020, 0.004)
MIN = 60.0
QUICK, SLOW = Resin(3600.0, 8 * MIN), Resin(86_400.0, 8 * 3600.0)


def test_all_the_heat_is_released_within_two_gel_times() -> None:
    # 0.2 kg give 50 kJ to 4 L of 1.6 MJ/(m3 K): 7.8 K, half of which the gas sees, in 16 min
    assert heating_k_per_h(POT, QUICK, 0.0, 0.2) == pytest.approx(50e3 / 6400.0 / 2.0 / (16.0 / 60.0))
    assert heating_k_per_h(POT, QUICK, 0.0, 0.1) == pytest.approx(heating_k_per_h(POT, QUICK, 0.0, 0.2) / 2)


def test_an_unweighed_pour_counts_as_a_tenth_of_the_contents() -> None:
    assert heating_k_per_h(POT, QUICK) == pytest.approx(heating_k_per_h(POT, QUICK, 0.0, 0.1 * 4.0 * 1.1))


def test_a_resin_without_a_gel_time_gels_in_a_tenth_of_its_hold() -> None:
    assert heating_k_per_h(POT, Resin(80 * MIN)) == heating_k_per_h(POT, QUICK)


def test_a_slow_resin_or_one_that_has_reacted_is_expected_to_give_little() -> None:
    assert heating_k_per_h(POT, SLOW) == HEATING_SIGMA_K_PER_H
    assert heating_k_per_h(POT, QUICK, 39 * MIN) > 5.0 * HEATING_SIGMA_K_PER_H
    assert heating_k_per_h(POT, QUICK, 41 * MIN) == HEATING_SIGMA_K_PER_H


def test_the_bank_starts_with_resin_heat_except_in_an_empty_pot() -> None:
    def begins(bank: PotBank) -> float:
        return float(bank.p[0, HEATING, HEATING]) ** 0.5

    assert begins(PotBank(POT, heating_k_per_h=7.0)) == pytest.approx(7.0)
    assert begins(PotBank(Sizes(0.020, 0.0), heating_k_per_h=7.0)) == 0.0
    quick = pot(contents_volume_m3=0.004, gel_s=8 * MIN)
    assert begins(bank_for(quick)) == pytest.approx(heating_k_per_h(POT, QUICK))
    assert begins(bank_for(quick, None, 3.0)) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("wired", "peaks"),
    [
        (set(), True),
        ({Place.ROOM}, True),
        *(({each, Place.ROOM}, False) for each in Place if each != Place.ROOM),
    ],
)
def test_where_no_probe_sees_the_heat_come_its_peak_counts(wired, peaks) -> None:
    bank = bank_for(pot(contents_volume_m3=0.004, thermometers=frozenset(wired)), None, 3.0)
    assert float(bank.p[0, HEATING, HEATING]) ** 0.5 == pytest.approx(3.0 * (2.5 if peaks else 1.0))


def test_an_autocatalytic_cure_peaks_at_two_and_a_half_times_its_mean() -> None:
    """Integrated by scipy from 1 % reacted; gelled at 60 %."""
    course = solve_ivp(lambda _, a: a * (1.0 - a), (0.0, 12.0), [0.01], rtol=1e-9, dense_output=True)
    gel = brentq(lambda t: course.sol(t)[0] - 0.6, 0.0, 12.0)
    times = np.linspace(0.0, 12.0, 2001)
    peak = np.gradient(course.sol(times)[0], times).max()
    assert peak / (1.0 / (MOSTLY_AFTER_GELS * gel)) == pytest.approx(PEAK_OVER_MEAN, rel=0.01)


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({}, heating_k_per_h(POT, SLOW)),
        ({Detail.RESIN: "quick"}, heating_k_per_h(POT, QUICK)),
        ({Detail.RESIN: "quick", Detail.MASS: "100 g"}, heating_k_per_h(POT, QUICK, 0.0, 0.1)),
        ({Detail.RESIN: "quick", Detail.MIXED_AT: "1970-01-01T23:00:00Z"}, HEATING_SIGMA_K_PER_H),
    ],
)
def test_the_watch_uses_the_mass_and_mixing_time_entered(
    told: dict[Detail, str], expected: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[float | None] = []

    def begun(*args: object) -> LeakFilter:
        seen.append(args[4])  # type: ignore[arg-type]
        return LeakFilter(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(tracker_module, "LeakFilter", begun)
    watch = PotWatch(
        pot(contents_volume_m3=0.004, hold_s=SLOW.hold_s, gel_s=SLOW.gel_s, resins={"quick": QUICK})
    )
    utc_s = 86_400.0  # the pot is filled at midnight

    def feed(t_s: float, psi: float) -> None:
        watch.feed(Sample(t_s, utc_s=utc_s + t_s, gauge_pa=psi * PA_PER_PSI, ambient_pa=101_325.0))

    for second in range(60):
        feed(float(second), 0.0)
    watch.handle(Command(Action.OPEN, 60.0, by="mara"))
    for field, text in told.items():
        watch.handle(Command(Action.EDIT, 60.0, text=text, by="mara", field=field))
    for second in range(61, 400):
        feed(float(second), min(2.0 * (second - 60), 60.0))
    assert seen == [pytest.approx(expected)]
