"""Every limit of the stages, exactly at it and just beyond: one question each, in a state given by hand."""

from types import SimpleNamespace

import pytest

from potvigil.model.events import Stage
from potvigil.watch.stages import StageTracker, TopUp, Trigger, _Window
from shut_pot import PSI, pot

# of a pot that works at 60 psi: 3 % of it counts as pressurised, 70 % as filled
PRESSURISED_PA, FILLED_PA = 0.03 * 60.0 * PSI, 0.7 * 60.0 * PSI
LITTLE = 0.001 * PSI


def tracker(stage: Stage = Stage.HOLDING, *, noise_pa: float = 0.0, usual_pa: float = 0.0) -> StageTracker:
    made = StageTracker(pot())
    made.stage = stage
    made.steadiness.noise_pa, made.steadiness.usual_pa = noise_pa, usual_pa
    return made


def window(oldest_s: float, at_least_pa: float, at_most_pa: float, median_pa: float = 0.0) -> SimpleNamespace:
    return SimpleNamespace(
        oldest_s=oldest_s,
        at_least_pa=at_least_pa,
        at_most_pa=at_most_pa,
        median_pa=lambda until_s: median_pa,
        lowest=lambda: (oldest_s, at_most_pa),
        restart=lambda: None,
        add=lambda *point: None,
    )


# -- windows -----------------------------------------------------------------------------------------


def windowed(span_s: float, *times_s: float) -> _Window:
    made = _Window(span_s)
    for t_s in times_s:
        made.add(t_s, 100.0 + t_s, 200.0 + t_s)
    return made


@pytest.mark.parametrize(
    ("times_s", "oldest_s"),
    [
        ((0.0,), 0.0),
        (range(11), 0.0),
        (range(12), 1.0),
        ((0.0, 12.0, 24.0), 0.0),  # three, however slow
        ((0.0, 12.0, 24.0, 36.0), 12.0),
        ((0.0, 25.0), 0.0),  # but none older than two and a half times the span
        ((0.0, 26.0), 26.0),
        ((0.0, 20.0, 40.0), 20.0),
    ],
)
def test_a_window_has_the_last_ten_seconds_or_the_last_three_readings(
    times_s: tuple[float, ...], oldest_s: float
) -> None:
    made = windowed(10.0, *times_s)
    assert (made.oldest_s, made.at_least_pa, made.at_most_pa) == (
        oldest_s,
        100.0 + oldest_s,
        200.0 + oldest_s,
    )


def test_a_window_knows_its_lowest_reading_and_its_middle() -> None:
    made = _Window(100.0)
    for t_s, pa in enumerate((5.0, 3.0, 4.0, 9.0, 3.0, 8.0)):
        made.add(float(t_s), 0.0, pa)
    assert made.lowest() == (1.0, 3.0)
    assert made.median_pa(2.0) == 4.0
    assert made.median_pa(3.0) == 4.5
    assert made.median_pa(99.0) == 4.5


def test_a_window_that_begins_anew_keeps_its_newest_reading() -> None:
    made = windowed(10.0, 0.0, 1.0, 2.0)
    made.restart()
    assert (made.oldest_s, made.at_least_pa, made.at_most_pa) == (2.0, 102.0, 202.0)
    assert made.lowest() == (2.0, 202.0)
    made.add(3.0, 1.0, 1.0)
    assert made.oldest_s == 2.0


def test_a_window_without_readings_has_nothing() -> None:
    made = _Window(10.0)
    assert (made.oldest_s, made.at_least_pa, made.at_most_pa) == (0.0, 0.0, 0.0)


# -- open and empty ----------------------------------------------------------------------------------


def test_a_tracker_begins_with_an_open_pot_that_knows_of_nothing() -> None:
    made = StageTracker(pot())
    assert (made.stage, made.since_s, made.pressurised_since_s) == (Stage.OPEN, 0.0, 0.0)
    assert (made.topping_up, made.rapid_loss, made.last_top_up) == (False, False, None)
    assert made.is_stirred(59.0)
    assert not made.is_stirred(60.0)


