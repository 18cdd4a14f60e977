"""What batches teach about a pot: bounded, never a leak, forgotten after a change."""

from collections.abc import Iterator
from dataclasses import replace
from math import exp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.history.forgetting import OF_THE_MOULD, OF_THE_PROBES, forgotten
from potvigil.leak.estimator import sizes_of
from potvigil.leak.known import FLOOR, MOST_SIGMAS, Known, learn
from potvigil.leak.pot_model import LEARNT, Sizes, usual
from potvigil.model.batch_details import is_same_mould
from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, BatchClosed, Event, Verdict
from potvigil.model.maintenance import Care, Part
from potvigil.model.reading import Sample
from potvigil.watch.pot_watch import PotWatch
from potvigil.wording.taught import known_lines
from shut_pot import PSI, Swing, night, pot

HOUR = 3600.0
HOLD_H = 3.3
POT = pot(hold_s=HOLD_H * HOUR)
NIGHT_S = (HOLD_H + 0.3) * HOUR
SLOW_PER_S = 0.3 / 74.696 / HOUR  # of the air, 0.3 psi/h at 60 psi gauge
SIZES = Sizes(0.020, 0.003)

several_sizes = st.builds(Sizes, st.floats(0.005, 0.1), st.floats(0.0005, 0.004))
# anything a filter might say: far off, or impossibly certain
taught = st.fixed_dictionaries(
    {name: st.tuples(st.floats(-1e6, 1e6), st.floats(0.0, 1e6)) for name in LEARNT}
)


def few(examples: int) -> settings:
    return settings(max_examples=examples, derandomize=True, deadline=None, database=None)


def batches(rate_per_s: float, count: int, seed: int = 1) -> Iterator[list[Sample]]:
    """Play the nights of one pot, one after another: open, filled, held, vented at once."""
    begun_s = 0.0
    for number in range(count):
        swing = Swing(20.0, 2.0, phase=0.1 * number)
        held = night(HOLD_H + 0.2, celsius=swing, rate_per_s=rate_per_s, seed=seed + number, step_s=20.0)
        samples = [replace(each, t_s=begun_s + each.t_s) for each in held]
        last = samples[-1]
        for step in range(1, 30):
            gauge_pa = max((last.gauge_pa or 0.0) - step * 200_000.0, 0.0)
            utc_s = (last.utc_s or 0.0) + 20.0 * step
            samples.append(replace(last, t_s=last.t_s + 20.0 * step, utc_s=utc_s, gauge_pa=gauge_pa))
        yield samples
        begun_s = samples[-1].t_s + 20.0


def fed(watch: PotWatch, samples: list[Sample]) -> list[Event]:
    return [event for sample in samples for event in watch.feed(sample)]


def closed(events: list[Event]) -> BatchClosed:
    (event,) = (each for each in events if isinstance(each, BatchClosed))
    return event


# -- learn -------------------------------------------------------------------------------------------


@few(60)
@given(sizes=several_sizes, all_of_them=st.lists(taught, min_size=1, max_size=20))
def test_learnt_constants_stay_within_their_bounds(
    sizes: Sizes, all_of_them: list[dict[str, tuple[float, float]]]
) -> None:
    any_pot, known = usual(sizes), None
    for number, each in enumerate(all_of_them, start=1):
        known = learn(known, each, sizes)
        assert known.batches == number
        assert known.found.keys() == LEARNT.keys()
        for name, (mean, sigma) in known.found.items():
            usual_mean, usual_sigma = any_pot[name]
            assert FLOOR * usual_sigma <= sigma <= usual_sigma
            assert abs(mean - usual_mean) <= MOST_SIGMAS * usual_sigma * (1.0 + 1e-12)


def test_no_leak_state_is_learnt() -> None:
    assert not {"rate", "air", "drift"} & LEARNT.keys()


@few(20)
@given(names=st.sets(st.sampled_from(sorted(LEARNT))), again=taught)
def test_forgotten_constants_start_at_the_usual_and_are_learnt_again(
    names: set[str], again: dict[str, tuple[float, float]]
) -> None:
    any_pot = usual(SIZES)
    known = Known(8, {name: (mean + sigma, 0.3 * sigma) for name, (mean, sigma) in any_pot.items()})
    left = known.forgetting(names)
    assert left.batches == 8 and left.found.keys() == LEARNT.keys() - names
    assert known.found.keys() == LEARNT.keys()
    for name, each in left.prior(SIZES).items():
        assert each == (any_pot[name] if name in names else known.found[name])
    assert learn(left, again, SIZES).found.keys() == LEARNT.keys()


# -- by the watch ------------------------------------------------------------------------------------


def test_each_sound_batch_teaches_the_next() -> None:
    watch = PotWatch(POT)
    for number, samples in enumerate(batches(0.0, 3)):
        known = watch.learnt()
        assert (0 if known is None else known.batches) == number
        watch.know(known)
        assert watch.taught() is None
        event = closed(fed(watch, samples))
        assert event.summary.verdict is Verdict.HELD
        assert watch.taught() == watch.learnt() != known
    known, any_pot = watch.learnt(), usual(sizes_of(POT))
    assert known is not None
    assert any(sigma < 0.9 * any_pot[name][1] for name, (_, sigma) in known.found.items())


def test_the_summary_says_how_many_batches_taught_the_pot() -> None:
    watch = PotWatch(POT)
    (samples,) = batches(0.0, 1)
    fed(watch, samples[:10])
    watch.know(Known(8, usual(sizes_of(POT))))
    assert watch.takes_word
    assert closed(fed(watch, samples[10:])).summary.known_from == 8


