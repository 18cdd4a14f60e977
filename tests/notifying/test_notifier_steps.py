"""The notifier on clocks moved by hand: its lines, its heartbeat, its file, and its status."""

import json
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC
from datetime import time as clock_time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from notices import (
    FLOOR,
    LEAK,
    LOW,
    RAISED,
    SEEN,
    alarm,
    at,
)
from potvigil.clock import Instant
from potvigil.model.events import AlarmId, Priority, StandingAlarm
from potvigil.model.quiet_hours import QuietHours
from potvigil.notifying import heartbeat as heartbeat_module
from potvigil.notifying import keeper as keeper_module
from potvigil.notifying import line as line_module
from potvigil.notifying import notifier as notifier_module
from potvigil.notifying import status
from potvigil.notifying.apprise_target import server_of
from potvigil.notifying.heartbeat import Heartbeat
from potvigil.notifying.keeper import Kept, as_text, read
from potvigil.notifying.line import Line, Sent
from potvigil.notifying.schedule import (
    THE_WATCH,
    AlarmMark,
    Book,
    Recipient,
    Situation,
)
from potvigil.notifying.status import Status, StatusReader, Trial
from potvigil.notifying.targets import Target, heartbeat_urls, open_targets
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store
from potvigil.settings.loading import load_text

