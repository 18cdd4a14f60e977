"""Who is notified of what, and when: whole nights on a clock moved by hand, with the watch's own alarms."""

from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from datetime import time as clock_time
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.model.events import AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.model.quiet_hours import QuietHours
from potvigil.notifying.message import compose
from potvigil.notifying.schedule import (
    NOTICE_EVERY_S,
    REMINDED_S,
    THE_WATCH,
    Book,
    Due,
    NoticeKind,
    Recipient,
    Situation,
    due,
)
from potvigil.watch.alarm_rules import RULES
from potvigil.watch.alarm_states import AlarmBook, ConditionWords

START_UTC_S = datetime(2026, 1, 1, 22, tzinfo=UTC).timestamp()
EVERYTHING, HIGH_ONLY = frozenset(Priority), frozenset({Priority.HIGH})
NIGHT = QuietHours(clock_time(22), clock_time(7), UTC)
ANNA = Recipient("Anna", EVERYTHING, NIGHT)
BEN = Recipient("Ben", HIGH_ONLY, NIGHT, after_s=900.0)
FLOOR, LEAK, SENSOR, TEST = AlarmId.FLOOR_AHEAD, AlarmId.LEAK, AlarmId.PRESSURE_SENSOR, AlarmId.TEST
TOP_UP = ConditionWords("Top up to 60.0 psi", "The pressure will reach the floor.", by_s=None)
LOOK = ConditionWords("Look at the lid clamps, the seal and the valves after venting", "Air is being lost.")

Does = Callable[["Night"], None]


class Night:
    """A pot's alarms, and those notified of them. clock: wall time, as hh:mm, from 22:00 on."""

    def __init__(
        self,
        *recipients: Recipient,
        away: Mapping[str, tuple[str, str]] | None = None,
        pots: Iterable[str] = ("lantern",),
        step_s: float = 5.0,
    ) -> None:
        self.recipients, self.away, self.step_s = recipients, away or {}, step_s
        self.alarms = {pot_id: AlarmBook() for pot_id in pots}
        self.true: dict[AlarmId, ConditionWords] = {}
        self.books = {each.name: Book() for each in recipients}
        self.sent: list[tuple[str, str, str]] = []
        self.found: list[tuple[str, tuple[Due, ...]]] = []
        self.t_s = 0.0

    def play(self, until: str, acts: Mapping[str, Does]) -> list[tuple[str, str, str]]:
        """Run the night, and return who was notified when. acts: what happens and what people do."""
        due_acts = sorted((at_s(clock), act) for clock, act in acts.items())
        while self.t_s < at_s(until):
            while due_acts and due_acts[0][0] <= self.t_s:
                due_acts.pop(0)[1](self)
            for book in self.alarms.values():
                conditions = dict.fromkeys(RULES) | self.true
                book.update(self.t_s, START_UTC_S + self.t_s, conditions)
            self.look()
            self.t_s += self.step_s
        return self.sent

    def now(self) -> Situation:
        standing = {pot_id: book.standing() for pot_id, book in self.alarms.items()}
        return Situation(self.t_s, START_UTC_S + self.t_s, {THE_WATCH: (), **standing})

    def look(self) -> None:
        now = self.now()
        for each in self.recipients:
            book = self.books[each.name].at(now)
            found = due(each, book, now)
            gone = self.away.get(each.name)
            if not found or (gone and at_s(gone[0]) <= self.t_s < at_s(gone[1])):
                continue
            self.books[each.name] = book.with_sent(found, self.t_s)
            self.found.append((each.name, found))
            self.sent.append((clock_of(self.t_s), each.name, compose(found, now, UTC, None).title))


def at_s(clock: str) -> float:
    hours, minutes = map(int, clock.split(":"))
    return ((hours - 22) % 24 * 60 + minutes) * 60.0


def clock_of(t_s: float) -> str:
    return f"{datetime.fromtimestamp(START_UTC_S + t_s, UTC):%H:%M}"


def raises(**words: ConditionWords) -> Does:
    conditions = {AlarmId(name.replace("_", "-")): say for name, say in words.items()}
    return lambda night: night.true.update(conditions)


def ends(*alarms: AlarmId) -> Does:
    def act(night: Night) -> None:
        for alarm in alarms:
            del night.true[alarm]

    return act