@pytest.mark.parametrize(
    ("gauge_pa", "stage"), [(PRESSURISED_PA, Stage.FILLING), (PRESSURISED_PA - 1.0, None)]
)
def test_a_pot_is_pressurised_from_three_percent_on(gauge_pa: float, stage: Stage | None) -> None:
    made = StageTracker(pot())
    assert made.update(10.0, gauge_pa) is None
    assert made.update(11.0, gauge_pa) is stage
    assert made.pressurised_since_s == (0.0 if stage is None else 10.0)


@pytest.mark.parametrize(("seconds", "is_empty"), [(29.0, False), (30.0, True)])
def test_a_pot_is_empty_after_exactly_half_a_minute(seconds: float, is_empty: bool) -> None:
    made = tracker()
    assert not made._emptied(100.0, PRESSURISED_PA - 1.0)
    assert made._emptied(100.0 + seconds, PRESSURISED_PA - 1.0) is is_empty


def test_a_pot_exactly_at_three_percent_is_not_empty() -> None:
    made = tracker()
    made._emptied(100.0, PRESSURISED_PA - 1.0)
    assert not made._emptied(130.0, PRESSURISED_PA)
    assert not made._emptied(131.0, PRESSURISED_PA - 1.0)  # counted afresh
    assert not made._emptied(160.0, PRESSURISED_PA - 1.0)
    assert made._emptied(161.0, PRESSURISED_PA - 1.0)


# -- filling -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gauge_pa", "is_full"), [(FILLED_PA, True), (FILLED_PA - 1.0, False)])
def test_a_fill_that_rests_at_70_percent_is_over(gauge_pa: float, is_full: bool) -> None:
    made = tracker(Stage.FILLING)
    changed = [made.update(100.0 + i, gauge_pa) for i in range(60)]
    assert (Stage.SETTLING in changed) is is_full


@pytest.mark.parametrize(
    ("oldest_s", "since_s", "rise_psi", "usual_psi", "is_over"),
    [
        (82.0, 0.0, 0.149, 0.0, True),  # 18 s of readings, three fifths of half a minute
        (83.0, 0.0, 0.149, 0.0, False),
        (0.0, 82.0, 0.149, 0.0, True),
        (0.0, 83.0, 0.149, 0.0, False),
        (0.0, 0.0, 0.151, 0.0, False),
        (0.0, 0.0, -5.0, 0.0, True),
        (0.0, 0.0, 0.23, 0.04, True),  # six times the usual scatter: 0.24 psi
        (0.0, 0.0, 0.25, 0.04, False),
        (0.0, 0.0, 0.149, 0.02, True),
    ],
)
def test_a_rise_is_over_once_half_a_minute_adds_less_than_0_15_psi(
    oldest_s: float, since_s: float, rise_psi: float, usual_psi: float, is_over: bool
) -> None:
    made = tracker(Stage.FILLING, usual_pa=usual_psi * PSI)
    made.since_s = since_s
    made._half_minute = window(oldest_s, 0.0, 50.0 * PSI)  # type: ignore[assignment]
    assert made._rise_is_over(100.0, (50.0 + rise_psi) * PSI) is is_over


