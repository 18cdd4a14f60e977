"""PotWatch shown every fault: which alarm it raises, which stay silent, and in what words."""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC
from itertools import pairwise
from random import Random

import pytest

from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    Answer,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    Command,
    Detail,
    Event,
    NoteEvent,
    NoteId,
    Outcome,
    Priority,
    Stage,
    Verdict,
)
from potvigil.model.pot import Pot
from potvigil.model.reading import Fault, Place, Sample, Sensor
from potvigil.watch.alarm_states import ConditionWords
from potvigil.watch.pot_watch import PotWatch
from potvigil.wording.alarm import in_words
from potvigil.wording.answer import answer
from potvigil.wording.quantities import TimeTeller
from shut_pot import ATMOSPHERE_PA, PSI, UTC_S, pot

HOUR = 3600.0
Path = Callable[[float], float]  # gauge pressure, psi, over seconds
POT = pot(hold_s=2 * HOUR, gel_s=HOUR, working_time_s=1800.0)


def filled(t_s: float) -> float:
    """Gauge, psi: open for a minute, filled in two, then 60 psi."""
    return min(max((t_s - 60.0) / 2.0, 0.0), 60.0)


def after(from_s: float, path: Path) -> Path:
    return lambda t_s: filled(t_s) if t_s < from_s else path(t_s - from_s)


def vented(at_s: float) -> Path:
    return after(at_s, lambda s: 60.0 * 0.9**s if s < 60 else 0.0)


def night(
    hours: float, gauge_psi: Callable[[float], float] = filled, step_s: float = 2.0
) -> Iterator[Sample]:
    random = Random(7)
    for i in range(int(hours * HOUR / step_s)):
        t_s = i * step_s
        pa = (gauge_psi(t_s) + random.gauss(0.0, 0.03)) * PSI
        yield Sample(t_s, UTC_S + t_s, gauge_pa=pa, gas_c=20.0, ambient_pa=ATMOSPHERE_PA)


@dataclass
class Watched:
    watch: PotWatch
    events: list[Event]

    def raised(self) -> list[AlarmId]:
        return [
            each.alarm
            for each in self.events
            if isinstance(each, AlarmEvent) and each.state is AlarmState.UNACKNOWLEDGED and not each.repeat
        ]

    def notes(self, note: NoteId) -> list[NoteEvent]:
        return [each for each in self.events if isinstance(each, NoteEvent) and each.note is note]

    def closed(self) -> list[BatchSummary]:
        return [each.summary for each in self.events if isinstance(each, BatchClosed)]

    def texts(self) -> list[str]:
        return [
            *(in_words(e, TimeTeller(e.t_s, e.utc_s, UTC)) for e in self.events if isinstance(e, AlarmEvent)),
            *(each.text for each in self.events if isinstance(each, NoteEvent)),
            *(summary.reason for summary in self.closed()),
        ]


def watched(samples: Iterable[Sample], of: Pot = POT) -> Watched:
    watch = PotWatch(of)
    return Watched(watch, [event for sample in samples for event in watch.feed(sample)])


def without_pressure(samples: Iterable[Sample], from_s: float, until_s: float = 1e9) -> Iterator[Sample]:
    fault = Fault(Sensor.TRANSDUCER, "no answer on bus 1 at 0x48, register 0")
    for each in samples:
        dead = from_s <= each.t_s < until_s
        yield replace(each, gauge_pa=None, faults=(fault,)) if dead else each


def without_thermometer(samples: Iterable[Sample], from_s: float, until_s: float = 1e9) -> Iterator[Sample]:
    fault = Fault(Sensor.THERMOMETER, "28-0316a2795aff: file is missing", Place.GAS)
    for each in samples:
        yield replace(each, gas_c=None, faults=(fault,)) if from_s <= each.t_s < until_s else each


def with_gap(samples: Iterable[Sample], from_s: float, until_s: float) -> Iterator[Sample]:
    return (each for each in samples if not from_s <= each.t_s < until_s)


def sagging(psi_per_h: float, from_s: float = 1800.0) -> Path:
    return after(from_s, lambda s: 60.0 - psi_per_h * s / HOUR)


def topped_up_three_times() -> Path:
    # losing 6 psi/h, put back within 10 s every half hour
    def path(s: float) -> float:
        into = s % 1800.0
        return 60.0 - 3.0 * (into / 1800.0 if into < 1790.0 else (1800.0 - into) / 10.0)

    return after(1200.0, path)


