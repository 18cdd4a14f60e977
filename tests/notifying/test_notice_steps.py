"""What is due to whom to the second: each boundary of schedule, hearing, heartbeat, line and status."""

import json
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC
from datetime import time as clock_time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from potvigil.clock import Instant
from potvigil.model.events import AlarmId, AlarmState, Priority, Stage, StandingAlarm
from potvigil.model.quiet_hours import QuietHours
from potvigil.notifying import heartbeat as heartbeat_module
from potvigil.notifying import keeper as keeper_module
from potvigil.notifying import line as line_module
from potvigil.notifying import notifier as notifier_module
from potvigil.notifying import status
from potvigil.notifying.apprise_target import server_of
from potvigil.notifying.hearing import Hearing, last_announced_s
from potvigil.notifying.heartbeat import Heartbeat
from potvigil.notifying.keeper import Kept, as_text, read
from potvigil.notifying.line import Line, Sent
from potvigil.notifying.message import compose
from potvigil.notifying.schedule import (
    THE_WATCH,
    AlarmMark,
    Book,
    Due,
    NoticeKind,
    Recipient,
    Situation,
    due,
)
from potvigil.notifying.status import Status, StatusReader, Trial
from potvigil.notifying.targets import Target
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store

UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC
UNSEEN, SEEN, OVER, ASIDE = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED,
    AlarmState.SHELVED,
)
HIGH, LOW = Priority.HIGH, Priority.LOW
RAISED, AGAIN, CHANGED, TEST = NoticeKind.RAISED, NoticeKind.AGAIN, NoticeKind.CHANGED, NoticeKind.TEST
ANNA = Recipient("Anna", frozenset(Priority))
FLOOR, LEAK = AlarmId.FLOOR_AHEAD, AlarmId.LEAK


def alarm(
    which: AlarmId = FLOOR,
    priority: Priority = HIGH,
    state: AlarmState = UNSEEN,
    since_s: float = 1000.0,
    announced_s: float | None = None,
) -> StandingAlarm:
    return StandingAlarm(which, priority, state, since_s, None, "Why.", announced_s=announced_s)


def at(t_s: float, *alarms: StandingAlarm, utc_s: float | None = None, pot: str = "lantern") -> Situation:
    return Situation(t_s, utc_s, {pot: alarms})


def kinds(now: Situation, book: Book | None = None, recipient: Recipient = ANNA) -> list[NoticeKind]:
    return [each.kind for each in due(recipient, book or Book(), now)]


def told(told_s: float, since_s: float = 1000.0, which: AlarmId = FLOOR) -> Book:
    return Book({("lantern", which): AlarmMark(since_s, told_s)})


# --- schedule


@pytest.mark.parametrize(
    ("since_s", "announced_s", "told_s", "kind"),
    [
        (1000.0, None, None, [RAISED]),
        (1000.0, 1000.0, 1000.0, []),
        (1000.0, 1299.0, 1000.0, []),
        (1000.0, 1300.0, 1000.0, [AGAIN]),  # announced again five minutes after he was told
        (1299.0, None, 1000.0, []),  # the same again, found by a watch that was started anew
        (1300.0, None, 1000.0, [RAISED]),
    ],
)
def test_an_alarm_is_told_when_it_is_raised_and_announced_again(
    since_s: float, announced_s: float | None, told_s: float | None, kind: list[NoticeKind]
) -> None:
    book = None if told_s is None else told(told_s)
    assert kinds(at(1400.0, alarm(since_s=since_s, announced_s=announced_s)), book) == kind


@pytest.mark.parametrize(("t_s", "kind"), [(1899.0, []), (1900.0, [RAISED])])
def test_whoever_is_told_later_is_told_of_what_stood_so_long(t_s: float, kind: list[NoticeKind]) -> None:
    ben = Recipient("Ben", frozenset({HIGH}), None, 900.0)
    assert kinds(at(t_s, alarm()), recipient=ben) == kind
    assert kinds(at(t_s, alarm(LEAK, LOW)), recipient=ben) == []  # not his
    assert kinds(at(1000.0, alarm(AlarmId.TEST, LOW)), recipient=ben) == [TEST]