# --- line and heartbeat


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def jobs(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Yield what was sent, each to be ended by hand instead of a thread."""
    made: list[Any] = []

    def job(send: object, what: object, started_s: float) -> Any:
        made.append(SimpleNamespace(what=what, started_s=started_s, is_over=False, fault=None))
        return made[-1]

    monkeypatch.setattr(line_module, "_Job", job)
    return made


def end(job: Any, fault: str | None = None) -> None:
    job.is_over, job.fault = True, fault


def test_a_failed_line_pauses_five_seconds_then_doubles_up_to_ten_minutes(jobs: list[Any]) -> None:
    clock = Clock()
    line: Line[str] = Line(print, clock=clock)
    rests = []
    for _ in range(9):
        line.start("x")
        assert line.is_busy and not line.is_free and line.take() is None
        end(jobs[-1], "refused")
        assert line.take() == Sent("x", "refused") and line.take() is None
        assert line.fault == "refused" and line.is_free
        begun_s = clock.now_s
        while line.is_resting:
            clock.now_s += 2.5
        rests.append(clock.now_s - begun_s)
    assert rests == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 600.0, 600.0]
    line.start("x")
    end(jobs[-1])
    assert line.take() == Sent("x", None)
    assert line.fault is None and not line.is_resting
    line.start("x")
    end(jobs[-1], "refused")
    line.take()
    clock.now_s += 5.0
    assert not line.is_resting  # the pauses are reset
    never: Line[str] = Line(print, retry=False, clock=clock)
    never.start("x")
    end(jobs[-1], "refused")
    never.take()
    assert not never.is_resting


def test_a_hung_message_is_abandoned_after_30_s_and_three_block_the_line(
    jobs: list[Any],
) -> None:
    clock = Clock()
    line: Line[str] = Line(print, clock=clock)
    for n in range(3):
        assert line.is_free
        line.start(f"{n}")
        clock.now_s += 29.9
        assert line.take() is None
        clock.now_s += 0.1
        assert line.take() == Sent(f"{n}", "no answer within 30 s")
    assert not line.is_free
    end(jobs[1])
    assert line.is_free
    short: Line[str] = Line(print, limit_s=2.5, clock=clock)
    short.start("x")
    clock.now_s += 2.5
    assert short.take() == Sent("x", "no answer within 2.5 s")


WELL = Situation(0.0, None, {THE_WATCH: (), "lantern": ()})


def fetched(jobs: list[Any], beat: Heartbeat, now: Situation, fault: str | None = None) -> str | None:
    """Look once; return what was fetched, which then ends."""
    before = len(jobs)
    beat.look(now)
    if len(jobs) == before:
        return None
    end(jobs[-1], fault)
    return str(jobs[-1].what)


def test_the_heartbeat_is_fetched_every_minute_and_at_once_on_a_change_of_address(jobs: list[Any]) -> None:
    clock = Clock()
    beat = Heartbeat("well", "ill", clock)
    assert fetched(jobs, beat, WELL) == "well"
    clock.now_s = 59.9
    assert fetched(jobs, beat, WELL) is None
    clock.now_s = 60.0
    assert fetched(jobs, beat, WELL) == "well"
    assert fetched(jobs, beat, at(0.0, alarm())) == "ill"
    assert fetched(jobs, beat, at(0.0, alarm())) is None
    assert fetched(jobs, beat, WELL) == "well"
    beat.look(at(0.0, alarm()))
    beat.look(WELL)  # the last is still on its way
    assert [job.what for job in jobs] == ["well", "well", "ill", "well", "ill"]
    assert heartbeat_module.PERIOD_S == 60.0


@pytest.mark.parametrize(
    ("now", "fail_url", "url"),
    [
        (WELL, "ill", "well"),
        (replace(WELL, rehearsed=True), "ill", None),
        (Situation(0.0, None, {}), "ill", None),
        (at(0.0, alarm(priority=LOW)), "ill", None),  # nothing is known of the watch
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(),)}), "ill", "ill"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(),)}), None, "well"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(state=SEEN),)}), "ill", "well"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(priority=LOW),)}), "ill", "well"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(AlarmId.TEST),)}), "ill", "well"),
        (Situation(0.0, None, {THE_WATCH: (alarm(),)}), "ill", "ill"),
        (Situation(0.0, None, {THE_WATCH: (alarm(),)}), None, None),
    ],
)
def test_the_heartbeat_address_depends_on_the_state_of_the_watch(
    jobs: list[Any], now: Situation, fail_url: str | None, url: str | None
) -> None:
    assert fetched(jobs, Heartbeat("well", fail_url, Clock()), now) == url


def test_two_failed_heartbeats_in_a_row_are_a_fault(jobs: list[Any]) -> None:
    clock = Clock()
    beat = Heartbeat("well", None, clock)
    faults = []
    for fault in ("lost", None, "lost", "lost", "again", None, "lost", None):
        fetched(jobs, beat, WELL, fault)
        clock.now_s += 30.0
        beat.look(WELL)
        faults.append(beat.fault)
        clock.now_s += 30.0
    assert faults == [None, None, None, "lost", "again", None, None, None]


# --- file and status


def test_the_kept_state_is_read_back_and_gives_the_axis(tmp_path: Path) -> None:
    book = Book({("lantern", FLOOR): AlarmMark(1.5, 2.5), ("mast", LEAK): AlarmMark(3.0, 4.0)}, {"mast": 9.0})
    kept = Kept({"Anna": book, "Bén": Book()}, "boot-a", 100.0, 350.0)
    (tmp_path / "told").write_text(as_text(kept))
    assert read(tmp_path / "told") == kept
    assert (kept.offset_s("boot-a"), kept.offset_s("boot-b")) == (250.0, 350.0)
    assert read(tmp_path / "none") == Kept()


SAID = Status(0.0, {"Anna": None, "Ben": "refused"}, "lost", {"lantern": Trial(5.0, {"Anna": None})})


@pytest.mark.parametrize(("age_s", "is_there"), [(0.0, True), (60.0, True), (60.1, False), (-0.1, False)])
def test_a_status_counts_for_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, age_s: float, is_there: bool
) -> None:
    monkeypatch.setattr(
        status, "time", SimpleNamespace(clock_gettime=lambda _: 1000.0, CLOCK_BOOTTIME=time.CLOCK_BOOTTIME)
    )
    said = replace(SAID, written_boot_s=1000.0 - age_s)
    status.write(tmp_path / "status.json", said)
    assert StatusReader(tmp_path / "status.json").read() == (said if is_there else None)
    assert status.WRITTEN_EVERY_S == 10.0


@pytest.mark.parametrize(
    "changes",
    [
        {"format": 2},
        {"targets": {"Anna": 7}},
        {"targets": None},
        {"tests": {"lantern": {"since_s": 1.0, "told": {"Anna": 7}}}},
        {"written_boot_s": "soon"},
    ],
)
def test_an_invalid_status_is_ignored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, changes: dict[str, Any]
) -> None:
    path = tmp_path / "status.json"
    now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    reader = StatusReader(path)
    assert reader.read() is None
    status.write(path, replace(SAID, written_boot_s=now_s))
    assert reader.read() == reader.read() == replace(SAID, written_boot_s=now_s)
    tree = json.loads(path.read_text())
    path.write_text(json.dumps(tree | changes))
    assert StatusReader(path).read() is None
    path.write_text(json.dumps(tree) + " " * 100_000)
    assert StatusReader(path).read() is None
    path.unlink()
    (tmp_path / "other").write_text(json.dumps(tree))
    path.symlink_to(tmp_path / "other")
    assert StatusReader(path).read() is None


# --- the notifier's own round


class Round:
    """A notifier whose lines are ended by hand. kept: what it wrote."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path, *names: str) -> None:
        self.standing: tuple[StandingAlarm, ...] = ()
        self.names, self.kept, self.now_s = list(names), [], 1000.0
        self.status = folder / "status.json"
        self.sent: list[tuple[str, Any]] = []
        self.jobs: list[Any] = []
        monkeypatch.setattr(line_module, "_Job", self._job)
        self.notifier = notifier_module.Notifier(
            lambda: [Target(Recipient(each, frozenset(Priority)), self._send(each)) for each in self.names],
            SimpleNamespace(read=lambda: (None, False)),  # type: ignore[arg-type]
            SimpleNamespace(take=lambda live, instant: at(self.now_s, *self.standing)),  # type: ignore[arg-type]
            SimpleNamespace(keep=lambda kept, rows: self.kept.append((kept, rows))),  # type: ignore[arg-type]
            Kept(),
            SimpleNamespace(now=lambda: Instant(self.now_s - 900.0, None)),  # type: ignore[arg-type]
            "boot-a",
            status_file=self.status,
        )

    def _send(self, name: str) -> Any:
        return lambda message: self.sent.append((name, message))

    def _job(self, send: Any, what: Any, started_s: float) -> Any:
        send(what)
        self.jobs.append(SimpleNamespace(what=what, started_s=started_s, is_over=False, fault=None))
        return self.jobs[-1]

    def look(self, *standing: StandingAlarm, after_s: float = 1.0) -> list[str]:
        """Look once; return to whom something was sent."""
        self.standing, before = standing, len(self.sent)
        self.now_s += after_s
        self.notifier.look()
        return [name for name, _ in self.sent[before:]]

    def end(self, *faults: str | None) -> None:
        for job, fault in zip([job for job in self.jobs if not job.is_over], faults, strict=True):
            end(job, fault)


@pytest.fixture
def round_(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Round:
    return Round(monkeypatch, tmp_path, "Anna", "Ben")


def test_each_message_is_kept_with_a_row_and_a_failure_is_retried(round_: Round) -> None:
    raised = alarm(since_s=1001.0)
    assert round_.look(raised) == ["Anna", "Ben"]
    assert round_.notifier.is_busy
    assert round_.look(raised) == []  # on its way
    round_.end(None, "refused")
    assert round_.look(raised) == []  # Anna was notified, and Ben's line is backing off
    ((kept, rows),) = round_.kept
    assert kept.books["Anna"].marks == {("lantern", FLOOR): AlarmMark(1001.0, 1001.0)}
    assert kept.books["Ben"].marks == {}
    assert (kept.boot_id, kept.boot_s, kept.t_s) == ("boot-a", 103.0, 1003.0)
    assert [(row.t_s, row.pot_id, row.alarm, row.target, row.kind, row.fault) for row in rows] == [
        (1001.0, "lantern", FLOOR, "Anna", RAISED, None),
        (1001.0, "lantern", FLOOR, "Ben", RAISED, "refused"),
    ]
    assert not round_.notifier.is_busy
    # a new alarm does not wait out the pause
    assert round_.look(raised, alarm(LEAK, LOW, since_s=1004.0)) == ["Anna", "Ben"]
    assert round_.sent[-1][1].title.endswith("(and 1 more)")


def test_the_result_of_a_test_alarm_is_known_for_each_target(round_: Round) -> None:
    first, second = (alarm(AlarmId.TEST, LOW, since_s=since_s) for since_s in (1001.0, 1005.0))

    def known() -> Trial | None:
        found = StatusReader(round_.status).read()
        assert found is not None
        return found.tests.get("lantern")

    assert round_.look(first) == ["Anna", "Ben"]
    assert known() is None
    end(round_.jobs[0])
    round_.look(first)
    assert known() == Trial(1001.0, {"Anna": None})
    end(round_.jobs[1], "refused")
    round_.look(first)
    assert known() == Trial(1001.0, {"Anna": None, "Ben": "refused"})
    round_.look(second)
    end(round_.jobs[2], "lost")
    round_.look(second)
    assert known() == Trial(1005.0, {"Anna": "lost"})  # only of the newer test


def test_silence_is_recorded_without_a_pot_and_a_removed_target_has_no_line(round_: Round) -> None:
    round_.names = ["Anna"]
    call = alarm(AlarmId.READINGS_STOPPED, since_s=1001.0)
    round_.standing = (call,)
    round_.notifier._hearing.take = lambda *_: Situation(1001.0, None, {THE_WATCH: (call,)})  # type: ignore[method-assign]
    round_.notifier.look()
    round_.end(None)
    round_.notifier.look()
    ((_, (row,)),) = round_.kept
    assert (row.pot_id, row.alarm) == (None, AlarmId.READINGS_STOPPED)
    round_.names = []
    round_.notifier.look()
    assert round_.notifier._lines == {}


def test_the_status_is_written_on_a_change_and_every_ten_seconds(
    round_: Round, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    written: list[float] = []
    write = status.write

    def counted(path: Path, said: Status) -> None:
        written.append(round_.now_s)
        write(path, said)

    monkeypatch.setattr(status, "write", counted)
    for _ in range(25):
        round_.look()
    assert written == [1001.0, 1011.0, 1021.0]
    round_.look(alarm(since_s=1026.0))
    round_.end("refused", None)
    round_.look(alarm(since_s=1026.0))
    assert written[3:] == [1027.0]
    round_.names = []
    caplog.clear()
    monkeypatch.setattr(status, "write", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left")))
    for _ in range(15):
        round_.look()
    assert [record.getMessage().partition(" ")[2] for record in caplog.records] == [
        "cannot be written (No space left)"
    ]


def test_a_failed_write_is_logged_once_and_retried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    assert (keeper_module.RETRY_S, keeper_module.MOST_ROWS) == (10.0, 1000)
    monkeypatch.setattr(keeper_module.Keeper, "_run", lambda self: None)  # written by hand
    record = tmp_path / "record.db"
    keeper = keeper_module.Keeper(record, tmp_path / "folder" / "told")
    row = DeliveryRow(1.0, None, "lantern", FLOOR, "Anna", "raised", None)
    keeper.keep(Kept(), [row, row])
    assert [keeper._write() for _ in range(3)] == [False] * 3
    (said,) = caplog.records
    assert "No such file" in said.getMessage() and "there is no record" in said.getMessage()
    (tmp_path / "folder").mkdir()
    assert not keeper._write()  # the record is still away
    Store.open(record).close()
    assert keeper._write()
    keeper.keep(Kept(), [])
    assert keeper._write() and len(caplog.records) == 1
    with Store.open(record) as store:
        assert store.deliveries("lantern", 0.0) == [row, row]
    assert read(tmp_path / "folder" / "told") == Kept()


@pytest.mark.parametrize(
    ("url", "server"),
    [
        ("ntfys://topic-of-hers", ("ntfy.sh", 443)),
        ("ntfy://pot.example/topic", ("pot.example", 80)),
        ("ntfys://pot.example/topic", ("pot.example", 443)),
        ("ntfy://pot.example:8080/topic", ("pot.example", 8080)),
        ("jsons://localhost/hook", ("localhost", 443)),
        ("json://localhost/hook", ("localhost", 80)),
    ],
)
def test_each_address_has_its_server(url: str, server: tuple[str, int]) -> None:
    assert server_of(url) == server


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (urllib.error.HTTPError("http://secret/", 503, "x", None, None), "the server answered 503"),  # type: ignore[arg-type]
        (urllib.error.URLError(OSError(111, "Connection refused")), "Connection refused"),
        (urllib.error.URLError("unknown url type"), "unknown url type"),
    ],
)
def test_an_address_that_cannot_be_fetched_is_reported_without_showing_it(
    monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(urllib.request, "urlopen", refused)
    with pytest.raises(OSError) as caught:
        heartbeat_module.fetch("http://secret/")
    assert str(caught.value) == said


def test_an_address_is_fetched_with_our_user_agent_and_only_a_little_is_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[object] = []

    @contextmanager
    def opened(request: urllib.request.Request, timeout: float) -> Iterator[object]:
        asked.extend((request.full_url, request.get_header("User-agent"), timeout))
        yield SimpleNamespace(read=asked.append)

    monkeypatch.setattr(urllib.request, "urlopen", opened)
    heartbeat_module.fetch("https://beat.example/pot")
    assert asked == ["https://beat.example/pot", "potvigil", 10.0, 1000]


def test_the_file_of_sent_messages_has_its_format() -> None:
    assert json.loads(as_text(Kept({"Anna": Book()}, "boot-a", 1.0, 2.0))) == {
        "format": 1,
        "boot_id": "boot-a",
        "boot_s": 1.0,
        "t_s": 2.0,
        "books": {"Anna": {"marks": [], "noticed": {}}},
    }


def test_pending_state_is_written_at_the_end(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    Store.open(record).close()
    keeper = keeper_module.Keeper(record, tmp_path / "told")
    assert keeper._thread.daemon  # a hanging card does not delay the end of the process
    row = DeliveryRow(1.0, None, "lantern", FLOOR, "Anna", "raised", None)
    keeper.keep(Kept({"Anna": Book()}), [row])
    keeper.close(patience_s=60.0)
    assert not keeper._thread.is_alive()
    assert read(tmp_path / "told") == Kept({"Anna": Book()})
    with Store.open(record) as store:
        assert store.deliveries("lantern", 0.0) == [row]


TARGET = "notify: {targets: [{name: Ada, url: 'json://phone.example'}]}\n"


def test_a_target_of_the_settings_has_its_address_and_rules(tmp_path: Path) -> None:
    smallest = (Path(__file__).parents[2] / "config" / "smallest.yaml").read_text(encoding="utf-8")

    def recipient(**keys: str) -> Recipient:
        more = "".join(f", {name}: {value}" for name, value in keys.items())
        text = TARGET.replace("example'", f"example'{more}")
        settings = load_text(f"{smallest}\n{text}", "test")
        assert settings.notify is not None
        (target,) = open_targets(settings.notify, UTC)
        return target.recipient

    usual = recipient()
    assert usual == Recipient("Ada", frozenset(Priority), QuietHours(clock_time(22), clock_time(7), UTC))
    assert recipient(after="15 min").after_s == 900.0
    assert recipient(after="15 min").priorities == frozenset({Priority.HIGH})
    assert recipient(quiet_hours="none").quiet_hours is None
    url = "{url: 'https://beat.example/a'"
    for block, found in (
        (f"{url}}}", ("https://beat.example/a", None)),
        (
            f"{url}, fail_url: 'https://beat.example/b'}}",
            ("https://beat.example/a", "https://beat.example/b"),
        ),
    ):
        settings = load_text(f"{smallest}\nheartbeat: {block}\n", "test")
        assert settings.heartbeat is not None
        assert heartbeat_urls(settings.heartbeat) == found