SCENES: dict[AlarmId, Callable[[], Watched]] = {
    AlarmId.OVER_PRESSURE: lambda: watched(night(0.5, lambda t_s: filled(t_s) * 1.4)),
    AlarmId.RAPID_LOSS: lambda: watched(night(0.75, sagging(180.0))),
    AlarmId.BELOW_FLOOR: lambda: watched(night(1.5, sagging(40.0, 600.0))),
    AlarmId.FLOOR_AHEAD: lambda: watched(night(1.2, sagging(12.0))),
    AlarmId.LEAK: lambda: watched(night(2.0, sagging(1.5))),
    AlarmId.SUPPLY_MASKING: lambda: watched(night(2.0, topped_up_three_times())),
    AlarmId.SLOW_TO_PRESSURE: lambda: watched(night(0.5, lambda t_s: min(filled(t_s), 30.0))),
    AlarmId.VENTED_EARLY: lambda: watched(night(0.9, vented(0.6 * HOUR))),
    AlarmId.PRESSURE_SENSOR: lambda: watched(without_pressure(night(1.0), 1800.0)),
    AlarmId.THERMOMETER: lambda: watched(without_thermometer(night(1.0), 1800.0)),
    AlarmId.READINGS_STOPPED: lambda: watched(with_gap(night(1.0), 1200.0, 2400.0)),
    AlarmId.TEST: lambda: with_a_test_alarm(),
}
FROM_OUTSIDE = {
    *(AlarmId.WATCH_FAILING, AlarmId.RECORD_FAILING, AlarmId.CLOCK_UNSET),
    *(AlarmId.SIGNALS_FAILING, AlarmId.NOTIFY_FAILING),
}


def with_a_test_alarm() -> Watched:
    seen = watched(night(0.1))
    seen.events += seen.watch.handle(Command(Action.TEST_ALARM, 360.0))
    for each in night(0.2):
        if each.t_s >= 360.0:
            seen.events += seen.watch.feed(each)
    return seen


@pytest.fixture(scope="module")
def scenes() -> dict[AlarmId, Watched]:
    return {alarm: scene() for alarm, scene in SCENES.items()}


@pytest.mark.parametrize("alarm", SCENES)
def test_each_fault_raises_its_alarm(alarm: AlarmId, scenes: dict[AlarmId, Watched]) -> None:
    assert alarm in scenes[alarm].raised()


def test_every_alarm_of_the_pot_has_a_scene() -> None:
    assert set(SCENES) | FROM_OUTSIDE == set(AlarmId)


@pytest.mark.parametrize(
    "alarm",
    [
        AlarmId.PRESSURE_SENSOR,
        AlarmId.THERMOMETER,
        AlarmId.READINGS_STOPPED,
        AlarmId.OVER_PRESSURE,
        AlarmId.SLOW_TO_PRESSURE,
        AlarmId.VENTED_EARLY,
        AlarmId.RAPID_LOSS,
    ],
)
def test_a_root_cause_silences_its_consequences(alarm: AlarmId, scenes: dict[AlarmId, Watched]) -> None:
    assert scenes[alarm].raised() == [alarm]


def test_no_text_calls_anything_safe_or_has_clamps_tightened_under_pressure(
    scenes: dict[AlarmId, Watched],
) -> None:
    texts = [text for seen in scenes.values() for text in seen.texts()]
    assert len(texts) > 20
    for text in texts:
        assert not re.search(r"safe|tighten|screw down|re-?torque", text, re.IGNORECASE), text
        if "clamp" in text:
            asks = re.search(r"after venting[^.]*clamp", text, re.IGNORECASE)
            assert asks or re.search(
                r"do not touch a clamp under pressure|do not touch the lid or clamps", text, re.IGNORECASE
            ), text


def test_no_text_has_an_internal_name_or_a_figure_in_pascal(scenes: dict[AlarmId, Watched]) -> None:
    for seen in scenes.values():
        for text in seen.texts():
            assert not re.search(
                r"\b(HOLDING|SETTLING|None|nan|inf|sigma|trigger|_pa)\b|\dPa\b| Pa\b", text
            ), text


