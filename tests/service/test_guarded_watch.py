"""A bug in the watch of one pot: the others are still watched, an alarm is raised, a restart continues."""

import logging
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from potvigil.clock import Instant, ManualClock
from potvigil.history.feeding import watch_again
from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Command,
    Cure,
    Event,
    NoteEvent,
    Verdict,
)
from potvigil.model.reading import Sample
from potvigil.record.errors import UnworkableBatchError
from potvigil.record.store import Store
from potvigil.service.guarded_watch import FIRST_PAUSE_S, LONGEST_PAUSE_S, GuardedWatch
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.watch.pot_watch import PotWatch
from rehearsal import Bench
from shut_pot import UTC_S, night, pot

STEP_S, AT_S = 10.0, 3000.0
Fails = Callable[[float, str], bool]  # of a sample's t_s and the pot


@pytest.fixture
def faulty(monkeypatch: pytest.MonkeyPatch) -> Callable[[Fails], None]:
    """Plant a bug in the watch: it raises halfway through the samples that `fails` selects."""
    feed = PotWatch.feed

    def plant(fails: Fails) -> None:
        def planted(self: PotWatch, sample: Sample) -> list[Event]:
            events = feed(self, sample)
            if fails(sample.t_s, self._pot.pot_id):
                raise ZeroDivisionError("planted")
            return events

        monkeypatch.setattr(PotWatch, "feed", planted)

    return plant


def once(t_s: float, pot_id: str) -> bool:
    return t_s == AT_S


def ever_after(t_s: float, pot_id: str) -> bool:
    return t_s >= AT_S


def fed(watch: GuardedWatch, hours: float = 2.0) -> list[Event]:
    return [event for sample in night(hours, step_s=STEP_S) for event in watch.feed(sample)]


def announced(events: list[Event]) -> list[AlarmEvent]:
    return [e for e in events if isinstance(e, AlarmEvent) and e.state is AlarmState.UNACKNOWLEDGED]


def test_a_watch_that_does_not_fail_is_passed_through() -> None:
    bare = PotWatch(pot())
    assert fed(GuardedWatch(pot())) == [e for s in night(2.0, step_s=STEP_S) for e in bare.feed(s)]


def test_a_failing_watch_ends_its_batch_raises_an_alarm_and_is_replaced(faulty) -> None:
    faulty(once)
    watch = GuardedWatch(pot())
    events = fed(watch)
    (call,) = [e for e in announced(events) if not e.repeat]
    assert (call.alarm, call.t_s, call.do) == (
        AlarmId.WATCH_FAILING,
        AT_S,
        "Read the pot's own gauge and keep checking it",
    )
    closed = [e for e in events if isinstance(e, BatchClosed)]
    assert [(e.t_s, e.summary.verdict, e.summary.end_s) for e in closed] == [(AT_S, Verdict.INCOMPLETE, AT_S)]
    opened = [e.t_s for e in events if isinstance(e, BatchOpened)]
    assert opened[1:] == [AT_S + STEP_S]
    # it watches again: the hold goes on, and the alarm returns after ten good minutes
    assert watch.snapshot().leak is not None
    assert [a.state for a in watch.snapshot().alarms] == [AlarmState.RETURNED]


def test_alarms_active_before_the_failure_stay_active(faulty) -> None:
    faulty(once)
    watch = GuardedWatch(pot())
    samples = [replace(s, gas_c=None if s.t_s > 600.0 else s.gas_c) for s in night(0.9, step_s=STEP_S)]
    for sample in samples:
        watch.feed(sample)
    assert {a.alarm for a in watch.snapshot().alarms} == {AlarmId.WATCH_FAILING, AlarmId.THERMOMETER}


