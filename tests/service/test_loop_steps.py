"""The steps of the loop, in their order, and what it does where one of them is refused."""

import logging
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from potvigil.clock import Instant, ManualClock
from potvigil.model.events import (
    LAST_BATCH,
    Action,
    AlarmId,
    Answer,
    BatchClosed,
    BatchOpened,
    Command,
    Detail,
    EditEvent,
    Event,
    NoteEvent,
    NoteId,
    Outcome,
)
from potvigil.model.reading import Sample
from potvigil.outputs import systemd
from potvigil.outputs.broker.homie_set import SetCommand
from potvigil.record.errors import DamagedRecordError, LockedRecordError, RecordWriteError
from potvigil.record.store import Store
from potvigil.record.tables.commands import COMMANDS_A_TICK
from potvigil.service import loop
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.watch.alarm_states import ConditionWords
from record_night import CLOSED, UTC_S

ONE = load_text(f"{NIGHTS['sound'].settings_yaml}sample_period: 5 s\n", "the demo studio")
SETTINGS = ONE.model_copy(update={"pots": {"lantern": ONE.pots["lantern"], "mast": ONE.pots["lantern"]}})
FULL = RecordWriteError("no room on the disk")


class Steps:
    """A service whose record is real, and whose watches, wires and ways out write down what they are told.

    said: a line each. events: what the watch of a pot answers to its next sample.
    """

    def __init__(self, folder: Path, **options: Any) -> None:
        self.said: list[str] = []
        self.events: dict[str, list[Event]] = {}
        self.told: list[tuple[str, int | None, Event]] = []
        self.reports: dict[AlarmId, list[ConditionWords | None]] = {}
        self.handled: list[Command] = []
        self.clock = ManualClock(100.0, UTC_S)
        self.store = Store.open_for_watch(folder / "record.db")
        self.service = Service(
            SETTINGS,
            self.clock,
            "boot-1",
            SimpleNamespace(read=self._read, close=lambda: self.say("wires closed")),  # type: ignore[arg-type]
            self.store,
            on_event=lambda *told: self.told.append(told),
            **options,
        )

    def say(self, line: str) -> None:
        self.said.append(line)

    def start(self) -> None:
        self.service.start()
        self.service.watches = {pot: self._watch(pot) for pot in SETTINGS.pots}
        self.service._pasts = {pot: self._past(pot) for pot in SETTINGS.pots}

    def tick(self, seconds: float = 5.0) -> list[str]:
        """Let time pass and tick; return what was said."""
        self.clock.sleep_until(self.clock.now().boot_s + seconds)
        before = len(self.said)
        self.service.tick()
        return self.said[before:]

    def last_report(self, alarm: AlarmId) -> ConditionWords | None:
        return self.reports[alarm][-1]

    def _read(self, t_s: float, now: Instant) -> list[tuple[str, Sample]]:
        self.say(f"read at {t_s:g}")
        return [(pot, Sample(t_s, now.utc_s)) for pot in SETTINGS.pots]

    def _watch(self, pot: str) -> Any:
        def feed(sample: Sample) -> list[Event]:
            self.say(f"{pot} fed {sample.t_s:g}")
            return self.events.pop(pot, [])

        def handle(command: Command) -> list[Event]:
            self.say(f"{pot} asked to {command.action}")
            self.handled.append(command)
            return []

        def report(alarm: AlarmId, told: ConditionWords | None) -> None:
            if pot == "mast":  # the last of them: every watch is told
                self.reports.setdefault(alarm, []).append(told)

        snapshot = SimpleNamespace(alarms=(pot,), batch_start_s=None)
        return SimpleNamespace(feed=feed, handle=handle, report=report, snapshot=lambda: snapshot)

    def _past(self, pot: str) -> Any:
        return SimpleNamespace(
            hear=lambda batch, event: self.say(f"past of {pot} hears {type(event).__name__} of {batch}"),
            keep=lambda batch: self.say(f"past of {pot} keeps {batch}"),
        )


@pytest.fixture
def steps(tmp_path: Path) -> Iterator[Steps]:
    steps = Steps(tmp_path)
    steps.start()
    yield steps
    steps.store.close()