def test_every_alarm_says_what_to_do(scenes: dict[AlarmId, Watched]) -> None:
    verb = re.compile(
        r"(If you did not vent it: shut off|Shut off|Top up|Check|See|Read|Bring|Fill|After venting, check|"
        r"Nothing to do)\b"
    )
    for alarm in SCENES:
        for event in scenes[alarm].events:
            if isinstance(event, AlarmEvent) and event.alarm is alarm and event.text:
                assert verb.match(event.do), (event.do, event.text)
                assert not event.do.endswith(".")
                assert event.text.endswith(".")


def test_the_text_of_a_leak_changes_a_few_times_a_night_not_with_every_estimate() -> None:
    watch, said = PotWatch(pot(hold_s=10 * HOUR)), []
    for sample in night(4.0, sagging(2.2), step_s=5.0):
        watch.feed(sample)
        said.append({each.alarm: (each.do, each.by_s, each.text) for each in watch.snapshot().alarms})
    seen = [alarms.get(AlarmId.FLOOR_AHEAD) for alarms in said]
    assert seen[-1] is not None
    assert sum(a != b for a, b in pairwise(seen)) <= 20  # of 700 estimates


def test_floor_ahead_gives_a_clock_time_or_else_a_time_from_now(scenes: dict[AlarmId, Watched]) -> None:
    by_clock = [e for e in scenes[AlarmId.FLOOR_AHEAD].events if isinstance(e, AlarmEvent)]
    assert any(re.search(r"about \d\d:\d\d", each.text) for each in by_clock)
    unset = watched(replace(each, utc_s=None) for each in night(1.2, sagging(12.0)))
    texts = [e.text for e in unset.events if isinstance(e, AlarmEvent) and e.alarm is AlarmId.FLOOR_AHEAD]
    assert texts
    assert all(
        re.search(r"in about \d+ (min|h)", text) and not re.search(r"\d\d:\d\d", text) for text in texts
    )


def test_without_readings_the_snapshot_is_all_unknown() -> None:
    snapshot = PotWatch(POT).snapshot()
    assert snapshot.stage is Stage.OPEN
    seen = watched([Sample(float(t_s)) for t_s in range(14)])
    assert seen.events == []
    for each in (snapshot, seen.watch.snapshot()):
        reading = each.reading
        assert (reading.gauge_pa, reading.absolute_pa, reading.gas_k) == (None, None, None)
        assert (each.leak, each.forecast, each.change, each.cure, each.corrected_gauge_pa) == (None,) * 5
    assert seen.watch.summary() is None


def test_a_dead_transducer_keeps_the_stage_and_the_last_estimate() -> None:
    seen = watched(without_pressure(night(1.5), 4500.0))
    assert seen.watch.stage is Stage.HOLDING
    assert seen.watch.snapshot().reading.gauge_pa is None
    assert seen.watch.snapshot().change is None
    assert seen.watch.snapshot().leak is not None
    assert seen.closed() == []


def test_a_recovered_thermometer_is_noted() -> None:
    seen = watched(without_thermometer(night(1.0), 1800.0, 2400.0))
    assert len(seen.notes(NoteId.THERMOMETER_BACK)) == 1
    assert seen.raised() == [AlarmId.THERMOMETER]


def test_losing_the_mould_thermometer_is_reported_as_a_loss_for_the_cure() -> None:
    of = replace(POT, thermometers=frozenset({Place.GAS, Place.CONTENTS}))
    fault = Fault(Sensor.THERMOMETER, "28-0519b4d6e1cc: file is missing", Place.CONTENTS)
    warm = (replace(each, contents_c=24.0) for each in night(1.0))
    seen = watched(
        (each if each.t_s < 1800.0 else replace(each, contents_c=None, faults=(fault,)) for each in warm), of
    )
    assert seen.raised() == [AlarmId.THERMOMETER]
    text = next(each.text for each in seen.events if isinstance(each, AlarmEvent))
    assert text.startswith("Contents thermometer: 28-0519b4d6e1cc: file is missing. Monitoring continues;")
    assert "the resin's own temperature" in text
    assert "a small leak" not in text  # the one in the gas is there


