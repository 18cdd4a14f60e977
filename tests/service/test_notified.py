"""The watch follows the notifier's status, never waits for it, and reports its faults by other outputs."""

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import asdict
from pathlib import Path

import pytest

from broker import free_port
from notified_pot import SMALLEST
from patience import wait_until
from phones import phone
from potvigil.cli import main
from potvigil.model.events import AlarmId, AlarmState
from potvigil.notifying import status
from potvigil.notifying.status import STALE_AFTER_S, Status, StatusReader, Trial
from potvigil.outputs.live import LiveFile
from potvigil.paths import usual_status
from potvigil.service.notified import Notified
from potvigil.service.wiring import notified
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench, raised, watching

NAMES = ("Anna", "Ben")


def boot_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def said(path: Path, **more: object) -> Notified:
    given = {"written_boot_s": boot_s(), "targets": dict.fromkeys(NAMES), **more}
    status.write(path, Status(**given))
    return Notified(path, NAMES)


def text_of(seen: Notified) -> str | None:
    told = seen.fault_words()
    return None if told is None else f"{told.do}. {told.text}"


def test_a_working_notifier_reports_no_fault(tmp_path: Path) -> None:
    assert said(tmp_path / "status.json").fault_words() is None


def test_a_person_who_is_not_reached_is_named_with_the_reason(tmp_path: Path) -> None:
    seen = said(tmp_path / "status.json", targets={"Anna": None, "Ben": "refused"}, heartbeat="no route")
    assert text_of(seen) == (
        "Check phone and network, then try `potvigil alarm test`. "
        "Ben cannot be reached (refused): an alarm may not get through. "
        "The heartbeat does not get through (no route)."
    )


def lay(path: Path, kind: str) -> None:
    whole = json.dumps(asdict(Status(boot_s(), {"Anna": None})))
    match kind:
        case "nothing":
            pass
        case "a pipe":
            os.mkfifo(path)
        case "a folder":
            path.mkdir()
        case "a link to another file":
            (path.parent / "else").write_text(whole)
            path.symlink_to(path.parent / "else")
        case "a link to a device":
            path.symlink_to("/dev/zero")
        case "too large":
            path.write_text(whole + " " * 200_000)
        case "half of it":
            path.write_text(whole[:40])
        case "another format":
            path.write_text(whole.replace('"format": 1', '"format": 2'))
        case "another type":
            path.write_text(whole.replace("null", "5"))
        case "old":
            status.write(path, Status(boot_s() - STALE_AFTER_S - 1.0, {"Anna": None}))
        case "of another boot":
            status.write(path, Status(boot_s() + 900.0, {"Anna": None}))
        case "deeply nested":
            path.write_text("[" * 50_000)


