"""What must hold on any night: properties over generated swings of temperature, barometer and leak."""

from itertools import islice

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.model.events import AlarmEvent, AlarmId, BatchClosed, Event, LeakEstimate, Snapshot
from potvigil.model.reading import Sample
from potvigil.watch.pot_watch import PotWatch
from shut_pot import ATMOSPHERE_PA, PSI, SHUT_S, Swing, night, pot

HOUR = 3600.0
PSI_PER_H = 1.0 / 74.696 / HOUR  # of the air at 60 psig, 1/s

seeds = st.integers(0, 10_000)
temperatures = st.builds(
    Swing,
    mean=st.floats(8.0, 30.0),
    size=st.floats(0.0, 10.0),
    period_s=st.floats(8 * HOUR, 24 * HOUR),
    phase=st.floats(0.0, 1.0),
)
weathers = st.builds(
    Swing,
    mean=st.floats(97_000.0, 103_000.0),
    size=st.floats(0.0, 1500.0),
    period_s=st.floats(6 * HOUR, 48 * HOUR),
    phase=st.floats(0.0, 1.0),
)


def few(examples: int) -> settings:
    return settings(max_examples=examples, derandomize=True, deadline=None, database=None)


def watched(samples: list[Sample]) -> tuple[PotWatch, list[Event]]:
    watch = PotWatch(pot())
    return watch, [event for sample in samples for event in watch.feed(sample)]


def leak_of(watch: PotWatch) -> LeakEstimate:
    leak = watch.snapshot().leak
    assert leak is not None
    return leak


@few(6)
@given(celsius=temperatures, ambient_pa=weathers, seed=seeds, hours=st.integers(6, 10))
def test_a_sound_pot_is_never_called_leaking(
    celsius: Swing, ambient_pa: Swing, seed: int, hours: int
) -> None:
    watch = PotWatch(pot())
    for sample in night(hours, celsius=celsius, ambient_pa=ambient_pa, seed=seed):
        assert [each for each in watch.feed(sample) if isinstance(each, AlarmEvent)] == []
        leak = watch.snapshot().leak if sample.t_s % 300.0 == 0.0 else None
        assert leak is None or not leak.established
    assert leak_of(watch).rate_pa_per_s.low <= 0.0 <= leak_of(watch).rate_pa_per_s.high


@few(4)
@given(celsius=temperatures, ambient_pa=weathers, seed=seeds, psi_per_h=st.floats(0.1, 4.0))
def test_doubling_the_leak_never_lowers_the_rate(
    celsius: Swing, ambient_pa: Swing, seed: int, psi_per_h: float
) -> None:
    rates = []
    for times in (1.0, 2.0):
        samples = night(
            3, celsius=celsius, ambient_pa=ambient_pa, seed=seed, rate_per_s=times * psi_per_h * PSI_PER_H
        )
        rates.append(leak_of(watched(list(samples))[0]).rate_pa_per_s.value)
    assert rates[1] > rates[0]


@few(6)
@given(celsius=temperatures, ambient_pa=weathers, seed=seeds, onset_h=st.floats(0.5, 3.0))
def test_a_leak_of_one_and_a_half_psi_an_hour_is_found_by_its_size_and_onset(
    celsius: Swing, ambient_pa: Swing, seed: int, onset_h: float
) -> None:
    onset_s = SHUT_S + onset_h * HOUR
    rate_per_s = 1.5 * PSI_PER_H
    samples = list(
        night(
            onset_h + 3,
            celsius=celsius,
            ambient_pa=ambient_pa,
            seed=seed,
            rate_per_s=rate_per_s,
            onset_s=onset_s,
        )
    )
    watch, events = watched(samples)
    leak, reading = leak_of(watch), watch.snapshot().reading
    assert leak.established
    assert reading.absolute_pa is not None
    assert leak.rate_pa_per_s.value == pytest.approx(rate_per_s * reading.absolute_pa, rel=0.15)
    assert leak.onset_s is not None
    assert leak.onset_s.value == pytest.approx(onset_s, abs=1800.0)
    raised_s = [each.t_s for each in events if isinstance(each, AlarmEvent)]
    assert raised_s
    assert onset_s < raised_s[0] < onset_s + HOUR


@few(3)
@given(celsius=temperatures, ambient_pa=weathers, seed=seeds, psi_per_h=st.sampled_from([0.0, 2.0, 12.0]))
def test_replay_gives_the_same_events(celsius: Swing, ambient_pa: Swing, seed: int, psi_per_h: float) -> None:
    samples = list(
        night(4, celsius=celsius, ambient_pa=ambient_pa, seed=seed, rate_per_s=psi_per_h * PSI_PER_H)
    )
    first, first_events = watched(samples)
    again, again_events = watched(samples)
    assert first_events == again_events
    assert first.snapshot() == again.snapshot()
    assert first.summary() == again.summary()


