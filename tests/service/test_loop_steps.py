"""The steps of the loop, in order, and what it does when one of them fails."""

import logging
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from potvigil.model.events import (
    Action,
    AlarmId,
    Answer,
    Command,
    Detail,
    NoteEvent,
    NoteId,
    Outcome,
)
from potvigil.outputs import systemd
from potvigil.outputs.broker.homie_set import SetCommand
from potvigil.record.errors import DamagedRecordError
from potvigil.record.store import Store
from potvigil.record.tables.commands import COMMANDS_A_TICK
from potvigil.service import loop
from record_night import UTC_S
from stepped_loop import FULL, SETTINGS, Steps, refuse

# --- a run from start to stop


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
            state="it fares well",
        ),
    )
    live = SimpleNamespace(
        begin=lambda offset_s, start_s: steps.say(f"live from {offset_s:g} {start_s:g}"),
        write=lambda snapshots, batches, broker: steps.say(
            f"live {[*snapshots]} {[*batches.values()]}, of the broker {broker}"
        ),
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
        "live ['lantern', 'mast'] [None, None], of the broker it fares well",
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
def test_each_output_is_optional(steps: Steps, way: str) -> None:
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
def test_a_record_that_fails_at_the_start_is_replaced_or_done_without(
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


def test_the_loop_ends_at_its_time_or_on_request(steps: Steps) -> None:
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
    assert slept == [111.0, 112.0, 113.0]  # a request to stop is noticed within a second
    assert steps.said[-1] == "mast fed 110"


# --- commands


def test_at_most_a_hundred_commands_wait_and_the_rest_are_told_to_try_again(
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


def test_commands_from_the_broker_are_recorded_in_its_name(steps: Steps) -> None:
    steps.service._on_mqtt(SetCommand("mast", Action.EDIT, text="sand", field=Detail.MOULD))
    steps.service._on_mqtt(SetCommand("lantern", Action.SHELVE, alarm=AlarmId.LEAK))
    assert steps.tick()[:2] == ["mast asked to edit", "lantern asked to shelve"]
    edit, shelve = (replace(each, row=None) for each in steps.handled)
    assert edit == Command(Action.EDIT, 105.0, None, "sand", None, "mqtt", Detail.MOULD)
    assert shelve == Command(Action.SHELVE, 105.0, AlarmId.LEAK, by="mqtt")


def test_a_command_is_carried_out_even_if_the_record_cannot_keep_it(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.service._ask("lantern", Command(Action.ACKNOWLEDGE, 0.0, by="button"))
    refuse(monkeypatch, steps, "add_commands")
    refuse(monkeypatch, steps, "take_commands")
    steps.tick()
    assert steps.handled == [Command(Action.ACKNOWLEDGE, 105.0, by="button")]


def test_a_command_for_an_unknown_pot_is_refused(steps: Steps) -> None:
    asked = steps.store.add_command("buoy", Action.CLOSE, None)
    asked_too = steps.store.add_command("mast", Action.CLOSE, None)
    assert steps.tick()[0] == "mast asked to close"
    (row,) = steps.store.asked(asked)
    assert row.answer == Answer(Outcome.REFUSED, "the watch no longer has a pot buoy; see its settings")
    (row,) = steps.store.asked(asked_too)
    assert row.answer is not None


@pytest.mark.parametrize(
    ("by", "outcome", "reflected"),
    [("mqtt", Outcome.DONE, True), ("anna", Outcome.DONE, True), ("mqtt", Outcome.REFUSED, False)],
)
def test_the_broker_shows_the_result_of_a_command_whoever_gave_it(
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
def test_a_test_alarm_is_answered_once_every_output_has_reported(
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