def test_a_permanent_failure_is_retried_ever_less_often_and_logged_once(faulty, caplog) -> None:
    tried: list[float] = []

    def fails(t_s: float, pot_id: str) -> bool:
        if t_s >= AT_S:
            tried.append(t_s - AT_S)
        return t_s >= AT_S

    faulty(fails)
    with caplog.at_level(logging.ERROR):
        watch = GuardedWatch(pot())
        events = fed(watch, 8.0)
    apart = [later - earlier for earlier, later in pairwise(tried[1:])]
    assert tried[:2] == [0.0, STEP_S]  # once immediately, then after pauses
    assert apart == [FIRST_PAUSE_S * 2**i for i in range(6)] + [LONGEST_PAUSE_S] * (len(apart) - 6)
    assert len(caplog.records) == 1 and caplog.records[0].exc_info is not None
    calls = announced(events)
    assert {e.alarm for e in calls} == {AlarmId.WATCH_FAILING}
    assert len([e for e in calls if not e.repeat]) == 1 and "keeps failing" in calls[-1].text


def test_a_passing_failure_clears_and_resets_the_pauses(faulty) -> None:
    faulty(lambda t_s, pot_id: AT_S <= t_s < AT_S + 100.0 or t_s == 9000.0)
    watch = GuardedWatch(pot())
    states = {
        sample.t_s: [a.state for a in watch.snapshot().alarms]
        for sample in night(4.0, step_s=STEP_S)
        if watch.feed(sample) is not None
    }
    assert states[8990.0] == [AlarmState.RETURNED]
    assert states[9000.0] == [AlarmState.UNACKNOWLEDGED]
    assert watch.snapshot().t_s == pytest.approx(4.0 * 3600.0, abs=STEP_S)  # fed to the end


@pytest.mark.parametrize(
    ("later_s", "pauses_s"), [(590.0, [0.0, 60.0]), (600.0, [0.0, 0.0]), (610.0, [0.0, 0.0])]
)
def test_a_watch_that_ran_for_ten_minutes_is_replaced_at_once(faulty, later_s, pauses_s) -> None:
    failed: list[float] = []

    def fails(t_s: float, pot_id: str) -> bool:
        is_it = t_s in (AT_S, AT_S + later_s)
        failed.extend([t_s] if is_it else [])
        return is_it

    faulty(fails)
    watch = GuardedWatch(pot())
    found = []
    for sample in night(1.2, step_s=STEP_S):
        before = len(failed)
        watch.feed(sample)
        found += [watch._pause_s] * (len(failed) - before)
    assert found == pauses_s


def test_the_batch_of_a_failed_watch_is_closed_with_what_is_known(faulty) -> None:
    faulty(once)
    (closed,) = [e for e in fed(GuardedWatch(pot())) if isinstance(e, BatchClosed)]
    bare = PotWatch(pot(hold_s=1e9))
    (opened,) = [
        e
        for s in night(1.0, step_s=STEP_S)
        if s.t_s < AT_S
        for e in bare.feed(s)
        if isinstance(e, BatchOpened)
    ]
    summary = closed.summary
    assert (closed.utc_s, summary.complete, summary.pot_id) == (UTC_S + AT_S, True, "lantern")
    assert (summary.start_s, summary.start_utc_s) == (opened.t_s, opened.utc_s)
    assert summary.cure == Cure(0.0, opened.t_s + pot().hold_s)
    assert (summary.stages, summary.top_ups, summary.alarms) == ({}, 0, ())


def test_a_command_that_crashes_the_watch_is_refused_and_ends_the_batch(monkeypatch) -> None:
    watch = GuardedWatch(pot())
    fed(watch, 0.5)

    def fails(self: PotWatch, command: Command) -> list[Event]:
        raise LookupError("planted")

    with monkeypatch.context() as planted:
        planted.setattr(PotWatch, "handle", fails)
        (note,) = watch.handle(Command(Action.OPEN, 1800.0))
    assert isinstance(note, NoteEvent) and "failed on this command" in note.text
    events = watch.feed(Sample(1810.0, gauge_pa=400_000.0, ambient_pa=101_325.0))
    assert isinstance(events[0], BatchClosed)


