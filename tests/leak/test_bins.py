"""Bins of a thermometer that reads in coarse steps, and what the watch makes of them."""

from dataclasses import replace

import pytest

from potvigil.leak.bins import STEPS_K, BinSum, ThermometerSteps
from potvigil.model.events import AlarmEvent, AlarmId
from potvigil.model.reading import Place, Quality, Reading, Sample
from potvigil.watch.pot_watch import PotWatch
from shut_pot import Swing, night, pot

KELVIN = 273.15


def hidden_k2(celsius: list[float]) -> list[float]:
    """The variance hidden in each of several means, one reading each."""
    steps, found = ThermometerSteps(), []
    for each in celsius:
        steps.take(each + KELVIN)
        found.append(steps.hidden_k2(each + KELVIN))
    return found


@pytest.mark.parametrize(
    ("celsius", "step_k"),
    [
        ([20.0, 21.0], 1.0),
        ([(68.0 - 32.0) / 1.8, (69.0 - 32.0) / 1.8], 5.0 / 9.0),  # whole degrees Fahrenheit
        ([20.0, 20.5], 0.5),
        ([20.0, 20.75], 0.25),
        ([20.0, 20.2], 0.2),
        ([20.0, 20.125], 0.125),
        ([20.0, 20.1], 0.1),
    ],
)
def test_the_step_is_the_coarsest_that_all_readings_fit(celsius, step_k):
    # an even spread over a step has a variance of a twelfth of its square
    assert hidden_k2(celsius)[-1] == pytest.approx(step_k**2 / 12.0)
    assert step_k in STEPS_K


@pytest.mark.parametrize("celsius", [[20.0625], [20.01], [20.0, 20.0625], [19.987654], [20.0] * 9])
def test_fine_steps_and_a_constant_value_hide_nothing(celsius):
    assert hidden_k2(celsius)[-1] == 0.0


def test_repeated_equal_means_add_no_information():
    one = 0.5**2 / 12.0
    assert hidden_k2([20.0, *[20.5] * 4, 20.0, 20.0, 20.5]) == pytest.approx(
        [0.0, one, 2 * one, 3 * one, 4 * one, one, 2 * one, one]
    )


def test_bins_carry_the_hidden_variance_also_after_a_drop():
    sums, bins = BinSum(20.0), []
    for i in range(30):
        kelvin = 293.65 if i % 2 else 293.15  # 20.5 and 20.0 C
        read = Reading(10.0 * i, None, 4e5, 5e5, 1e5, None, kelvin, 290.1234, Quality.GOOD)
        if (done := sums.take(read, 5e5, 100.0)) is not None:
            bins.append(done)
        if i == 20:
            sums.drop()
    assert [set(each.steps_k2) for each in bins] == [{Place.WALL}] * len(bins)
    assert bins[-1].steps_k2[Place.WALL] == pytest.approx(len(bins) * 0.5**2 / 12.0)


def coarse(sample: Sample, step_c: float, place: Place = Place.GAS) -> Sample:
    """The sample with its thermometer at that place, rounded to the step."""
    celsius = round((sample.gas_c or 0.0) / step_c) * step_c
    return replace(sample, **({"gas_c": None} | {f"{place}_c": celsius}))


@pytest.mark.parametrize("step_c", [0.5, 0.25, 0.1])
@pytest.mark.parametrize("hours_a_swing", [5.0, 9.0])
def test_a_sound_pot_with_a_coarse_thermometer_raises_no_alarm(step_c, hours_a_swing):
    swing = Swing(20.0, 4.0, hours_a_swing * 3600.0)
    watch = PotWatch(pot())
    alarms = [
        (event.alarm, round(event.t_s / 3600.0, 1))
        for each in night(9.0, celsius=swing)
        for event in watch.feed(coarse(each, step_c))
        if isinstance(event, AlarmEvent)
    ]
    assert alarms == []


def test_a_coarse_thermometer_still_finds_a_leak():
    onset_s = 4.0 * 3600.0
    leak = 1.5 / 75.0 / 3600.0
    watch = PotWatch(pot())
    told = next(
        event.t_s
        for each in night(8.0, celsius=Swing(20.0, 2.0, 9 * 3600.0), rate_per_s=leak, onset_s=onset_s)
        for event in watch.feed(coarse(each, 0.5))
        if isinstance(event, AlarmEvent) and event.alarm is AlarmId.LEAK
    )
    assert onset_s < told < onset_s + 3000.0
