"""How a batch starts and ends: opened at mixing before any pressure, vented at any sample period."""

import re
from collections.abc import Iterator
from dataclasses import replace
from random import Random

import pytest

from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchSummary,
    Command,
    Event,
    Stage,
    StageEvent,
)
from potvigil.model.pot import Supply
from potvigil.model.reading import Sample
from potvigil.watch.pot_watch import PotWatch
from shut_pot import ATMOSPHERE_PA, PSI, UTC_S, pot

HOUR = 3600.0
LOSS_PSI_PER_H = 1.5


def night(
    step_s: float, vent_s: float, seed: int, loss_psi_per_h: float = LOSS_PSI_PER_H
) -> Iterator[Sample]:
    """A two-minute fill after the first minute; a vent through a valve at `vent_s`; ten minutes open."""
    random = Random(seed)
    for i in range(int((vent_s + 600.0) / step_s)):
        t_s = i * step_s
        psi = min(max((t_s - 60.0) / 2.0, 0.0), 60.0) - loss_psi_per_h * max(t_s - 180.0, 0.0) / HOUR
        if t_s >= vent_s:
            psi *= 0.9 ** (t_s - vent_s)  # two thirds in 10 s
        pa = psi * PSI + random.gauss(0.0, 0.03 * PSI)
        yield Sample(t_s, UTC_S + t_s, gauge_pa=pa, gas_c=20.0, ambient_pa=ATMOSPHERE_PA)


def watched(samples: Iterator[Sample], **settings: object) -> list[Event]:
    watch = PotWatch(pot(hold_s=2 * HOUR, **settings))
    return [event for sample in samples for event in watch.feed(sample)]


def judged(events: list[Event]) -> BatchSummary:
    (summary,) = (event.summary for event in events if isinstance(event, BatchClosed))
    return summary


def raised(events: list[Event]) -> set[AlarmId]:
    alarms = [event for event in events if isinstance(event, AlarmEvent)]
    return {event.alarm for event in alarms if event.state is AlarmState.UNACKNOWLEDGED}


@pytest.mark.parametrize(
    ("step_s", "after_the_bin_began_s"),
    [(0.5, 13.0), (1.0, 4.0), (1.0, 18.5), (2.0, 1.0), (5.0, 9.0), (5.0, 18.5)]
    + [(10.0, after_s) for after_s in (1.0, 4.0, 9.0, 13.0, 18.5)],
)
def test_the_last_estimate_leaves_out_the_vent(step_s, after_the_bin_began_s):
    summary = judged(watched(night(step_s, 2.2 * HOUR + after_the_bin_began_s, seed=3)))
    rate = summary.leak.rate_pa_per_s
    per_h = PSI / HOUR
    # each period and second draws other noise: within three standard errors
    assert abs(rate.value - LOSS_PSI_PER_H * per_h) < 1.5 * (rate.high - rate.low) / 2.0
    assert rate.high - rate.low < 0.2 * LOSS_PSI_PER_H * per_h
    assert summary.change.leak_pa == pytest.approx(
        -(summary.hold_end_s - summary.hold_start_s) * LOSS_PSI_PER_H * per_h, rel=0.05
    )


@pytest.mark.parametrize("step_s", [0.5, 1.0, 5.0, 10.0])
def test_a_vent_is_recognised_at_any_sample_period(step_s):
    events = watched(night(step_s, 2.2 * HOUR, seed=4, loss_psi_per_h=0.0))
    stages = [event.stage for event in events if isinstance(event, StageEvent)]
    assert stages == [Stage.FILLING, Stage.SETTLING, Stage.HOLDING, Stage.VENTING, Stage.OPEN]
    assert raised(events) == set()


def opened_at_mixing(fill_s: float, until_s: float, **settings: object) -> list[Event]:
    """A batch opened by hand after a minute, the pot filled at `fill_s`."""
    watch = PotWatch(pot(hold_s=2 * HOUR, **settings))
    random, events = Random(5), []
    for i in range(int(until_s / 2.0)):
        t_s = i * 2.0
        if t_s == 60.0:
            events += watch.handle(Command(Action.OPEN, t_s, by="anna"))
        psi = min(max((t_s - fill_s) / 2.0, 0.0), 60.0)
        pa = psi * PSI + random.gauss(0.0, 0.03 * PSI)
        events += watch.feed(Sample(t_s, UTC_S + t_s, gauge_pa=pa, gas_c=20.0, ambient_pa=ATMOSPHERE_PA))
    return events


