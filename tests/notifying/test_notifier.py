"""The notifier as a process: who is notified, what survives a kill, and what is kept."""

import json
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from dataclasses import field as dataclass_field
from pathlib import Path

import pytest

from broker import HOST, free_port
from demo_pot import NOTHING_KNOWN
from notified_pot import SMALLEST, SpeakingWatch, axis_s, standing
from patience import PATIENCE_S, wait_until
from phones import Mailbox, Phone
from potvigil.clock import Instant, SystemClock, boot_id
from potvigil.live_reader import LiveReader
from potvigil.model.events import AlarmId, AlarmState, Priority, Stage
from potvigil.notifying import keeper as kept_files
from potvigil.notifying.hearing import SILENT_AFTER_S, Hearing
from potvigil.notifying.heartbeat import Heartbeat
from potvigil.notifying.keeper import Keeper, Kept
from potvigil.notifying.message import Notification, SendError
from potvigil.notifying.notifier import Notifier
from potvigil.notifying.schedule import Book, Due, NoticeKind, Recipient, Situation
from potvigil.notifying.status import StatusReader
from potvigil.notifying.targets import Target
from potvigil.paths import usual_status
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store
from program import run

FLOOR, LEAK, TEST = AlarmId.FLOOR_AHEAD, AlarmId.LEAK, AlarmId.TEST
TITLE = "lantern: Top up to 60.0 psi"


@dataclass
class Shop:
    """A folder with settings, record and live file, and the notifier's process over it."""

    folder: Path
    targets: str
    more: str = ""
    words: tuple[str, ...] = ()
    watch: SpeakingWatch = dataclass_field(init=False)
    process: subprocess.Popen[str] | None = None

    def __post_init__(self) -> None:
        self.watch = SpeakingWatch(self.folder / "run")
        with Store.open(self.record) as store:
            store.begin_run("{}", "boot", 0.0, None, None)
        self.config.write_text(
            f"{SMALLEST}record: {{file: {self.record}}}\npage: {{live: {self.watch.path}}}\n"
            f"{self.targets}{self.more}",
            encoding="utf-8",
        )

    @property
    def config(self) -> Path:
        return self.folder / "workshop.yaml"

    @property
    def record(self) -> Path:
        return self.folder / "record.db"

    def start(self) -> None:
        command = [sys.executable, "-m", "potvigil", "notify", "--config", str(self.config), *self.words]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        assert self.process.stdout.readline().startswith("notifying ")

    def end(self, how: int = signal.SIGKILL) -> int:
        assert self.process is not None and self.process.stdout is not None
        self.process.send_signal(how)
        self.process.wait(PATIENCE_S)
        self.process.stdout.close()
        return self.process.returncode

    def deliveries(self) -> list[DeliveryRow]:
        with Store.open_read_only(self.record) as store:
            return store.deliveries("lantern", float("-inf"))

    def is_kept(self, kind: NoticeKind) -> bool:
        """Return whether a delivery is written, in the record and in the file beside it."""
        kept = Path(f"{self.record}.told")
        return kept.exists() and any(row.kind == kind and row.fault is None for row in self.deliveries())


def to(*targets: str) -> str:
    return "notify:\n  targets:\n" + "".join(f"    - {{{target}}}\n" for target in targets)


@contextmanager
def running(shop: Shop) -> Iterator[Shop]:
    shop.start()
    try:
        with shop.watch.speaking():
            yield shop
    finally:
        shop.end()


def looks_pass(shop: Shop, looks: int = 2) -> None:
    """Wait until the process has looked a few times more: its status is written every ten seconds."""
    time.sleep(1.05 * looks)


