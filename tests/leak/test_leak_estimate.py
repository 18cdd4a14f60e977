"""The leak estimate over whole holds: heat, age, volume, and the parts of a fall."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from math import exp

import pytest

from potvigil.model.events import AlarmEvent, AlarmId, Interval, Snapshot
from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Sample
from potvigil.watch.pot_watch import PotWatch
from shut_pot import FILL_FROM_S, PSI, SHUT_S, air_pa, night, pot

HOUR = 3600.0
LOSS = {AlarmId.LEAK, AlarmId.FLOOR_AHEAD}


def watch(samples: Iterable[Sample], of: Pot) -> tuple[Snapshot, set[AlarmId]]:
    potwatch = PotWatch(of)
    raised = {
        event.alarm for sample in samples for event in potwatch.feed(sample) if isinstance(event, AlarmEvent)
    }
    return potwatch.snapshot(), raised


def warmed(samples: Iterable[Sample], kelvin: Callable[[float], float]) -> Iterator[Sample]:
    """Warm the gas, but not the wall's thermometer, by `kelvin` of the time since the fill."""
    for sample in samples:
        absolute_pa = (sample.gauge_pa or 0.0) + (sample.ambient_pa or 0.0)
        shut_s = sample.t_s - SHUT_S
        warmer_pa = absolute_pa * (1.0 + kelvin(shut_s) / 293.15) if shut_s > 0.0 else absolute_pa
        gauge_pa = warmer_pa - (sample.ambient_pa or 0.0)
        wall_c = 20.0 + 0.0625 * (int(sample.t_s / 600.0) % 2)  # a probe that never moves is doubted
        yield replace(sample, gauge_pa=gauge_pa, gas_c=None, wall_c=wall_c)


def hump(t_s: float) -> float:
    """Resin heat: three kelvin, an hour and a half after the fill."""
    return 3.0 * exp(-0.5 * ((t_s - 1.5 * HOUR) / 1500.0) ** 2)


ON_THE_WALL = pot(thermometers=frozenset({Place.WALL}))


def test_passing_heat_is_not_a_leak() -> None:
    snapshot, raised = watch(warmed(night(8.0), hump), ON_THE_WALL)
    assert not raised & LOSS
    assert snapshot.leak is not None
    assert snapshot.leak.rate_pa_per_s.low <= 0.0 <= snapshot.leak.rate_pa_per_s.high


def test_a_fall_beyond_what_heat_added_is_a_leak() -> None:
    # half a kelvin up, nine down: by Gay-Lussac's law 3 % of the air is missing, and with its wall at 20 C no
    # pot holds so cold a mould
    def kelvin(t_s: float) -> float:
        return 0.5 * exp(-0.5 * ((t_s - 1.5 * HOUR) / 1500.0) ** 2) - 9.0 * min(
            max((t_s / HOUR - 4.0) / 3.0, 0.0), 1.0
        )

    _, raised = watch(warmed(night(6.0), kelvin), ON_THE_WALL)
    assert raised & LOSS


def test_a_leak_present_from_the_hold_may_date_from_the_fill() -> None:
    snapshot, _ = watch(night(4.0, rate_per_s=1.0 / 75.0 / HOUR), pot())
    leak = snapshot.leak
    assert leak is not None and leak.onset_s is not None
    assert leak.onset_s.low <= FILL_FROM_S + 30.0
    late, _ = watch(night(6.0, rate_per_s=1.0 / 75.0 / HOUR, onset_s=3.0 * HOUR), pot())
    assert late.leak is not None and late.leak.onset_s is not None
    assert late.leak.onset_s.low <= 3.0 * HOUR <= late.leak.onset_s.high


