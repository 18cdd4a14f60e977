"""A thermometer that reads the same for hours in a steady room: air let in or out does not make it stuck."""

from dataclasses import replace
from math import exp

import pytest

from potvigil.model.events import AlarmEvent, AlarmId, BatchClosed, Verdict
from potvigil.model.reading import Place, Sample
from potvigil.watch.pot_watch import PotWatch
from shut_pot import PSI, night, pot

HOURS, VENT_S, TOP_UP_S = 6.5, 6.0 * 3600.0, 4.0 * 3600.0


def vented(t_s: float) -> float:
    return 0.0 if t_s < VENT_S else -60.0 * PSI * (1.0 - exp(-(t_s - VENT_S) / 5.0))


def topped_up(t_s: float) -> float:
    return vented(t_s) + (3.0 * PSI if TOP_UP_S < t_s < VENT_S else 0.0)


@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_the_vent_of_a_sound_batch_does_not_make_its_thermometer_stuck(step_s: float) -> None:
    watch = PotWatch(pot(hold_s=5 * 3600.0))
    closed = [
        event
        for sample in night(HOURS, step_s=step_s, gauge_also=vented)
        for event in watch.feed(sample)
        if isinstance(event, BatchClosed)
    ]
    assert [each.summary.verdict for each in closed] == [Verdict.HELD]
    assert watch.taught() is not None  # no reading was doubted


def test_a_top_up_does_not_make_a_thermometer_stuck() -> None:
    watch = PotWatch(pot(hold_s=8 * 3600.0))
    alarms = {
        event.alarm
        for sample in night(6.0, step_s=5.0, gauge_also=topped_up)
        for event in watch.feed(sample)
        if isinstance(event, AlarmEvent)
    }
    assert AlarmId.THERMOMETER not in alarms


def warmed_by_resin(t_s: float) -> float:
    """The hump of a resin that cures in an hour or two: half a psi up, then down again."""
    return vented(t_s) + 0.5 * PSI * exp(-(((t_s - 3.0 * 3600.0) / 3600.0) ** 2))


@pytest.mark.parametrize("place", [Place.WALL, Place.ROOM])
def test_resin_warming_the_gas_does_not_make_a_steady_wall_thermometer_stuck(place: Place) -> None:
    watch = PotWatch(pot(hold_s=8 * 3600.0, thermometers=frozenset({place})))
    events = [
        event
        for sample in night(5.5, step_s=5.0, gauge_also=warmed_by_resin)
        for event in watch.feed(at(place, sample))
    ]
    assert [event.alarm for event in events if isinstance(event, AlarmEvent)] == []


def at(place: Place, sample: Sample) -> Sample:
    """The sample with its thermometer at another place."""
    return replace(sample, gas_c=None, **{f"{place}_c": sample.gas_c})