def test_a_kill_causes_no_repeated_and_no_lost_message(tmp_path: Path, at: Phone) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{at.url()}'"))
    shop.watch.alarms = (standing(FLOOR, axis_s()),)
    with running(shop):
        wait_until(lambda: at.titles == [TITLE], lambda: f"received {at.titles}")
        wait_until(lambda: shop.is_kept(NoticeKind.RAISED), "it was not kept")
    with running(shop):  # killed meanwhile
        looks_pass(shop)
        assert at.titles == [TITLE]
        shop.watch.alarms = (*shop.watch.alarms, standing(AlarmId.PRESSURE_SENSOR, axis_s(), do="Look"))
        wait_until(lambda: len(at.titles) == 2, lambda: f"received {at.titles}")
        wait_until(lambda: len(shop.deliveries()) == 2, "it was not kept")
    with running(shop):
        shop.watch.alarms = tuple(
            standing(each.alarm, each.since_s, AlarmState.ACKNOWLEDGED) for each in shop.watch.alarms
        )
        wait_until(lambda: len(at.titles) == 3, lambda: f"received {at.titles}")
        looks_pass(shop)
    assert at.titles[1:] == ["lantern: Look", "lantern: leak: floor ahead (acknowledged) (and 1 more)"]
    rows = [(row.pot_id, row.alarm, row.target, row.kind, row.fault) for row in shop.deliveries()]
    assert rows[:2] == [
        ("lantern", FLOOR, "Anna", "raised", None),
        ("lantern", AlarmId.PRESSURE_SENSOR, "Anna", "raised", None),
    ]
    assert str(at.port) not in "".join(map(str, rows)) and "lens-night" not in "".join(map(str, rows))


def test_undelivered_messages_are_sent_after_a_kill(tmp_path: Path, at: Phone) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{at.url()}'"))
    at.status = 503
    shop.watch.alarms = (standing(FLOOR, axis_s()),)
    with running(shop):
        wait_until(lambda: bool(shop.deliveries()), "no try was kept")
    assert "503" in (shop.deliveries()[0].fault or "")
    tries = len(at.titles)
    at.status = 200
    with running(shop):
        wait_until(lambda: len(at.titles) == tries + 1, "never sent")
        wait_until(lambda: shop.is_kept(NoticeKind.RAISED), "it was not kept")


def test_a_stop_is_clean_and_remembers_what_was_sent(tmp_path: Path, mail: Mailbox) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{mail.url()}'"))
    shop.watch.alarms = (standing(FLOOR, axis_s()),)
    shop.start()
    with shop.watch.speaking():
        wait_until(lambda: len(mail.mails) == 1, "no mail")
    looks_pass(shop)
    assert shop.end(signal.SIGTERM) == 0
    assert shop.is_kept(NoticeKind.RAISED)
    assert mail.mails[0]["Subject"] == TITLE


def test_a_silent_watch_is_reported_and_so_is_its_return(tmp_path: Path, at: Phone) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{at.url()}'"), "timezone: UTC\n")
    shop.watch.speak(age_s=SILENT_AFTER_S + 30.0)
    shop.start()
    try:
        wait_until(lambda: len(at.heard) == 1, "nobody was notified")
        said = at.heard[0]
        assert said.json["title"] == "Read the pot's own gauge, then check that the watch is running"
        heard = time.strftime("%H:%M", time.gmtime(shop.watch.snapshot.utc_s))
        assert said.json["message"].startswith(f"No word from the watch since {heard}")
        assert said.headers["x-priority"] == "max"
        with shop.watch.speaking():
            wait_until(lambda: len(at.heard) == 2, "its return was not reported")
        assert at.heard[1].json["title"] == "The watch is back"
        wait_until(lambda: bool(shop.deliveries()), "it was not kept")
        row = shop.deliveries()[0]
        assert (row.pot_id, row.alarm, row.kind) == (None, AlarmId.READINGS_STOPPED, "raised")
    finally:
        shop.end()