# -- venting -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stage", "was_psi", "fall_psi", "noise_psi", "is_vent"),
    [
        (Stage.SETTLING, 40.0, 9.99, 0.0, False),  # a quarter of it
        (Stage.SETTLING, 40.0, 10.01, 0.0, True),
        (Stage.SETTLING, 40.0, 11.9, 2.0, False),  # six times the scatter
        (Stage.SETTLING, 40.0, 12.1, 2.0, True),
        (Stage.HOLDING, 40.0, 1.99, 0.0, False),
        (Stage.HOLDING, 40.0, 2.01, 0.0, True),
        (Stage.SETTLING, 40.0, 2.01, 0.0, False),
        (Stage.HOLDING, 40.0, 2.9, 0.5, False),
        (Stage.HOLDING, 40.0, 3.1, 0.5, True),
        (Stage.HOLDING, 4.0, 1.1, 0.0, True),
    ],
)
def test_a_vent_falls_faster_than_heat_and_scatter_can(
    stage: Stage, was_psi: float, fall_psi: float, noise_psi: float, is_vent: bool
) -> None:
    made = tracker(stage, noise_pa=noise_psi * PSI)
    made._moment = window(0.0, was_psi * PSI, was_psi * PSI)  # type: ignore[assignment]
    assert made._vent_opened((was_psi - fall_psi) * PSI) is is_vent


def test_exactly_a_quarter_lost_is_no_vent() -> None:
    made = tracker(Stage.SETTLING)
    made._moment = window(0.0, 400e3, 400e3)  # type: ignore[assignment]
    assert not made._vent_opened(300e3)
    assert made._vent_opened(300e3 - 1.0)


def venting(
    after_s: float, *, held_psi: float | None, minute_psi: float = 40.0, noise_psi: float = 0.0
) -> StageTracker:
    """A pot that began to vent at 100 s; it was at held_psi a minute before, and is asked after_s later."""
    made = tracker(Stage.VENTING, noise_pa=noise_psi * PSI)
    made.since_s, made._held_pa = 100.0, None if held_psi is None else held_psi * PSI
    made._minute = window(100.0 + after_s - 60.0, minute_psi * PSI, minute_psi * PSI)  # type: ignore[assignment]
    return made


@pytest.mark.parametrize(
    ("after_s", "held_psi", "now_psi", "noise_psi", "restless", "stage"),
    [
        (10.0, 60.0, 59.51, 0.0, False, Stage.HOLDING),
        (10.0, 60.0, 59.49, 0.0, False, None),
        (10.0, 60.0, 59.1, 1.0, False, Stage.HOLDING),
        (10.0, 60.0, 58.9, 1.0, False, None),
        (10.0, 60.0, 40.0, 0.0, True, Stage.HOLDING),  # no hand on a valve does that
        (45.0, 60.0, 60.0, 0.0, False, Stage.HOLDING),
        (46.0, 60.0, 60.0, 0.0, False, None),
        (10.0, None, 60.0, 0.0, False, None),
    ],
)
def test_a_pressure_back_within_45_s_was_never_let_out(
    after_s: float,
    held_psi: float | None,
    now_psi: float,
    noise_psi: float,
    restless: bool,
    stage: Stage | None,
) -> None:
    made = venting(after_s, held_psi=held_psi, noise_psi=noise_psi)
    made.steadiness.restless = restless
    assert made._update_venting(100.0 + after_s, now_psi * PSI) is stage
    if stage is Stage.HOLDING:
        assert made._calm == (100.0, 60.0 * PSI)


@pytest.mark.parametrize(
    ("after_s", "minute_psi", "now_psi", "noise_psi", "stage"),
    [
        (60.0, 30.0, 30.0, 0.0, Stage.SETTLING),
        (59.0, 30.0, 30.0, 0.0, None),  # a vent is watched for a minute
        (60.0, 30.0, 30.149, 0.0, Stage.SETTLING),
        (60.0, 30.0, 29.851, 0.0, Stage.SETTLING),
        (60.0, 30.0, 29.849, 0.0, None),
        (60.0, 30.0, 30.151, 0.0, None),
        (60.0, 30.0, 30.49, 0.0, None),
        (60.0, 30.0, 30.51, 0.0, Stage.FILLING),
        (60.0, 30.0, 30.59, 0.1, Stage.SETTLING),  # six times the scatter is no rise
        (60.0, 30.0, 30.61, 0.1, Stage.FILLING),
        (60.0, 3.6, 3.601, 0.0, Stage.SETTLING),  # above twice the three percent
        (60.0, 3.6, 3.599, 0.0, None),
    ],
)
def test_after_a_minute_a_vent_goes_on_is_shut_or_becomes_a_fill(
    after_s: float, minute_psi: float, now_psi: float, noise_psi: float, stage: Stage | None
) -> None:
    made = venting(after_s, held_psi=None, minute_psi=minute_psi, noise_psi=noise_psi)
    assert made._update_venting(100.0 + after_s, now_psi * PSI) is stage


