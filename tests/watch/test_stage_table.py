"""The table of stages and its thresholds, from literal readings: one a second, without noise."""

import pytest

from potvigil.model.events import Stage
from potvigil.watch.stages import TRANSITIONS, StageTracker, TopUp
from shut_pot import PSI, pot

# from, trigger, to
TABLE = {
    ("open", "pressurised", "filling"),
    ("filling", "filled", "settling"),
    ("filling", "emptied", "open"),
    ("settling", "settled", "holding"),
    ("settling", "vent opened", "venting"),
    ("settling", "emptied", "open"),
    ("holding", "vent opened", "venting"),
    ("holding", "emptied", "open"),
    ("venting", "rising", "filling"),
    ("venting", "steadied", "settling"),
    ("venting", "restored", "holding"),
    ("venting", "emptied", "open"),
}


class Quiet:
    """A tracker fed without noise; `stages` holds every change with its time."""

    def __init__(self, step_s: float = 1.0) -> None:
        self.tracker, self.t_s, self.step_s = StageTracker(pot()), 0.0, step_s
        self.stages: list[tuple[float, Stage]] = []

    def feed(self, *gauges_psi: float) -> "Quiet":
        for gauge_psi in gauges_psi:
            stage = self.tracker.update(self.t_s, gauge_psi * PSI)
            if stage is not None:
                self.stages.append((self.t_s, stage))
            self.t_s += self.step_s
        return self

    def stay(self, seconds: float, gauge_psi: float) -> "Quiet":
        return self.feed(*[gauge_psi] * round(seconds / self.step_s))

    def go(self, seconds: float, from_psi: float, to_psi: float) -> "Quiet":
        steps = round(seconds / self.step_s)
        return self.feed(*(from_psi + (to_psi - from_psi) * (i + 1) / steps for i in range(steps)))


def filled(at_psi: float = 60.0) -> Quiet:
    night = Quiet().stay(10, 0.0).go(120, 0.0, at_psi).stay(60, at_psi)
    assert night.tracker.stage is Stage.SETTLING
    return night


def holding() -> Quiet:
    night = filled().stay(300, 60.0)
    night.tracker.settle(night.t_s)
    return night.stay(300, 60.0)


def test_each_trigger_leads_to_its_stage() -> None:
    steps = {(str(stage), str(trigger), str(to)) for (stage, trigger), to in TRANSITIONS.items()}
    assert steps == TABLE


def test_a_spike_in_an_open_pot_starts_no_fill() -> None:
    night = Quiet().stay(30, 0.0).feed(30.0).stay(30, 0.0).feed(30.0).stay(30, 0.0)
    assert night.stages == []
    assert night.feed(30.0, 30.0).stages == [(93.0, Stage.FILLING)]
    assert night.tracker.pressurised_since_s == 92.0  # the first of the two


@pytest.mark.parametrize(("gauge_psi", "stage"), [(1.7, Stage.OPEN), (1.9, Stage.FILLING)])
def test_a_pot_is_pressurised_above_three_percent_of_its_working_pressure(
    gauge_psi: float, stage: Stage
) -> None:
    assert Quiet().stay(10, 0.0).stay(10, gauge_psi).tracker.stage is stage


@pytest.mark.parametrize(("gauge_psi", "stage"), [(1.4, Stage.OPEN), (1.6, Stage.FILLING)])
def test_a_pot_is_pressurised_only_above_one_and_a_half_psi(gauge_psi: float, stage: Stage) -> None:
    tracker = StageTracker(pot(working_pa=20.0 * PSI, floor_pa=15.0 * PSI))
    for t_s in range(10):
        tracker.update(t_s, gauge_psi * PSI)
    assert tracker.stage is stage


@pytest.mark.parametrize(("gauge_psi", "stage"), [(41.0, Stage.FILLING), (43.0, Stage.SETTLING)])
def test_a_fill_that_pauses_below_70_percent_is_still_a_fill(gauge_psi: float, stage: Stage) -> None:
    assert Quiet().stay(10, 0.0).go(100, 0.0, gauge_psi).stay(90, gauge_psi).tracker.stage is stage


