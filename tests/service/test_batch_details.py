"""Batch details from command to record, through watch and service: every change is kept."""

import itertools
import sqlite3
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from broker import HOST, Broker, retained
from homie_rules import faults
from potvigil.model.batch_details import TAKEN_OVER
from potvigil.model.events import LAST_BATCH, Action, AlarmId, Command, Detail, EditEvent, NoteEvent, NoteId
from potvigil.model.reading import Sample
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.record.store import Store
from potvigil.service.keeping import keep_event
from potvigil.sim.nights import NIGHTS
from potvigil.watch.pot_watch import PotWatch
from potvigil.watch.replay import feed_again
from rehearsal import Bench, raised, rehearse
from service.test_service_mqtt import go_on_until, has
from shut_pot import ATMOSPHERE_PA, PSI, UTC_S, pot

POT = "lantern"
VENTED = NIGHTS["vented-early"]  # open at 0 s, closed long before its end
WHO = st.sampled_from(["anna", "mqtt", "command line", LAST_BATCH])


def edit(field: Detail, text: str, t_s: float = 10.0, by: str = "anna") -> Command:
    return Command(Action.EDIT, t_s, text=text, by=by, field=field)


def sample(t_s: float, psi: float = 0.0, utc_s: float | None = UTC_S) -> Sample:
    known_s = None if utc_s is None else utc_s + t_s
    return Sample(t_s, known_s, gauge_pa=psi * PSI, gas_c=20.0, ambient_pa=ATMOSPHERE_PA)


def opened(**changes: object) -> PotWatch:
    """A watch whose batch was opened by hand at 5 s."""
    watch = PotWatch(pot(**changes))
    watch.feed(sample(0.0))
    watch.handle(Command(Action.OPEN, 5.0))
    return watch


# --- the watch


def test_an_edit_names_the_detail_both_values_and_who_made_it():
    watch = opened()
    assert watch.handle(edit(Detail.RESIN, "clear")) == [
        EditEvent(10.0, UTC_S, Detail.RESIN, "", "clear", "anna")
    ]
    assert watch.handle(edit(Detail.RESIN, "tinted", 20.0, "mqtt")) == [
        EditEvent(20.0, UTC_S, Detail.RESIN, "clear", "tinted", "mqtt")
    ]
    assert watch.handle(edit(Detail.RESIN, "tinted", 30.0)) == []  # already set
    assert watch.snapshot().details == watch.summary().details == {Detail.RESIN: "tinted"}


def test_an_entered_detail_replaces_a_carried_over_one():
    watch = opened()
    watch.handle(edit(Detail.MOULD, "no. 3"))
    watch.handle(edit(Detail.COLOUR, ""))  # entered as none
    for field in TAKEN_OVER:
        watch.handle(edit(field, "as it was", by=LAST_BATCH))
    assert watch.snapshot().details == {
        Detail.MOULD: "no. 3",
        Detail.COLOUR: "",
        Detail.RESIN: "as it was",
    }
    (own,) = watch.handle(edit(Detail.RESIN, "as it was"))
    assert (own.old, own.new, own.by) == ("as it was", "as it was", "anna")


@pytest.mark.parametrize(
    ("field", "text", "said"),
    [
        (Detail.LABEL, "x" * 10_000, "label: 10000 characters; at most 120"),
        (Detail.MASS, "250 stones", "mass: '250 stones' has an unknown unit"),
        (Detail.NOTE, "a\x1b[2Jb", "note: control characters"),
        (Detail.MIXED_AT, "2026-01-01T23:00:00Z", "59 min after now, at most 5 min"),
        (Detail.MIXED_AT, "2025-12-29T22:00:00Z", "before now, at most 24 h"),
    ],
)
def test_an_invalid_detail_is_refused_in_one_line_and_changes_nothing(field, text, said):
    watch = opened()
    watch.feed(sample(60.0))
    (note,) = watch.handle(edit(field, text, 61.0))
    assert isinstance(note, NoteEvent) and note.note is NoteId.REFUSED
    assert said in note.text and note.text.isprintable()
    assert watch.snapshot().details == {}


def test_an_edit_without_a_batch_is_refused_unless_carried_over():
    watch = PotWatch(pot())
    (note,) = watch.handle(edit(Detail.LABEL, "lens"))
    assert isinstance(note, NoteEvent) and "no batch is open" in note.text
    assert watch.handle(edit(Detail.RESIN, "clear", by=LAST_BATCH)) == []


# --- the working time


