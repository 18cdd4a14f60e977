"""What is due to whom, to the second: every boundary of schedule, hearing and message."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC
from datetime import time as clock_time
from types import SimpleNamespace
from typing import Any

import pytest

from notices import (
    AGAIN,
    ANNA,
    ASIDE,
    CHANGED,
    FLOOR,
    HIGH,
    LEAK,
    LOW,
    OVER,
    RAISED,
    SEEN,
    TEST,
    UNSEEN,
    UTC_S,
    alarm,
    at,
)
from potvigil.clock import Instant
from potvigil.model.events import AlarmId, AlarmState, Priority, Stage, StandingAlarm
from potvigil.model.quiet_hours import QuietHours
from potvigil.notifying.hearing import Hearing, last_announced_s
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


def kinds(now: Situation, book: Book | None = None, recipient: Recipient = ANNA) -> list[NoticeKind]:
    return [each.kind for each in due(recipient, book or Book(), now)]


def book_of(sent_s: float, since_s: float = 1000.0, which: AlarmId = FLOOR) -> Book:
    return Book({("lantern", which): AlarmMark(since_s, sent_s)})


# --- schedule


@pytest.mark.parametrize(
    ("since_s", "announced_s", "sent_s", "kind"),
    [
        (1000.0, None, None, [RAISED]),
        (1000.0, 1000.0, 1000.0, []),
        (1000.0, 1299.0, 1000.0, []),
        (1000.0, 1300.0, 1000.0, [AGAIN]),  # repeated five minutes after they were notified
        (1299.0, None, 1000.0, []),  # the same alarm, found again by a restarted watch
        (1300.0, None, 1000.0, [RAISED]),
    ],
)
def test_an_alarm_is_sent_when_raised_and_when_repeated(
    since_s: float, announced_s: float | None, sent_s: float | None, kind: list[NoticeKind]
) -> None:
    book = None if sent_s is None else book_of(sent_s)
    assert kinds(at(1400.0, alarm(since_s=since_s, announced_s=announced_s)), book) == kind


@pytest.mark.parametrize(("t_s", "kind"), [(1899.0, []), (1900.0, [RAISED])])
def test_the_second_person_reads_how_long_the_alarm_has_been_active(
    t_s: float, kind: list[NoticeKind]
) -> None:
    ben = Recipient("Ben", frozenset({HIGH}), None, 900.0)
    assert kinds(at(t_s, alarm()), recipient=ben) == kind
    assert kinds(at(t_s, alarm(LEAK, LOW)), recipient=ben) == []  # not a priority of this recipient
    assert kinds(at(1000.0, alarm(AlarmId.TEST, LOW)), recipient=ben) == [TEST]


@pytest.mark.parametrize(
    ("priority", "utc_s", "is_told"),
    [(LOW, UTC_S - 1.0, True), (LOW, UTC_S, False), (LOW, None, True), (HIGH, UTC_S, True)],
)
def test_in_quiet_hours_only_high_alarms_are_sent(
    priority: Priority, utc_s: float | None, is_told: bool
) -> None:
    anna = replace(ANNA, quiet_hours=QuietHours(clock_time(22), clock_time(7), UTC))
    assert bool(kinds(at(1000.0, alarm(priority=priority), utc_s=utc_s), recipient=anna)) is is_told
    seen = at(1000.0, alarm(priority=priority, state=SEEN), utc_s=utc_s)
    assert bool(kinds(seen, book_of(900.0), anna)) is is_told


@pytest.mark.parametrize("state", [SEEN, OVER, ASIDE, AlarmState.NORMAL, None])
def test_the_end_of_an_alarm_is_sent_once_to_those_who_got_the_alarm(state: AlarmState | None) -> None:
    alarms = [] if state is None else [alarm(state=state)]
    assert kinds(at(1200.0, *alarms)) == []
    now = at(1200.0, *alarms)
    (found,) = due(ANNA, book_of(1000.0), now)
    assert (found.kind, found.alarm.alarm, found.is_urgent) == (CHANGED, FLOOR, False)
    assert (found.alarm.state, found.alarm.since_s) == (state or AlarmState.NORMAL, 1000.0)
    after = book_of(1000.0).with_sent([found], 1200.0)
    assert after == Book({}, {"lantern": 1200.0})
    assert kinds(at(1201.0, *alarms), after) == []


@pytest.mark.parametrize(("t_s", "kind"), [(1799.0, []), (1800.0, [CHANGED])])
def test_such_notices_are_ten_minutes_apart_for_a_pot(t_s: float, kind: list[NoticeKind]) -> None:
    book = replace(book_of(1000.0), noticed={"lantern": 1200.0})
    assert kinds(at(t_s), book) == kind
    assert kinds(at(1200.0), replace(book, noticed={"mast": 1200.0})) == [CHANGED]


def test_the_most_urgent_comes_first_and_mere_changes_last() -> None:
    found = due(
        ANNA,
        book_of(1000.0, which=AlarmId.OVER_PRESSURE),
        at(1200.0, alarm(LEAK, LOW), alarm(FLOOR), alarm(AlarmId.OVER_PRESSURE, state=SEEN)),
    )
    assert [(each.alarm.alarm, each.kind, each.is_urgent) for each in found] == [
        (FLOOR, RAISED, True),
        (LEAK, RAISED, False),
        (AlarmId.OVER_PRESSURE, CHANGED, False),
    ]


def test_a_sent_alarm_is_marked_with_its_start_and_time() -> None:
    book = Book().with_sent([Due("lantern", alarm(), RAISED), Due("mast", alarm(LEAK), AGAIN)], 1234.0)
    assert book == Book(
        {("lantern", FLOOR): AlarmMark(1000.0, 1234.0), ("mast", LEAK): AlarmMark(1000.0, 1234.0)}
    )


def test_finished_tests_and_other_axes_are_ignored() -> None:
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
    assert ("lantern", AlarmId.TEST) in book.at(at(2000.0, pot="mast")).marks  # nothing is known of that pot
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


def test_a_live_watch_is_followed_by_its_own_clock() -> None:
    of = hearing()
    standing = (alarm(),)
    now = of.take(live(alarms=standing), Instant(503.0, 5.0))
    assert now == Situation(803.0, UTC_S + 3.0, {THE_WATCH: (), "mast": (), "lantern": standing})
    assert of.offset_s == 300.0
    ahead = hearing(offset_s=500.0)  # a wrong value from before: the live one counts
    assert ahead.take(live(), Instant(500.0, None)).t_s == 800.0 and ahead.offset_s == 300.0
    assert of.take(live(utc_s=None), Instant(503.0, 5.0)).utc_s is None
    rehearsed = hearing(with_rehearsals=True).take(live(rehearsed="sound"), Instant(503.0, None))
    assert rehearsed.rehearsed and "lantern" in rehearsed.standing


def test_an_unrequested_rehearsal_never_notifies_even_when_silent() -> None:
    for boot_s in (503.0, 9000.0):
        assert hearing(offset_s=7.0).take(live(rehearsed="sound"), Instant(boot_s, 5.0)) == Situation(
            boot_s + 7.0, 5.0, {}
        )


@pytest.mark.parametrize(("boot_s", "is_called"), [(619.9, False), (620.0, True)])
def test_two_minutes_of_silence_are_an_alarm(boot_s: float, is_called: bool) -> None:
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
def test_silence_with_every_pot_open_is_low_and_not_repeated(
    batch: int | None, stage: Stage, is_idle: bool
) -> None:
    ((call,),) = hearing().take(live(batch=batch, stage=stage), Instant(9000.0, None)).standing.values()
    assert call.priority is (LOW if is_idle else HIGH)
    assert (call.announced_s == 800.0) is is_idle


@pytest.mark.parametrize(("boot_s", "is_called"), [(1119.9, False), (1120.0, True)])
def test_a_watch_never_heard_is_silent_two_minutes_after_the_notifier_started(
    boot_s: float, is_called: bool
) -> None:
    for never in (None, live(workshop="another")):
        now = hearing(1000.0, 50.0).take(never, Instant(boot_s, None))
        assert bool(now.standing) is is_called
        if is_called:
            ((call,),) = now.standing.values()
            assert (call.priority, call.since_s, call.since_utc_s) == (HIGH, 50.0, None)


def test_the_axis_after_a_reboot_continues_no_earlier_than_last_heard() -> None:
    of = hearing(10.0, 1.0)
    now = of.take(live(written_boot_s=500.0, t_s=800.0), Instant(20.0, None))
    assert (of.offset_s, now.t_s, now.standing) == (780.0, 800.0, {})
    now = of.take(live(written_boot_s=500.0, t_s=800.0), Instant(140.0, None))
    assert (of.offset_s, now.t_s) == (780.0, 920.0)
    assert now.standing  # two minutes of silence


def test_silence_repeats_after_10_20_40_and_then_every_60_minutes() -> None:
    steps = [0.0, 600.0, 1800.0, 4200.0, 7800.0, 11_400.0]
    for before, now in zip([*steps], [*steps[1:], 15_000.0], strict=True):
        assert last_announced_s(100.0, 100.0 + now - 0.1) == 100.0 + before
        assert last_announced_s(100.0, 100.0 + now) == 100.0 + now


# --- message


def test_an_alarm_unacknowledged_for_five_minutes_says_so() -> None:
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