def test_a_sound_batch_gets_held_and_one_note_at_the_end_of_the_cure() -> None:
    seen = watched(night(2.3, vented(2.1 * HOUR)))
    assert seen.raised() == []
    assert [summary.verdict for summary in seen.closed()] == [Verdict.HELD]
    assert len(seen.notes(NoteId.CURE_DONE)) == 1
    assert seen.notes(NoteId.CURE_DONE)[0].t_s == pytest.approx(2 * HOUR + 64.0, abs=10.0)
    summary = seen.closed()[0]
    assert summary.hold_end_gauge_pa == pytest.approx(60 * PSI, rel=0.01)  # leaves out the vent
    assert list(summary.stages) == [Stage.OPEN, Stage.FILLING, Stage.SETTLING, Stage.HOLDING, Stage.VENTING]


@pytest.mark.parametrize(
    ("scene", "verdict"),
    [
        (lambda: night(2.3, vented(0.6 * HOUR)), Verdict.VENTED_EARLY),
        (lambda: with_gap(night(2.3, vented(2.1 * HOUR)), 2000.0, 6000.0), Verdict.INCOMPLETE),
        (
            lambda: night(2.4, lambda t_s: sagging(1.5)(t_s) if t_s < 2.1 * HOUR else 0.0),
            Verdict.LEAKED,
        ),
        (
            lambda: night(2.4, lambda t_s: sagging(20.0)(t_s) if t_s < 2.1 * HOUR else 0.0),
            Verdict.FELL_BELOW_FLOOR,
        ),
    ],
    ids=lambda value: value.value if isinstance(value, Verdict) else "",
)
def test_each_scene_gets_its_verdict(scene: Callable[[], Iterator[Sample]], verdict: Verdict) -> None:
    assert [summary.verdict for summary in watched(scene()).closed()] == [verdict]


def test_each_top_up_is_noted_once() -> None:
    seen = watched(night(1.9, topped_up_three_times()))
    assert len(seen.notes(NoteId.TOP_UP)) == 3
    assert seen.watch.snapshot().top_ups == 3
    assert seen.watch.stage is Stage.HOLDING


def test_parts_of_the_change_add_up() -> None:
    for path in (filled, sagging(3.0), topped_up_three_times()):
        change = watched(night(1.8, path)).watch.snapshot().change
        assert change is not None
        parts = change.cooling_pa + change.barometer_pa + change.leak_pa + change.top_up_pa
        assert parts == pytest.approx(change.total_pa, abs=1e-6)


@pytest.mark.parametrize("celsius", [20.0, None])
def test_a_top_up_is_a_part_of_the_change(celsius: float | None) -> None:
    path = after(6000.0, lambda s: 60.0 + min(s / 5.0, 4.0))  # after the longest settling
    seen = watched((replace(each, gas_c=celsius) for each in night(1.9, path)), pot(thermometers=frozenset()))
    change = seen.watch.snapshot().change
    assert change is not None
    assert change.top_up_pa == pytest.approx(4.0 * PSI, abs=0.3 * PSI)
    parts = change.cooling_pa + change.barometer_pa + change.leak_pa + change.top_up_pa
    assert parts == pytest.approx(change.total_pa, abs=1e-6)


@pytest.mark.parametrize(
    ("command", "why"),
    [
        (Command(Action.EDIT, 0.0, text="lens"), "the detail"),
        (Command(Action.CLOSE, 0.0), "no batch is open"),
        (Command(Action.SHELVE, 0.0), "the alarm"),
        (Command(Action.SHELVE, 0.0, AlarmId.OVER_PRESSURE), "over-pressure is not active"),
        (Command(Action.ACKNOWLEDGE, 0.0, AlarmId.LEAK), "leak is not active"),
    ],
)
def test_an_impossible_command_is_refused_and_changes_nothing(command: Command, why: str) -> None:
    watch = PotWatch(POT)
    before = watch.snapshot()
    (note,) = watch.handle(command)
    assert isinstance(note, NoteEvent) and note.note is NoteId.REFUSED and why in note.text
    assert watch.snapshot() == before
    assert answer(command, [note], None) == Answer(Outcome.REFUSED, note.text)


def test_a_second_batch_cannot_be_opened_while_one_is_open() -> None:
    watch = PotWatch(POT)
    assert isinstance(watch.handle(Command(Action.OPEN, 0.0))[0], BatchOpened)
    (note,) = watch.handle(Command(Action.OPEN, 1.0))
    assert isinstance(note, NoteEvent) and "a batch is already open" in note.text


