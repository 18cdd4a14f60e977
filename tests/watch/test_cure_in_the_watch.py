"""The cure clock over a whole night: a cold workshop cures longer, and all that depends on it follows."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    BatchClosed,
    Command,
    Detail,
    Event,
    NoteEvent,
    NoteId,
    Verdict,
)
from potvigil.model.pot import Pot, Resin
from potvigil.model.reading import Place, Sample
from potvigil.watch.pot_watch import PotWatch
from shut_pot import FILL_FROM_S, Swing, night, pot

HOUR = 3600.0
AMBER = Resin(hold_s=2 * HOUR, gel_s=0.5 * HOUR, working_time_s=900.0, at_k=295.15)


def played(samples: Iterable[Sample], of: Pot, *commands: Command) -> tuple[PotWatch, list[Event]]:
    watch, events, coming = PotWatch(of), [], list(commands)
    for sample in samples:
        while coming and coming[0].t_s <= sample.t_s:
            events += watch.handle(coming.pop(0))
        events += watch.feed(sample)
    return watch, events


def note(events: list[Event], which: NoteId) -> NoteEvent | None:
    return next((each for each in events if isinstance(each, NoteEvent) and each.note is which), None)


@pytest.mark.parametrize(("celsius", "hours"), [(22.0, 2.0), (12.0, 4.18), (32.0, 1.0)])
def test_the_cure_ends_when_the_temperature_says(celsius: float, hours: float) -> None:
    # twice as long for every 10 C colder: common practice (as an activation energy taken from 22 to 32 C)
    of = pot(hold_s=2 * HOUR, gel_s=None, cure_at_k=295.15)
    _, events = played(night(5.0, celsius=Swing(celsius), step_s=20.0), of)
    done = note(events, NoteId.CURE_DONE)
    assert done is not None
    assert done.t_s - FILL_FROM_S == pytest.approx(hours * HOUR, rel=0.02)
    noted = note(events, NoteId.CURE_LENGTH)
    assert (noted is None) == (celsius == 22.0)
    if celsius == 12.0:
        assert noted is not None
        assert noted.text.startswith("At 12 °C this cure needs about 4 h 1")
        _, events = played(night(5.0, celsius=Swing(celsius), step_s=20.0), replace(of, temperature_unit="F"))
        noted = note(events, NoteId.CURE_LENGTH)
        assert noted is not None and noted.text.startswith("At 54 °F this cure needs about 4 h 1")


def test_warm_resin_cures_by_its_own_thermometer() -> None:
    of = pot(
        hold_s=2 * HOUR, gel_s=None, cure_at_k=295.15, thermometers=frozenset({Place.GAS, Place.CONTENTS})
    )
    cold = night(3.0, celsius=Swing(12.0), step_s=20.0)
    _, events = played((replace(sample, contents_c=32.0) for sample in cold), of)
    done, noted = note(events, NoteId.CURE_DONE), note(events, NoteId.CURE_LENGTH)
    assert done is not None and noted is not None
    assert done.t_s - FILL_FROM_S == pytest.approx(HOUR, rel=0.02)  # twice as fast for 10 C more
    assert noted.text.startswith("At 32 °C this cure needs about 1 h")


@pytest.mark.parametrize(
    ("place", "celsius", "is_slow"),
    [
        (Place.GAS, 10.0, False),  # of the open pot, before the fill
        (Place.WALL, 10.0, False),
        (None, 10.0, True),  # unknown: as the label says
        (Place.GAS, 22.0, True),
        (Place.GAS, 40.0, True),  # a mould from the oven warms the air, not yet the resin
    ],
)
def test_resin_is_slow_to_set_in_a_cold_pot(place: Place | None, celsius: float, is_slow: bool) -> None:
    places = frozenset() if place is None else frozenset({place})
    # 5 min of the working time are left when it has aged 85 s, before the pot is full
    of = pot(hold_s=2 * HOUR, gel_s=None, working_time_s=385.0, cure_at_k=295.15, thermometers=places)
    samples = [
        replace(each, **{"gas_c": None} | ({} if place is None else {f"{place}_c": each.gas_c}))
        for each in night(0.2, celsius=Swing(celsius), step_s=5.0)
    ]
    _, events = played(samples, of)
    raised = [each.alarm for each in events if isinstance(each, AlarmEvent)]
    assert (AlarmId.SLOW_TO_PRESSURE in raised) is is_slow


def test_a_named_resin_sets_its_cure_times_and_an_unknown_name_does_not() -> None:
    of = pot(hold_s=10 * HOUR, resins={"amber": AMBER})
    named = Command(Action.EDIT, 600.0, field=Detail.RESIN, text="amber")
    watch, events = played(night(3.0, celsius=Swing(22.0)), of, named)
    done = note(events, NoteId.CURE_DONE)
    assert done is not None
    assert done.t_s - FILL_FROM_S == pytest.approx(2 * HOUR, rel=0.02)
    other = Command(Action.EDIT, 600.0, field=Detail.RESIN, text="what was left in the tin")
    watch, events = played(night(3.0, celsius=Swing(22.0)), of, other)
    assert note(events, NoteId.CURE_DONE) is None
    cure = watch.snapshot().cure
    assert cure is not None
    assert cure.done_s - FILL_FROM_S == pytest.approx(10 * HOUR, rel=0.02)


def test_cold_resin_vented_at_its_nominal_gel_time_was_vented_early() -> None:
    of = pot(hold_s=4 * HOUR, gel_s=HOUR, cure_at_k=295.15)

    def vented(celsius: float) -> tuple[Verdict, set[AlarmId]]:
        held = list(night(1.1, celsius=Swing(celsius), step_s=2.0))
        after = [
            Sample(
                t_s=held[-1].t_s + 2.0 * (i + 1),
                gauge_pa=(held[-1].gauge_pa or 0.0) * 0.8 ** (i + 1),
                gas_c=celsius,
                ambient_pa=held[-1].ambient_pa,
            )
            for i in range(60)
        ]
        _, events = played([*held, *after], of)
        closed = next(each for each in events if isinstance(each, BatchClosed))
        return closed.summary.verdict, {each.alarm for each in closed.summary.alarms}

    assert vented(22.0)[0] is Verdict.HELD
    verdict, raised = vented(12.0)
    assert verdict is Verdict.VENTED_EARLY
    assert AlarmId.VENTED_EARLY in raised
