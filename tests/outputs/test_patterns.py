"""Rhythms of lamp and buzzer: by the standards' figures, and never one rhythm for two meanings."""

import itertools

import pytest

from potvigil.model.events import AlarmId, AlarmState, Priority
from potvigil.outputs import patterns
from potvigil.outputs.patterns import CALLS, Lamp, Rhythm, Show, Standing, show

ONE = frozenset({Lamp.ALARM})
THREE = frozenset(Lamp)
STEP_S = 0.025


def lit_times(shown: Show, lamp: Lamp, seconds: float = 60.0) -> list[bool]:
    return [shown.is_lit(lamp, i * STEP_S) for i in range(round(seconds / STEP_S))]


def flashes_per_minute(rhythm: Rhythm) -> float:
    """Counted, not divided: how often it goes on in ten minutes."""
    on = [rhythm.is_on(i * STEP_S) for i in range(round(600.0 / STEP_S))]
    return sum(not before and after for before, after in itertools.pairwise(on)) / 10.0


def pulses(shown: Show, seconds: float) -> list[tuple[float, float]]:
    """Each sound of the buzzer: when it began and how long it was, s."""
    on = [False, *(shown.sounds((i + 0.5) * STEP_S) for i in range(round(seconds / STEP_S))), False]
    edges = [i * STEP_S for i, (before, after) in enumerate(itertools.pairwise(on)) if before != after]
    return [(begin, end - begin) for begin, end in zip(edges[::2], edges[1::2], strict=True)]


def standing(
    priority: Priority,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    announced_s: float | None = 0.0,
    alarm: AlarmId = AlarmId.LEAK,
) -> Standing:
    return Standing(alarm, priority, state, announced_s if state is AlarmState.UNACKNOWLEDGED else None)


# IEC 60073: slow flashing 24-48, normal flashing 84-168 flashes a minute (by two accounts of the standard).
def test_flash_rates_follow_the_standard() -> None:
    assert 84 <= flashes_per_minute(patterns.QUICK) <= 168
    assert 24 <= flashes_per_minute(patterns.SLOW) <= 48


# IEC 60601-1-8, Table 3 (from memory; the grouping in 3 and 2 as published sound samples of the standard have
# it): bursts of 10 pulses, that is 3 + 2 twice, for high, of 3 for medium, of 1 or 2 for low; between bursts
# 2.5-15 s for high, 2.5-30 s for medium. Pulses of 75-200 ms for high, 125-250 ms for the others.
@pytest.mark.parametrize(
    ("priority", "number", "shortest_s", "longest_s", "pause_s"),
    [
        (Priority.HIGH, 5, 0.075, 0.2, (2.5, 15.0)),
        (Priority.MEDIUM, 3, 0.125, 0.25, (2.5, 30.0)),
        (Priority.LOW, 2, 0.125, 0.25, None),
    ],
)
def test_bursts_differ_by_their_pulses_as_in_the_standard(
    priority: Priority, number: int, shortest_s: float, longest_s: float, pause_s: tuple[float, float] | None
) -> None:
    heard = pulses(show([standing(priority)], ONE, False, 0.0), 200.0)
    bursts = [[heard[0]]]
    for pulse in heard[1:]:
        if pulse[0] - bursts[-1][-1][0] > 2.0:
            bursts.append([])
        bursts[-1].append(pulse)
    assert {len(burst) for burst in bursts} == {number}
    assert all(shortest_s <= length <= longest_s + 1e-9 for _, length in heard)
    if pause_s is None:
        assert len(bursts) == 1
    else:
        pauses = [after[0][0] - sum(before[-1]) for before, after in itertools.pairwise(bursts)]
        assert pauses and all(pause_s[0] <= pause <= pause_s[1] for pause in pauses)


def test_a_high_burst_is_three_pulses_and_two() -> None:
    starts = [begin for begin, _ in pulses(show([standing(Priority.HIGH)], ONE, False, 0.0), 10.0)]
    gaps = [after - before for before, after in itertools.pairwise(starts)]
    assert len(gaps) == 4
    assert gaps.index(max(gaps)) == 2 and max(gaps) > 1.5 * sorted(gaps)[-2]


def test_no_two_meanings_look_alike_on_a_single_lamp() -> None:
    high, low = Priority.HIGH, Priority.LOW
    seen = [
        lit_times(show(alarms, ONE, False, 0.0), Lamp.ALARM)
        for alarms in (
            [],
            [standing(high)],
            [standing(low)],
            [standing(low, AlarmState.RETURNED)],
            [standing(high, AlarmState.ACKNOWLEDGED)],
        )
    ]
    for first, second in itertools.combinations(seen, 2):
        assert first != second