@pytest.mark.parametrize(("psi_per_min", "stage"), [(0.4, Stage.FILLING), (0.2, Stage.SETTLING)])
def test_a_fill_ends_when_half_a_minute_adds_less_than_0_15_psi(psi_per_min: float, stage: Stage) -> None:
    night = Quiet().stay(10, 0.0).go(100, 0.0, 58.0).go(120, 58.0, 58.0 + 2.0 * psi_per_min)
    assert night.tracker.stage is stage


@pytest.mark.parametrize(("seconds", "stage"), [(28, Stage.SETTLING), (33, Stage.OPEN)])
def test_a_pot_is_empty_after_half_a_minute_without_pressure(seconds: float, stage: Stage) -> None:
    # in steps that no valve makes, so that it is not seen as a vent first
    tracker = filled().tracker
    t_s = 200.0
    for i in range(seconds):
        tracker.update(t_s + i, 0.5 * PSI)
        tracker.stage = Stage.SETTLING if tracker.stage is Stage.VENTING else tracker.stage
    assert tracker.stage is stage


@pytest.mark.parametrize(("share", "stage"), [(0.22, Stage.SETTLING), (0.30, Stage.VENTING)])
def test_while_settling_a_vent_is_a_quarter_lost_in_ten_seconds(share: float, stage: Stage) -> None:
    assert filled().go(10, 60.0, 60.0 * (1.0 - share)).feed(60.0 * (1.0 - share)).tracker.stage is stage


@pytest.mark.parametrize(("fall_psi", "stage"), [(1.8, Stage.HOLDING), (2.4, Stage.VENTING)])
def test_while_holding_a_vent_is_two_psi_lost_in_ten_seconds(fall_psi: float, stage: Stage) -> None:
    night = holding().go(10, 60.0, 60.0 - fall_psi).feed(60.0 - fall_psi)
    assert (Stage.VENTING in [each for _, each in night.stages]) is (stage is Stage.VENTING)


@pytest.mark.parametrize(("psi_per_min", "is_rapid"), [(1.3, False), (1.8, True)])
def test_a_rapid_loss_is_one_and_a_half_psi_in_a_minute(psi_per_min: float, is_rapid: bool) -> None:
    night = holding().stay(900, 60.0).go(120, 60.0, 60.0 - 2.0 * psi_per_min)
    assert night.tracker.rapid_loss is is_rapid


@pytest.mark.parametrize(("shut_s", "is_rapid"), [(600, False), (1000, True)])
def test_no_loss_is_rapid_before_a_quarter_of_an_hour(shut_s: float, is_rapid: bool) -> None:
    night = filled().stay(shut_s - 120, 60.0).go(120, 60.0, 56.0)
    assert night.tracker.rapid_loss is is_rapid


def test_a_rapid_loss_must_last_a_full_minute() -> None:
    night = holding().stay(900, 60.0)
    night.tracker._minute.restart()
    night.go(30, 60.0, 58.0)
    assert not night.tracker.rapid_loss
    assert night.go(30, 58.0, 56.0).tracker.rapid_loss


def test_a_top_up_has_its_start_end_and_rise() -> None:
    night = holding().go(200, 60.0, 59.0)
    began_s = night.t_s
    jump = night.go(20, 59.0, 63.0).stay(90, 63.0).tracker.last_top_up
    assert isinstance(jump, TopUp)
    assert began_s - 10.0 <= jump.start_s <= began_s
    # over once the last half minute brought no more: twenty seconds of jump and most of half a minute
    assert began_s + 40.0 <= jump.end_s <= began_s + 55.0
    assert jump.rise_pa == pytest.approx(4.0 * PSI, rel=0.02)


def test_a_top_up_is_seen_once() -> None:
    night = holding().go(20, 60.0, 63.0).stay(40, 63.0)
    first = night.tracker.last_top_up
    assert first is not None
    for _ in range(180):
        night.stay(1, 63.0)
        assert not night.tracker.topping_up
    assert night.tracker.last_top_up is first


@pytest.mark.parametrize(("rise_psi", "seconds", "is_one"), [(0.4, 50, False), (0.6, 50, True)])
def test_half_a_psi_within_a_minute_is_a_top_up(rise_psi: float, seconds: int, is_one: bool) -> None:
    night = holding().go(seconds, 60.0, 60.0 + rise_psi).stay(60, 60.0 + rise_psi)
    assert (night.tracker.last_top_up is not None) is is_one