@pytest.mark.parametrize(
    ("priority", "utc_s", "is_told"),
    [(LOW, UTC_S - 1.0, True), (LOW, UTC_S, False), (LOW, None, True), (HIGH, UTC_S, True)],
)
def test_in_quiet_hours_only_high_alarms_are_told(
    priority: Priority, utc_s: float | None, is_told: bool
) -> None:
    anna = replace(ANNA, quiet_hours=QuietHours(clock_time(22), clock_time(7), UTC))
    assert bool(kinds(at(1000.0, alarm(priority=priority), utc_s=utc_s), recipient=anna)) is is_told
    seen = at(1000.0, alarm(priority=priority, state=SEEN), utc_s=utc_s)
    assert bool(kinds(seen, told(900.0), anna)) is is_told


@pytest.mark.parametrize("state", [SEEN, OVER, ASIDE, AlarmState.NORMAL, None])
def test_what_became_of_an_alarm_is_told_once_to_whoever_was_told_of_it(state: AlarmState | None) -> None:
    alarms = [] if state is None else [alarm(state=state)]
    assert kinds(at(1200.0, *alarms)) == []
    now = at(1200.0, *alarms)
    (found,) = due(ANNA, told(1000.0), now)
    assert (found.kind, found.alarm.alarm, found.is_urgent) == (CHANGED, FLOOR, False)
    assert (found.alarm.state, found.alarm.since_s) == (state or AlarmState.NORMAL, 1000.0)
    after = told(1000.0).with_told([found], 1200.0)
    assert after == Book({}, {"lantern": 1200.0})
    assert kinds(at(1201.0, *alarms), after) == []


@pytest.mark.parametrize(("t_s", "kind"), [(1799.0, []), (1800.0, [CHANGED])])
def test_such_notices_come_ten_minutes_apart_for_a_pot(t_s: float, kind: list[NoticeKind]) -> None:
    book = replace(told(1000.0), noticed={"lantern": 1200.0})
    assert kinds(at(t_s), book) == kind
    assert kinds(at(1200.0), replace(book, noticed={"mast": 1200.0})) == [CHANGED]


def test_the_most_pressing_stands_first_and_what_only_changed_last() -> None:
    found = due(
        ANNA,
        told(1000.0, which=AlarmId.OVER_PRESSURE),
        at(1200.0, alarm(LEAK, LOW), alarm(FLOOR), alarm(AlarmId.OVER_PRESSURE, state=SEEN)),
    )
    assert [(each.alarm.alarm, each.kind, each.is_urgent) for each in found] == [
        (FLOOR, RAISED, True),
        (LEAK, RAISED, False),
        (AlarmId.OVER_PRESSURE, CHANGED, False),
    ]


def test_what_is_told_is_marked_with_its_begin_and_when() -> None:
    book = Book().with_told([Due("lantern", alarm(), RAISED), Due("mast", alarm(LEAK), AGAIN)], 1234.0)
    assert book == Book(
        {("lantern", FLOOR): AlarmMark(1000.0, 1234.0), ("mast", LEAK): AlarmMark(1000.0, 1234.0)}
    )