def test_only_a_vent_from_the_hold_may_turn_out_to_be_none() -> None:
    for stage, restored in ((Stage.HOLDING, True), (Stage.SETTLING, False)):
        made = tracker(stage)
        made._last_pa = 60.0 * PSI
        for t_s in range(100):
            made.update(float(t_s), 60.0 * PSI)
        made.update(100.0, 40.0 * PSI)
        assert made.update(101.0, 40.0 * PSI) is Stage.VENTING
        assert made._may_be_restored(101.0) is restored
        assert made._held_pa == (60.0 * PSI if restored else None)


# -- heat --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("topping_up", "hot_s", "restored_s", "is_stirred"),
    [
        (False, 40.0, 0.0, False),  # a minute ago
        (False, 41.0, 0.0, True),
        (False, 0.0, 40.0, False),
        (False, 0.0, 41.0, True),
        (True, 0.0, 0.0, True),
    ],
)
def test_the_gas_is_stirred_for_a_minute(
    topping_up: bool, hot_s: float, restored_s: float, is_stirred: bool
) -> None:
    made = tracker()
    made.topping_up, made._hot_since_s, made._restored_s = topping_up, hot_s, restored_s
    assert made.is_stirred(100.0) is is_stirred


@pytest.mark.parametrize(
    ("stage", "held_pa", "t_s", "has_cooled"),
    [
        (Stage.HOLDING, None, 1000.0, False),  # the fill ended at 100 s
        (Stage.HOLDING, None, 1001.0, True),
        (Stage.SETTLING, None, 1001.0, True),
        (Stage.OPEN, None, 1001.0, False),
        (Stage.FILLING, None, 1001.0, False),
        (Stage.VENTING, None, 1001.0, False),
        (Stage.VENTING, 1.0, 1001.0, True),  # may yet be no vent
        (Stage.VENTING, 1.0, 1046.0, False),
        (Stage.OPEN, 1.0, 1001.0, False),
    ],
)
def test_the_heat_of_a_fill_has_left_a_shut_pot_after_15_minutes(
    stage: Stage, held_pa: float | None, t_s: float, has_cooled: bool
) -> None:
    made = tracker(stage)
    made._hot_since_s, made.since_s, made._held_pa = 100.0, 1000.0, held_pa
    assert made.has_cooled(t_s) is has_cooled


@pytest.mark.parametrize(
    ("stage", "trigger", "hot_s", "restored_s", "goes_on"),
    [
        (Stage.FILLING, Trigger.FILLED, 500.0, -1.0, False),
        (Stage.SETTLING, Trigger.SETTLED, 100.0, -1.0, True),
        (Stage.HOLDING, Trigger.VENT_OPENED, 100.0, -1.0, False),
        (Stage.VENTING, Trigger.RESTORED, 100.0, 500.0, True),
        (Stage.VENTING, Trigger.STEADIED, 500.0, -1.0, False),
    ],
)
def test_a_step_brings_heat_and_ends_a_jump_or_does_not(
    stage: Stage, trigger: Trigger, hot_s: float, restored_s: float, goes_on: bool
) -> None:
    made = tracker(stage)
    made._hot_since_s, made._restored_s = 100.0, -1.0
    made.topping_up = made.rapid_loss = True
    made._above_since_s = made._below_since_s = 90.0
    made._fire(trigger, 500.0)
    assert (made._hot_since_s, made._restored_s, made.since_s) == (hot_s, restored_s, 500.0)
    assert (made.topping_up, made.rapid_loss) == (goes_on, goes_on)
    assert (made._above_since_s, made._below_since_s) == ((90.0, 90.0) if goes_on else (None, None))