def test_a_rehearsal_notifies_only_on_request_and_marked_as_such(tmp_path: Path, at: Phone) -> None:
    shop = Shop(
        tmp_path, to(f"name: Anna, url: '{at.url()}'"), f"heartbeat: {{url: '{at.url('http', 'beat')}'}}\n"
    )
    shop.watch = SpeakingWatch(tmp_path / "run", rehearsed="slow-lid-leak")
    shop.watch.alarms = (standing(FLOOR, axis_s()),)
    with running(shop):
        looks_pass(shop)
        assert at.heard == []
    shop.words = ("--rehearsal",)
    with running(shop):
        wait_until(lambda: at.titles == [f"REHEARSAL: {TITLE}"], lambda: f"received {at.titles}")
        looks_pass(shop)
    assert [request.path for request in at.heard] == ["/"]  # and no heartbeat


# --- in this process: the parts on clocks of their own


@dataclass
class Bench:
    """A notifier over a live file, looked at by hand."""

    folder: Path
    targets: list[Target]
    heartbeat: Heartbeat | None = None
    record: Path | None = None

    def __post_init__(self) -> None:
        self.watch = SpeakingWatch(self.folder / "run")
        self.status = self.folder / "status.json"
        record = self.record or self.folder / "record.db"
        if self.record is None:
            Store.open(record).close()
        self.keeper = Keeper(record, kept_files.beside(record))
        clock = SystemClock()
        self.notifier = Notifier(
            lambda: self.targets,
            LiveReader(self.watch.path),
            Hearing("harbour-models", None, clock.now().boot_s),
            self.keeper,
            Kept(),
            clock,
            boot_id(),
            status_file=self.status,
            heartbeat=self.heartbeat,
        )

    def look_until(self, done: Callable[[], bool], what: str) -> None:
        def look() -> bool:
            self.watch.speak()
            self.notifier.look()
            return done()

        wait_until(look, what)


def taker(name: str, send: Callable[[Notification], None], **rules: object) -> Target:
    return Target(Recipient(name, frozenset(Priority), **rules), send)


def refuse(_: Notification) -> None:
    raise SendError("refused")


def test_a_hung_target_blocks_no_other(tmp_path: Path) -> None:
    released, got = threading.Event(), []
    bench = Bench(
        tmp_path,
        [taker("Cem", lambda _: bool(released.wait(PATIENCE_S)) and None), taker("Anna", got.append)],
    )
    bench.watch.alarms = (standing(FLOOR, axis_s()),)
    bench.look_until(lambda: len(got) == 1, "Anna was held up")
    bench.watch.alarms = (standing(FLOOR, axis_s(), AlarmState.ACKNOWLEDGED),)
    bench.look_until(lambda: len(got) == 2, "Anna was held up")
    released.set()


def test_a_flood_during_an_outage_becomes_one_message(tmp_path: Path) -> None:
    """There is no queue that could fill: what is due is collected when it can be sent."""
    tries: list[Notification] = []
    away = True

    def send(message: Notification) -> None:
        tries.append(message)
        if away:
            raise SendError("away")

    bench = Bench(tmp_path, [taker("Anna", send)])
    alarms = [alarm for alarm in AlarmId if alarm is not TEST]
    for count in range(1, len(alarms) + 1):
        bench.watch.alarms = tuple(standing(alarm, axis_s() - 1.0) for alarm in alarms[:count])
        bench.look_until(lambda n=count: len(tries) == n, "what is new is not tried at once")
    bench.look_until(lambda: not bench.notifier.is_busy, "it hangs")
    away = False
    bench.notifier._lines["Anna"]._again_s = 0.0  # the pause after the last failure is over
    bench.look_until(lambda: len(tries) == len(alarms) + 1, "never sent")
    assert tries[-1].title.endswith(f"(and {len(alarms) - 1} more)")
    assert len(tries[-1].body.splitlines()) == len(alarms)


def test_repeats_wait_out_the_pause_after_a_failure(tmp_path: Path) -> None:
    tries: list[Notification] = []

    def send(message: Notification) -> None:
        tries.append(message)
        raise SendError("away")

    bench = Bench(tmp_path, [taker("Anna", send)])
    bench.watch.alarms = (standing(FLOOR, axis_s()),)
    bench.look_until(lambda: len(tries) == 1, "never tried")
    begun_s = time.monotonic()
    bench.look_until(lambda: time.monotonic() > begun_s + 1.0, "")
    assert len(tries) == 1