@pytest.mark.parametrize("asked", ["", *Priority])
def test_each_test_alarm_has_the_priority_requested_for_it(asked: str) -> None:
    seen = watched(night(0.1))
    tests = ((asked, asked or Priority.LOW), ("", Priority.LOW))
    for number, (text, priority) in enumerate(tests):
        begun_s = 360.0 + 120.0 * number
        seen.watch.handle(Command(Action.TEST_ALARM, begun_s, text=text))
        events = []
        for each in night(0.2):
            if begun_s <= each.t_s < begun_s + 120.0:
                events += seen.watch.feed(each)
                if each.t_s < begun_s + 55.0:
                    (standing,) = seen.watch.snapshot().alarms
                    assert (standing.alarm, standing.priority) == (AlarmId.TEST, priority)
        assert {event.priority for event in events if isinstance(event, AlarmEvent)} == {priority}
        seen.watch.handle(Command(Action.ACKNOWLEDGE, begun_s + 120.0))


def test_a_test_alarm_without_a_valid_priority_is_refused() -> None:
    (note,) = PotWatch(POT).handle(Command(Action.TEST_ALARM, 1.0, text="loud"))
    assert isinstance(note, NoteEvent) and "no priority 'loud'; give high, medium, low" in note.text


def test_a_shelved_high_test_alarm_does_not_silence_the_next() -> None:
    seen = watched(night(0.1))
    seen.watch.handle(Command(Action.TEST_ALARM, 360.0, text="high"))
    samples = [each for each in night(0.3) if each.t_s >= 360.0]
    seen.watch.feed(samples[0])
    seen.watch.handle(Command(Action.SHELVE, 361.0, AlarmId.TEST, duration_s=86_400.0))
    for each in samples[1:200]:
        seen.watch.feed(each)
    assert seen.watch.snapshot().alarms == ()
    assert seen.watch.handle(Command(Action.TEST_ALARM, 600.0)) == []


def test_a_test_alarm_that_would_be_silent_is_refused() -> None:
    watch = PotWatch(POT)
    watch.handle(Command(Action.SHELVE, 0.0, AlarmId.TEST, duration_s=600.0))
    (note,) = watch.handle(Command(Action.TEST_ALARM, 1.0))
    assert isinstance(note, NoteEvent) and "the test alarm is shelved" in note.text


@pytest.mark.parametrize("transducer", ["reads", "dead"])
def test_no_top_up_is_advised_after_the_cure(transducer: str) -> None:
    of = pot(hold_s=HOUR)
    samples = list(night(1.3, sagging(40.0, 600.0)))
    if transducer == "dead":
        samples = list(without_pressure(samples, 0.9 * HOUR))
    watch, said = PotWatch(of), []
    for sample in samples:
        watch.feed(sample)
        snapshot = watch.snapshot()
        if snapshot.cure is not None:
            below = [each for each in snapshot.alarms if each.alarm is AlarmId.BELOW_FLOOR]
            texts = [". ".join(filter(None, (each.do, each.text))) for each in below]
            said.append((snapshot.cure.progress >= 1.0, texts))
    assert any("Top up to 60.0 psi now" in text for is_done, texts in said for text in texts if not is_done)
    assert {text for is_done, texts in said for text in texts if is_done} == {
        "It was below the floor before the cure was done."
    }


@pytest.mark.parametrize(
    ("gel_s", "hold_s", "advice"),
    [
        (None, 0.9 * HOUR, "Nothing to do before venting; then inspect the cast"),
        (None, 3.0 * HOUR, "Top up to 60.0 psi now"),
        (0.5 * HOUR, 3.0 * HOUR, "Top up to 60.0 psi now"),
        (1.5 * HOUR, 3.0 * HOUR, "Top up to 60.0 psi now"),
    ],
)
def test_topping_up_is_advised_only_while_it_helps(gel_s: float | None, hold_s: float, advice: str) -> None:
    seen = watched(night(0.9, sagging(40.0, 600.0)), pot(hold_s=hold_s, gel_s=gel_s))
    (below,) = [each for each in seen.watch.snapshot().alarms if each.alarm is AlarmId.BELOW_FLOOR]
    assert below.do == advice
    assert ("The resin has gelled" in below.text) is (gel_s == 0.5 * HOUR)
    assert ("If the resin has gelled" in below.text) is (gel_s is None and hold_s == 3.0 * HOUR)
    assert ("too late" in below.text) is (hold_s == 0.9 * HOUR)