def refuse(monkeypatch: pytest.MonkeyPatch, steps: Steps, name: str, error: Exception = FULL) -> None:
    def refused(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(steps.store, name, refused)


# --- a run from its start to its end


def test_a_run_is_started_ticked_and_stopped_in_this_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("ready", "ping_watchdog", "stopping"):
        monkeypatch.setattr(systemd, name, lambda *said, name=name: steps.say(" ".join((name, *said))))
    monkeypatch.setattr(
        "potvigil.outputs.broker.mqtt.MqttOutput",
        lambda link, workshop, pots, rehearsed, hear: SimpleNamespace(
            start=lambda: steps.say(f"broker of {workshop}, rehearsed {rehearsed}"),
            publish=lambda snapshots, batches: steps.say(f"published {[*snapshots]} {[*batches.values()]}"),
            hear=lambda pot, event: steps.say(f"broker hears {type(event).__name__} of {pot}"),
            stop=lambda: steps.say("broker left"),
        ),
    )
    live = SimpleNamespace(
        begin=lambda offset_s, start_s: steps.say(f"live from {offset_s:g} {start_s:g}"),
        write=lambda snapshots, batches: steps.say(f"live {[*snapshots]} {[*batches.values()]}"),
    )
    signals = SimpleNamespace(
        start=lambda ask: steps.say("signals"),
        hear=lambda pot, event: steps.say(f"signals hear {type(event).__name__} of {pot}"),
        show=lambda boot_s, utc_s, standing: steps.say(f"shown at {boot_s:g} {utc_s - UTC_S:g} {standing}"),
        close=lambda: steps.say("dark"),
        fault=None,
    )
    steps = Steps(tmp_path, link=object(), live=live, signals=signals)
    steps.start()
    workshop = SETTINGS.workshop
    assert steps.said == [
        "live from 0 100",
        f"broker of {workshop}, rehearsed False",
        "signals",
        "ready watching lantern, mast",
    ]
    steps.events["mast"] = [NoteEvent(105.0, None, NoteId.TOP_UP, "")]
    assert steps.tick() == [
        "read at 105",
        "lantern fed 105",
        "mast fed 105",
        "past of mast hears NoteEvent of None",
        "signals hear NoteEvent of mast",
        "broker hears NoteEvent of mast",
        "published ['lantern', 'mast'] [None, None]",
        "live ['lantern', 'mast'] [None, None]",
        "shown at 105 5 {'lantern': ('lantern',), 'mast': ('mast',)}",
        "ping_watchdog",
    ]
    before = len(steps.said)
    steps.service.stop()
    assert steps.said[before:] == ["stopping", "broker left", "dark", "wires closed"]
    with Store.open_read_only(tmp_path / "record.db") as kept:
        assert [s.t_s for s in kept.samples("lantern", 0.0)] == [105.0]
        (run,) = kept.runs()
        assert (run.boot_id, run.start_t_s, run.start_utc_s, run.rehearsed) == ("boot-1", 100.0, UTC_S, None)


@pytest.mark.parametrize("way", ["_mqtt", "_live", "_signals"])
def test_each_way_out_does_without_the_others(steps: Steps, way: str) -> None:
    said: list[str] = []
    told = SimpleNamespace(fault=None, hear=lambda *_: None)
    for name in ("publish", "write", "show"):
        setattr(told, name, lambda *_, name=name: said.append(name))
    setattr(steps.service, way, told)
    steps.tick()
    assert said == [{"_mqtt": "publish", "_live": "write", "_signals": "show"}[way]]


@pytest.mark.parametrize(
    ("error", "remedy"), [(DamagedRecordError("broken"), "begin_anew"), (FULL, "do_without")]
)
def test_a_record_that_fails_at_the_start_is_begun_anew_or_done_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, remedy: str
) -> None:
    steps = Steps(tmp_path)
    begin_run, begun = steps.store.begin_run, []

    def begin(*told: Any) -> float:
        begun.append(told)
        if len(begun) == 1:
            raise error
        return begin_run(*told)

    monkeypatch.setattr(steps.store, "begin_run", begin)
    for name in ("begin_anew", "do_without"):
        monkeypatch.setattr(steps.store, name, lambda why, name=name: steps.say(f"{name}: {why}"))
    steps.start()
    assert steps.said == [f"{remedy}: {error}"]
    assert len(begun) == 2
    assert steps.tick()[0] == "read at 105"
    steps.store.close()