def test_a_test_alarm_goes_to_everybody_and_its_outcome_is_known(tmp_path: Path) -> None:
    got: list[Notification] = []
    second = taker("Ben", got.append, after_s=9000.0)
    bench = Bench(tmp_path, [second, taker("Cem", refuse)])
    since_s = axis_s()
    bench.watch.alarms = (standing(TEST, since_s, do="Nothing to do", text="This is a test."),)

    def trial() -> dict[str, str | None]:
        found = StatusReader(bench.status).read()
        return {} if found is None or "lantern" not in found.tests else found.tests["lantern"].told

    bench.look_until(lambda: trial() == {"Ben": None, "Cem": "refused"}, "no outcome")
    found = StatusReader(bench.status).read()
    assert found is not None and found.tests["lantern"].since_s == since_s
    assert found.targets == {"Ben": None, "Cem": "refused"}
    assert [message.title for message in got] == ["TEST: lantern: Nothing to do"]


def test_targets_can_be_added_and_removed(tmp_path: Path) -> None:
    got: list[Notification] = []
    bench = Bench(tmp_path, [])
    bench.watch.alarms = (standing(FLOOR, axis_s()),)
    bench.notifier.look()
    bench.targets = [taker("a browser", got.append)]
    bench.look_until(lambda: len(got) == 1, "not notified")
    bench.targets = []
    bench.look_until(lambda: json.loads(bench.status.read_text())["targets"] == {}, "it is still there")


def test_a_refusing_record_blocks_nobody_and_is_written_later(tmp_path: Path) -> None:
    got: list[Notification] = []
    record = tmp_path / "away" / "record.db"
    record.parent.mkdir()
    Store.open(record).close()
    holding = sqlite3.connect(record, isolation_level=None)
    holding.execute("BEGIN IMMEDIATE")
    bench = Bench(tmp_path, [taker("Anna", got.append)], record=record)
    bench.watch.alarms = (standing(FLOOR, axis_s()),)
    bench.look_until(lambda: len(got) == 1, "held up by the record")
    holding.execute("ROLLBACK")
    holding.close()

    def written() -> bool:
        with Store.open_read_only(record) as store:
            return len(store.deliveries("lantern", 0.0)) == 1

    bench.keeper._news.set()  # its pause before the next try is over
    bench.look_until(written, "never written")


def test_the_queue_of_unwritten_rows_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_files, "MOST_ROWS", 5)
    keeper = Keeper(tmp_path / "no" / "record.db", tmp_path / "told")
    row = DeliveryRow(0.0, None, "lantern", FLOOR, "Anna", "raised", None)
    for _ in range(100):
        keeper.keep(Kept(), [row])
    assert len(keeper._rows) == 5
    wait_until((tmp_path / "told").exists, "what was sent is kept all the same")


def test_the_kept_state_is_read_again(tmp_path: Path) -> None:
    file = tmp_path / "told"
    book = Book().with_sent([Due("lantern", standing(FLOOR, 7.0), NoticeKind.RAISED)], 8.0)
    book = book.with_sent(
        [Due("mast", standing(LEAK, 1.0, AlarmState.ACKNOWLEDGED), NoticeKind.CHANGED)], 9.0
    )
    kept = Kept({"Anna": book, "Ben": Book()}, "boot-1", 100.0, 250.0)
    file.write_text(kept_files.as_text(kept), encoding="utf-8")
    assert kept_files.read(file) == kept
    assert (kept.offset_s("boot-1"), kept.offset_s("boot-2")) == (150.0, 250.0)


@pytest.mark.parametrize(
    "content", ["", "{", "[]", '{"format": 1}', '{"format": 2}', '{"format":1,"books":[]}', "\0"]
)
def test_an_unreadable_state_makes_everything_be_sent_again(tmp_path: Path, content: str) -> None:
    file = tmp_path / "told"
    file.write_text(content)
    assert kept_files.read(file) == Kept()
    assert kept_files.read(tmp_path / "nothing") == Kept()