def edit(field: Detail, text: str, t_s: float, by: str = "anna") -> Command:
    return Command(Action.EDIT, t_s, text=text, by=by, field=field)


def test_a_batch_opened_and_labelled_by_hand_closes_when_the_pot_is_vented() -> None:
    seen = watched(night(0.01))
    seen.events += seen.watch.handle(Command(Action.OPEN, 40.0))
    seen.events += seen.watch.handle(edit(Detail.LABEL, "harbour lens, clear", 40.0))
    for each in night(1.0):
        if each.t_s > 40.0:
            seen.events += seen.watch.feed(each)
    seen.events += seen.watch.handle(edit(Detail.NOTE, "second pour", 3600.0))
    vented = [replace(each, t_s=each.t_s + 3600.0, gauge_pa=0.0) for each in night(0.02)]
    seen.events += [event for each in vented for event in seen.watch.feed(each)]
    assert len([each for each in seen.events if isinstance(each, BatchOpened)]) == 1
    (summary,) = seen.closed()
    assert (summary.label, summary.note) == ("harbour lens, clear", "second pour")
    assert seen.watch.summary() is None


@pytest.mark.parametrize("hours", [0.3, 1.0])
def test_no_command_ends_the_watch_over_a_pot_under_pressure(hours: float) -> None:
    seen = watched(night(hours))
    (refused,) = seen.watch.handle(Command(Action.CLOSE, hours * HOUR))
    assert isinstance(refused, NoteEvent) and refused.note is NoteId.REFUSED
    assert "under pressure" in refused.text and "vented" in refused.text
    assert seen.watch.summary() is not None
    # and its alarms are still raised
    fallen = [replace(each, gauge_pa=40.0 * PSI) for each in night(hours + 0.3) if each.t_s > hours * HOUR]
    events = [event for each in fallen for event in seen.watch.feed(each)]
    assert {each.alarm for each in events if isinstance(each, AlarmEvent)} & {
        AlarmId.BELOW_FLOOR,
        AlarmId.RAPID_LOSS,
    }


def test_a_batch_can_be_closed_when_the_pressure_is_unknown_or_zero() -> None:
    seen = watched(night(0.01))
    seen.watch.handle(Command(Action.OPEN, 40.0))
    assert isinstance(seen.watch.handle(Command(Action.CLOSE, 41.0))[-1], BatchClosed)
    seen = watched(without_pressure(night(0.5), 900.0))
    assert isinstance(seen.watch.handle(Command(Action.CLOSE, 1800.0))[-1], BatchClosed)
    assert seen.watch.summary() is None


def test_a_shelving_without_a_duration_still_ends() -> None:
    seen = watched(without_pressure(night(0.5), 900.0))
    seen.watch.handle(Command(Action.SHELVE, 1800.0, alarm=AlarmId.PRESSURE_SENSOR))
    assert [each.state for each in seen.watch.snapshot().alarms] == [AlarmState.SHELVED]
    later = [each for each in without_pressure(night(2.0, step_s=10.0), 900.0) if each.t_s > 1800.0]
    events = [event for each in later for event in seen.watch.feed(each)]
    assert [each.alarm for each in events if isinstance(each, AlarmEvent)][:1] == [AlarmId.PRESSURE_SENSOR]


def test_a_fault_outside_the_pot_raises_its_alarm() -> None:
    watch = PotWatch(POT)
    watch.report(AlarmId.RECORD_FAILING, ConditionWords("Make room", "The disk is full."))
    seen = Watched(watch, [event for each in night(0.1) for event in watch.feed(each)])
    assert seen.raised() == [AlarmId.RECORD_FAILING]


@pytest.mark.parametrize("gel_s", [None, 2.0 * HOUR])
def test_vented_early_does_not_mention_an_unknown_gel_time(gel_s: float | None) -> None:
    seen = watched(night(0.9, vented(0.6 * HOUR)), pot(hold_s=3.0 * HOUR, gel_s=gel_s))
    (early,) = [each for each in seen.watch.snapshot().alarms if each.alarm is AlarmId.VENTED_EARLY]
    (closed,) = seen.closed()
    assert ("before gel" in early.text) is (gel_s is not None)
    assert ("before the resin had gelled" in closed.reason) is (gel_s is not None)