# -- losses and jumps --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hot_s", "oldest_s", "fall_psi", "noise_psi", "is_rapid"),
    [
        (99.0, 940.0, 1.51, 0.0, True),
        (100.0, 940.0, 1.51, 0.0, False),  # a quarter of an hour since the fill
        (99.0, 940.0, 1.49, 0.0, False),
        (99.0, 951.0, 1.51, 0.0, True),  # more than 48 s of readings
        (99.0, 952.0, 1.51, 0.0, False),
        (99.0, 940.0, 1.79, 0.3, False),  # six times the scatter
        (99.0, 940.0, 1.81, 0.3, True),
    ],
)
def test_a_loss_of_one_and_a_half_psi_in_a_minute_is_rapid(
    hot_s: float, oldest_s: float, fall_psi: float, noise_psi: float, is_rapid: bool
) -> None:
    made = tracker(noise_pa=noise_psi * PSI)
    made._hot_since_s = hot_s
    made._minute = window(oldest_s, 60.0 * PSI, 61.0 * PSI)  # type: ignore[assignment]
    made._follow_loss(1000.0, (60.0 - fall_psi) * PSI)
    assert made.rapid_loss is is_rapid


@pytest.mark.parametrize(
    ("rise_psi", "oldest_s", "noise_psi", "above_middle_psi", "rose"),
    [
        (0.51, 101.0, 0.0, 0.51, True),
        (0.49, 101.0, 0.0, 0.49, False),
        (0.51, 100.0, 0.0, 0.51, False),  # partly from before the fill's end, at 100 s
        (0.59, 101.0, 0.1, 0.59, False),
        (0.61, 101.0, 0.1, 0.61, True),
        (0.51, 101.0, 0.0, 0.124, False),  # it only came back
        (0.51, 101.0, 0.0, 0.126, True),
        (0.61, 101.0, 0.1, 0.149, False),
        (0.61, 101.0, 0.1, 0.151, True),
    ],
)
def test_a_jump_is_half_a_psi_above_a_minute_ago_and_the_middle_of_three(
    rise_psi: float, oldest_s: float, noise_psi: float, above_middle_psi: float, rose: bool
) -> None:
    made = tracker(noise_pa=noise_psi * PSI)
    made._hot_since_s = 100.0
    now_psi = 60.0
    made._before = window(0.0, 0.0, 0.0, median_pa=(now_psi - above_middle_psi) * PSI)  # type: ignore[assignment]
    then = window(oldest_s, 0.0, (now_psi - rise_psi) * PSI)
    assert made._rose(then, now_psi * PSI, 0.5 * PSI) is rose  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("minute_psi", "moment_psi", "begins"),
    [(59.49, 60.0, True), (59.51, 60.0, False), (59.8, 59.74, True), (59.8, 59.76, False)],
)
def test_a_top_up_is_half_a_psi_in_a_minute_or_a_quarter_in_ten_seconds(
    minute_psi: float, moment_psi: float, begins: bool
) -> None:
    made = tracker()
    made._before = window(0.0, 0.0, 0.0)  # type: ignore[assignment]
    made._minute = window(940.0, 0.0, minute_psi * PSI)  # type: ignore[assignment]
    made._moment = window(990.0, 0.0, moment_psi * PSI)  # type: ignore[assignment]
    made._follow_top_up(1000.0, 60.0 * PSI)
    assert made.topping_up is begins
    assert made._base == ((940.0, minute_psi * PSI) if begins else (0.0, 0.0))