# --- silence


class Silent:
    def __init__(self, tmp_path: Path, *, started_s: float = 0.0) -> None:
        self.watch = SpeakingWatch(tmp_path / "run")
        self.hearing = Hearing("harbour-models", None, started_s)

    def hear(self, silent_for_s: float) -> Situation:
        live, _ = LiveReader(self.watch.path).read()
        now = SystemClock().now()
        return self.hearing.take(live, type(now)(now.boot_s + silent_for_s, now.utc_s))


def test_a_short_silence_raises_and_clears_nothing(tmp_path: Path) -> None:
    silent = Silent(tmp_path)
    assert set(silent.hear(0.0).standing) == {"", "lantern"}
    assert silent.hear(SILENT_AFTER_S - 5.0).standing == {}
    now = silent.hear(SILENT_AFTER_S + 5.0)
    (alarm,) = now.standing[""]
    assert (list(now.standing), alarm.priority) == ([""], Priority.HIGH)
    assert now.t_s - alarm.since_s == pytest.approx(SILENT_AFTER_S + 5.0, abs=2.0)


def test_silence_with_every_pot_open_is_low_and_sent_once(tmp_path: Path) -> None:
    silent = Silent(tmp_path)
    silent.watch.snapshot = NOTHING_KNOWN
    silent.watch._file.write({"lantern": NOTHING_KNOWN}, {"lantern": None})
    assert NOTHING_KNOWN.stage is Stage.OPEN
    alarms = [silent.hear(hours * 3600.0).standing[""][0] for hours in (1, 2, 3)]
    assert {(alarm.priority, alarm.announced_s) for alarm in alarms} == {(Priority.LOW, alarms[0].since_s)}


def test_silence_repeats_at_the_intervals_of_the_alarm_book(tmp_path: Path) -> None:
    silent = Silent(tmp_path)
    minutes = set()
    for minute in range(3, 200):
        alarm = silent.hear(60.0 * minute).standing[""][0]
        assert alarm.announced_s is not None
        minutes.add(round((alarm.announced_s - alarm.since_s - SILENT_AFTER_S) / 60.0))
    assert sorted(minutes) == [0, 10, 30, 70, 130, 190]


def test_a_watch_never_heard_is_silent_since_boot(tmp_path: Path) -> None:
    now = SystemClock().now()
    hearing = Hearing("harbour-models", None, now.boot_s)
    assert hearing.take(None, now).standing == {}
    later = type(now)(now.boot_s + SILENT_AFTER_S + 1.0, now.utc_s)
    (alarm,) = hearing.take(None, later).standing[""]
    assert (alarm.priority, alarm.since_s) == (Priority.HIGH, 0.0)
    assert alarm.text == "No word from the watch: the pots are not being monitored."


def test_times_are_those_of_the_watch_even_in_a_rehearsal(tmp_path: Path) -> None:
    watch = SpeakingWatch(tmp_path / "run", rehearsed="sound")
    night_utc_s = 1_767_304_800.0
    watch.snapshot = replace(watch.snapshot, utc_s=night_utc_s)
    watch._file.write({"lantern": watch.snapshot}, {})
    live, _ = LiveReader(watch.path).read()
    now = SystemClock().now()
    heard = Hearing("harbour-models", None, now.boot_s, with_rehearsals=True).take(live, now)
    assert heard.utc_s == pytest.approx(night_utc_s, abs=2.0)
    assert heard.rehearsed