def sees(alarm: AlarmId | None = None) -> Does:
    def act(night: Night) -> None:
        for book in night.alarms.values():
            book.acknowledge(night.t_s, None, alarm)

    return act


def shelves(alarm: AlarmId, duration_s: float) -> Does:
    def act(night: Night) -> None:
        for book in night.alarms.values():
            book.shelve(night.t_s, None, alarm, duration_s)

    return act


acknowledges = sees()
TITLE = "lantern: Top up to 60.0 psi"
SEEN = "lantern: leak: floor ahead (acknowledged)"


def test_a_night_without_an_answer_until_somebody_acts() -> None:
    """The steps are those of the alarm book: 10, 20, 40, then every 60 minutes."""
    night = Night(ANNA, BEN)
    assert night.play("06:30", {"01:59": raises(floor_ahead=TOP_UP), "05:00": acknowledges}) == [
        ("01:59", "Anna", TITLE),  # half a minute after it became true
        ("02:09", "Anna", TITLE),
        ("02:14", "Ben", TITLE),  # nobody has acknowledged it for 15 min
        ("02:29", "Anna", TITLE),
        ("02:29", "Ben", TITLE),
        ("03:09", "Anna", TITLE),
        ("03:09", "Ben", TITLE),
        ("04:09", "Anna", TITLE),
        ("04:09", "Ben", TITLE),
        ("05:00", "Anna", SEEN),
        ("05:00", "Ben", SEEN),
    ]


def test_the_second_person_gets_nothing_acknowledged_in_time() -> None:
    night = Night(ANNA, BEN)
    assert night.play("06:00", {"02:00": raises(floor_ahead=TOP_UP), "02:05": acknowledges}) == [
        ("02:00", "Anna", TITLE),
        ("02:05", "Anna", SEEN),
    ]


def test_the_end_of_an_alarm_is_sent_once_and_only_to_those_who_got_it() -> None:
    night = Night(ANNA, BEN)
    acts = {"02:00": raises(floor_ahead=TOP_UP), "02:05": ends(FLOOR), "03:00": acknowledges}
    assert night.play("06:00", acts) == [
        ("02:00", "Anna", TITLE),
        # about to return when the first repeat is due: its end is sent next, after the off-delay
        ("02:15", "Anna", "lantern: leak: floor ahead (cleared, not acknowledged)"),
    ]


def test_low_alarms_wait_for_the_morning_and_high_ones_do_not() -> None:
    night = Night(ANNA)
    acts = {"23:00": raises(leak=LOOK), "03:00": raises(pressure_sensor=TOP_UP), "03:01": sees(SENSOR)}
    assert night.play("07:05", acts) == [
        ("03:00", "Anna", TITLE),
        ("03:01", "Anna", "lantern: pressure unknown (acknowledged)"),
        ("07:00", "Anna", f"lantern: {LOOK.do}"),
    ]


def test_a_low_alarm_acknowledged_at_night_is_never_sent() -> None:
    assert Night(ANNA).play("08:00", {"23:00": raises(leak=LOOK), "06:00": acknowledges}) == []


def test_shelving_is_announced_and_so_is_its_end() -> None:
    night = Night(ANNA)
    acts = {"02:00": raises(floor_ahead=TOP_UP), "02:05": shelves(FLOOR, 900.0)}
    assert night.play("02:25", acts) == [
        ("02:00", "Anna", TITLE),
        ("02:05", "Anna", "lantern: leak: floor ahead (shelved)"),
        ("02:20", "Anna", TITLE),
    ]


def test_alarms_raised_together_make_one_message() -> None:
    night = Night(ANNA, pots=("lantern", "mast"))
    sent = night.play("02:05", {"02:00": raises(pressure_sensor=TOP_UP, record_failing=LOOK)})
    assert [title for _, _, title in sent] == [
        f"{TITLE} (and 1 more)",  # both pots' sensors after 15 s, the record after 30 s
        f"lantern: {LOOK.do} (and 1 more)",
    ]


def test_a_repeat_is_not_sent_to_somebody_just_notified() -> None:
    """A target that was away gets it when it is back, and not again with the next repeat right after."""
    night = Night(ANNA, away={"Anna": ("02:00", "02:28")})
    sent = night.play("04:00", {"01:59": raises(floor_ahead=TOP_UP)})
    assert [clock for clock, _, _ in sent] == ["01:59", "02:28", "03:09"]


