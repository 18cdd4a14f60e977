"""The tightness test on pots whose leak is known, and every interruption."""

from collections.abc import Iterable
from dataclasses import replace
from random import Random

import pytest

from potvigil.diagnosis.tightness import (
    Judgement,
    Limit,
    LimitError,
    Result,
    Schedule,
    Tightness,
    plan,
    read_limit,
    usual_limit,
)
from potvigil.model.pot import Pot, Transducer
from potvigil.model.reading import Place, Sample
from shut_pot import ATMOSPHERE_PA, PSI, SHUT_S, night, pot

PER_H = 1.0 / 3600.0
FULL_PA = 60 * PSI + ATMOSPHERE_PA
WIRED = Transducer(volts_per_count=187.5e-6, span_pa=100 * PSI)
EMPTY = pot(contents_volume_m3=0.0)
PLAN = Schedule(0.0, 3.0 * 3600.0, True, Place.GAS)


def share(psi_per_h: float) -> float:
    return psi_per_h * PSI * PER_H / FULL_PA


def judged(samples: Iterable[Sample], limit: Limit, of: Pot = EMPTY, planned: Schedule = PLAN) -> Tightness:
    test = Tightness(of, limit, planned, 10.0)
    for sample in samples:
        test.feed(sample)
        if test.result is not None:
            break
    return test


def ended(test: Tightness) -> Result:
    assert test.result is not None
    return test.result


THREE_PSI = Limit(3 * PSI, 12 * 3600.0)  # 0.25 psi/h


def test_a_tight_pot_passes_and_one_that_leaks_fails_before_the_time_is_up() -> None:
    passed = ended(judged(night(3.0, rate_per_s=share(0.03)), THREE_PSI))
    failed = ended(judged(night(3.0, rate_per_s=share(1.5)), THREE_PSI))
    assert (passed.answer, failed.answer) == (Judgement.PASS, Judgement.FAIL)
    assert failed.after_s < passed.after_s < PLAN.latest_s
    assert passed.look is not None and failed.look is not None
    for result, true in ((passed, 0.03), (failed, 1.5)):
        told = result.look.share_per_s
        assert told.low <= share(true) <= told.high


def test_a_pot_on_the_limit_gets_no_verdict_by_the_end() -> None:
    limit = THREE_PSI.share_per_s(FULL_PA)
    result = ended(judged(night(4.0, rate_per_s=limit), THREE_PSI))
    assert result.answer is Judgement.CANNOT_TELL
    assert result.why == "the leak may lie on either side of the limit"
    assert PLAN.latest_s < result.after_s < PLAN.latest_s + 60.0


def test_the_clearer_the_leak_the_sooner_the_answer() -> None:
    times = [ended(judged(night(3.0, rate_per_s=share(each)), THREE_PSI)).after_s for each in (0.6, 1.2, 5.0)]
    assert times == sorted(times, reverse=True) and times[0] > 1.5 * times[-1]


def test_a_gross_leak_fails_within_minutes_whatever_the_limit() -> None:
    on_wall = replace(EMPTY, thermometers=frozenset({Place.WALL}))
    planned = replace(PLAN, latest_s=6 * 3600.0, place=Place.WALL)
    walled = (
        replace(sample, wall_c=sample.gas_c, gas_c=None) for sample in night(3.0, rate_per_s=share(6.0))
    )
    result = ended(judged(walled, THREE_PSI, on_wall, planned))
    assert result.answer is Judgement.FAIL and result.after_s < 1600.0


def test_a_vent_during_the_test_ends_it_without_an_answer() -> None:
    def vented() -> Iterable[Sample]:
        for sample in night(1.0):
            gone = sample.t_s > SHUT_S + 600.0
            yield replace(sample, gauge_pa=0.0) if gone else sample

    result = ended(judged(vented(), THREE_PSI))
    assert result.answer is Judgement.CANNOT_TELL and "vented" in result.why


def test_a_test_of_a_pot_never_filled_ends_after_an_hour() -> None:
    random = Random(3)
    still = (
        Sample(t_s=10.0 * i, gauge_pa=random.gauss(0.0, 100.0), gas_c=20.0, ambient_pa=ATMOSPHERE_PA)
        for i in range(1000)
    )
    result = ended(judged(still, THREE_PSI))
    assert "did not reach" in result.why and result.look is None


def test_a_lost_reading_ends_the_test_with_the_reason() -> None:
    def dead() -> Iterable[Sample]:
        for sample in night(2.0):
            yield sample if sample.t_s < 900.0 else replace(sample, gauge_pa=None)

    result = ended(judged(dead(), THREE_PSI))
    assert result.answer is Judgement.CANNOT_TELL
    assert "no usable reading for 15 min" in result.why