def test_the_loop_ends_at_its_time_or_when_it_is_asked_to(steps: Steps) -> None:
    steps.service.run(until_s=110.0)
    assert [line for line in steps.said if "read" in line] == ["read at 100", "read at 105", "read at 110"]
    slept: list[float] = []
    sleep = steps.clock.sleep_until

    def sleep_until(boot_s: float) -> None:
        slept.append(boot_s)
        sleep(boot_s)
        if boot_s >= 113.0:
            steps.service.request_stop()

    steps.clock.sleep_until = sleep_until  # type: ignore[method-assign]
    steps.service.run()
    assert slept == [111.0, 112.0, 113.0]  # a request is heard within a second
    assert steps.said[-1] == "mast fed 110"


# --- what is asked


def test_of_what_is_asked_a_hundred_wait_and_the_rest_is_told_to_try_again(
    steps: Steps, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        for _ in range(COMMANDS_A_TICK + 1):
            steps.service._ask("lantern", Command(Action.ACKNOWLEDGE, 0.0, by="button"))
    assert [record.getMessage() for record in caplog.records] == [
        "lantern: too many requests at once; try again"
    ]
    steps.tick()
    assert [each.t_s for each in steps.handled] == [105.0] * COMMANDS_A_TICK
    assert steps.tick() == ["read at 110", "lantern fed 110", "mast fed 110"]


def test_what_the_broker_brings_is_asked_in_its_name(steps: Steps) -> None:
    steps.service._hear_mqtt(SetCommand("mast", Action.EDIT, text="sand", field=Detail.MOULD))
    steps.service._hear_mqtt(SetCommand("lantern", Action.SHELVE, alarm=AlarmId.LEAK))
    assert steps.tick()[:2] == ["mast asked to edit", "lantern asked to shelve"]
    edit, shelve = (replace(each, row=None) for each in steps.handled)
    assert edit == Command(Action.EDIT, 105.0, None, "sand", None, "mqtt", Detail.MOULD)
    assert shelve == Command(Action.SHELVE, 105.0, AlarmId.LEAK, by="mqtt")


def test_what_the_record_refuses_to_keep_is_carried_out_all_the_same(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.service._ask("lantern", Command(Action.ACKNOWLEDGE, 0.0, by="button"))
    refuse(monkeypatch, steps, "add_commands")
    refuse(monkeypatch, steps, "take_commands")
    steps.tick()
    assert steps.handled == [Command(Action.ACKNOWLEDGE, 105.0, by="button")]


def test_what_is_asked_of_a_pot_that_is_gone_is_refused(steps: Steps) -> None:
    asked = steps.store.add_command("buoy", Action.CLOSE, None)
    asked_too = steps.store.add_command("mast", Action.CLOSE, None)
    assert steps.tick()[0] == "mast asked to close"
    (row,) = steps.store.asked(asked)
    assert row.answer == Answer(Outcome.REFUSED, "the watch no longer has a pot buoy; see its settings")
    (row,) = steps.store.asked(asked_too)
    assert row.answer is not None


@pytest.mark.parametrize(
    ("by", "outcome", "reflected"),
    [("mqtt", Outcome.DONE, True), ("anna", Outcome.DONE, False), ("mqtt", Outcome.REFUSED, False)],
)
def test_the_broker_is_shown_what_it_asked_for_and_was_done(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, by: str, outcome: Outcome, reflected: bool
) -> None:
    shown: list[tuple[str, Action]] = []
    steps.service._mqtt = SimpleNamespace(  # type: ignore[assignment]
        reflect=lambda pot, command: shown.append((pot, command.action)), publish=lambda *_: None
    )
    monkeypatch.setattr(loop, "answer", lambda *_: Answer(outcome, ""))
    steps.service._ask("mast", Command(Action.OPEN, 0.0, by=by))
    steps.tick()
    assert shown == ([("mast", Action.OPEN)] if reflected else [])


@pytest.mark.parametrize(
    ("action", "outcome", "waits"),
    [
        (Action.TEST_ALARM, Outcome.DONE, True),
        (Action.TEST_ALARM, Outcome.REFUSED, False),
        (Action.OPEN, Outcome.DONE, False),
    ],
)
def test_a_test_alarm_is_answered_once_it_is_known_by_which_ways_it_went(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, action: Action, outcome: Outcome, waits: bool
) -> None:
    monkeypatch.setattr(loop, "answer", lambda *_: Answer(outcome, "at once"))
    asked = steps.store.add_command("mast", action, None)
    steps.tick()
    (row,) = steps.store.asked(asked)
    assert (row.answer is None) is waits
    steps.tick()
    (row,) = steps.store.asked(asked)
    assert row.answer is not None
    assert (row.answer.text == "at once") is not waits


# --- what happens


OPENED, EDIT = BatchOpened(105.0, UTC_S + 5.0), EditEvent(105.0, None, Detail.LABEL, "", "x", "anna")


def test_each_event_is_told_in_order_with_its_batch(steps: Steps) -> None:
    closed = replace(CLOSED, t_s=110.0)
    steps.events = {"mast": [OPENED, EDIT]}
    steps.tick()
    steps.events = {"mast": [closed]}
    assert [line for line in steps.tick() if line.startswith("past")] == [
        "past of mast hears BatchClosed of None",
        "past of mast keeps 1",
    ]
    assert [(pot, batch, type(event)) for pot, batch, event in steps.told] == [
        ("mast", 1, BatchOpened),
        ("mast", 1, EditEvent),
        ("mast", 1, BatchClosed),  # named by the batch it ends
    ]
    assert steps.service.batch_ids == {"lantern": None, "mast": None}
    assert steps.store.batch(1).end_t_s == 110.0


def test_care_that_is_due_is_told_once_the_opening_is_known_everywhere(steps: Steps) -> None:
    steps.store.add_care("mast", UTC_S - 9e6, "seal", "greased", "anna", UTC_S, due_utc_s=UTC_S - 1e6)
    steps.events = {"mast": [OPENED], "lantern": [OPENED]}
    steps.tick()
    opened, due = (event for pot, _, event in steps.told if pot == "mast")
    assert opened == OPENED
    assert isinstance(due, NoteEvent)
    assert (due.t_s, due.utc_s, due.note) == (105.0, UTC_S + 5.0, NoteId.CARE_DUE)
    assert [event for pot, _, event in steps.told if pot == "lantern"] == [OPENED]


@pytest.mark.parametrize("why", ["no wall time", "the record cannot be read"])
def test_care_is_not_told_where_it_cannot_be_known(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, why: str
) -> None:
    steps.store.add_care("mast", UTC_S - 9e6, "seal", "greased", "anna", UTC_S, due_utc_s=UTC_S - 1e6)
    if why != "no wall time":
        refuse(monkeypatch, steps, "cares")
    opened = replace(OPENED, utc_s=None) if why == "no wall time" else OPENED
    steps.events = {"mast": [opened]}
    steps.tick()
    assert [event for _, _, event in steps.told] == [opened]


def test_a_batch_takes_over_what_the_last_of_the_pot_was_made_of(steps: Steps) -> None:
    steps.events = {"mast": [OPENED]}
    steps.tick()
    assert steps.tick()[0] == "read at 110"  # of the first, nothing is asked
    steps.events = {"mast": [CLOSED]}
    steps.tick()
    made_of = {Detail.RESIN: "clear", Detail.COLOUR: "blue", Detail.LABEL: "lenses"}
    steps.store.edit(1, made_of, "anna", None)
    steps.events = {"lantern": [OPENED]}
    steps.tick()
    assert steps.tick()[0] == "read at 125"  # another pot's is nobody's
    steps.events = {"mast": [OPENED]}
    steps.tick()
    assert steps.tick()[:2] == ["mast asked to edit", "mast asked to edit"]
    assert [(each.field, each.text, each.by) for each in steps.handled] == [
        (Detail.RESIN, "clear", LAST_BATCH),
        (Detail.COLOUR, "blue", LAST_BATCH),
    ]


def test_the_last_batch_is_the_one_before_it_also_where_its_own_row_is_written_already(steps: Steps) -> None:
    for _ in range(2):
        steps.events = {"mast": [OPENED, CLOSED]}
        steps.tick()
    steps.store.edit(1, {Detail.RESIN: "clear"}, "anna", None)
    steps.service._take_over("mast", 2, None)
    steps.tick()
    assert [each.text for each in steps.handled] == ["clear"]


@pytest.mark.parametrize(
    ("last", "now", "takes_over"),
    [(None, None, True), ("sound", "leak", True), ("sound", None, False), (None, "sound", False)],
)
def test_a_real_batch_takes_nothing_over_from_a_rehearsed_one_nor_the_other_way_round(
    tmp_path: Path, last: str | None, now: str | None, takes_over: bool
) -> None:
    before = Steps(tmp_path, rehearsed=last)
    before.start()
    before.events = {"mast": [OPENED]}
    before.tick()
    before.events = {"mast": [CLOSED]}
    before.tick()
    before.store.edit(1, {Detail.RESIN: "clear"}, "anna", None)
    before.service.stop()
    after = Steps(tmp_path, rehearsed=now)
    after.start()
    after.events = {"mast": [OPENED]}
    after.tick()
    after.tick()
    assert [each.field for each in after.handled] == ([Detail.RESIN] if takes_over else [])
    after.service.stop()


@pytest.mark.parametrize(
    ("refused", "asked"),
    [
        ("batches", []),
        ("add_edits", [Command(Action.EDIT, 120.0, None, "clear", None, LAST_BATCH, Detail.RESIN)]),
    ],
)
def test_what_cannot_be_read_is_not_taken_over_and_what_cannot_be_asked_is_asked_once_more(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, refused: str, asked: list[Command]
) -> None:
    steps.events = {"mast": [OPENED]}
    steps.tick()
    steps.events = {"mast": [CLOSED]}
    steps.tick()
    steps.store.edit(1, {Detail.RESIN: "clear"}, "anna", None)
    with monkeypatch.context() as refusing:
        refuse(refusing, steps, refused)
        steps.events = {"mast": [OPENED]}
        steps.tick()
    assert steps.handled == []
    steps.tick()
    assert [replace(each, row=None) for each in steps.handled] == asked


@pytest.mark.parametrize(
    ("known_utc_s", "start_s", "less_t_s", "dated_utc_s"),
    [
        (None, 105.0, UTC_S, UTC_S + 105.0),
        (UTC_S + 104.0, 105.0, UTC_S, UTC_S + 104.0),  # within a second: the two clocks are read one by one
        (UTC_S + 103.9, 105.0, UTC_S, UTC_S + 105.0),
        (UTC_S + 106.1, 105.0, UTC_S, UTC_S + 105.0),
        (None, 50.0, UTC_S, None),  # in an earlier boot
        (None, 60.0, UTC_S, UTC_S + 60.0),
        (None, 105.0, None, None),  # never set
    ],
)
def test_a_closing_has_its_begin_in_the_wall_time_that_is_known_by_then(
    steps: Steps,
    known_utc_s: float | None,
    start_s: float,
    less_t_s: float | None,
    dated_utc_s: float | None,
) -> None:
    steps.service._axis_offset_s, steps.service._utc_less_t_s = 60.0, less_t_s
    closed = replace(CLOSED, summary=replace(CLOSED.summary, start_s=start_s, start_utc_s=known_utc_s))
    dated = steps.service._dated(closed)
    assert dated == replace(closed, summary=replace(closed.summary, start_utc_s=dated_utc_s))
    assert steps.service._dated(OPENED) is OPENED


# --- what the watches are told of what they share


def test_a_record_that_cannot_be_written_is_told_and_then_what_was_lost(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) is None
    with monkeypatch.context() as refusing:
        refuse(refusing, steps, "commit_due")
        steps.tick()
        told = steps.last_report(AlarmId.RECORD_FAILING)
        assert told == ConditionWords(
            "Find out why the record cannot be written",
            "Nothing is being recorded: no room on the disk. The pot is still monitored, and alarms still "
            "work.",
        )
        steps.store.dropped_samples = 7
        steps.tick()
        told = steps.last_report(AlarmId.RECORD_FAILING)
        assert told is not None and told.text.endswith("Memory is full: 7 readings could not be kept.")
    assert steps.told == []
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) is None
    lost = [(pot, event.note, event.text.count("7 readings")) for pot, _, event in steps.told]  # type: ignore[union-attr]
    assert lost == [("lantern", NoteId.READINGS_LOST, 1), ("mast", NoteId.READINGS_LOST, 1)]
    assert {(event.t_s, event.utc_s) for _, _, event in steps.told} == {(120.0, UTC_S + 20.0)}
    steps.tick()
    assert len(steps.told) == 2  # once
    steps.store.dropped_samples = 8
    steps.tick()
    assert "1 reading could" in steps.told[-1][2].text  # type: ignore[union-attr]


def test_that_a_record_was_begun_anew_is_told_for_ten_minutes(steps: Steps) -> None:
    steps.store.begun_anew = "The record was damaged."
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) == ConditionWords(
        "Check the record", "The record was damaged."
    )
    steps.tick(594.9)
    assert steps.last_report(AlarmId.RECORD_FAILING) is not None
    steps.tick(0.1)
    assert steps.last_report(AlarmId.RECORD_FAILING) is None