def test_of_a_book_counts_no_test_that_is_over_and_nothing_of_another_axis() -> None:
    book = Book(
        {
            ("lantern", AlarmId.TEST): AlarmMark(1.0, 1.0),
            ("lantern", FLOOR): AlarmMark(1.0, 1060.0),
            ("lantern", LEAK): AlarmMark(1.0, 1060.1),
        },
        {"lantern": 1060.0, "mast": 1060.1},
    )
    kept = Book({("lantern", FLOOR): AlarmMark(1.0, 1060.0)}, {"lantern": 1060.0})
    assert book.at(at(1000.0)) == kept
    assert kept.at(at(1000.0)) is kept
    standing = at(2000.0, alarm(AlarmId.TEST, LOW))
    assert book.at(standing) is book
    assert ("lantern", AlarmId.TEST) in book.at(at(2000.0, pot="mast")).marks  # of that pot nothing is known
    noticed = Book({}, {"mast": 5000.0})
    assert noticed.at(at(1000.0)) == Book()


# --- hearing


def live(
    written_boot_s: float = 500.0,
    t_s: float = 800.0,
    *,
    workshop: str = "harbour",
    rehearsed: str | None = None,
    utc_s: float | None = UTC_S,
    stage: Stage = Stage.HOLDING,
    batch: int | None = 3,
    alarms: Sequence[StandingAlarm] = (),
) -> Any:
    snapshot = SimpleNamespace(t_s=t_s, utc_s=utc_s, alarms=alarms, stage=stage)
    earlier = SimpleNamespace(t_s=t_s - 5.0, utc_s=None, alarms=(), stage=stage)
    return SimpleNamespace(
        workshop=workshop,
        rehearsed=rehearsed,
        written_boot_s=written_boot_s,
        pots={
            "mast": SimpleNamespace(batch=batch, snapshot=earlier),
            "lantern": SimpleNamespace(batch=batch, snapshot=snapshot),
        },
        is_silent=lambda boot_s: not 0.0 <= boot_s - written_boot_s <= 5.0,
    )


def hearing(started_boot_s: float = 0.0, offset_s: float = 0.0, **options: Any) -> Hearing:
    return Hearing("harbour", UTC, started_boot_s, offset_s, **options)


def test_a_watch_that_speaks_is_heard_by_its_own_clock() -> None:
    of = hearing()
    standing = (alarm(),)
    now = of.take(live(alarms=standing), Instant(503.0, 5.0))
    assert now == Situation(803.0, UTC_S + 3.0, {THE_WATCH: (), "mast": (), "lantern": standing})
    assert of.offset_s == 300.0
    assert of.take(live(utc_s=None), Instant(503.0, 5.0)).utc_s is None
    rehearsed = hearing(with_rehearsals=True).take(live(rehearsed="sound"), Instant(503.0, None))
    assert rehearsed.rehearsed and "lantern" in rehearsed.standing


def test_a_rehearsal_that_nobody_asked_for_says_nothing_however_long_it_is_silent() -> None:
    for boot_s in (503.0, 9000.0):
        assert hearing(offset_s=7.0).take(live(rehearsed="sound"), Instant(boot_s, 5.0)) == Situation(
            boot_s + 7.0, 5.0, {}
        )


@pytest.mark.parametrize(("boot_s", "is_called"), [(619.9, False), (620.0, True)])
def test_two_minutes_of_silence_are_called(boot_s: float, is_called: bool) -> None:
    now = hearing().take(live(), Instant(boot_s, UTC_S + 120.0))
    assert (now.t_s, now.utc_s, now.rehearsed) == (boot_s + 300.0, UTC_S + 120.0, False)
    if not is_called:
        assert now.standing == {}
        return
    ((call,),) = now.standing.values()
    assert (call.alarm, call.priority, call.state) == (AlarmId.READINGS_STOPPED, HIGH, UNSEEN)
    assert (call.since_s, call.since_utc_s, call.announced_s) == (800.0, UTC_S, 920.0)
    rehearsed = hearing(with_rehearsals=True).take(live(rehearsed="sound"), Instant(boot_s, None))
    assert rehearsed.rehearsed