@pytest.mark.parametrize(("rise_psi", "is_one"), [(0.2, False), (0.3, True)])
def test_a_quarter_psi_within_seconds_is_a_top_up_too(rise_psi: float, is_one: bool) -> None:
    night = holding().go(3, 60.0, 60.0 + rise_psi).stay(60, 60.0 + rise_psi)
    assert (night.tracker.last_top_up is not None) is is_one


def test_after_a_fill_the_gas_is_stirred_for_a_minute_and_warm_for_15() -> None:
    night = Quiet().stay(10, 0.0).go(120, 0.0, 60.0)
    while night.tracker.stage is not Stage.SETTLING:
        night.feed(60.0)
    shut_s = night.t_s - 1.0
    assert night.tracker.is_stirred(shut_s + 59.0)
    assert not night.tracker.is_stirred(shut_s + 61.0)
    assert not night.tracker.has_cooled(shut_s + 899.0)
    assert night.tracker.has_cooled(shut_s + 901.0)


@pytest.mark.parametrize(("down_s", "stage"), [(30, Stage.HOLDING), (43, Stage.HOLDING), (60, Stage.FILLING)])
def test_a_touched_plug_must_recover_within_45_s(down_s: int, stage: Stage) -> None:
    night = holding().feed(60.0, 40.0, 40.0).stay(down_s - 2, 40.0)
    assert night.tracker.stage is Stage.VENTING
    night.feed(60.0, 60.0)
    assert night.tracker.stage is stage


def test_a_vent_shut_with_pressure_left_settles_again() -> None:
    night = holding().go(20, 60.0, 30.0)
    assert night.tracker.stage is Stage.VENTING
    night.stay(120, 30.0)
    assert night.tracker.stage is Stage.SETTLING


def test_a_pot_refilled_during_a_vent_is_filling() -> None:
    night = holding().go(60, 60.0, 10.0).go(90, 10.0, 40.0)
    assert Stage.FILLING in [stage for _, stage in night.stages[-2:]]


def test_a_pot_vented_to_almost_nothing_does_not_settle() -> None:
    # twice the pressure of an open pot's noise, 1.8 psi
    assert holding().go(20, 60.0, 3.0).stay(120, 3.0).tracker.stage is Stage.VENTING
    assert holding().go(20, 60.0, 4.5).stay(120, 4.5).tracker.stage is Stage.SETTLING


def test_a_rise_after_a_top_up_is_compared_with_the_topped_up_pressure() -> None:
    night = holding().go(20, 60.0, 63.0)
    while night.tracker.last_top_up is None:
        night.feed(63.0)
    night.feed(63.0, 63.0, 40.0, 40.0)
    assert night.tracker.stage is Stage.VENTING
    night.feed(61.5, 61.5)  # above what it was before the top-up, below what it was brought to
    assert night.tracker.stage is Stage.VENTING
    night.feed(63.0, 63.0)
    assert night.tracker.stage is Stage.HOLDING


def test_unsteady_readings_are_no_loss_a_minute_later() -> None:
    night = holding().stay(900, 60.0).feed(60.0, 63.0, 60.0, 63.0, 60.0, 63.0, 63.0, 63.0, 63.0, 63.0)
    assert night.tracker.steadiness.restless
    for _ in range(150):
        night.feed(60.0)
        assert not night.tracker.rapid_loss
    assert not night.tracker.steadiness.restless
    assert night.tracker.stage is Stage.HOLDING
    assert night.tracker.last_top_up is None


def test_air_let_in_during_unsteady_readings_is_a_top_up() -> None:
    to_and_fro = (60.0, 63.0, 60.0, 63.0, 60.0)
    stays = holding().stay(900, 60.0).feed(*to_and_fro)
    rises = holding().stay(900, 60.0).feed(*to_and_fro)
    for _ in range(150):
        stays.feed(60.0)
        rises.feed(61.0)
        assert not stays.tracker.topping_up
    jump = rises.tracker.last_top_up
    assert jump is not None
    assert jump.rise_pa == pytest.approx(1.0 * PSI, rel=0.05)
    assert stays.tracker.last_top_up is None