@pytest.mark.parametrize(("rise_psi", "is_one"), [(0.251, True), (0.249, False)])
def test_a_jump_that_leaves_less_than_a_quarter_psi_was_none(rise_psi: float, is_one: bool) -> None:
    made = tracker()
    made.topping_up, made._base, made._hot_since_s = True, (900.0, 60.0 * PSI), 100.0
    now_pa = (60.0 + rise_psi) * PSI
    made._half_minute = window(960.0, now_pa, now_pa)  # type: ignore[assignment]
    made._minute.add(999.0, 0.0, 0.0)
    made._minute.add(1000.0, now_pa, now_pa)
    made._follow_top_up(1000.0, now_pa)
    assert made.topping_up is False
    assert made.last_top_up == (TopUp(900.0, 1000.0, now_pa - 60.0 * PSI) if is_one else None)
    assert made._hot_since_s == (1000.0 if is_one else 100.0)
    assert made._minute.oldest_s == (1000.0 if is_one else 999.0)


def test_a_jump_under_way_has_not_ended() -> None:
    made = tracker()
    made.topping_up = True
    made._half_minute = window(960.0, 0.0, 60.0 * PSI)  # type: ignore[assignment]
    made._follow_top_up(1000.0, 62.0 * PSI)
    assert (made.topping_up, made.last_top_up) == (True, None)


@pytest.mark.parametrize(
    ("topping_up", "rise_psi", "noise_psi", "is_jump"),
    [
        (False, 0.51, 0.0, True),
        (False, 0.49, 0.0, False),
        (False, 0.59, 0.1, False),
        (False, 0.61, 0.1, True),
        (True, -1.0, 0.0, True),
    ],
)
def test_unsteady_readings_count_by_what_they_were_before_and_after(
    topping_up: bool, rise_psi: float, noise_psi: float, is_jump: bool
) -> None:
    made = tracker(noise_pa=noise_psi * PSI)
    made._minute.add(900.0, 0.0, 60.0 * PSI)
    made._half_minute.add(900.0, 0.0, 0.0)
    made._moment.add(900.0, 0.0, 0.0)
    made.topping_up, made.steadiness.restless = topping_up, True
    assert made._is_restless(50.0 * PSI) is True
    made._minute.add(910.0, 0.0, 50.0 * PSI)
    assert made._is_restless(70.0 * PSI) is True
    assert made._calm == (900.0, 60.0 * PSI)  # as it was when they began
    made.steadiness.restless = False
    assert made._is_restless((60.0 + rise_psi) * PSI) is False
    assert made.topping_up is is_jump
    assert made._base == ((900.0, 60.0 * PSI) if is_jump else (0.0, 0.0))
    assert made._calm is None
    assert made._minute.oldest_s == 910.0  # what went up and down is forgotten
    assert made._is_restless(60.0 * PSI) is False


# -- exactly at a limit: six times a scatter of 10 kPa is 60 kPa to the last bit ------------------------

LOUD_PA, SIX_PA, NOW_PA = 10e3, 60e3, 300e3


def loud(stage: Stage = Stage.HOLDING) -> StageTracker:
    return tracker(stage, noise_pa=LOUD_PA, usual_pa=LOUD_PA)


def test_a_fall_of_exactly_the_scatter_is_neither_a_vent_nor_a_loss() -> None:
    made = loud()
    made._moment = made._minute = window(900.0, NOW_PA, NOW_PA)  # type: ignore[assignment]
    assert not made._vent_opened(NOW_PA - SIX_PA)
    made._follow_loss(1000.0, NOW_PA - SIX_PA)
    assert not made.rapid_loss
    made._follow_loss(1000.0, NOW_PA - SIX_PA - 1.0)
    assert made.rapid_loss