@pytest.mark.parametrize(
    ("batch", "stage", "is_idle"),
    [(None, Stage.OPEN, True), (3, Stage.OPEN, False), (None, Stage.HOLDING, False)],
)
def test_silence_over_an_empty_shop_is_low_and_not_repeated(
    batch: int | None, stage: Stage, is_idle: bool
) -> None:
    ((call,),) = hearing().take(live(batch=batch, stage=stage), Instant(9000.0, None)).standing.values()
    assert call.priority is (LOW if is_idle else HIGH)
    assert (call.announced_s == 800.0) is is_idle


@pytest.mark.parametrize(("boot_s", "is_called"), [(1119.9, False), (1120.0, True)])
def test_a_watch_that_was_never_heard_is_silent_two_minutes_after_the_notifier_began(
    boot_s: float, is_called: bool
) -> None:
    for never in (None, live(workshop="another")):
        now = hearing(1000.0, 50.0).take(never, Instant(boot_s, None))
        assert bool(now.standing) is is_called
        if is_called:
            ((call,),) = now.standing.values()
            assert (call.priority, call.since_s, call.since_utc_s) == (HIGH, 50.0, None)


def test_the_axis_of_another_boot_goes_on_no_earlier_than_what_was_heard_of_it() -> None:
    of = hearing(10.0, 1.0)
    now = of.take(live(written_boot_s=500.0, t_s=800.0), Instant(20.0, None))
    assert (of.offset_s, now.t_s, now.standing) == (780.0, 800.0, {})
    now = of.take(live(written_boot_s=500.0, t_s=800.0), Instant(140.0, None))
    assert (of.offset_s, now.t_s) == (780.0, 920.0)
    assert now.standing  # two minutes of silence


def test_silence_is_announced_after_ten_twenty_forty_and_then_each_sixty_minutes() -> None:
    steps = [0.0, 600.0, 1800.0, 4200.0, 7800.0, 11_400.0]
    for before, now in zip([*steps], [*steps[1:], 15_000.0], strict=True):
        assert last_announced_s(100.0, 100.0 + now - 0.1) == 100.0 + before
        assert last_announced_s(100.0, 100.0 + now) == 100.0 + now


# --- message


def test_what_nobody_has_seen_for_five_minutes_says_so() -> None:
    def said(t_s: float, kind: NoticeKind = RAISED, pot: str = "lantern") -> str:
        return compose([Due(pot, alarm(), kind)], at(t_s), UTC, None).body

    assert said(1299.9) == "Why."
    assert said(1300.0) == "Why. Not acknowledged for 5 min."
    assert said(1300.0, TEST) == said(1300.0, RAISED, THE_WATCH) == "Why."
    assert said(1300.0, CHANGED) == "Nothing more is sent about it unless it comes back."


def test_a_message_names_what_can_be_acknowledged() -> None:
    def named(*found: Due) -> tuple[str | None, AlarmId | None, bool, str | None]:
        message = compose(found, at(1000.0), UTC, "http://pot/")
        return message.pot, message.alarm, message.urgent, message.link

    raised, over = Due("lantern", alarm(), RAISED), Due("lantern", alarm(), CHANGED)
    assert named(raised) == ("lantern", FLOOR, True, "http://pot/")
    assert named(over) == ("lantern", None, False, "http://pot/")
    assert named(Due(THE_WATCH, alarm(), RAISED)) == (None, None, True, "http://pot/")
    assert named(Due("lantern", alarm(LEAK, LOW), RAISED), raised)[2]
    several = compose([raised, over, over], at(1000.0), UTC, "http://pot/")
    assert several.title.endswith(" (and 2 more)") and several.body.count("\n") == 2
    assert several.text == f"{several.body}\n\nhttp://pot/"
    assert replace(several, link=None).text == several.body