@pytest.mark.parametrize("known_of", [0, 6])
def test_a_pot_that_always_leaks_is_never_learnt_to_be_sound(known_of: int) -> None:
    """Even after sound batches: 0.3 psi/h is found every time."""
    watch = PotWatch(POT)
    for samples in batches(0.0, known_of, seed=50):
        fed(watch, samples)
    known = watch.learnt()
    assert (0 if known is None else known.batches) == known_of
    watch = PotWatch(POT, known)
    for samples in batches(SLOW_PER_S, 4):
        events = fed(watch, samples)
        told = [e for e in events if isinstance(e, AlarmEvent) and e.alarm is AlarmId.LEAK]
        assert next(e.t_s for e in told if e.state is AlarmState.UNACKNOWLEDGED) < samples[0].t_s + 3 * HOUR
        assert closed(events).summary.verdict is Verdict.LEAKED
        assert watch.learnt() is known


def test_a_batch_that_leaked_for_a_while_teaches_nothing() -> None:
    """The leak began late; all before it was sound."""
    (samples,) = batches(0.0, 1)
    onset_s = samples[0].t_s + 2 * HOUR
    leaking = [
        replace(
            each, gauge_pa=(each.gauge_pa or 0.0) - 60 * PSI * (1 - exp((onset_s - each.t_s) / (9 * HOUR)))
        )
        if onset_s < each.t_s and (each.gauge_pa or 0.0) > 50 * PSI
        else each
        for each in samples
    ]
    watch = PotWatch(POT)
    assert closed(fed(watch, leaking)).summary.verdict is not Verdict.HELD
    assert watch.learnt() is None


def test_a_doubted_or_short_batch_teaches_nothing() -> None:
    (samples,) = batches(0.0, 1)
    watch = PotWatch(POT)
    # a thermometer that sticks while the room warms
    stuck = [
        replace(each, gas_c=20.0, gauge_pa=each.gauge_pa + 0.2 * PSI * each.t_s / HOUR)
        if each.t_s > 600.0 and each.gauge_pa > 30.0 * PSI
        else each
        for each in samples
    ]
    assert closed(fed(watch, stuck)).summary.verdict is Verdict.HELD
    assert watch.learnt() is None
    watch = PotWatch(pot(hold_s=2 * HOUR, gel_s=HOUR))
    shut = [each for each in samples if each.t_s < 2.5 * HOUR]
    vented = [replace(each, t_s=each.t_s - HOUR, utc_s=None) for each in samples[-29:]]
    assert closed(fed(watch, shut + vented)).summary.verdict is Verdict.HELD
    assert watch.learnt() is None


def test_a_batch_with_an_unmonitored_hour_teaches_nothing() -> None:
    (samples,) = batches(0.0, 1)
    watch = PotWatch(POT)
    seen = [each for each in samples if not 0.5 * HOUR < each.t_s < 1.5 * HOUR]
    assert closed(fed(watch, seen)).summary.verdict is Verdict.INCOMPLETE
    assert watch.learnt() is None


# -- what is forgotten -------------------------------------------------------------------------------


def test_every_constant_that_can_be_forgotten_is_a_learnt_one() -> None:
    groups = (OF_THE_PROBES, OF_THE_MOULD)
    assert all(group < LEARNT.keys() for group in groups)
    assert sum(map(len, groups)) == len(frozenset().union(*groups))
    # the coupling of wall and room belongs to the pot, whatever is changed
    assert LEARNT.keys() - frozenset().union(*groups) == {"surface-wall", "room-wall"}


@pytest.mark.parametrize(
    ("part", "names"),
    [
        (Part.THERMOMETER, OF_THE_PROBES),
        *((part, frozenset()) for part in Part if part is not Part.THERMOMETER),
    ],
)
def test_maintenance_forgets_the_constants_of_the_part(part: Part, names: frozenset[str]) -> None:
    assert forgotten([part], same_mould=True) == names
    assert forgotten([part], same_mould=False) == names | OF_THE_MOULD


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("lens A", "Lens  a", True),
        ("lens A", "lens B", False),
        ("", "", False),
        ("lens A", "", False),
        (" ", " ", False),
    ],
)
def test_an_unnamed_mould_is_not_a_known_mould(one: str, other: str, same: bool) -> None:
    assert is_same_mould(one, other) is is_same_mould(other, one) is same


def test_the_notes_say_what_was_learnt_and_forgotten() -> None:
    def said(batches: int, parts: list[Part], was: str, mould: str, newest: int = 9) -> list[str]:
        cares = [Care(1_772_366_400.0, 1.0, part, "", "") for part in parts]
        return list(known_lines(batches, cares, (9, was), (newest, mould), None))

    assert said(8, [], "lens", "lens") == ["Learnt from 8 batches: leaks are found sooner."]
    assert said(1, [], "lens", "lens")[0].startswith("Learnt from 1 batch:")
    assert said(8, [Part.SEAL], "lens", "lens", 10) == said(8, [], "lens", "lens")
    _, moved = said(8, [Part.THERMOMETER], "lens", "lens")
    assert moved.startswith("A thermometer was moved or changed on 1 March") and "learnt again" in moved
    _, other = said(8, [], "lens", "gear\x1b", 10)
    assert 'batch 10 is "gear' in other and "\x1b" not in other and '"lens"' in other
    _, unnamed = said(8, [], "lens", "", 10)
    assert "Batch 10 names no mould" in unnamed
    assert len(said(8, [Part.THERMOMETER, Part.TRANSDUCER], "", "", 9)) == 3