def test_a_rise_of_exactly_the_scatter_is_not_over_and_is_no_jump() -> None:
    made = loud(Stage.FILLING)
    made._half_minute = window(0.0, 0.0, NOW_PA - SIX_PA)  # type: ignore[assignment]
    assert not made._rise_is_over(100.0, NOW_PA)
    assert made._rise_is_over(100.0, NOW_PA - 1.0)
    made._before = window(0.0, 0.0, 0.0)  # type: ignore[assignment]
    assert not made._rose(made._half_minute, NOW_PA, 1.0)
    made._hot_since_s = -1.0
    assert not made._rose(made._half_minute, NOW_PA, 1.0)
    assert made._rose(made._half_minute, NOW_PA + 1.0, 1.0)


@pytest.mark.parametrize(("above_middle_pa", "rose"), [(15e3, False), (15e3 + 1.0, True)])
def test_a_jump_exactly_a_quarter_of_the_limit_above_the_middle_only_came_back(
    above_middle_pa: float, rose: bool
) -> None:
    made = loud()
    made._before = window(0.0, 0.0, 0.0, median_pa=NOW_PA - above_middle_pa)  # type: ignore[assignment]
    assert made._rose(window(900.0, 0.0, NOW_PA - SIX_PA - 1.0), NOW_PA, 1.0) is rose  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change_pa", "stage"),
    [
        (SIX_PA, None),  # neither a rise nor at rest
        (SIX_PA + 1.0, Stage.FILLING),
        (SIX_PA - 1.0, Stage.SETTLING),
        (-SIX_PA, None),
        (1.0 - SIX_PA, Stage.SETTLING),
    ],
)
def test_a_vent_that_moved_by_exactly_the_scatter_goes_on(change_pa: float, stage: Stage | None) -> None:
    made = loud(Stage.VENTING)
    made._minute = window(0.0, NOW_PA, NOW_PA)  # type: ignore[assignment]
    assert made._update_venting(60.0, NOW_PA + change_pa) is stage


@pytest.mark.parametrize(("below_pa", "stage"), [(LOUD_PA, None), (LOUD_PA - 1.0, Stage.HOLDING)])
def test_a_vent_is_undone_only_by_less_than_the_scatter(below_pa: float, stage: Stage | None) -> None:
    made = loud(Stage.VENTING)
    made._held_pa = NOW_PA
    assert made._update_venting(10.0, NOW_PA - below_pa) is stage


@pytest.mark.parametrize(
    ("gauge_pa", "stage"), [(2.0 * PRESSURISED_PA, None), (2.0 * PRESSURISED_PA + 1.0, Stage.SETTLING)]
)
def test_a_vent_shut_at_exactly_twice_three_percent_goes_on(gauge_pa: float, stage: Stage | None) -> None:
    made = tracker(Stage.VENTING)
    made._minute = window(0.0, gauge_pa, gauge_pa)  # type: ignore[assignment]
    assert made._update_venting(60.0, gauge_pa) is stage


@pytest.mark.parametrize(("rise_pa", "is_jump"), [(SIX_PA, False), (SIX_PA + 1.0, True)])
def test_unsteady_readings_that_rose_by_exactly_the_scatter_are_no_jump(
    rise_pa: float, is_jump: bool
) -> None:
    made = loud()
    for each in (made._minute, made._half_minute, made._moment):
        each.add(900.0, NOW_PA, NOW_PA)
    made._calm = (800.0, NOW_PA)
    made._is_restless(NOW_PA + rise_pa)
    assert made.topping_up is is_jump


def test_a_jump_that_leaves_exactly_a_quarter_psi_is_one() -> None:
    quarter_pa = 0.25 * PSI
    made = tracker()
    made.topping_up = True
    made._base = (900.0, 0.0)
    made._half_minute = window(900.0, quarter_pa, quarter_pa)  # type: ignore[assignment]
    made._minute.add(1000.0, quarter_pa, quarter_pa)
    made._follow_top_up(1000.0, quarter_pa)
    assert made.last_top_up == TopUp(900.0, 1000.0, quarter_pa)