def test_an_undelivered_alarm_acknowledged_meanwhile_is_not_sent() -> None:
    night = Night(ANNA, away={"Anna": ("02:00", "04:00")})
    assert night.play("06:00", {"02:00": raises(floor_ahead=TOP_UP), "03:00": acknowledges}) == []


def test_notices_are_at_least_ten_minutes_apart_per_pot() -> None:
    """Two alarms are seen five minutes apart: the second notice waits."""
    night = Night(ANNA)
    acts = {"02:00": raises(floor_ahead=TOP_UP, over_pressure=TOP_UP)}
    acts |= {"02:03": sees(FLOOR), "02:06": sees(AlarmId.OVER_PRESSURE)}
    notices = [clock for clock, _, title in night.play("03:00", acts) if title.endswith("(acknowledged)")]
    assert notices == ["02:03", "02:13"]


def standing(alarm: AlarmId, state: AlarmState = AlarmState.UNACKNOWLEDGED, since_s: float = 0.0, **more):
    return StandingAlarm(alarm, RULES[alarm].priority, state, since_s, None, "Why.", **more)


def kinds(recipient: Recipient, book: Book, t_s: float, *alarms: StandingAlarm) -> list[NoticeKind]:
    return [each.kind for each in due(recipient, book, Situation(t_s, None, {"lantern": alarms}))]


@pytest.mark.parametrize("recipient", [BEN, Recipient("Cem", frozenset(), NIGHT, 1e6)])
def test_a_test_reaches_everybody_once(recipient: Recipient) -> None:
    alarm = standing(TEST)
    assert kinds(recipient, Book(), 0.0, alarm) == [NoticeKind.TEST]
    book = Book().with_sent([Due("lantern", alarm, NoticeKind.TEST)], 0.0)
    assert kinds(recipient, book, 50.0, alarm) == []
    over = Situation(61.0, None, {"lantern": (standing(TEST, AlarmState.RETURNED),)})
    assert due(recipient, book.at(over), over) == ()
    assert kinds(recipient, book, 100.0, standing(TEST, since_s=90.0)) == [NoticeKind.TEST]


def test_nothing_is_sent_about_an_unknown_pot() -> None:
    book = Book().with_sent([Due("lantern", standing(FLOOR), NoticeKind.RAISED)], 0.0)
    assert due(ANNA, book, Situation(9000.0, None, {})) == ()
    assert due(ANNA, book, Situation(9000.0, None, {THE_WATCH: ()})) == ()
    assert [each.kind for each in due(ANNA, book, Situation(9000.0, None, {"lantern": ()}))] == [
        NoticeKind.CHANGED
    ]


def test_an_alarm_found_again_after_a_restart_is_not_sent_again() -> None:
    book = Book().with_sent([Due("lantern", standing(AlarmId.RECORD_FAILING), NoticeKind.RAISED)], 0.0)
    again = standing(AlarmId.RECORD_FAILING, since_s=60.0, announced_s=60.0)
    assert kinds(ANNA, book, 60.0, again) == []
    later = standing(AlarmId.RECORD_FAILING, since_s=REMINDED_S, announced_s=REMINDED_S)
    assert kinds(ANNA, book, REMINDED_S, later) == [NoticeKind.RAISED]


def test_a_restarted_axis_hides_no_alarm() -> None:
    """A damaged record is moved away: its axis restarts, far below what was sent."""
    book = Book().with_sent([Due("lantern", standing(FLOOR, since_s=90_000.0), NoticeKind.RAISED)], 90_000.0)
    now = Situation(500.0, None, {"lantern": (standing(FLOOR, since_s=490.0),)})
    assert [each.kind for each in due(ANNA, book.at(now), now)] == [NoticeKind.RAISED]


def test_without_a_wall_clock_it_is_never_quiet() -> None:
    assert kinds(ANNA, Book(), 100.0, standing(LEAK)) == [NoticeKind.RAISED]


HIGH = [alarm for alarm, rule in RULES.items() if rule.priority is Priority.HIGH]