@pytest.mark.parametrize(
    "kind",
    [
        *("nothing", "a pipe", "a folder", "a link to another file", "a link to a device", "too large"),
        *("half of it", "another format", "another type", "old", "of another boot", "deeply nested"),
    ],
)
def test_any_other_status_file_blocks_nothing_and_counts_as_no_notifier(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "status.json"
    lay(path, kind)
    assert StatusReader(path).read() is None
    assert (text_of(Notified(path, NAMES)) or "").startswith("Start the notifier; `systemctl status ")


@pytest.mark.parametrize(
    ("told", "is_last", "answer"),
    [
        ({}, False, None),
        ({"Anna": None}, False, None),
        ({"Anna": None, "Ben": None}, False, (True, "sent to Anna, Ben")),
        ({"Anna": None, "Ben": "refused"}, False, (False, "sent to Anna, Ben: refused")),
        ({"Anna": None}, True, (False, "sent to Anna, Ben: no answer yet")),
        ({}, True, (False, "Anna: no answer yet, Ben: no answer yet")),
    ],
)
def test_the_result_of_a_test_is_reported(tmp_path: Path, told: dict, is_last: bool, answer: object) -> None:
    seen = said(tmp_path / "status.json", tests={"lantern": Trial(50.0, told)})
    assert seen.of_test("lantern", 50.0, is_last=is_last) == answer


def test_an_earlier_test_does_not_count_for_this_one(tmp_path: Path) -> None:
    seen = said(tmp_path / "status.json", tests={"lantern": Trial(50.0, dict.fromkeys(NAMES))})
    assert seen.of_test("lantern", 90.0, is_last=False) is None
    assert seen.of_test("mast", 50.0, is_last=False) is None
    assert Notified(tmp_path / "nothing", NAMES).of_test("lantern", 50.0, is_last=False) == (
        False,
        "the notifier is not running",
    )


def test_the_watch_reads_the_status_the_notifier_writes(tmp_path: Path) -> None:
    live = tmp_path / "run" / "live.json"
    keys = f"page: {{live: {live}}}\nnotify: {{targets: [{{name: Anna, url: 'ntfy://host/lenses'}}]}}\n"
    usual_status(live).parent.mkdir(parents=True)
    status.write(usual_status(live), Status(boot_s(), {"Anna": None}))
    seen = notified(load_text(SMALLEST + keys, "workshop.yaml"))
    assert seen is not None and seen.fault_words() is None
    assert notified(load_text(SMALLEST, "workshop.yaml")) is None


def test_a_missing_notifier_raises_an_alarm_that_returns_with_it(tmp_path: Path) -> None:
    bench = Bench(NIGHTS["sound"], tmp_path)
    bench.notified = Notified(tmp_path / "status.json", NAMES)
    bench.begin()

    def state() -> AlarmState:
        alarms = {each.alarm: each.state for each in bench.service.watches["lantern"].snapshot().alarms}
        return alarms.get(AlarmId.NOTIFY_FAILING, AlarmState.NORMAL)

    bench.run_until(100.0)
    assert state() is AlarmState.NORMAL  # it may still be starting
    bench.run_until(200.0)
    assert state() is AlarmState.UNACKNOWLEDGED
    for until_s in range(210, 1000, 10):
        said(tmp_path / "status.json")
        bench.run_until(float(until_s))
    assert state() is AlarmState.RETURNED
    bench.service.stop()
    assert [each.alarm for each in raised(bench.events)] == [AlarmId.NOTIFY_FAILING]


@pytest.mark.parametrize("reaches_all", [True, False])
def test_a_test_alarm_says_who_was_notified(tmp_path: Path, reaches_all: bool, capsys) -> None:
    """The watch, the notifier as a process, a phone's server and the verb, end to end."""
    bench = Bench(NIGHTS["sound"], tmp_path / "night", sample_period_s=1.0, speed=4.0)
    run = tmp_path / "run"
    run.mkdir()
    bench.live = LiveFile(run / "live.json", bench.settings.workshop, "sound", 0.25)
    bench.notified = Notified(usual_status(bench.live.path), NAMES)
    with phone() as at:
        other = at.url() if reaches_all else f"json://127.0.0.1:{free_port()}/lenses"
        config = tmp_path / "workshop.yaml"
        config.write_text(
            f"{SMALLEST}notify:\n  targets:\n    - {{name: Anna, url: '{at.url()}'}}\n"
            f"    - {{name: Ben, url: '{other}', after: 1 h}}\n"
        )
        where = ["--config", config, "--record", bench.record, "--live", bench.live.path, "--rehearsal"]
        words = [sys.executable, "-m", "potvigil", "notify", *map(str, where)]
        with (
            watching(bench, bench.record),
            subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process,
        ):
            reader = StatusReader(usual_status(bench.live.path))
            wait_until(lambda: reader.read() is not None, "the notifier does not start")
            answered = main(["alarm", "test", "--record", str(bench.record)])
            process.send_signal(signal.SIGTERM)
        done = capsys.readouterr()
    words_of_it = done.out if reaches_all else done.err
    assert answered == (0 if reaches_all else 1)
    if reaches_all:
        assert "notification: sent to Anna, Ben; lamp: not configured" in words_of_it
    else:
        assert "notification: sent to Anna, Ben: A Connection error" in words_of_it
    assert set(at.titles) == {"REHEARSAL: TEST: lantern: Nothing to do"}