def slow_fill_alarm_s(mixed_at: str | None = None, utc_s: float | None = UTC_S) -> float | None:
    """When `slow-to-pressure` is raised for a fill from 60 s that stays at 30 psi; 30 min working time."""
    watch = PotWatch(pot(hold_s=7200.0, gel_s=3600.0, working_time_s=1800.0))
    for t_s in itertools.chain(range(0, 120, 2), range(120, 2400, 5)):
        events = watch.feed(sample(float(t_s), min(max((t_s - 60.0) / 2.0, 0.0), 30.0), utc_s))
        if t_s == 118 and mixed_at is not None:
            events += watch.handle(edit(Detail.MIXED_AT, mixed_at, 118.0))
        for one in raised(events):
            if one.alarm is AlarmId.SLOW_TO_PRESSURE:
                return one.t_s
    return None


def test_the_working_time_counts_from_mixing_if_known():
    """Raised 450 s, a quarter of 30 min, before the end; with an on-delay of 10 s."""
    from_fill_s = slow_fill_alarm_s()
    assert from_fill_s == pytest.approx(60.0 + 1350.0 + 10.0, abs=15.0)
    from_mixing_s = slow_fill_alarm_s("2026-01-01T21:48:00Z")  # 720 s before 22:00
    assert from_mixing_s == pytest.approx(-720.0 + 1350.0 + 10.0, abs=15.0)


def test_without_a_wall_clock_the_working_time_counts_from_the_fill():
    assert slow_fill_alarm_s("2026-01-01T21:48:00Z", None) == slow_fill_alarm_s()


def test_a_removed_mixing_time_no_longer_counts():
    watch = PotWatch(pot(hold_s=7200.0, gel_s=3600.0, working_time_s=1800.0))
    watch.feed(sample(0.0))
    watch.handle(Command(Action.OPEN, 0.0))
    watch.feed(sample(10.0))
    before = watch.snapshot().cure
    watch.handle(edit(Detail.MIXED_AT, "2026-01-01T21:48:00Z"))
    assert watch.snapshot().cure.done_s == pytest.approx(before.done_s - 720.0)
    watch.handle(edit(Detail.MIXED_AT, ""))
    assert watch.snapshot().cure.done_s == pytest.approx(before.done_s)


def test_no_working_time_is_reported_left_once_used_up():
    watch = PotWatch(pot(hold_s=7200.0, gel_s=3600.0, working_time_s=1800.0))
    events = []
    for t_s in range(0, 200, 2):
        events += watch.feed(sample(float(t_s), min(max((t_s - 60.0) / 2.0, 0.0), 30.0)))
        if t_s == 100:
            events += watch.handle(edit(Detail.MIXED_AT, "2026-01-01T20:00:00Z", 100.0))
    (text,) = (one.text for one in raised(events) if one.alarm is AlarmId.SLOW_TO_PRESSURE)
    assert "the resin's working time is over" in text and "0 s" not in text


# --- any sequence of edits


TEXTS = st.sampled_from(["", "a", "b", "250 g", "1 lb", "x" * 121]) | st.text(max_size=40)
STEPS = st.lists(st.tuples(st.sampled_from(Detail), TEXTS, WHO), max_size=25)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STEPS)
def test_any_sequence_of_edits_replays_to_the_same_details(tmp_path, steps):
    """By the record's edits, by the batch's row, and by a watch that replays samples and commands."""
    path = tmp_path / f"{next(_fresh)}.db"
    with Store.open(path) as store:
        watch = PotWatch(pot())
        batch: int | None = None

        def tick(t_s: float) -> None:
            nonlocal batch
            for _, command in store.take_commands(t_s):
                for event in watch.handle(command):
                    batch = keep_event(store, POT, batch, event)
            store.append(POT, sample(t_s))
            watch.feed(sample(t_s))

        store.add_command(POT, Action.OPEN, None)
        tick(0.0)
        for number, (field, text, by) in enumerate(steps, 1):
            store.add_command(POT, Action.EDIT, None, text=text, by=by, field=field)
            tick(float(number))
        store.flush()
        assert batch is not None
        standing: dict[Detail, str] = {}
        for each in store.edits(batch):
            assert each.old == standing.get(each.field, "")
            standing[each.field] = each.new
        assert store.batch(batch).details == watch.snapshot().details == standing
        again = PotWatch(pot())
        for _ in feed_again(again, store.samples(POT, 0.0), store.commands(POT, 0.0)):
            pass
        assert again.snapshot() == watch.snapshot()


_fresh = itertools.count()


# --- the service: what is carried over


def next_night(bench: Bench) -> Bench:
    """Start the pot's next night in a record that already has one."""
    after = Bench(VENTED, bench.folder / "next")
    after.record = bench.record
    after.begin("boot-2")
    after.clock.set_utc(VENTED.start_utc_s + 86_400.0)
    return after