@settings(max_examples=60, deadline=None)
@given(
    acts=st.lists(
        st.tuples(
            st.integers(0, 5 * 60),
            st.sampled_from(["raise", "end", "acknowledge", "shelve"]),
            st.sampled_from([FLOOR, SENSOR, LEAK, AlarmId.OVER_PRESSURE, AlarmId.THERMOMETER]),
        ),
        max_size=30,
    ),
    away=st.tuples(st.integers(0, 300), st.integers(0, 120)),
)
def test_whatever_happens_everybody_gets_high_alarms_and_nobody_is_flooded(acts, away) -> None:
    """Five hours of random events, with the target unreachable for up to two of them."""
    gone, back = away[0] * 60.0, (away[0] + away[1]) * 60.0
    everybody = Recipient("Anna", EVERYTHING)
    night = Night(everybody, step_s=30.0)
    sent: list[float] = []
    notices: list[float] = []
    raised_at: list[float] = []
    before: dict[AlarmId, float] = {}
    while night.t_s < 5.0 * 3600.0:
        book = night.alarms["lantern"]
        for minute, what, alarm in acts:
            if minute * 60.0 == night.t_s:
                if what == "raise":
                    night.true[alarm] = TOP_UP
                elif what == "end":
                    night.true.pop(alarm, None)
                elif what == "acknowledge":
                    book.acknowledge(night.t_s, None, alarm)
                else:
                    book.shelve(night.t_s, None, alarm, 900.0)
        book.update(night.t_s, None, dict.fromkeys(RULES) | night.true)
        now = night.now()
        known = night.books["Anna"].at(now)
        found = due(everybody, known, now)
        for each in book.standing():
            if each.state is AlarmState.UNACKNOWLEDGED:
                announced = each.announced_s or 0.0
                if announced != before.get(each.alarm):
                    before[each.alarm] = announced
                    raised_at.append(night.t_s)
        if found and not gone <= night.t_s < back:
            night.books["Anna"] = known.with_sent(found, night.t_s)
            sent.append(night.t_s)
            if any(each.kind is NoticeKind.CHANGED for each in found):
                notices.append(night.t_s)
        if not gone <= night.t_s < back:
            unseen = {each.alarm for each in book.standing() if each.state is AlarmState.UNACKNOWLEDGED}
            known = {alarm for _, alarm in night.books["Anna"].marks}
            assert unseen <= known
        night.t_s += night.step_s
    # a message is an announcement of the watch, a notice, or the one after an outage of the target
    assert len(sent) <= len(raised_at) + len(notices) + 1
    assert all(later - one >= NOTICE_EVERY_S for one, later in pairwise(notices))


def test_a_person_who_wants_only_high_alarms_gets_no_others() -> None:
    cem = Recipient("Cem", HIGH_ONLY)
    assert kinds(cem, Book(), 0.0, standing(LEAK), standing(FLOOR)) == [NoticeKind.RAISED]
    assert kinds(cem, Book(), 0.0, standing(LEAK)) == []


def test_the_most_urgent_comes_first_whatever_the_pot() -> None:
    book = Book().with_sent([Due("lantern", standing(SENSOR), NoticeKind.RAISED)], 0.0)
    pots = {"lantern": (standing(LEAK, since_s=50.0),), "mast": (standing(FLOOR, since_s=50.0),)}
    found = due(Recipient("Cem", EVERYTHING), book, Situation(50.0, None, pots))
    assert [(each.alarm.alarm, each.kind) for each in found] == [
        (FLOOR, NoticeKind.RAISED),
        (LEAK, NoticeKind.RAISED),
        (SENSOR, NoticeKind.CHANGED),
    ]


def test_a_finished_test_leaves_nothing_behind() -> None:
    book = Book().with_sent([Due("lantern", standing(TEST), NoticeKind.TEST)], 0.0)
    assert book.at(Situation(10.0, None, {"lantern": (standing(TEST),)})) == book
    assert book.at(Situation(10.0, None, {})) == book  # the watch is silent for a moment
    assert book.at(Situation(90.0, None, {"lantern": ()})) == Book()


def test_a_slightly_early_wake_up_sends_nothing_twice() -> None:
    """Now is the watch's last reading: after a slow one it is a moment before the last look."""
    book = Book().with_sent([Due("lantern", standing(FLOOR), NoticeKind.RAISED)], 100.0)
    before = Situation(97.0, None, {"lantern": (standing(FLOOR),)})
    assert due(ANNA, book.at(before), before) == ()
