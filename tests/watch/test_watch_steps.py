"""One short batch with a reading every ten seconds, from fill to vent: which events come, and when."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest

from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Command,
    Detail,
    EditEvent,
    Event,
    NoteEvent,
    NoteId,
    Priority,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import Place, Reading, Sample
from potvigil.watch.alarm_states import ConditionWords
from potvigil.watch.batch import Batch
from potvigil.watch.batch_tracker import BatchTracker
from potvigil.watch.pot_watch import PotWatch
from shut_pot import ATMOSPHERE_PA, PSI, UTC_S, pot

STEP_S = 10.0
POT = pot(hold_s=3600.0, gel_s=2400.0, working_time_s=1200.0)


class Watched:
    """A watch, its events so far, and the time."""

    def __init__(self, of: Pot = POT) -> None:
        self.watch, self.t_s, self.random = PotWatch(of), 0.0, Random(5)
        self.events: list[Event] = []

    def until(self, t_s: float, gauge_psi: Callable[[float], float], **fields: object) -> "Watched":
        while self.t_s < t_s:
            pa = (gauge_psi(self.t_s) + self.random.gauss(0.0, 0.02)) * PSI
            # a step of a DS18B20 (1/16 C, datasheet) up and down: a value that never moves counts as stuck
            gas_c = 20.0 + (self.t_s // 600.0 % 2.0) / 16.0
            usual: dict[str, object] = {
                "gas_c": gas_c,
                "ambient_pa": ATMOSPHERE_PA,
                "utc_s": UTC_S + self.t_s,
            }
            self.events += self.watch.feed(Sample(self.t_s, gauge_pa=pa, **(usual | fields)))  # type: ignore[arg-type]
            self.t_s += STEP_S
        return self

    def ask(self, action: Action, **fields: object) -> list[Event]:
        events = self.watch.handle(Command(action, self.t_s, **fields))  # type: ignore[arg-type]
        self.events += events
        return events

    def of(self, kind: type) -> Iterator[Event]:
        return (event for event in self.events if isinstance(event, kind))

    def stages(self) -> list[Stage]:
        return [event.stage for event in self.of(StageEvent)]  # type: ignore[attr-defined]

    def notes(self) -> list[NoteId]:
        return [event.note for event in self.of(NoteEvent)]  # type: ignore[attr-defined]


def shut(until_s: float = 3000.0, of: Pot = POT) -> Watched:
    fill: Callable[[float], float] = lambda t_s: min(max((t_s - 60.0) / 2.0, 0.0), 60.0)  # noqa: E731
    return Watched(of).until(until_s, fill)


def emptied(watched: Watched) -> Watched:
    at_s = watched.t_s
    return watched.until(at_s + 200.0, lambda t_s: max(60.0 - 3.0 * (t_s - at_s), 0.0))


def refused(events: list[Event]) -> bool:
    return [event.note for event in events if isinstance(event, NoteEvent)] == [NoteId.REFUSED]


@pytest.fixture(scope="module")
def sound() -> Watched:
    return emptied(shut(3800.0))


def test_a_sound_batch_goes_through_its_stages_in_order(sound: Watched) -> None:
    assert sound.stages() == [Stage.FILLING, Stage.SETTLING, Stage.HOLDING, Stage.VENTING, Stage.OPEN]
    opened, closed = next(sound.of(BatchOpened)), next(sound.of(BatchClosed))
    assert isinstance(opened, BatchOpened)
    assert isinstance(closed, BatchClosed)
    assert opened.utc_s is not None
    assert opened.utc_s - opened.t_s == pytest.approx(UTC_S)
    assert 60.0 <= opened.t_s <= 80.0
    assert closed.summary.verdict is Verdict.HELD
    assert closed.summary.start_s == opened.t_s
    assert list(closed.summary.stages) == [*(Stage.OPEN, Stage.FILLING, Stage.SETTLING), *sound.stages()[2:4]]
    assert list(sound.of(AlarmEvent)) == []


def test_the_end_of_the_cure_is_noted_once_and_on_time(sound: Watched) -> None:
    (note,) = [event for event in sound.of(NoteEvent) if event.note is NoteId.CURE_DONE]  # type: ignore[attr-defined]
    assert note.t_s == pytest.approx(3600.0 + 65.0, abs=15.0)  # type: ignore[attr-defined]


def test_a_short_batch_teaches_nothing_and_leaves_no_batch_open(sound: Watched) -> None:
    assert sound.watch.summary() is None
    assert sound.watch.learnt() is None
    assert sound.watch.taught() is None
    assert sound.watch.takes_word


def test_the_snapshot_of_a_hold_has_estimate_and_change_but_no_forecast() -> None:
    watched = shut()
    known = watched.watch.snapshot()
    assert (known.stage, known.top_ups, known.alarms) == (Stage.HOLDING, 0, ())
    assert known.batch_start_s is not None
    assert known.corrected_gauge_pa == pytest.approx(60 * PSI, rel=0.002)
    assert known.leak is not None
    assert known.forecast is None  # no leak is established
    assert known.change is not None
    assert abs(known.change.total_pa) < 0.2 * PSI
    assert known.cure is not None
    assert known.cure.progress == pytest.approx((3000.0 - 75.0) / 3600.0, abs=0.01)
    assert watched.watch.believed
    assert not watched.watch.takes_word
    assert watched.watch.noise_pa == pytest.approx(0.02 * PSI, rel=0.6)
    summary = watched.watch.summary()
    assert summary is not None
    assert not summary.complete


def test_a_top_up_is_noted_and_counted() -> None:
    watched = shut().until(3300.0, lambda t_s: min(60.0 + (t_s - 3000.0) / 10.0, 63.0))
    assert watched.notes().count(NoteId.TOP_UP) == 1
    assert watched.watch.snapshot().top_ups == 1
    assert watched.watch.stage is Stage.HOLDING


def test_a_batch_vented_before_gel_raises_vented_early() -> None:
    watched = emptied(shut(1800.0))
    raised = [event.alarm for event in watched.of(AlarmEvent)]  # type: ignore[attr-defined]
    assert raised == [AlarmId.VENTED_EARLY]
    closed = next(watched.of(BatchClosed))
    assert closed.summary.verdict is Verdict.VENTED_EARLY  # type: ignore[attr-defined]


def test_a_batch_vented_after_gel_does_not_raise_vented_early() -> None:
    watched = emptied(shut(2700.0))
    assert list(watched.of(AlarmEvent)) == []
    closed = next(watched.of(BatchClosed))
    assert closed.summary.verdict is Verdict.HELD  # type: ignore[attr-defined]


# -- commands ----------------------------------------------------------------------------------------


def test_a_command_opens_a_batch_at_mixing_and_closes_it() -> None:
    watched = Watched().until(60.0, lambda t_s: 0.0)
    assert refused(watched.ask(Action.CLOSE))
    assert [type(event) for event in watched.ask(Action.OPEN)] == [BatchOpened]
    assert refused(watched.ask(Action.OPEN))
    assert [type(event) for event in watched.ask(Action.CLOSE)] == [BatchClosed]


def test_a_batch_under_pressure_cannot_be_closed_unless_the_gauge_is_doubted() -> None:
    watched = shut(1000.0)
    assert refused(watched.ask(Action.CLOSE))
    watched.events += watched.watch.feed(Sample(watched.t_s + 1.0))
    assert not refused(watched.ask(Action.CLOSE))


def test_a_bad_detail_is_refused_when_entered_and_dropped_when_carried_over() -> None:
    watched = shut(300.0)
    (event,) = watched.ask(Action.EDIT, field=Detail.LABEL, text="harbour lights")
    assert isinstance(event, EditEvent)
    assert watched.watch.snapshot().details == {Detail.LABEL: "harbour lights"}
    assert watched.ask(Action.EDIT, field=Detail.LABEL, text="harbour lights") == []
    assert refused(watched.ask(Action.EDIT))
    assert refused(watched.ask(Action.EDIT, field=Detail.MASS, text="heavy"))
    assert watched.ask(Action.EDIT, field=Detail.MASS, text="heavy", by="last batch") == []


def test_a_test_alarm_has_the_requested_priority_and_lasts_a_minute() -> None:
    watched = Watched().until(60.0, lambda t_s: 0.0)
    assert refused(watched.ask(Action.TEST_ALARM, text="loud"))
    watched.ask(Action.TEST_ALARM, text="high")
    watched.until(300.0, lambda t_s: 0.0)
    said = [(event.t_s, event.state, event.priority) for event in watched.of(AlarmEvent)]  # type: ignore[attr-defined]
    assert said == [
        (60.0, AlarmState.UNACKNOWLEDGED, Priority.HIGH),
        (120.0, AlarmState.RETURNED, Priority.HIGH),
    ]
    assert [type(event) for event in watched.ask(Action.ACKNOWLEDGE)] == [AlarmEvent]
    assert refused(watched.ask(Action.ACKNOWLEDGE, alarm=AlarmId.TEST))
    watched.ask(Action.TEST_ALARM)
    watched.until(330.0, lambda t_s: 0.0)
    assert watched.watch.snapshot().alarms[0].priority is Priority.LOW


def test_an_alarm_is_shelved_for_an_hour_by_default_and_can_be_unshelved() -> None:
    watched = Watched().until(60.0, lambda t_s: 0.0)
    assert refused(watched.ask(Action.SHELVE))
    assert refused(watched.ask(Action.SHELVE, alarm=AlarmId.BELOW_FLOOR))  # high, and not active
    assert refused(watched.ask(Action.UNSHELVE, alarm=AlarmId.LEAK))
    (event,) = watched.ask(Action.SHELVE, alarm=AlarmId.LEAK)
    assert isinstance(event, AlarmEvent)
    assert event.until_utc_s == pytest.approx(UTC_S + 50.0 + 3600.0)
    assert watched.watch.snapshot().alarms[0].state is AlarmState.SHELVED
    watched.ask(Action.UNSHELVE, alarm=AlarmId.LEAK)
    assert watched.watch.snapshot().alarms == ()
    watched.ask(Action.SHELVE, alarm=AlarmId.TEST)
    assert refused(watched.ask(Action.TEST_ALARM))


def test_a_fault_outside_the_pot_is_an_alarm_of_the_pot_until_it_clears() -> None:
    watched = Watched()
    watched.watch.report(AlarmId.RECORD_FAILING, ConditionWords("See", "It fails."))
    watched.until(100.0, lambda t_s: 0.0)
    assert [event.t_s for event in watched.of(AlarmEvent)] == [30.0]  # type: ignore[attr-defined]
    watched.watch.report(AlarmId.RECORD_FAILING, None)
    watched.until(800.0, lambda t_s: 0.0)
    assert [event.t_s for event in watched.of(AlarmEvent)] == [30.0, 700.0]  # type: ignore[attr-defined]


def test_a_reading_without_a_pressure_changes_no_stage_and_closes_no_batch() -> None:
    watched = shut(1500.0)
    stage = watched.watch.stage
    for _ in range(20):
        watched.events += watched.watch.feed(Sample(watched.t_s, gas_c=20.0, ambient_pa=ATMOSPHERE_PA))
        watched.t_s += STEP_S
    assert watched.watch.stage is stage
    assert list(watched.of(BatchClosed)) == []
    assert not watched.watch.believed
    assert watched.watch.snapshot().change is None


def test_touching_the_plug_keeps_the_start_of_the_hold() -> None:
    watched = shut(3000.0)
    began_s = watched.watch._batches.batch.stages[Stage.HOLDING]  # type: ignore[union-attr]
    watched.until(3020.0, lambda t_s: 20.0).until(3200.0, lambda t_s: 60.0)
    batch = watched.watch._batches.batch
    assert batch is not None
    assert watched.stages()[-2:] == [Stage.VENTING, Stage.HOLDING]
    assert batch.stages[Stage.HOLDING] == began_s
    assert Stage.VENTING not in batch.stages
    assert not batch.vented


LONG = pot(hold_s=3.1 * 3600.0, gel_s=2400.0)


def test_a_sound_three_hour_batch_teaches_and_a_topped_up_one_does_not() -> None:
    taught = emptied(shut(11_600.0, LONG)).watch.taught()
    assert taught is not None
    assert taught.batches == 1
    topped_up = shut(6000.0, LONG).until(11_600.0, lambda t_s: min(60.0 + (t_s - 6000.0) / 10.0, 63.0))
    at_s = topped_up.t_s
    topped_up.until(at_s + 200.0, lambda t_s: max(63.0 - 3.0 * (t_s - at_s), 0.0))
    (closed,) = topped_up.of(BatchClosed)
    assert closed.summary.verdict is Verdict.HELD  # type: ignore[attr-defined]
    assert topped_up.watch.taught() is None


def test_a_batch_with_doubted_readings_teaches_nothing() -> None:
    doubted = shut(6000.0, LONG)
    for hop in range(4):  # a bad joint
        doubted.until(6100.0 + 100.0 * hop, lambda t_s: 60.0, gas_c=20.0 if hop % 2 else 26.0)
    doubted.until(11_600.0, lambda t_s: 60.0)
    assert list(doubted.of(AlarmEvent)) != []
    assert emptied(doubted).watch.taught() is None


@pytest.mark.parametrize("supply", Supply)
def test_a_leak_gets_a_forecast_unless_a_regulator_holds_the_pot(supply: Supply) -> None:
    of = replace(LONG, supply=supply)
    known = shut(1500.0, of).until(6000.0, lambda t_s: 60.0 - 4.0 * (t_s - 1500.0) / 3600.0).watch.snapshot()
    assert known.leak is not None
    assert known.leak.established
    assert (known.forecast is None) is (supply is Supply.REGULATED)


def test_a_mould_from_the_oven_cures_by_its_own_thermometer_from_the_first_reading() -> None:
    of = pot(hold_s=2 * 3600.0, cure_at_k=295.15, thermometers=frozenset({Place.GAS, Place.CONTENTS}))
    fill: Callable[[float], float] = lambda t_s: min(max((t_s - 60.0) / 2.0, 0.0), 60.0)  # noqa: E731
    warm = Watched(of).until(600.0, fill, contents_c=32.0).watch.snapshot().cure
    plain = Watched(of).until(600.0, fill, contents_c=22.0).watch.snapshot().cure
    assert warm is not None
    assert plain is not None
    # twice as fast for 10 C more, common practice
    assert warm.progress == pytest.approx(2.0 * plain.progress, rel=0.02)


def test_one_outlier_is_ignored_and_the_next_reading_is_used() -> None:
    watched = shut(3000.0)
    assert watched.watch.believed
    watched.until(3010.0, lambda t_s: 62.0)
    assert not watched.watch.believed
    watched.until(3100.0, lambda t_s: 60.0)
    assert watched.watch.believed


def test_the_length_of_a_cold_cure_is_noted_once_the_pot_holds() -> None:
    of = pot(hold_s=2 * 3600.0, cure_at_k=295.15)
    fill: Callable[[float], float] = lambda t_s: min(max((t_s - 60.0) / 2.0, 0.0), 60.0)  # noqa: E731
    watched = Watched(of).until(3000.0, fill, gas_c=12.0)
    said = [e.t_s for e in watched.of(NoteEvent) if e.note is NoteId.CURE_LENGTH]  # type: ignore[attr-defined]
    held = [e.t_s for e in watched.of(StageEvent) if e.stage is Stage.HOLDING]  # type: ignore[attr-defined]
    assert said == held != []


def test_the_batch_takes_an_estimate_only_when_the_filter_has_a_new_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    taken: list[float] = []
    take = BatchTracker._take_estimate

    def counted(self: BatchTracker, reading: Reading, batch: Batch) -> None:
        taken.append(reading.t_s)
        take(self, reading, batch)

    monkeypatch.setattr(BatchTracker, "_take_estimate", counted)
    shut(2000.0)
    assert len(taken) > 50
    assert {later - one for one, later in pairwise(taken)} == {20.0}  # a bin of two readings