def test_a_clock_that_is_not_set_is_told_until_it_is(steps: Steps) -> None:
    steps.clock.set_utc(None)
    steps.tick()
    told = steps.last_report(AlarmId.CLOCK_UNSET)
    assert told is not None and told.do == "Set this machine's clock"
    steps.clock.set_utc(UTC_S)
    steps.tick()
    assert steps.last_report(AlarmId.CLOCK_UNSET) is None


def test_lamp_and_buzzer_that_fail_are_told(steps: Steps) -> None:
    signals = SimpleNamespace(fault=None, show=lambda *_: None)
    steps.tick()
    assert AlarmId.SIGNALS_FAILING not in steps.reports  # where there are none
    assert AlarmId.NOTIFY_FAILING not in steps.reports
    steps.service._signals = signals  # type: ignore[assignment]
    steps.tick()
    assert steps.last_report(AlarmId.SIGNALS_FAILING) is None
    signals.fault = "lamp alarm does not respond"
    steps.tick()
    assert steps.last_report(AlarmId.SIGNALS_FAILING) == ConditionWords(
        "Check the wires of lamp and buzzer, then try `potvigil alarm test`",
        "Lamp alarm does not respond. An alarm may not be seen or heard there.",
    )


def test_a_notifier_that_fails_is_told_in_its_words(steps: Steps) -> None:
    words = ConditionWords("Start the notifier", "")
    steps.service._notified = SimpleNamespace(told=lambda: words)  # type: ignore[assignment]
    steps.tick()
    assert steps.last_report(AlarmId.NOTIFY_FAILING) is words