def test_a_pot_far_below_its_working_pressure_may_fail_but_never_passes() -> None:
    low = ended(judged(night(4.0, working_psi=46.0, rate_per_s=share(0.02)), THREE_PSI))
    assert low.answer is Judgement.CANNOT_TELL and "too far below" in low.why
    assert (
        ended(judged(night(3.0, working_psi=46.0, rate_per_s=share(3.0)), THREE_PSI)).answer is Judgement.FAIL
    )


def test_air_let_in_restarts_the_measurement() -> None:
    def topped_up(t_s: float) -> float:
        return 6.0 * PSI * min(max((t_s - SHUT_S - 900.0) / 60.0, 0.0), 1.0)

    test = judged(night(3.0, working_psi=50.0, gauge_also=topped_up), Limit(15 * PSI, 36_000.0))
    assert ended(test).answer is Judgement.PASS
    plain = ended(judged(night(3.0, working_psi=56.0), Limit(15 * PSI, 36_000.0)))
    assert ended(test).after_s <= plain.after_s + 120.0


def test_a_coarse_wiring_must_first_resolve_a_tenth_of_the_limit() -> None:
    # ASTM E2930-13: resolution ten times finer than the leak. Ten bits over 100 psi without noise: 0.122 psi.
    coarse = replace(EMPTY, transducer=replace(WIRED, volts_per_count=5.0 / 1024.0))
    fine = replace(EMPTY, transducer=WIRED)
    assert plan(coarse, THREE_PSI, 1.0).earliest_s > 5.0 * plan(fine, THREE_PSI, 1.0).earliest_s
    planned = replace(PLAN, latest_s=5 * 3600.0)
    result = ended(judged(night(3.0, rate_per_s=share(0.0)), Limit(15 * PSI, 36_000.0), coarse, planned))
    assert result.after_s >= plan(coarse, Limit(15 * PSI, 36_000.0), 10.0).earliest_s


def test_the_nearer_the_thermometer_the_shorter_the_test() -> None:
    places = [frozenset((place,)) for place in (Place.GAS, Place.WALL, Place.ROOM)]
    times = [
        plan(replace(EMPTY, thermometers=each, transducer=WIRED), usual_limit(EMPTY), 1.0).latest_s
        for each in (*places, frozenset[Place]())
    ]
    assert times == sorted(times) and times[0] < 3600.0


def test_no_test_loses_a_tenth_of_the_air_at_twice_the_limit() -> None:
    # ASTM E2930-13: the whole change stays under 10 %
    for limit in (Limit(20 * PSI, 3600.0), Limit(30 * PSI, 4 * 3600.0)):
        planned = plan(replace(EMPTY, thermometers=frozenset(), transducer=WIRED), limit, 1.0)
        lost = 2.0 * limit.share_per_s(FULL_PA) * planned.latest_s
        assert lost <= 0.1 * (1.0 + 1e-9) or planned.latest_s == 1200.0
        assert not planned.enough


def test_a_short_test_states_its_uncertainty() -> None:
    blind = replace(EMPTY, thermometers=frozenset(), transducer=WIRED)
    planned = plan(blind, usual_limit(EMPTY), 1.0)
    assert not planned.enough and planned.reach_per_s is not None
    limit = usual_limit(EMPTY).share_per_s(FULL_PA)
    assert 0.5 * limit < planned.reach_per_s < limit  # enough for a tight pot, but not for half the limit
    assert plan(replace(EMPTY, transducer=WIRED), usual_limit(EMPTY), 1.0).reach_per_s is None


def test_a_limit_is_read_as_people_write_it() -> None:
    assert read_limit("3 psi in 12 h", EMPTY) == Limit(3 * PSI, 43_200.0)
    assert read_limit(" 0.2bar in 90 min ", EMPTY) == Limit(20_000.0, 5400.0)
    assert usual_limit(EMPTY) == Limit(pytest.approx(15 * PSI), 36_000.0)
    for wrong in ("3 psi", "3 in 12 h", "3 psi in 12", "0 psi in 12 h", "70 psi in 12 h", "3 psi in 1 s"):
        with pytest.raises(LimitError):
            read_limit(wrong, EMPTY)


def test_a_limit_over_a_time_means_that_loss() -> None:
    share_per_s = THREE_PSI.share_per_s(FULL_PA)
    assert THREE_PSI.loss_of(share_per_s, FULL_PA) == pytest.approx(3 * PSI)
