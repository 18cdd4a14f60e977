"""Alarm conditions at one moment, on both sides of every limit: ids and figures, no sentences."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from potvigil.model.events import AlarmId, AlarmState, FloorForecast, Interval, LeakEstimate, Priority, Stage
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import Place, Quality, Reading
from potvigil.watch.alarm_states import AlarmBook, ConditionWords, Over
from potvigil.watch.batch import Batch
from potvigil.watch.conditions import Scene, conditions
from potvigil.watch.stages import TopUp
from shut_pot import ATMOSPHERE_PA, PSI, pot

HOUR = 3600.0
POT = pot(hold_s=10 * HOUR, gel_s=4 * HOUR, working_time_s=0.5 * HOUR)


def reading(gauge_psi: float | None, t_s: float, quality: Quality = Quality.GOOD) -> Reading:
    gauge_pa = None if gauge_psi is None else gauge_psi * PSI
    absolute_pa = None if gauge_pa is None else gauge_pa + ATMOSPHERE_PA
    return Reading(t_s, None, gauge_pa, absolute_pa, ATMOSPHERE_PA, 293.15, None, None, quality)


def batch_at(t_s: float, a_pot: Pot = POT) -> Batch:
    """A batch started at 0 s, filled and shut within minutes."""
    batch = Batch(a_pot, 0.0, None)
    batch.clock.take(t_s, None)
    batch.stages = {Stage.OPEN: 0.0, Stage.FILLING: 60.0, Stage.SETTLING: 180.0}
    return batch


def scene(gauge_psi: float | None = 60.0, t_s: float = HOUR, **changed: object) -> Scene:
    a_pot = changed.pop("pot", POT)
    assert isinstance(a_pot, Pot)
    usual: dict[str, object] = {
        "pot": a_pot,
        "reading": reading(gauge_psi, t_s),
        "stage": Stage.HOLDING,
        "batch": batch_at(t_s, a_pot),
        "rapid_loss": False,
        "vented_early_s": None,
        "pressure_fault": None,
        "gap_s": 0.0,
        "missing": {},
        "standing": frozenset(),
    }
    return Scene(**(usual | changed))  # type: ignore[arg-type]


def losing(batch: Batch, psi_per_h: float = 2.0, low: float = 1.5, established: bool = True) -> Batch:
    rate = Interval(*(each * PSI / HOUR for each in (psi_per_h, low, psi_per_h + 0.5)))
    onset = Interval(1000.0, 900.0, 1100.0) if established else None
    batch.leak = LeakEstimate(
        HOUR, rate, Interval(3.0, 2.0, 4.0), Interval(3.0, 2.0, 4.0), 1e-4, onset, established
    )
    return batch


def fed_at(*ends_s: float, rise_psi: float = 1.0) -> list[TopUp]:
    return [TopUp(end_s - 20.0, end_s, rise_psi * PSI) for end_s in ends_s]


def true_in(a_scene: Scene) -> set[str]:
    return {str(alarm) for alarm, what in conditions(a_scene).items() if isinstance(what, ConditionWords)}


def of(alarm: AlarmId, a_scene: Scene) -> ConditionWords:
    what = conditions(a_scene)[alarm]
    assert isinstance(what, ConditionWords)
    return what


def test_a_pot_that_holds_raises_no_alarm() -> None:
    assert true_in(scene()) == set()


# -- the floor ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gauge_psi", "standing", "is_below"),
    [(45.1, False, False), (44.9, False, True), (46.0, True, True), (46.3, True, False)],
)
def test_below_floor_clears_two_percent_of_the_working_pressure_above_the_floor(
    gauge_psi: float, standing: bool, is_below: bool
) -> None:
    stands = frozenset({AlarmId.BELOW_FLOOR}) if standing else frozenset()
    assert ("below-floor" in true_in(scene(gauge_psi, standing=stands))) is is_below


def test_filling_is_not_below_floor_but_a_pot_already_below_stays_below() -> None:
    assert "below-floor" not in true_in(scene(30.0, stage=Stage.FILLING))
    standing = frozenset({AlarmId.BELOW_FLOOR})
    assert "below-floor" in true_in(scene(30.0, stage=Stage.FILLING, standing=standing))


def test_a_batch_opened_at_mixing_is_not_below_floor_before_the_fill() -> None:
    batch = batch_at(HOUR)
    batch.stages = {Stage.OPEN: 0.0}
    assert "below-floor" not in true_in(scene(0.0, stage=Stage.OPEN, batch=batch))


def test_no_floor_applies_after_the_cure() -> None:
    done = scene(30.0, 10 * HOUR + 1.0)
    found = conditions(done)
    assert isinstance(found[AlarmId.BELOW_FLOOR], Over)
    assert isinstance(found[AlarmId.FLOOR_AHEAD], Over)
    unknown = conditions(replace(done, reading=reading(None, 10 * HOUR + 1.0, Quality.BAD)))
    assert isinstance(unknown[AlarmId.BELOW_FLOOR], Over)
    assert isinstance(unknown[AlarmId.FLOOR_AHEAD], Over)
    assert "below-floor" in true_in(scene(30.0, 10 * HOUR - 1.0))


def test_below_floor_is_high_priority_and_ends_with_the_cure() -> None:
    book, events = AlarmBook(), []
    for t_s in range(10 * 3600 - 60, 10 * 3600 + 1, 5):
        events += book.update(t_s, None, conditions(scene(40.0, float(t_s))))
    states = [(event.alarm, event.state, event.priority) for event in events]
    assert states == [
        (AlarmId.BELOW_FLOOR, AlarmState.UNACKNOWLEDGED, Priority.HIGH),
        (AlarmId.BELOW_FLOOR, AlarmState.RETURNED, Priority.HIGH),
    ]


def test_no_top_up_is_advised_with_less_than_five_minutes_to_go() -> None:
    def do(left_s: float) -> str:
        return of(AlarmId.BELOW_FLOOR, scene(40.0, 10 * HOUR - left_s)).do

    assert do(301.0) == do(3000.0) == do(590.0)
    assert do(299.0) == do(10.0) != do(301.0)


def test_bubble_growth_follows_boyles_law() -> None:
    # diameter by the cube root of the absolute pressure: (74.696 / 54.696)^(1/3) = 1.109
    assert "11 %" in of(AlarmId.BELOW_FLOOR, scene(40.0)).text


# -- above the maximum -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gauge_psi", "standing", "is_above"),
    [(80.0, False, False), (80.1, False, True), (78.5, True, True), (78.3, True, False)],
)
def test_over_pressure_clears_two_percent_below_the_maximum(
    gauge_psi: float, standing: bool, is_above: bool
) -> None:
    stands = frozenset({AlarmId.OVER_PRESSURE}) if standing else frozenset()
    assert ("over-pressure" in true_in(scene(gauge_psi, standing=stands))) is is_above


def test_over_pressure_is_raised_even_from_doubted_readings_which_raise_no_leak() -> None:
    doubted = scene(85.0, pressure_fault="stuck", rapid_loss=True)
    assert true_in(doubted) == {"over-pressure", "pressure-sensor"}
    assert AlarmId.LEAK not in conditions(doubted)


@pytest.mark.parametrize("quality", [Quality.BAD])
def test_a_dead_transducer_leaves_every_pressure_alarm_unknown(quality: Quality) -> None:
    known = conditions(scene(reading=reading(85.0, HOUR, quality), pressure_fault="no reading"))
    assert set(known) == {
        AlarmId.PRESSURE_SENSOR,
        AlarmId.READINGS_STOPPED,
        AlarmId.THERMOMETER,
        AlarmId.VENTED_EARLY,
    }


# -- filling -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gauge_psi", "t_s", "is_slow"),
    [
        (30.0, 1350.0 - 1.0, False),  # a quarter of half an hour: 450 s left
        (30.0, 1350.0, True),
        (56.9, 1700.0, True),
        (57.1, 1700.0, False),  # 95 % of 60 psi
        (30.0, 3000.0, True),  # over
    ],
)
def test_slow_fill_is_raised_with_a_quarter_of_the_working_time_left(
    gauge_psi: float, t_s: float, is_slow: bool
) -> None:
    assert ("slow-to-pressure" in true_in(scene(gauge_psi, t_s, stage=Stage.FILLING))) is is_slow


@pytest.mark.parametrize(("t_s", "is_slow"), [(299.0, False), (300.0, True)])
def test_slow_fill_is_raised_at_least_five_minutes_ahead(t_s: float, is_slow: bool) -> None:
    short = pot(working_time_s=600.0)
    assert ("slow-to-pressure" in true_in(scene(30.0, t_s, stage=Stage.FILLING, pot=short))) is is_slow


def test_slow_fill_needs_a_working_time_and_a_pot_not_yet_filled() -> None:
    assert "slow-to-pressure" not in true_in(scene(30.0, 1700.0))
    assert "slow-to-pressure" not in true_in(scene(30.0, 1700.0, stage=Stage.FILLING, pot=pot()))


def test_slow_fill_is_due_by_the_end_of_the_working_time() -> None:
    assert of(AlarmId.SLOW_TO_PRESSURE, scene(30.0, 1500.0, stage=Stage.FILLING)).by_s == 1800.0
    assert of(AlarmId.SLOW_TO_PRESSURE, scene(30.0, 1900.0, stage=Stage.FILLING)).by_s is None


# -- losses ------------------------------------------------------------------------------------------


def test_a_rapid_loss_is_raised_except_during_a_vent() -> None:
    assert true_in(scene(rapid_loss=True)) == {"rapid-loss"}
    assert true_in(scene(rapid_loss=True, stage=Stage.VENTING)) == set()


def forecast(crossing_s: float, earliest_s: float, done_s: float = 10 * HOUR) -> FloorForecast:
    return FloorForecast(crossing_s, earliest_s, crossing_s + HOUR, crossing_s < done_s, 12 * HOUR)


def test_floor_ahead_clears_once_even_its_early_bound_is_after_the_cure() -> None:
    def is_ahead(crossing_h: float, earliest_h: float, stands: bool) -> bool:
        batch = losing(batch_at(HOUR))
        batch.forecast = forecast(crossing_h * HOUR, earliest_h * HOUR)
        standing = frozenset({AlarmId.FLOOR_AHEAD}) if stands else frozenset()
        return "floor-ahead" in true_in(scene(batch=batch, standing=standing))

    assert is_ahead(9.0, 8.0, stands=False)
    assert not is_ahead(10.5, 9.5, stands=False)
    assert is_ahead(10.5, 9.5, stands=True)
    assert not is_ahead(11.0, 10.5, stands=True)


def test_floor_ahead_is_due_by_the_early_bound_of_the_forecast() -> None:
    batch = losing(batch_at(HOUR))
    batch.forecast = forecast(6 * HOUR, 5 * HOUR)
    words = of(AlarmId.FLOOR_AHEAD, scene(batch=batch))
    assert (words.by_s, words.figure) == (5 * HOUR, 6 * HOUR)
    assert words.step == HOUR  # a fifth of the five hours left
    batch = losing(batch_at(HOUR))
    batch.forecast = forecast(1.5 * HOUR, 1.4 * HOUR)
    assert of(AlarmId.FLOOR_AHEAD, scene(batch=batch)).step == 900.0


def test_floor_ahead_needs_an_established_leak_and_a_floor_not_yet_passed() -> None:
    for batch, gauge_psi in (
        (losing(batch_at(HOUR), established=False), 60.0),
        (losing(batch_at(HOUR)), 44.0),
    ):
        batch.forecast = forecast(6 * HOUR, 5 * HOUR)
        assert "floor-ahead" not in true_in(scene(gauge_psi, batch=batch))


def test_a_leak_alarm_needs_an_established_leak() -> None:
    assert true_in(scene(batch=losing(batch_at(HOUR)))) == {"leak"}
    assert true_in(scene(batch=losing(batch_at(HOUR), established=False))) == set()
    words = of(AlarmId.LEAK, scene(batch=losing(batch_at(HOUR))))
    assert (words.figure, words.step) == pytest.approx((2.0 * PSI / HOUR, 0.5 * PSI / HOUR))


# -- a supply that hides a leak ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ends_s", "standing", "is_masking"),
    [
        ((7000.0, 8000.0, 9000.0), False, True),
        ((8000.0, 9000.0), False, False),  # at least three
        ((8000.0, 9900.0), True, True),  # two are enough while the alarm is active
        ((9000.0,), True, False),
        ((8000.0, 8800.0, 9790.0), False, False),  # all within half an hour
        ((7980.0, 8800.0, 9790.0), False, True),
        ((1100.0, 8000.0, 9900.0), False, True),  # three hours back from 11,800 s
        ((900.0, 8000.0, 9900.0), False, False),
    ],
)
def test_three_top_ups_in_three_hours_hide_a_leak(
    ends_s: tuple[float, ...], standing: bool, is_masking: bool
) -> None:
    batch = losing(batch_at(11_800.0))
    batch.top_ups = fed_at(*ends_s)
    stands = frozenset({AlarmId.SUPPLY_MASKING}) if standing else frozenset()
    assert ("supply-masking" in true_in(scene(60.0, 11_800.0, batch=batch, standing=stands))) is is_masking


@pytest.mark.parametrize(
    ("low_psi_per_h", "standing", "is_masking"),
    [(0.1, False, True), (-0.1, False, False), (-0.1, True, True)],
)
def test_the_air_a_sound_pot_takes_is_no_masked_leak(
    low_psi_per_h: float, standing: bool, is_masking: bool
) -> None:
    batch = losing(batch_at(11_800.0), low=low_psi_per_h)
    batch.top_ups = fed_at(7000.0, 8000.0, 9000.0)
    stands = frozenset({AlarmId.SUPPLY_MASKING}) if standing else frozenset()
    assert ("supply-masking" in true_in(scene(60.0, 11_800.0, batch=batch, standing=stands))) is is_masking


@pytest.mark.parametrize(
    ("psi_per_h", "standing", "is_masking"),
    [(4.8, False, False), (5.2, False, True), (2.6, True, True), (2.3, True, False)],
)
def test_with_top_ups_too_frequent_to_estimate_five_psi_an_hour_is_a_leak(
    psi_per_h: float, standing: bool, is_masking: bool
) -> None:
    # 5/75 of the absolute working pressure, 74.7 psi, in an hour; half of it while the alarm is active
    batch = batch_at(11_800.0)
    batch.top_ups = [
        TopUp(t_s, t_s, psi_per_h / 12.0 * PSI) for t_s in (11_790.0 - 300.0 * i for i in range(8, -1, -1))
    ]
    stands = frozenset({AlarmId.SUPPLY_MASKING}) if standing else frozenset()
    a_scene = scene(60.0, 11_800.0, batch=batch, standing=stands)
    assert ("supply-masking" in true_in(a_scene)) is is_masking
    if is_masking:
        assert of(AlarmId.SUPPLY_MASKING, a_scene).figure == pytest.approx(psi_per_h * PSI / HOUR, rel=0.01)


def raised(scenes: Iterable[Scene]) -> list[str]:
    book, events = AlarmBook(), []
    for each in scenes:
        events += book.update(each.reading.t_s, None, conditions(each))
    return [
        str(event.alarm) for event in events if event.state is AlarmState.UNACKNOWLEDGED and not event.repeat
    ]


def test_a_leak_the_supply_masks_raises_only_one_alarm() -> None:
    def at(t_s: float) -> Scene:
        batch = losing(batch_at(t_s))
        batch.top_ups = fed_at(7000.0, 8000.0, 9000.0)
        return scene(60.0, t_s, batch=batch)

    assert raised(at(11_000.0 + 10.0 * i) for i in range(60)) == ["supply-masking"]


# -- other alarms ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("since_s", "is_said"), [(60.0, True), (61.0, False)])
def test_vented_early_is_raised_for_a_minute(since_s: float, is_said: bool) -> None:
    early = scene(0.0, stage=Stage.OPEN, vented_early_s=HOUR - since_s)
    assert ("vented-early" in true_in(early)) is is_said


def test_stopped_readings_and_missing_thermometers_raise_their_alarms() -> None:
    assert true_in(scene(gap_s=120.0)) == {"readings-stopped"}
    assert true_in(scene(missing={Place.WALL: "no reading"})) == {"thermometer"}


def test_an_open_pot_without_a_batch_raises_no_loss() -> None:
    found = conditions(scene(0.0, stage=Stage.OPEN, batch=None, rapid_loss=True))
    for alarm in ("rapid-loss", "below-floor", "floor-ahead", "leak", "slow-to-pressure", "supply-masking"):
        assert found[AlarmId(alarm)] is None


def test_the_leak_text_credits_the_regulator_only_while_it_feeds() -> None:
    def says(gauge_psi: float, supply: Supply, *ends_s: float) -> str | None:
        a_pot = replace(POT, supply=supply)
        batch = losing(batch_at(HOUR, a_pot))
        batch.top_ups = fed_at(*ends_s)
        return of(AlarmId.LEAK, scene(gauge_psi, batch=batch, pot=a_pot)).says

    fed = says(59.0, Supply.REGULATED)
    assert fed == says(54.1, Supply.REGULATED)  # a tenth below the working pressure
    assert fed == says(50.0, Supply.REGULATED, HOUR - 1790.0)
    assert fed != says(53.9, Supply.REGULATED)
    assert fed != says(50.0, Supply.REGULATED, HOUR - 1810.0)
    assert fed != says(59.0, Supply.SHUT)


def test_the_cost_of_a_lost_thermometer_depends_on_its_place() -> None:
    def said(*places: Place) -> str:
        text = of(AlarmId.THERMOMETER, scene(missing=dict.fromkeys(places, "no reading"))).text
        return text.rpartition(";")[2]

    assert said(Place.WALL) == said(Place.GAS) == said(Place.WALL, Place.CONTENTS)
    assert "resin" in said(Place.CONTENTS)
    assert "resin" not in said(Place.WALL)


def test_vented_early_gives_the_progress_of_the_cure_in_percent() -> None:
    early = scene(0.0, 3 * HOUR, stage=Stage.OPEN, vented_early_s=3 * HOUR)
    assert "30 %" in of(AlarmId.VENTED_EARLY, early).text


# -- exactly at a limit ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("alarm", "a_scene", "is_true"),
    [
        (AlarmId.BELOW_FLOOR, scene(45.0), False),
        (AlarmId.SLOW_TO_PRESSURE, scene(57.0, 1700.0, stage=Stage.FILLING), False),
        (AlarmId.BELOW_FLOOR, scene(40.0, stage=Stage.VENTING), False),
        (AlarmId.VENTED_EARLY, scene(0.0, stage=Stage.OPEN, vented_early_s=HOUR, batch=None), False),
        (AlarmId.VENTED_EARLY, scene(0.0, stage=Stage.OPEN, vented_early_s=HOUR), True),
        (AlarmId.RAPID_LOSS, scene(50.0, 10 * HOUR - 1.0, rapid_loss=True), True),
        (AlarmId.RAPID_LOSS, scene(50.0, 10 * HOUR, rapid_loss=True), False),  # the cure is done
        (AlarmId.READINGS_STOPPED, scene(gap_s=0.0), False),
    ],
)
def test_each_limit_is_kept_to_the_last_figure(alarm: AlarmId, a_scene: Scene, is_true: bool) -> None:
    assert (str(alarm) in true_in(a_scene)) is is_true


def test_a_floor_exactly_reached_is_still_ahead() -> None:
    batch = losing(batch_at(HOUR))
    batch.forecast = forecast(6 * HOUR, 5 * HOUR)
    assert "floor-ahead" in true_in(scene(45.0, batch=batch))


@pytest.mark.parametrize(("earliest_h", "is_ahead"), [(9.99, True), (10.0, False)])
def test_floor_ahead_clears_as_its_early_bound_reaches_the_end_of_the_cure(
    earliest_h: float, is_ahead: bool
) -> None:
    batch = losing(batch_at(HOUR))
    batch.forecast = forecast(10.5 * HOUR, earliest_h * HOUR)
    stands = frozenset({AlarmId.FLOOR_AHEAD})
    assert ("floor-ahead" in true_in(scene(batch=batch, standing=stands))) is is_ahead


@pytest.mark.parametrize(("left_s", "is_too_late"), [(299.0, True), (300.0, False)])
def test_a_top_up_takes_five_minutes(left_s: float, is_too_late: bool) -> None:
    words = of(AlarmId.BELOW_FLOOR, scene(40.0, 10 * HOUR - left_s))
    assert (words.do == "Nothing to do before venting; then inspect the cast") is is_too_late
    assert (words.do == "Top up to 60.0 psi now") is not is_too_late


@pytest.mark.parametrize(
    ("ends_s", "is_masking"),
    [
        ((1000.0, 8000.0, 9900.0), False),  # the first was exactly three hours ago
        ((1001.0, 8000.0, 9900.0), True),
        ((8000.0, 8800.0, 9800.0), True),  # spread over exactly half an hour
        ((8000.0, 8800.0, 9799.0), False),
    ],
)
def test_top_ups_exactly_three_hours_old_no_longer_count(ends_s: tuple[float, ...], is_masking: bool) -> None:
    batch = losing(batch_at(11_800.0))
    batch.top_ups = fed_at(*ends_s)
    assert ("supply-masking" in true_in(scene(60.0, 11_800.0, batch=batch))) is is_masking


@pytest.mark.parametrize(("value", "low", "stands"), [(1.0, 0.0, False), (0.0, -1.0, True)])
def test_a_rate_of_nothing_hides_no_leak(value: float, low: float, stands: bool) -> None:
    batch = losing(batch_at(11_800.0), value, low)
    batch.top_ups = fed_at(7000.0, 8000.0, 9000.0)
    standing = frozenset({AlarmId.SUPPLY_MASKING}) if stands else frozenset()
    assert "supply-masking" not in true_in(scene(60.0, 11_800.0, batch=batch, standing=standing))


def test_top_ups_without_any_estimate_hide_no_leak() -> None:
    batch = batch_at(11_800.0)
    batch.top_ups = fed_at(7000.0, 8000.0, 9000.0)
    assert "supply-masking" not in true_in(scene(60.0, 11_800.0, batch=batch))


# -- what is known in each stage ---------------------------------------------------------------------

WITHOUT_A_PRESSURE = {"pressure-sensor", "readings-stopped", "thermometer", "vented-early"}
OF_A_LOSS = {"rapid-loss", "below-floor", "floor-ahead", "leak"}
ALL = WITHOUT_A_PRESSURE | OF_A_LOSS | {"over-pressure", "slow-to-pressure", "supply-masking"}


@pytest.mark.parametrize(
    ("a_scene", "known"),
    [
        (scene(), ALL),
        (scene(batch=None), ALL),
        (scene(stage=Stage.VENTING), WITHOUT_A_PRESSURE | {"over-pressure", "slow-to-pressure"}),
        (scene(pressure_fault="stuck"), WITHOUT_A_PRESSURE | {"over-pressure"}),
        (scene(None), WITHOUT_A_PRESSURE),
        (scene(t_s=10 * HOUR), ALL),
        (scene(None, 10 * HOUR), WITHOUT_A_PRESSURE | {"below-floor", "floor-ahead"}),
    ],
)
def test_an_alarm_that_cannot_be_judged_is_unknown(a_scene: Scene, known: set[str]) -> None:
    assert {str(alarm) for alarm in conditions(a_scene)} == known


# -- words and the steps that renew them -------------------------------------------------------------


def test_words_are_renewed_with_each_tenth_of_the_working_pressure() -> None:
    for alarm, a_scene, figure_psi, step_psi in (
        (AlarmId.OVER_PRESSURE, scene(81.0), 81.0, 6.0),
        (AlarmId.BELOW_FLOOR, scene(40.0), 40.0, 6.0),
        (AlarmId.RAPID_LOSS, scene(50.0, rapid_loss=True), 50.0, 12.0),  # two of them
    ):
        words = of(alarm, a_scene)
        assert (words.figure, words.step) == pytest.approx((figure_psi * PSI, step_psi * PSI))


def test_the_words_of_a_masked_leak_are_renewed_once_it_grew_by_a_quarter() -> None:
    batch = losing(batch_at(11_800.0))
    batch.top_ups = fed_at(7000.0, 8000.0, 9000.0)
    words = of(AlarmId.SUPPLY_MASKING, scene(60.0, 11_800.0, batch=batch))
    assert (words.figure, words.step) == pytest.approx((2.0 * PSI / HOUR, 0.5 * PSI / HOUR))
    assert "about 2.00 psi/h: 3 in 3 h." in words.text


@pytest.mark.parametrize(("gauge_psi", "is_just"), [(44.96, True), (44.9, False)])
def test_a_pressure_that_reads_like_the_floor_is_just_below_it(gauge_psi: float, is_just: bool) -> None:
    text = of(AlarmId.BELOW_FLOOR, scene(gauge_psi)).text
    assert ("just below the floor of 45.0 psi with 9 h of the cure to go" in text) is is_just
    assert "below the floor of 45.0 psi with 9 h of the cure to go" in text


def test_bubbles_grow_no_further_below_the_pressure_outside() -> None:
    # (74.696 / 14.696)^(1/3) = 1.719
    assert "72 % wider than at 60.0 psi" in of(AlarmId.BELOW_FLOOR, scene(0.0)).text
    assert "72 % wider than at 60.0 psi" in of(AlarmId.BELOW_FLOOR, scene(-3.0)).text


@pytest.mark.parametrize(
    ("t_s", "gel_s", "ends"),
    [
        (HOUR, 4 * HOUR, "than at 60.0 psi."),
        (5 * HOUR, 4 * HOUR, " The resin has gelled: bubbles that have grown may remain."),
        (HOUR, None, " If the resin has gelled, bubbles that have grown may remain."),
        (10 * HOUR - 1.0, 4 * HOUR, " It is too late to top up."),
    ],
)
def test_below_floor_says_what_a_top_up_cannot_put_right(t_s: float, gel_s: float | None, ends: str) -> None:
    assert of(AlarmId.BELOW_FLOOR, scene(40.0, t_s, pot=replace(POT, gel_s=gel_s))).text.endswith(ends)


def test_vented_early_speaks_of_the_gel_only_where_it_is_known() -> None:
    def text(gel_s: float | None) -> str:
        a_pot = replace(POT, gel_s=gel_s)
        return of(AlarmId.VENTED_EARLY, scene(0.0, stage=Stage.OPEN, vented_early_s=HOUR, pot=a_pot)).text

    assert "10 % of the cure, before gel: it was" in text(4 * HOUR)
    assert text(4 * HOUR).endswith("Bubbles grow until the resin gels.")
    assert "10 % of the cure: it was" in text(None)
    assert text(None).endswith("Bubbles grow if the resin has not gelled.")


def test_a_slow_fill_says_where_the_pot_is_and_where_it_should_be() -> None:
    words = of(AlarmId.SLOW_TO_PRESSURE, scene(30.0, 1799.0, stage=Stage.FILLING))
    assert (words.do, words.by_s) == ("Bring the pot to 60.0 psi", 1800.0)
    assert words.text.startswith("It is at 30.0 psi; ")
    words = of(AlarmId.SLOW_TO_PRESSURE, scene(30.0, 1800.0, stage=Stage.FILLING))
    assert (words.do, words.by_s) == ("Fill the pot now, or give up this batch", None)
    assert words.text == "It is at 30.0 psi, and the resin's working time is over."


def test_a_pot_opened_at_mixing_is_slow_until_it_is_filled() -> None:
    batch = batch_at(1700.0)
    assert "slow-to-pressure" not in true_in(scene(30.0, 1700.0, batch=batch))
    del batch.stages[Stage.FILLING]
    assert "slow-to-pressure" in true_in(scene(0.0, 1700.0, stage=Stage.OPEN, batch=batch))


def test_readings_that_are_back_say_how_long_they_were_gone() -> None:
    text = of(AlarmId.READINGS_STOPPED, scene(59.0, gap_s=1200.0)).text
    assert text == "No readings for 20 min; the pot was not monitored. Readings are back, at 59.0 psi."
    assert of(AlarmId.READINGS_STOPPED, scene(None, gap_s=1200.0)).text.endswith("Readings are back.")


def test_lost_thermometers_are_all_named() -> None:
    one = of(AlarmId.THERMOMETER, scene(missing={Place.WALL: "no reading"}))
    assert one.do == "Check plug and cable of the wall thermometer; keep the lid shut"
    assert one.text.startswith("Wall thermometer: no reading. Monitoring continues; ")
    two = of(AlarmId.THERMOMETER, scene(missing={Place.GAS: "stuck", Place.WALL: "no reading"}))
    assert two.do == "Check plug and cable of the gas and wall thermometers; keep the lid shut"
    assert two.text.startswith("Gas thermometer: stuck; wall thermometer: no reading. ")


def ahead(
    crossing_h: float, until_h: float | None = 12.0, earliest_h: float = 5.0, supply: Supply = Supply.SHUT
) -> ConditionWords:
    a_pot = replace(POT, supply=supply)
    batch = losing(batch_at(HOUR, a_pot))
    until_s = None if until_h is None else until_h * HOUR
    batch.forecast = FloorForecast(
        crossing_h * HOUR, earliest_h * HOUR, crossing_h * HOUR + HOUR, crossing_h < 10.0, until_s
    )
    stands = frozenset({AlarmId.FLOOR_AHEAD})
    words = of(AlarmId.FLOOR_AHEAD, scene(batch=batch, pot=a_pot, standing=stands))
    assert batch.words == {AlarmId.FLOOR_AHEAD: words, AlarmId.LEAK: batch.words[AlarmId.LEAK]}
    return words


def test_floor_ahead_says_when_and_what_a_top_up_brings() -> None:
    text = "Losing 2.00 psi/h: falls below 45.0 psi in about 5 h (4 h to 6 h), 4 h before the cure is done."
    assert ahead(6.0).do == "Top up to 60.0 psi"
    assert ahead(6.0).text == f"{text} A top-up now lasts through the cure."
    assert ahead(6.0, 10.0).text == ahead(6.0).text  # exactly as long as the cure
    assert ahead(6.0, None).text == text
    assert ahead(6.0, 9.0).text == f"{text} A top-up now lasts at least for 8 h; top up again by then."
    fed = ahead(6.0, None, supply=Supply.REGULATED)
    assert (fed.do, fed.text) == ("Check the air supply", f"{text} It no longer delivers air.")


@pytest.mark.parametrize(
    ("crossing_h", "order"),
    [
        (9.5, "30 min before the cure is done."),
        (10.0, "close to the end of the cure."),
        (10.5, "close to the end of the cure."),
    ],
)
def test_a_floor_passed_after_the_cure_is_close_to_its_end(crossing_h: float, order: str) -> None:
    assert ahead(crossing_h, None).text.endswith(order)
    same = ahead(crossing_h, None).says == ahead(9.9, None).says
    assert same is (crossing_h < 10.0)


def test_the_meaning_of_a_forecast_includes_how_long_a_top_up_lasts() -> None:
    assert ahead(6.0, 12.0).says == ahead(6.5, 10.0).says
    assert len({ahead(6.0, 12.0).says, ahead(6.0, 9.0).says, ahead(6.0, None).says}) == 3


def test_words_made_for_an_estimate_are_used_until_the_next_one() -> None:
    batch = losing(batch_at(HOUR))
    batch.forecast = forecast(6 * HOUR, 5 * HOUR)
    kept = ConditionWords("kept", "kept")
    batch.words = {AlarmId.FLOOR_AHEAD: kept, AlarmId.LEAK: kept}
    assert of(AlarmId.FLOOR_AHEAD, scene(batch=batch)) is of(AlarmId.LEAK, scene(batch=batch)) is kept


@pytest.mark.parametrize(
    ("gauge_psi", "t_s", "crossing_h", "earliest_h", "borne"),
    [
        (60.0, HOUR, None, 0.0, "This batch will hold"),
        (60.0, HOUR, 11.0, 10.0, "This batch will hold"),
        (60.0, HOUR, 11.0, 9.9, "The pot may fall below the floor before the cure is done"),
        (60.0, HOUR, 9.0, 8.0, "The pot will fall below the floor before the cure is done"),
        (45.0, HOUR, 9.0, 8.0, "The pot will fall below the floor before the cure is done"),
        (44.9, HOUR, 9.0, 8.0, "The pot is below the floor"),
        (44.9, 10 * HOUR, 9.0, 8.0, "The cure is done"),
    ],
)
def test_a_leak_says_what_it_means_for_the_batch(
    gauge_psi: float, t_s: float, crossing_h: float | None, earliest_h: float, borne: str
) -> None:
    batch = losing(batch_at(t_s))
    batch.forecast = None if crossing_h is None else forecast(crossing_h * HOUR, earliest_h * HOUR)
    words = of(AlarmId.LEAK, scene(gauge_psi, t_s, batch=batch))
    assert words.says == borne
    assert words.text.startswith(f"{borne}. Losing 2.00 psi/h (1.50 psi/h to 2.50 psi/h) for about ")
    assert batch.words[AlarmId.LEAK] is words


def test_a_leak_without_an_onset_raises_nothing() -> None:
    batch = losing(batch_at(HOUR))
    assert batch.leak is not None
    batch.leak = replace(batch.leak, onset_s=None)
    assert "leak" not in true_in(scene(batch=batch))