@pytest.fixture
def first(tmp_path: Path) -> Bench:
    """A night with every detail entered."""
    bench = rehearse(VENTED, tmp_path)
    said = {field: f"first {field}" for field in Detail if field not in (Detail.MASS, Detail.MIXED_AT)}
    with Store.open(bench.record) as store:
        store.edit(1, said | {Detail.MASS: "250 g", Detail.MIXED_AT: "2026-01-01T21:40:00Z"}, "anna", None)
    return bench


def test_an_automatically_opened_batch_carries_over_resin_mould_and_colour_and_says_so(first):
    bench = next_night(first)
    bench.run_until(600.0)
    assert bench.service.batch_ids[POT] == 2
    taken = {field: f"first {field}" for field in (Detail.RESIN, Detail.MOULD, Detail.COLOUR)}
    assert bench.service.watches[POT].snapshot().details == taken == bench.store.batch(2).details
    assert {each.by for each in bench.store.edits(2)} == {LAST_BATCH}
    bench.service.stop()


def test_carried_over_and_entered_details_survive_a_power_cut(first):
    bench = next_night(first)
    bench.run_until(600.0)
    bench.store.add_command(POT, Action.EDIT, None, text="second resin", by="anna", field=Detail.RESIN)
    bench.run_until(700.0)
    details = bench.service.watches[POT].snapshot().details
    assert details[Detail.RESIN] == "second resin"
    bench.power_cut()
    bench.pass_unwatched(60.0)
    bench.begin("boot-3", boot_at_s=bench.now_s)
    bench.service.tick()
    assert bench.service.watches[POT].snapshot().details == details == bench.store.batch(2).details
    assert len(bench.store.edits(2)) == 4
    bench.service.stop()


def test_details_are_carried_over_despite_a_power_cut_as_the_batch_opens(first):
    bench = next_night(first)
    while bench.service.batch_ids[POT] is None:
        bench.run_until(bench.now_s + 5.0)
    bench.power_cut()
    bench.pass_unwatched(60.0)
    bench.begin("boot-3", boot_at_s=bench.now_s)
    bench.service.tick()
    assert set(bench.store.batch(2).details) == set(TAKEN_OVER)
    bench.service.stop()


def test_details_entered_when_opening_by_hand_are_not_replaced(first):
    bench = next_night(first)
    said = {Detail.RESIN: "new resin", Detail.COLOUR: ""}
    bench.store.add_edits(POT, said, "command line", None, opening=True)
    bench.run_until(60.0)
    assert bench.store.batch(2).details == said | {Detail.MOULD: "first mould"}
    bench.service.stop()


def test_a_rehearsal_carries_nothing_over_from_a_real_batch(first):
    with sqlite3.connect(first.record) as db:
        db.execute("UPDATE run SET rehearsed = NULL")
    db.close()
    bench = next_night(first)
    bench.run_until(600.0)
    assert bench.store.batch(2).details == {}
    bench.service.stop()


# --- over MQTT


def test_details_set_over_mqtt_are_on_the_broker_and_in_the_record(tmp_path):
    base = "potvigil-rehearsal/5/harbour-models-lantern/batch"
    night = NIGHTS["lost-before-gel"]
    with Broker(tmp_path / "broker") as broker:
        bench = Bench(night, tmp_path / "night", link=MqttLink(HOST, broker.port))
        bench.begin()
        bench.run_until(600.0)
        said = {
            "resin": '<b>clear</b>, "slow" 🏴‍☠️',
            "mould": "lens no. 3",
            "colour": "grün",
            "mass": "250 g",
            "mixed-at": "2026-01-01T22:00:00+01:00",
        }
        with broker.listen() as listener:
            go_on_until(bench, has(listener, f"{base}/id"))
            broker.publish(f"{base}/mixed-at/set", b"2026-03-01T00:00:00Z")
            broker.publish(f"{base}/mass/set", b"a lot")
            for name, text in said.items():
                broker.publish(f"{base}/{name}/set", text.encode())
            go_on_until(bench, has(listener, f"{base}/mixed-at", "2026-01-01T21:00:00Z"))
        held = retained(broker)
        assert faults(held, "potvigil-rehearsal", "harbour-models") == []
        said["mixed-at"] = "2026-01-01T21:00:00Z"
        assert {name: held[f"{base}/{name}"].decode() for name in said} == said
        bench.store.flush()
        assert bench.store.batch(1).details == said
        assert {each.by for each in bench.store.edits(1)} == {"mqtt"}
        (refused,) = (e.text for e in bench.events if isinstance(e, NoteEvent) and e.note is NoteId.REFUSED)
        assert refused.startswith("mixed-at: 2026-03-01T00:00:00Z is ") and "after the fill" in refused
        bench.service.stop()
