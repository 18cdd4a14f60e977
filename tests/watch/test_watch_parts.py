"""What a watch says before its first sample, what it adds to an alarm, and how it carries out commands."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from demo_pot import NOTHING_KNOWN
from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    Command,
    Detail,
    FloorForecast,
    Interval,
    LeakEstimate,
    NoteEvent,
    NoteId,
    Stage,
)
from potvigil.model.reading import Place, Quality, Reading, Sample
from potvigil.watch.alarm_states import AlarmBook, ConditionWords
from potvigil.watch.batch import Batch
from potvigil.watch.pot_watch import PotWatch
from potvigil.watch.stages import TopUp
from shut_pot import ATMOSPHERE_PA, PSI, UTC_S, pot

POT = pot(hold_s=36_000.0)
WORDS = ConditionWords("See", "It fails.")
NOTHING_YET = Reading(0.0, None, None, None, 0.0, None, None, None, Quality.BAD, "no reading yet")


def sample(t_s: float, gauge_psi: float | None = 0.0, **fields: object) -> Sample:
    gauge_pa = None if gauge_psi is None else gauge_psi * PSI
    usual: dict[str, object] = {"gas_c": 20.0, "ambient_pa": ATMOSPHERE_PA, "utc_s": UTC_S + t_s}
    return Sample(t_s, gauge_pa=gauge_pa, **(usual | fields))  # type: ignore[arg-type]


def losing() -> Batch:
    """A batch with a leak and a forecast."""
    one = Interval(2.0, 1.0, 3.0)
    batch = Batch(POT, 0.0, UTC_S)
    batch.leak = LeakEstimate(50.0, one, one, one, 1e-4, one, True)
    batch.forecast = FloorForecast(9000.0, 8000.0, 9500.0, True, None)
    return batch


def test_before_its_first_sample_a_watch_knows_nothing() -> None:
    watch = PotWatch(POT)
    assert watch.snapshot() == replace(NOTHING_KNOWN, t_s=0.0, stage_since_s=0.0, reading=NOTHING_YET)
    assert watch.summary() is None
    assert watch.learnt() is None
    assert watch.taught() is None
    assert watch.pressure_fault is None
    assert watch.believed is False
    assert watch.noise_pa == 0.0
    assert watch.takes_word is True


def test_the_snapshot_of_an_open_batch_has_what_the_batch_knows() -> None:
    watch = PotWatch(POT)
    watch.feed(sample(100.0))
    batch = watch._batches.batch = losing()
    batch.edit(Detail.LABEL, "harbour", taken_over=False)
    batch.top_ups = [TopUp(1.0, 2.0, 3.0)]
    batch.hold_start = Reading(0.0, None, 0.0, ATMOSPHERE_PA, ATMOSPHERE_PA, 293.15, None, None, Quality.GOOD)
    known = watch.snapshot()
    assert (known.t_s, known.utc_s, known.reading.t_s) == (100.0, UTC_S + 100.0, 100.0)
    assert (known.leak, known.forecast, known.top_ups) == (batch.leak, batch.forecast, 1)
    assert (known.batch_start_s, known.cure, known.details) == (0.0, batch.clock.cure(), batch.details)
    assert known.details is not batch.details
    assert known.corrected_gauge_pa == pytest.approx(0.0, abs=1.0)
    assert known.change is not None
    assert known.change.top_up_pa == 3.0
    summary = watch.summary()
    assert summary is not None
    assert (summary.end_s, summary.complete) == (100.0, False)


@pytest.mark.parametrize(
    ("stage", "takes_word"), [*zip(Stage, [True, True, False, False, False], strict=True)]
)
def test_what_is_known_counts_until_the_hold_begins(stage: Stage, takes_word: bool) -> None:
    watch = PotWatch(POT)
    watch._batches._stages.stage = stage
    assert watch.takes_word is takes_word


# -- alarms ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("has_leak", [True, False])
@pytest.mark.parametrize("has_forecast", [True, False])
def test_an_alarm_of_a_batch_has_its_leak_and_forecast(has_leak: bool, has_forecast: bool) -> None:
    watch = PotWatch(POT)
    batch = watch._batches.batch = losing()
    batch.leak = batch.leak if has_leak else None
    batch.forecast = batch.forecast if has_forecast else None
    watch.report(AlarmId.WATCH_FAILING, WORDS)
    (event,) = watch.feed(sample(100.0))
    assert isinstance(event, AlarmEvent)
    assert event.leak_rate_pa_per_s == (2.0 if has_leak else None)
    assert event.floor_forecast_s == (9000.0 if has_forecast else None)
    (kept,) = batch.summary(100.0, complete=False).alarms
    assert (kept.alarm, kept.raised_s) == (AlarmId.WATCH_FAILING, 100.0)


def test_an_alarm_without_a_batch_has_neither() -> None:
    watch = PotWatch(POT)
    watch.report(AlarmId.WATCH_FAILING, WORDS)
    (event,) = watch.feed(sample(100.0))
    assert isinstance(event, AlarmEvent)
    assert (event.t_s, event.utc_s, event.text) == (100.0, UTC_S + 100.0, "It fails.")
    assert (event.leak_rate_pa_per_s, event.floor_forecast_s) == (None, None)


def test_alarms_active_before_a_restart_stay_active() -> None:
    book = AlarmBook()
    book.update(0.0, None, {AlarmId.WATCH_FAILING: WORDS})
    assert [each.alarm for each in PotWatch(POT, alarms=book).snapshot().alarms] == [AlarmId.WATCH_FAILING]


def test_a_silence_of_the_readings_is_raised_with_the_reading_that_ends_it() -> None:
    watch = PotWatch(POT)
    watch.feed(sample(0.0))
    events = watch.feed(sample(600.0))
    assert [(event.t_s, event.alarm) for event in events] == [(600.0, AlarmId.READINGS_STOPPED)]  # type: ignore[union-attr]


def test_a_thermometer_that_works_again_is_noted() -> None:
    watch = PotWatch(POT)
    watch._senses = SimpleNamespace(  # type: ignore[assignment]
        take=lambda sample, **how: NOTHING_YET,
        doubts_a_thermometer=False,
        back=(Place.GAS, Place.WALL),
        gap_s=0.0,
        missing={},
    )
    assert watch.feed(sample(10.0)) == [
        NoteEvent(0.0, None, NoteId.THERMOMETER_BACK, "The gas thermometer is working again."),
        NoteEvent(0.0, None, NoteId.THERMOMETER_BACK, "The wall thermometer is working again."),
    ]


# -- commands ----------------------------------------------------------------------------------------


def watching(*, pressurised: bool = False) -> PotWatch:
    watch = PotWatch(POT)
    watch.feed(sample(0.0))
    if pressurised:
        for t_s in (10.0, 20.0, 30.0):
            watch.feed(sample(t_s, 30.0))
    return watch


def done(watch: PotWatch, action: Action, t_s: float = 100.0, **fields: object) -> list[object]:
    return [*watch.handle(Command(action, t_s, **fields))]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("pressurised", "fault", "closes"), [(False, False, True), (True, False, False), (True, True, True)]
)
def test_a_batch_closes_without_pressure_or_where_the_gauge_is_broken(
    pressurised: bool, fault: bool, closes: bool
) -> None:
    watch = watching(pressurised=pressurised)
    if not pressurised:
        done(watch, Action.OPEN)
    if fault:
        watch.feed(sample(40.0, None))
    (event,) = done(watch, Action.CLOSE)
    if closes:
        assert isinstance(event, BatchClosed)
        assert (event.t_s, event.summary.end_s) == (100.0, 100.0)
    else:
        assert isinstance(event, NoteEvent)
        assert (event.t_s, event.note) == (100.0, NoteId.REFUSED)


def test_the_end_of_the_record_closes_the_batch_even_under_pressure() -> None:
    watch = watching(pressurised=True)
    (event,) = watch.end(200.0)
    assert isinstance(event, BatchClosed)
    assert (event.t_s, event.utc_s) == (200.0, UTC_S + 30.0)
    assert watch.end(210.0) == []


@pytest.mark.parametrize(("asked_s", "lasts_s"), [(None, 3600.0), (120.0, 120.0), (1e9, 86_400.0)])
def test_an_alarm_is_shelved_as_long_as_asked_or_for_an_hour(asked_s: float | None, lasts_s: float) -> None:
    watch = watching()
    (event,) = done(watch, Action.SHELVE, alarm=AlarmId.LEAK, duration_s=asked_s)
    assert isinstance(event, AlarmEvent)
    assert event.until_utc_s == UTC_S + lasts_s  # the newest sample's wall clock
    (event,) = done(watch, Action.UNSHELVE, alarm=AlarmId.LEAK)
    assert isinstance(event, AlarmEvent)
    assert event.state is AlarmState.NORMAL


def test_an_acknowledgement_names_who_gave_it() -> None:
    watch = watching()
    watch.report(AlarmId.WATCH_FAILING, WORDS)
    watch.feed(sample(10.0))
    (event,) = done(watch, Action.ACKNOWLEDGE, by="anna")
    assert isinstance(event, AlarmEvent)
    assert (event.state, event.by_whom, event.t_s) == (AlarmState.ACKNOWLEDGED, "anna", 100.0)
    assert done(watch, Action.ACKNOWLEDGE, by="anna") == []


def test_a_test_alarm_is_shown_for_a_minute_and_says_that_nothing_is_wrong() -> None:
    watch = watching()
    assert done(watch, Action.TEST_ALARM) == []
    told = [event for t_s in (110.0, 159.0, 160.0, 170.0) for event in watch.feed(sample(t_s))]
    alarms = [event for event in told if isinstance(event, AlarmEvent) and event.alarm is AlarmId.TEST]
    assert [(event.t_s, event.state) for event in alarms] == [
        (110.0, AlarmState.UNACKNOWLEDGED),
        (160.0, AlarmState.RETURNED),
    ]
    assert (alarms[0].do, alarms[0].text) == ("Nothing to do", "This is a test alarm. Nothing is wrong.")


def test_an_edit_that_changes_nothing_is_no_event() -> None:
    watch = watching()
    done(watch, Action.OPEN)
    assert len(done(watch, Action.EDIT, field=Detail.LABEL, text="harbour")) == 1
    assert done(watch, Action.EDIT, field=Detail.LABEL, text="harbour") == []