@few(5)
@given(ambient_pa=weathers, seed=seeds, cut=st.integers(50, 700), psi_per_h=st.sampled_from([0.0, 12.0]))
def test_catching_up_after_a_restart_matches_an_uninterrupted_watch(
    ambient_pa: Swing, seed: int, cut: int, psi_per_h: float
) -> None:
    samples = list(night(2, ambient_pa=ambient_pa, seed=seed, rate_per_s=psi_per_h * PSI_PER_H))
    live, restarted = PotWatch(pot()), PotWatch(pot())
    events: list[Event] = []
    seen: list[Snapshot] = []
    for sample in samples:
        events += live.feed(sample)
        seen.append(live.snapshot())  # taking a snapshot changes nothing
    caught_up = [event for sample in islice(samples, cut) for event in restarted.feed(sample)]
    assert restarted.snapshot() == seen[cut - 1]
    caught_up += [event for sample in samples[cut:] for event in restarted.feed(sample)]
    assert caught_up == events
    assert restarted.snapshot() == seen[-1]


@few(2)
@given(celsius=temperatures, seed=seeds)
def test_the_origin_of_the_time_axis_does_not_matter(celsius: Swing, seed: int) -> None:
    # boot time may begin anywhere: the axis has no origin
    samples = list(night(2, celsius=celsius, seed=seed, rate_per_s=3.0 * PSI_PER_H, utc_s=None))
    _, events = watched(samples)
    shift_s = 65_536.0
    moved = [
        Sample(s.t_s + shift_s, None, gauge_pa=s.gauge_pa, gas_c=s.gas_c, ambient_pa=s.ambient_pa)
        for s in samples
    ]
    _, moved_events = watched(moved)
    assert [type(each) for each in events] == [type(each) for each in moved_events]
    assert [each.t_s + shift_s for each in events] == [each.t_s for each in moved_events]


def test_the_gas_law_uses_absolute_pressure_not_gauge() -> None:
    # at 60 psig a kelvin moves the gauge by 0.255 psi; with the gauge in the ratio it would be 0.205, and a
    # cooling of 10 K would leave half a psi that looks like a leak
    cooling = Swing(16.0, 10.0, 20 * HOUR, 0.0)  # 21 C down to 11 C in ten hours
    watch, events = watched(list(night(10, celsius=cooling)))
    snapshot, summary = watch.snapshot(), watch.summary()
    assert summary is not None and summary.hold_start_gauge_pa is not None
    assert snapshot.reading.gauge_pa is not None and snapshot.corrected_gauge_pa is not None
    fell_psi = (summary.hold_start_gauge_pa - snapshot.reading.gauge_pa) / PSI
    assert fell_psi == pytest.approx(2.55, abs=0.15)
    assert snapshot.corrected_gauge_pa == pytest.approx(summary.hold_start_gauge_pa, abs=0.12 * PSI)
    assert not any(isinstance(each, AlarmEvent) for each in events)
    assert snapshot.change is not None
    assert snapshot.change.cooling_pa / PSI == pytest.approx(-fell_psi, abs=0.15)
    assert abs(snapshot.change.leak_pa) < 0.15 * PSI


def test_a_barometer_change_is_not_a_leak() -> None:
    # 1500 Pa up outside is 0.22 psi down on the gauge
    rising = Swing(ATMOSPHERE_PA, 1500.0, 16 * HOUR, 0.5)
    watch, events = watched(list(night(8, ambient_pa=rising)))
    change = watch.snapshot().change
    assert change is not None
    assert change.barometer_pa == pytest.approx(-1500.0, abs=30.0)
    assert abs(change.leak_pa) < 0.1 * PSI
    assert not any(isinstance(each, AlarmEvent) for each in events)


def test_floor_ahead_is_raised_before_the_floor_is_passed() -> None:
    samples = list(night(6, rate_per_s=4.0 * PSI_PER_H))
    _, events = watched(samples)
    raised = {
        each.alarm: each.t_s for each in reversed(events) if isinstance(each, AlarmEvent) and not each.repeat
    }
    assert raised[AlarmId.FLOOR_AHEAD] < SHUT_S + HOUR
    assert raised[AlarmId.BELOW_FLOOR] > SHUT_S + 3.5 * HOUR
    assert not any(isinstance(each, BatchClosed) for each in events)