def test_a_live_file_of_another_boot_counts_as_silence_from_now(tmp_path: Path) -> None:
    """It was written at a boot time later than now; the axis continues after its last time."""
    live, _ = LiveReader(SpeakingWatch(tmp_path / "run").path).read()
    assert live is not None
    heard_s = live.pots["lantern"].snapshot.t_s
    hearing = Hearing("harbour-models", None, 10.0)
    soon, later = (hearing.take(live, Instant(boot_s, None)) for boot_s in (20.0, 21.0 + SILENT_AFTER_S))
    assert (soon.standing, soon.t_s) == ({}, heard_s)
    (alarm,) = later.standing[""]
    assert (alarm.since_s, later.t_s) == (heard_s, heard_s + SILENT_AFTER_S + 1.0)


def test_the_watch_of_another_workshop_does_not_count(tmp_path: Path) -> None:
    live, _ = LiveReader(SpeakingWatch(tmp_path / "run").path).read()
    now = SystemClock().now()
    assert "lantern" not in Hearing("other-models", None, now.boot_s).take(live, now).standing


# --- heartbeat


class Minutes:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_the_heartbeat_is_sent_every_minute_while_the_watch_is_well(at: Phone) -> None:
    clock = Minutes()
    beat = Heartbeat(at.url("http", "beat"), at.url("http", "fail"), clock)
    well = Situation(0.0, None, {"": (), "lantern": ()})
    silent, calls = (
        Situation(0.0, None, {}),
        Situation(0.0, None, {"": (), "lantern": (standing(FLOOR, 0.0),)}),
    )
    seen = Situation(0.0, None, {"": (), "lantern": (standing(FLOOR, 0.0, AlarmState.ACKNOWLEDGED),)})
    rehearsed = Situation(0.0, None, {"": (), "lantern": (standing(FLOOR, 0.0),)}, rehearsed=True)

    def pass_minutes(minutes: float, now: Situation) -> list[str]:
        before = len(at.heard)
        for _ in range(round(60 * minutes)):
            beat.look(now)
            while beat._line.is_busy:
                time.sleep(0.001)
                beat.look(now)
            clock.now_s += 1.0
        return [request.path for request in at.heard[before:]]

    assert pass_minutes(3, well) == ["/beat"] * 3
    assert pass_minutes(3, silent) == []  # the heartbeat service raises the alarm itself
    assert pass_minutes(2, calls) == ["/fail"] * 2
    assert pass_minutes(1, seen) == ["/beat"]
    assert pass_minutes(3, rehearsed) == []
    assert {request.method for request in at.heard} == {"GET"}
    at.status = 500
    assert pass_minutes(0.5, well) == ["/beat"] and beat.fault is None  # one may be lost
    clock.now_s += 60.0
    pass_minutes(0.1, well)
    assert beat.fault == "the server answered 500"
    at.status = 200
    clock.now_s += 60.0
    pass_minutes(0.1, well)
    assert beat.fault is None


def test_without_a_failure_address_a_high_alarm_stops_no_heartbeat(at: Phone) -> None:
    beat = Heartbeat(at.url("http", "beat"), None)
    beat.look(Situation(0.0, None, {"": (), "lantern": (standing(FLOOR, 0.0),)}))
    wait_until(lambda: len(at.heard) == 1, "no beat")


def test_a_failed_heartbeat_shows_no_address() -> None:
    beat = Heartbeat(f"http://{HOST}:{free_port()}/hush", None)
    well = Situation(0.0, None, {"": ()})
    for _ in range(2):
        beat._due_s = 0.0
        beat.look(well)
        wait_until(lambda: beat._line._job is None or beat._line._job.is_over, "it hangs")
    beat.look(well)
    assert beat.fault == "Connection refused"


# --- the verb