def test_a_batch_opened_at_mixing_is_not_below_floor_before_its_first_fill():
    assert raised(opened_at_mixing(fill_s=900.0, until_s=1800.0)) == set()


def test_an_unfilled_batch_opened_at_mixing_raises_slow_fill_before_the_resin_thickens():
    events = opened_at_mixing(fill_s=1e9, until_s=1700.0, gel_s=HOUR, working_time_s=1800.0)
    (alarm,) = (event for event in events if isinstance(event, AlarmEvent) and not event.repeat)
    assert alarm.alarm is AlarmId.SLOW_TO_PRESSURE
    assert 60.0 + 0.7 * 1800.0 < alarm.t_s < 60.0 + 1800.0
    assert "It is at 0.0 psi" in alarm.text


def test_the_leak_text_follows_the_batch_past_floor_and_cure():
    """Losing 12 psi/h for two hours: the floor is passed, then the cure ends; the pot no longer holds."""
    watch, texts = PotWatch(pot(hold_s=1.5 * HOUR)), {}
    for sample in night(5.0, 2.4 * HOUR, seed=6, loss_psi_per_h=12.0):
        for event in watch.feed(sample):
            if isinstance(event, AlarmEvent) and event.alarm is AlarmId.LEAK:
                texts[event.t_s] = event.text
    assert texts
    assert not any("will hold" in text for text in texts.values())
    assert all("may be passed" in text for t_s, text in texts.items() if t_s < 1.5 * HOUR)
    assert all("The cure is done" in text for t_s, text in texts.items() if t_s > 1.6 * HOUR)


@pytest.mark.parametrize("supply", Supply)
@pytest.mark.parametrize(
    ("loss_psi_per_h", "band_psi"),
    [(3.0, 0.5), (15.0, 0.5), (30.0, 0.5), (30.0, 2.0), (60.0, 0.5), (60.0, 2.0)],
)
def test_frequent_top_ups_do_not_hide_a_leak(supply: Supply, loss_psi_per_h: float, band_psi: float) -> None:
    """Fed by a compressor's switch with that hysteresis; common practice: 0.3 psi a second."""
    watch, random, psi, feeds = PotWatch(pot(hold_s=8 * HOUR, supply=supply)), Random(3), 0.0, False
    for t_s in range(int(1.2 * HOUR)):
        if t_s < 180:
            psi = 60.0 * max(t_s - 60, 0) / 120.0
        else:
            psi += -loss_psi_per_h / HOUR + (0.3 if feeds else 0.0)
            feeds = psi < 60.0 if feeds else psi < 60.0 - band_psi
        shown_pa = (psi + random.gauss(0.0, 0.03)) * PSI
        watch.feed(Sample(float(t_s), UTC_S + t_s, gauge_pa=shown_pa, gas_c=20.0, ambient_pa=ATMOSPHERE_PA))
    (masking,) = [each for each in watch.snapshot().alarms if each.alarm is AlarmId.SUPPLY_MASKING]
    said = float(re.search(r"([\d.]+) psi/h", masking.text)[1])
    assert said == pytest.approx(loss_psi_per_h, rel=0.2)
    assert masking.do == "Check that the air supply lasts the night"


@pytest.mark.parametrize("feeds", [True, False])
def test_a_regulator_without_air_does_not_silence_floor_ahead(feeds):
    """Losing 6 psi/h from the start; the regulator feeds back each half psi lost, or nothing."""
    watch, texts = PotWatch(pot(hold_s=8 * HOUR, supply=Supply.REGULATED)), {}
    for sample in night(5.0, 2.2 * HOUR, seed=6, loss_psi_per_h=6.0):
        fed_psi = 0.5 * int((60.0 - sample.gauge_pa / PSI) / 0.5) if feeds and sample.t_s > 600.0 else 0.0
        sample = replace(sample, gauge_pa=sample.gauge_pa + max(fed_psi, 0.0) * PSI)
        for event in watch.feed(sample):
            if isinstance(event, AlarmEvent) and not event.repeat and event.state == "unacknowledged":
                texts[event.alarm] = event.text
    if feeds:
        assert AlarmId.FLOOR_AHEAD not in texts
        assert AlarmId.SUPPLY_MASKING in texts or "The supply makes up for the leak" in texts[AlarmId.LEAK]
    else:
        assert "It no longer delivers air" in texts[AlarmId.FLOOR_AHEAD]
        assert (
            "The supply makes up for the leak" in texts[AlarmId.LEAK]
        )  # said earlier, while the gauge was at 59 psi