@pytest.mark.parametrize("rate_psi_per_h", [0.0, 1.0])
def test_an_unknown_volume_widens_the_flow_interval_but_not_the_rate(rate_psi_per_h: float) -> None:
    def of(**changes: object) -> Snapshot:
        return watch(night(5.0, rate_per_s=rate_psi_per_h / 75.0 / HOUR), pot(**changes))[0]

    known, unknown = of().leak, of(contents_volume_m3=None).leak
    assert known is not None and unknown is not None
    assert known.rate_pa_per_s == unknown.rate_pa_per_s
    for leak in (known, unknown):
        flow, rate = leak.pa_m3_per_s, leak.rate_pa_per_s
        assert flow.low <= flow.value <= flow.high
        # a flow is no more certain than the rate it is computed from
        assert (flow.high - flow.low) * abs(rate.value) >= (rate.high - rate.low) * abs(flow.value) * 0.999999
    if rate_psi_per_h:
        spread = [
            (leak.pa_m3_per_s.high - leak.pa_m3_per_s.low) / leak.pa_m3_per_s.value
            for leak in (known, unknown)
        ]
        assert spread[1] > 1.3 * spread[0]
        # p V / t at the end: 17 L of the 20 are gas
        assert known.pa_m3_per_s.value == pytest.approx(known.rate_pa_per_s.value * 0.017, rel=1e-9)


def test_air_uptake_counts_as_a_leak_only_in_an_empty_pot() -> None:
    # 0.15 % in the first hours is what a mould takes up (common practice); an empty pot takes up nothing
    def taken_up(t_s: float) -> float:
        return -0.0015 * 293.15 * (1.0 - exp(-t_s / (2.0 * HOUR)))

    def rate(litres: float) -> Interval:
        samples = [replace(each, gas_c=20.0) for each in warmed(night(4.0), taken_up)]
        leak = watch(samples, pot(contents_volume_m3=1e-3 * litres))[0].leak
        assert leak is not None
        return leak.rate_pa_per_s

    with_mould, empty = rate(3.0), rate(0.0)
    assert with_mould.low <= 0.0 <= with_mould.high
    assert empty.value > 2.0 * abs(with_mould.value)
    assert empty.high - empty.low < with_mould.high - with_mould.low


def test_the_loss_equals_the_missing_air() -> None:
    # against the air itself: 293.15 K and CoolProp's virial coefficient, 2 h at 1.5 psi/h at first
    rate_per_s = 1.5 / 75.0 / HOUR
    samples = list(night(6.0, rate_per_s=rate_per_s, onset_s=4.0 * HOUR))
    snapshot, _ = watch(samples, pot())
    assert snapshot.change is not None
    end_s = samples[-1].t_s
    full = (snapshot.reading.absolute_pa or 0.0) / exp(-rate_per_s * (end_s - 4.0 * HOUR))
    lost_pa = full - (snapshot.reading.absolute_pa or 0.0)
    assert -snapshot.change.leak_pa == pytest.approx(lost_pa, rel=0.05)
    assert air_pa(210.0, 293.15) == pytest.approx(512e3, rel=0.01)  # what a pot at 60 psi holds, mol/m3
    assert lost_pa == pytest.approx(3.0 * PSI, rel=0.05)


@pytest.mark.parametrize(("first", "then"), [(0.5, 5.0), (2.0, 0.3)])
def test_a_sudden_change_of_a_known_leak_is_followed(first: float, then: float) -> None:
    changed_s = 5.0 * HOUR

    def samples() -> Iterator[Sample]:
        for sample in night(5.5, rate_per_s=first / 75.0 / HOUR):
            absolute_pa = (sample.gauge_pa or 0.0) + (sample.ambient_pa or 0.0)
            more = exp(-(then - first) / 75.0 / HOUR * max(sample.t_s - changed_s, 0.0))
            yield replace(sample, gauge_pa=absolute_pa * more - (sample.ambient_pa or 0.0))

    snapshot, raised = watch(samples(), pot())
    leak, absolute_pa = snapshot.leak, snapshot.reading.absolute_pa
    assert leak is not None and absolute_pa is not None
    true_pa_per_s = then / 75.0 / HOUR * absolute_pa
    assert leak.rate_pa_per_s.value == pytest.approx(true_pa_per_s, rel=0.25)
    assert leak.onset_s is not None
    assert leak.onset_s.value < changed_s
    if then > first:  # 45 psi within two hours and a half
        assert AlarmId.FLOOR_AHEAD in raised
        assert snapshot.forecast is not None
        assert snapshot.forecast.earliest_s < changed_s + 2.8 * HOUR