@pytest.mark.parametrize("fitted", [ONE, THREE, frozenset({Lamp.NOTE, Lamp.ALARM})])
@pytest.mark.parametrize("state", [None, *(state for state in AlarmState if state is not AlarmState.NORMAL)])
@pytest.mark.parametrize("priority", list(Priority))
def test_some_lamp_always_moves_within_some_seconds(fitted, state, priority) -> None:
    """So that dark, or lit without a wink, can only mean that no watch is running."""
    shown = show([] if state is None else [standing(priority, state)], fitted, False, 0.0)
    moving = [lamp for lamp in fitted if len(set(lit_times(shown, lamp, 5.0))) == 2]
    assert moving


def test_each_meaning_can_have_its_own_lamp() -> None:
    calm = show([], THREE, False, 0.0)
    both = show([standing(Priority.HIGH), standing(Priority.LOW)], THREE, False, 0.0)
    assert set(calm.lamps) == {Lamp.CALM}
    assert both.lamps == {Lamp.ALARM: patterns.QUICK, Lamp.NOTE: patterns.SLOW}


def test_a_single_lamp_shows_the_most_urgent_alarm() -> None:
    high, low = Priority.HIGH, Priority.LOW
    ack, back = AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
    for alarms, expected in (
        ([standing(low), standing(high)], patterns.QUICK),
        ([standing(high, ack), standing(low)], patterns.SLOW),
        ([standing(high, ack), standing(high, back)], patterns.TWICE),
        ([standing(low, AlarmState.SHELVED)], patterns.LIT),
    ):
        for order in (alarms, alarms[::-1]):
            assert show(order, ONE, False, 0.0).lamps == {Lamp.ALARM: expected}


@pytest.mark.parametrize("fitted", [{Lamp.CALM}, {Lamp.NOTE}, {Lamp.ALARM}, {Lamp.CALM, Lamp.NOTE}])
def test_any_fitted_lamp_shows_a_high_alarm(fitted) -> None:
    shown = show([standing(Priority.HIGH)], fitted, False, 0.0)
    assert list(shown.lamps.values()) == [patterns.QUICK]


def test_the_buzzer_sounds_only_for_unacknowledged_alarms() -> None:
    for state in AlarmState:
        shown = show([standing(Priority.HIGH, state)], ONE, False, 0.0)
        assert (shown.call is not None) == (state is AlarmState.UNACKNOWLEDGED)


def test_an_announcement_ends_on_its_own() -> None:
    high = standing(Priority.HIGH, announced_s=1000.0)
    lasts_s = CALLS[Priority.HIGH].lasts_s
    assert show([high], ONE, False, 1000.0 + lasts_s - 1.0).call is not None
    assert show([high], ONE, False, 1000.0 + lasts_s).call is None
    assert pulses(show([high], ONE, False, 1000.0), 900.0) == []  # nor before it began


def test_the_more_urgent_announcement_is_heard() -> None:
    alarms = [standing(Priority.LOW, announced_s=5.0), standing(Priority.HIGH, announced_s=0.0)]
    for order in (alarms, alarms[::-1]):
        call = show(order, ONE, False, 5.0).call
        assert call is not None and call.priority is Priority.HIGH


def test_quiet_hours_silence_all_but_high_alarms_and_keep_every_lamp() -> None:
    for priority in Priority:
        loud, quiet = (show([standing(priority)], ONE, hush, 0.0) for hush in (False, True))
        assert loud.call is not None
        assert (quiet.call is not None) == (priority is Priority.HIGH)
        assert quiet.lamps == loud.lamps


def test_a_requested_test_sounds_in_quiet_hours() -> None:
    assert show([standing(Priority.LOW, alarm=AlarmId.TEST)], ONE, True, 0.0).call is not None


@pytest.mark.parametrize("rhythm", [patterns.QUICK, patterns.TWICE, patterns.LIT, CALLS[Priority.HIGH].burst])
def test_the_next_edge_is_when_the_signal_changes(rhythm: Rhythm) -> None:
    t_s = 123.456
    for _ in range(50):
        edge_s = rhythm.next_edge_s(t_s)
        assert edge_s > 0.0
        held = {rhythm.is_on(t_s + share * edge_s) for share in (0.0, 0.3, 0.6, 0.999)}
        assert len(held) == 1
        t_s += edge_s + 1e-9