def test_a_snapshot_is_available_even_if_the_watch_fails_to_give_one(monkeypatch) -> None:
    watch = GuardedWatch(pot())
    fed(watch, 0.5)
    batch = watch._watch._batches.batch
    monkeypatch.setattr(batch, "change", None)
    assert watch.snapshot().batch_start_s is None
    assert isinstance(watch.feed(Sample(1810.0, gauge_pa=400_000.0, ambient_pa=101_325.0))[0], BatchClosed)


@pytest.mark.parametrize("what", ["snapshot", "summary"])
def test_a_failing_snapshot_or_summary_ends_the_batch_at_the_next_sample(monkeypatch, caplog, what) -> None:
    watch = GuardedWatch(pot())
    fed(watch, 0.5)
    assert getattr(watch, what)() is not None and not watch.has_failed

    def fails(self: PotWatch) -> None:
        raise LookupError("planted")

    with monkeypatch.context() as planted:
        if what == "summary":
            planted.setattr(PotWatch, what, fails)
            assert watch.summary() is None
        else:
            planted.setattr(watch._watch, "snapshot", lambda: fails(watch._watch))
            assert watch.snapshot().batch_start_s is None  # of the new watch
    assert watch.has_failed and len(caplog.records) == 1
    sample = Sample(1810.0, gauge_pa=400_000.0, ambient_pa=101_325.0)
    assert isinstance(watch.feed(sample)[0], BatchClosed)
    assert not any(isinstance(event, BatchClosed) for event in watch.feed(replace(sample, t_s=1820.0)))


class Scripted:
    """Two pots that are read from lists."""

    def __init__(self, samples: list[Sample]) -> None:
        self._samples = iter(samples)

    def read(self, t_s: float, now: Instant) -> list[tuple[str, Sample]]:
        sample = replace(next(self._samples), t_s=t_s)
        return [("lantern", sample), ("mast", sample)]

    def close(self) -> None:
        pass


def test_the_other_pots_are_still_watched(faulty, tmp_path) -> None:
    faulty(lambda t_s, pot_id: t_s >= AT_S and pot_id == "lantern")
    samples = list(night(1.5, step_s=STEP_S))
    clock = ManualClock(0.0)
    heard: list[tuple[str, Event]] = []
    one = load_text(NIGHTS["sound"].settings_yaml, "the demo studio")
    settings = one.model_copy(update={"pots": {"lantern": one.pots["lantern"], "mast": one.pots["lantern"]}})
    service = Service(
        settings,
        clock,
        "boot",
        Scripted(samples),  # type: ignore[arg-type]
        Store.open_for_watch(tmp_path / "record.db"),
        on_event=lambda pot_id, batch, event: heard.append((pot_id, event)),
    )
    service.start()
    for sample in samples:
        clock.sleep_until(sample.t_s)
        service.tick()
    service.stop()
    assert service.watches["mast"].snapshot().leak is not None
    # the scripted samples lack the configured thermometer, which is another alarm
    failing = AlarmId.WATCH_FAILING
    called = {pot_id for pot_id, event in heard if isinstance(event, AlarmEvent) and event.alarm is failing}
    assert called == {"lantern"}


def test_a_restart_does_not_repeat_the_same_failure(faulty, tmp_path) -> None:
    bench = Bench(NIGHTS["sound"], tmp_path)
    bench.begin()
    bench.run_until(AT_S)
    faulty(once)  # in samples already read: the newer program has the bug
    bench.service.stop()
    bench.begin("boot-2", boot_at_s=bench.now_s - 20.0)
    bench.run_until(AT_S + 1800.0)
    row, newest = bench.store.batch(1), bench.store.batch(2)
    assert row.verdict is Verdict.INCOMPLETE and "internal error" in (
        row.summary.reason if row.summary else ""
    )
    assert newest.end_t_s is None and bench.service.batch_ids == {"lantern": 2}
    assert bench.service.watches["lantern"].snapshot().leak is not None
    with pytest.raises(UnworkableBatchError, match=r"batch 1 of .*planted"):
        for _ in watch_again(bench.store, row, bench.settings.core_pots()["lantern"])[1]:
            pass
    bench.service.stop()