def test_a_test_gives_the_result_for_each_target(
    tmp_path: Path, at: Phone, mail: Mailbox, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{at.url()}'", f"name: Ben, url: '{mail.url()}', after: 1 h"))
    shop.config.write_text(shop.config.read_text().replace("page: {", "page: {names: [pot.local], "))
    assert run(capsys, "notify", "--config", shop.config, "--test") == (0, "Anna: sent\nBen: sent\n", "")
    assert at.titles == ["TEST: Potvigil"] and mail.mails[0]["Subject"] == "TEST: Potvigil"
    assert at.heard[0].json["message"].endswith("\n\nhttp://pot.local:8642/")
    at.status = 403
    status, out, _ = run(capsys, "notify", "--config", shop.config, "--test")
    assert status == 1
    assert out.startswith("Anna: failed: ") and out.endswith("\nBen: sent\n")
    assert "lens-night" not in out


def test_a_dry_run_shows_the_messages_and_sends_nothing(
    tmp_path: Path, at: Phone, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{at.url()}'", f"name: Ben, url: '{at.url()}', after: 1 h"))
    shop.watch.alarms = (standing(FLOOR, axis_s()),)
    shop.watch.speak()
    status, out, _ = run(capsys, "notify", "--config", shop.config, "--dry-run")
    assert (status, at.heard) == (0, [])
    assert out == f"Anna (urgent): {TITLE}\n    The pressure will reach the floor.\nBen: nothing\n"


@pytest.mark.parametrize(
    ("targets", "said"),
    [
        ("", "names nobody to notify; give notify:, heartbeat:, or tls under page"),
        (to("name: Anna, url: 'hush://hush'"), "notify.targets[0].url: hush://... is not a complete address"),
        (to("name: Anna, url_file: nowhere"), "nowhere: No such file or directory"),
    ],
)
def test_unusable_targets_are_reported_in_one_line(
    tmp_path: Path, targets: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = Shop(tmp_path, targets)
    status, _, err = run(capsys, "notify", "--config", shop.config, "--test")
    assert status == 2 and said in err and err.count("\n") == 1
    if targets:
        status, out, err = run(capsys, "check", "--config", shop.config)
        assert status == 1 and err == ""
        assert [said in line for line in out.splitlines() if line.startswith("FAULT  notify")] == [True]


def test_check_lists_who_is_notified_of_what(
    tmp_path: Path, at: Phone, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = Shop(
        tmp_path, to(f"name: Anna, url: '{at.url()}'", f"name: Ben, url: '{at.url()}', after: 15 min")
    )
    status, out, _ = run(capsys, "check", "--config", shop.config)
    rows = [" ".join(line.split()) for line in out.splitlines()]
    assert status == 0 and at.heard == []
    assert "Anna high, medium, low 22:00-07:00 at once" in rows
    assert "Ben high 15 min" in rows


def test_only_the_notifier_can_enter_its_status_folder(tmp_path: Path, at: Phone) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{at.url()}'"))
    with running(shop):
        file = usual_status(shop.watch.path)
        wait_until(file.exists, "no status")
        assert file.parent == tmp_path / "run-notify"
        assert (file.parent.stat().st_mode & 0o777, file.stat().st_mode & 0o777) == (0o750, 0o640)
        assert StatusReader(file).read() is not None
        assert [each.name for each in (tmp_path / "run").iterdir()] == ["live.json"]


def test_a_rehearsal_notifies_only_on_request_and_says_so(
    tmp_path: Path, at: Phone, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = Shop(tmp_path, to(f"name: Anna, url: '{at.url()}'"))
    night = ("rehearse", "lost-before-gel", "--record", tmp_path / "night.db")
    status, _, err = run(capsys, *night, "--notify")
    assert (status, err.count("\n")) == (2, 1) and "needs --config" in err

    def told() -> set[str]:
        with Store.open_read_only(tmp_path / "night.db") as store:
            return {row.target for row in store.deliveries("lantern", 0.0)}

    asked = [*map(str, night), "--config", str(shop.config), "--notify", "--speed", "1500"]
    with subprocess.Popen([sys.executable, "-m", "potvigil", *asked], stdout=subprocess.PIPE) as process:
        wait_until(lambda: (at.titles and told()) or process.poll() is not None, "nobody was notified")
        process.send_signal(signal.SIGINT)  # the rest of the night would add nothing
        process.communicate()
    assert process.returncode == 0
    assert at.titles and all(title.startswith("REHEARSAL: lantern: ") for title in at.titles)
    assert told() == {"Anna"}