# --- wall times that are mended


def test_times_are_mended_once_the_clock_is_set_and_each_time_it_is_set_anew(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[tuple[str, float, float, bool]] = []
    done: list[int] = []

    def mend_times(boot_id: str, t_s: float, ahead_s: float, *, was_set: bool) -> Iterator[None]:
        begun.append((boot_id, t_s, ahead_s - UTC_S, was_set))
        for number in range(3):
            done.append(number)
            yield

    monkeypatch.setattr(steps.store, "mend_times", mend_times)
    steps.clock.set_utc(None)
    steps.tick()
    assert begun == []  # nothing to mend by
    steps.clock.set_utc(UTC_S + 105.0)
    for _ in range(5):
        steps.tick()
    assert begun == [("boot-1", 110.0, 0.0, False)]
    assert done == [0, 1, 2]  # one with each tick
    steps.clock.set_utc(steps.clock.now().utc_s + 1.0)  # type: ignore[operator]
    steps.tick()
    assert len(begun) == 1  # the two clocks are read one by one
    steps.clock.set_utc(steps.clock.now().utc_s + 0.1)  # type: ignore[operator]
    steps.tick()
    assert begun[1:] == [("boot-1", 140.0, pytest.approx(1.1), True)]
    steps.clock.set_utc(steps.clock.now().utc_s - 3600.0)  # type: ignore[operator]
    steps.tick()
    assert begun[2:] == [("boot-1", 145.0, pytest.approx(-3598.9), True)]


def test_mending_that_was_refused_is_begun_again(steps: Steps, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[float] = []

    def mend_times(boot_id: str, t_s: float, *_: object, **__: object) -> Iterator[None]:
        begun.append(t_s)
        if len(begun) == 1:
            raise LockedRecordError("held by another")
        yield

    monkeypatch.setattr(steps.store, "mend_times", mend_times)
    steps.tick()
    told = steps.last_report(AlarmId.RECORD_FAILING)
    assert told is not None and "held by another" in told.text
    steps.tick()
    assert steps.last_report(AlarmId.RECORD_FAILING) is None
    steps.tick()
    assert begun == [105.0, 110.0]