# --- line and heartbeat


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def jobs(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What was sent, each to be ended by hand: no thread."""
    made: list[Any] = []

    def job(send: object, what: object, started_s: float) -> Any:
        made.append(SimpleNamespace(what=what, started_s=started_s, is_over=False, fault=None))
        return made[-1]

    monkeypatch.setattr(line_module, "_Job", job)
    return made


def end(job: Any, fault: str | None = None) -> None:
    job.is_over, job.fault = True, fault


def test_a_line_that_fails_rests_five_seconds_then_twice_as_long_at_most_ten_minutes(jobs: list[Any]) -> None:
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
    assert not line.is_resting  # the pauses begin anew
    never: Line[str] = Line(print, retry=False, clock=clock)
    never.start("x")
    end(jobs[-1], "refused")
    never.take()
    assert not never.is_resting


def test_what_hangs_is_given_up_after_thirty_seconds_and_three_block_the_line(
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


def test_a_heartbeat_is_fetched_each_minute_and_at_once_where_it_is_another(jobs: list[Any]) -> None:
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
        (at(0.0, alarm(priority=LOW)), "ill", None),  # of the watch nothing is known
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(),)}), "ill", "ill"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(),)}), None, "well"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(state=SEEN),)}), "ill", "well"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(priority=LOW),)}), "ill", "well"),
        (Situation(0.0, None, {THE_WATCH: (), "lantern": (alarm(AlarmId.TEST),)}), "ill", "well"),
        (Situation(0.0, None, {THE_WATCH: (alarm(),)}), "ill", "ill"),
        (Situation(0.0, None, {THE_WATCH: (alarm(),)}), None, None),
    ],
)
def test_which_address_is_fetched(
    jobs: list[Any], now: Situation, fail_url: str | None, url: str | None
) -> None:
    assert fetched(jobs, Heartbeat("well", fail_url, Clock()), now) == url


def test_a_heartbeat_that_fails_twice_in_a_row_is_at_fault(jobs: list[Any]) -> None:
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


# --- what is kept, and how it fares


def test_what_was_told_comes_back_and_says_where_the_axis_is(tmp_path: Path) -> None:
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
def test_a_status_that_is_none_of_ours_is_none(
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
    """A notifier whose lines are ended by hand. kept: what it asked to be kept."""

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


def test_what_was_told_is_kept_with_a_row_for_each_and_a_failure_is_tried_again(round_: Round) -> None:
    raised = alarm(since_s=1001.0)
    assert round_.look(raised) == ["Anna", "Ben"]
    assert round_.notifier.is_busy
    assert round_.look(raised) == []  # on its way
    round_.end(None, "refused")
    assert round_.look(raised) == []  # Anna knows, and Ben's line rests
    ((kept, rows),) = round_.kept
    assert kept.books["Anna"].marks == {("lantern", FLOOR): AlarmMark(1001.0, 1001.0)}
    assert kept.books["Ben"].marks == {}
    assert (kept.boot_id, kept.boot_s, kept.t_s) == ("boot-a", 103.0, 1003.0)
    assert [(row.t_s, row.pot_id, row.alarm, row.target, row.kind, row.fault) for row in rows] == [
        (1001.0, "lantern", FLOOR, "Anna", RAISED, None),
        (1001.0, "lantern", FLOOR, "Ben", RAISED, "refused"),
    ]
    assert not round_.notifier.is_busy
    # what is new does not wait out the rest
    assert round_.look(raised, alarm(LEAK, LOW, since_s=1004.0)) == ["Anna", "Ben"]
    assert round_.sent[-1][1].title.endswith("(and 1 more)")


def test_of_a_test_alarm_it_is_known_what_came_of_it_for_each(round_: Round) -> None:
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
    assert known() == Trial(1005.0, {"Anna": "lost"})  # of the newer test alone


def test_a_silent_watch_is_no_pot_in_the_record_and_who_is_gone_has_no_line(round_: Round) -> None:
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


def test_how_it_fares_is_said_when_it_changes_and_each_ten_seconds(
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


def test_what_cannot_be_kept_is_told_once_and_tried_again(
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
def test_which_server_an_address_is_sent_to(url: str, server: tuple[str, int]) -> None:
    assert server_of(url) == server
