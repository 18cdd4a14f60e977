"""Alarm states as scripts of time; states and words as in IEC 62682 / ISA-18.2."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC
from math import inf, nan

import pytest

from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.watch.alarm_rules import RULES, shelving_fault
from potvigil.watch.alarm_states import AlarmBook, ConditionWords, Over
from potvigil.wording.quantities import alarm_state

MINUTE = 60.0
UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC
FLOOR = AlarmId.BELOW_FLOOR
ON_DELAY_S = RULES[FLOOR].on_delay_s
OFF_DELAY_S = RULES[FLOOR].off_delay_s

UNACKNOWLEDGED, ACKNOWLEDGED = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
RETURNED, NORMAL, SHELVED = AlarmState.RETURNED, AlarmState.NORMAL, AlarmState.SHELVED


class Script:
    """An alarm book and its clock: one update a second with the conditions that are true."""

    def __init__(self) -> None:
        self.book = AlarmBook()
        self.t_s = 0.0
        self.events: list[AlarmEvent] = []

    def say(self, seconds: float, **conditions: str | ConditionWords | None) -> "Script":
        conditions = {AlarmId(name.replace("_", "-")): text for name, text in conditions.items()}
        return self.run(seconds, lambda t_s: conditions)

    def run(
        self, seconds: float, conditions: Callable[[float], dict[AlarmId, str | ConditionWords | None]]
    ) -> "Script":
        until_s = self.t_s + seconds
        while self.t_s < until_s:
            self.events += self.book.update(self.t_s, None, in_full(conditions(self.t_s)))
            self.t_s += 1.0
        return self

    def acknowledge(self, alarm: AlarmId | None = None) -> "Script":
        self.events += self.book.acknowledge(self.t_s, None, alarm)
        return self

    def shelve(self, alarm: AlarmId, duration_s: float) -> "Script":
        self.events += self.book.shelve(self.t_s, None, alarm, duration_s)
        return self

    def unshelve(self, alarm: AlarmId | None = None) -> "Script":
        self.events += self.book.unshelve(self.t_s, None, alarm)
        return self

    def state(self, alarm: AlarmId = FLOOR) -> AlarmState:
        return {each.alarm: each.state for each in self.book.standing()}.get(alarm, NORMAL)

    def raised(self) -> list[AlarmId]:
        return [each.alarm for each in self.events if each.state is UNACKNOWLEDGED and not each.repeat]


def in_full(short: dict[AlarmId, str | ConditionWords | None]) -> dict[AlarmId, ConditionWords | None]:
    return {
        alarm: ConditionWords("", each) if isinstance(each, str) else each for alarm, each in short.items()
    }


def raised() -> Script:
    return Script().say(ON_DELAY_S + 1, below_floor="low")


@pytest.mark.parametrize("alarm", AlarmId)
def test_every_alarm_is_raised_after_its_on_delay_and_not_before(alarm: AlarmId) -> None:
    delay_s = RULES[alarm].on_delay_s
    script = Script().run(delay_s, lambda _: {alarm: "so"})
    assert script.events == []
    script.run(1, lambda _: {alarm: "so"})
    assert [(each.t_s, each.state, each.text) for each in script.events] == [(delay_s, UNACKNOWLEDGED, "so")]
    assert script.events[0].priority is RULES[alarm].priority


def test_a_condition_shorter_than_the_on_delay_raises_nothing() -> None:
    script = Script()
    for _ in range(5):
        script.say(ON_DELAY_S - 1, below_floor="low").say(1, below_floor=None)
    assert script.events == []


@pytest.mark.parametrize("alarm", AlarmId)
def test_every_alarm_returns_after_its_off_delay(alarm: AlarmId) -> None:
    rule = RULES[alarm]
    script = Script().run(rule.on_delay_s + 1, lambda _: {alarm: "so"}).acknowledge()
    script.run(rule.off_delay_s, lambda _: {alarm: None})
    assert script.state(alarm) is ACKNOWLEDGED
    script.run(1, lambda _: {alarm: None})
    assert script.state(alarm) is NORMAL


@pytest.mark.parametrize("period_s", [2, 7, 60, 300])
def test_chatter_round_a_limit_raises_one_alarm_in_ten_minutes(period_s: int) -> None:
    # EEMUA 191: one alarm in ten minutes is what an operator can handle
    script = raised().run(3600, lambda t_s: {FLOOR: "low" if t_s % period_s < period_s / 2 else None})
    assert script.raised() == [FLOOR]
    assert script.state() is UNACKNOWLEDGED


def test_acknowledging_silences_but_never_clears() -> None:
    script = raised().acknowledge(FLOOR)
    assert script.state() is ACKNOWLEDGED
    before = len(script.events)
    script.say(8 * 3600, below_floor="still low")
    assert script.state() is ACKNOWLEDGED
    assert script.events[before:] == []
    assert FLOOR in script.book.true_now
    assert script.book.standing()[0].text == "still low"


def test_an_alarm_that_returns_unacknowledged_is_shown_until_acknowledged() -> None:
    script = raised().say(OFF_DELAY_S + 1, below_floor=None)
    assert script.state() is RETURNED
    script.say(5 * 3600, below_floor=None)
    assert script.state() is RETURNED
    script.acknowledge()
    assert script.state() is NORMAL
    assert script.book.standing() == ()


def test_a_condition_true_again_after_its_return_is_announced_again() -> None:
    script = raised().say(OFF_DELAY_S + 1, below_floor=None).say(ON_DELAY_S + 1, below_floor="again")
    assert script.state() is UNACKNOWLEDGED
    assert script.raised() == [FLOOR, FLOOR]


def test_a_condition_true_again_after_acknowledge_and_return_is_announced_again() -> None:
    script = raised().acknowledge().say(OFF_DELAY_S + 1, below_floor=None)
    assert script.state() is NORMAL
    assert script.say(ON_DELAY_S + 1, below_floor="again").raised() == [FLOOR, FLOOR]


def test_repeats_come_further_and_further_apart() -> None:
    script = raised().say(5 * 3600, below_floor="low")
    repeats = [each.t_s for each in script.events if each.repeat]
    first_s = script.events[0].t_s
    steps = [b - a for a, b in zip([first_s, *repeats], repeats, strict=False)]
    assert steps == [10 * MINUTE, 20 * MINUTE, 40 * MINUTE, 60 * MINUTE, 60 * MINUTE, 60 * MINUTE]
    assert all(each.state is UNACKNOWLEDGED for each in script.events)


def test_a_returned_alarm_is_not_repeated() -> None:
    script = raised().say(OFF_DELAY_S + 60, below_floor=None)
    assert [each.state for each in script.events] == [UNACKNOWLEDGED, RETURNED]


def test_acknowledging_ends_the_repeats_and_a_new_alarm_restarts_them() -> None:
    script = raised().say(45 * MINUTE, below_floor="low").acknowledge()
    script.say(OFF_DELAY_S + 1, below_floor=None)
    script.events.clear()
    script.say(ON_DELAY_S + 1 + 10 * MINUTE, below_floor="low")
    assert [each.repeat for each in script.events] == [False, True]


def test_a_shelved_alarm_is_silent_and_shelving_always_ends() -> None:
    script = raised().shelve(FLOOR, 900.0)
    script.events.clear()
    script.say(899, below_floor="low")
    assert script.state() is SHELVED
    assert script.events == []
    script.say(2, below_floor="low")
    assert script.state() is UNACKNOWLEDGED
    assert script.raised() == [FLOOR]


@pytest.mark.parametrize(("alarm", "most_s"), [(FLOOR, 900.0), (AlarmId.THERMOMETER, 86_400.0)])
def test_an_alarm_cannot_be_shelved_beyond_its_maximum(alarm: AlarmId, most_s: float) -> None:
    for given_s in (1e12, inf):
        conditions = {"below_floor": "low"} if alarm is FLOOR else {"thermometer": "gone"}
        script = Script().say(ON_DELAY_S + 120, **conditions).shelve(alarm, given_s)
        assert script.say(int(most_s) - 1, **conditions).state(alarm) is SHELVED
        assert script.say(2, **conditions).state(alarm) is UNACKNOWLEDGED
        assert shelving_fault(alarm, given_s) is not None
    assert shelving_fault(alarm, most_s) is None is shelving_fault(alarm, 60.0)
    assert shelving_fault(alarm, 59.0) is not None is not shelving_fault(alarm, nan)


def test_a_high_alarm_that_clears_ends_its_shelving_and_the_next_one_is_raised() -> None:
    script = raised().shelve(FLOOR, 900.0).say(int(OFF_DELAY_S) + 1, below_floor=None)
    assert script.state() is NORMAL
    script.events.clear()
    assert script.say(int(ON_DELAY_S) + 2, below_floor="low").raised() == [FLOOR]


def test_a_low_alarm_that_clears_stays_shelved_until_the_shelving_ends() -> None:
    leak = AlarmId.LEAK
    script = Script().say(120, leak="so").shelve(leak, 1800.0).say(int(OFF_DELAY_S) + 1, leak=None)
    assert script.state(leak) is SHELVED
    assert script.say(1800, leak=None).state(leak) is NORMAL


def test_shelving_ends_even_while_the_condition_is_unknown() -> None:
    script = raised().shelve(FLOOR, 600.0).say(602)
    assert script.state() is UNACKNOWLEDGED


def test_acknowledging_does_not_end_a_shelving() -> None:
    script = raised().shelve(FLOOR, 600.0).acknowledge()
    assert script.state() is SHELVED


def test_only_a_low_alarm_can_be_shelved_before_it_is_raised() -> None:
    script = Script().shelve(AlarmId.LEAK, 600.0).say(598, leak="so")
    assert script.raised() == []
    assert script.say(4, leak="so").raised() == [AlarmId.LEAK]
    assert Script().shelve(FLOOR, 600.0).say(int(ON_DELAY_S) + 2, below_floor="low").raised() == [FLOOR]


def test_unshelving_returns_the_alarm_to_the_state_of_its_condition() -> None:
    script = raised().shelve(FLOOR, 900.0).say(10, below_floor="low")
    script.events.clear()
    assert script.unshelve(FLOOR).state() is UNACKNOWLEDGED
    assert script.raised() == [FLOOR]  # announced again, at once
    over = Script().shelve(AlarmId.LEAK, 600.0).say(10, leak=None)
    assert over.unshelve().state(AlarmId.LEAK) is NORMAL
    assert over.say(ON_DELAY_S + 120, leak="so").raised() == [AlarmId.LEAK]
    untouched = raised().acknowledge()
    assert untouched.unshelve(FLOOR).unshelve().state() is AlarmState.ACKNOWLEDGED


def test_a_shelved_alarm_shows_when_shelving_ends_by_the_wall_clock() -> None:
    book = AlarmBook()
    (event,) = book.shelve(100.0, UTC_S, AlarmId.LEAK, 1800.0)
    (standing,) = book.standing()
    assert event.until_utc_s == standing.until_utc_s == UTC_S + 1800.0
    assert alarm_state(event, UTC) == alarm_state(standing, UTC) == "shelved until 22:30"
    assert standing.since_s == 100.0
    (event,) = book.unshelve(200.0, UTC_S + 100.0, AlarmId.LEAK)
    assert event.until_utc_s is None
    (event,) = book.shelve(300.0, None, AlarmId.LEAK, 1800.0)
    assert alarm_state(event, UTC) == "shelved"


@pytest.mark.parametrize(
    ("before", "after"),
    [("raised", RETURNED), ("seen", NORMAL), ("shelved", NORMAL), ("returned", RETURNED)],
)
def test_a_condition_over_for_good_returns_at_once_and_drops_its_instruction(before: str, after: str) -> None:
    script = raised()
    if before == "seen":
        script.acknowledge()
    elif before == "shelved":
        script.shelve(FLOOR, 900.0)
    elif before == "returned":
        script.say(OFF_DELAY_S + 2, below_floor=None)
    script.events += script.book.update(script.t_s, None, {FLOOR: Over("it is over")})
    assert script.state() is after
    assert all(each.text == "it is over" for each in script.book.standing())
    assert Script().book.update(0.0, None, {FLOOR: Over("it is over")}) == []


def test_an_unknown_condition_keeps_the_alarm_state() -> None:
    script = raised().say(3 * 3600)
    assert script.state() is UNACKNOWLEDGED
    script.acknowledge().say(3 * 3600)
    assert script.state() is ACKNOWLEDGED


def test_the_on_delay_pauses_while_the_condition_is_unknown() -> None:
    script = Script().say(1, below_floor="low").say(3600).say(ON_DELAY_S - 1, below_floor="low")
    assert script.raised() == []
    assert script.say(2, below_floor="low").raised() == [FLOOR]


def test_the_off_delay_pauses_while_the_condition_is_unknown() -> None:
    script = raised().acknowledge().say(1, below_floor=None).say(3600).say(OFF_DELAY_S - 1, below_floor=None)
    assert script.state() is ACKNOWLEDGED
    assert script.say(2, below_floor=None).state() is NORMAL


@pytest.mark.parametrize(
    ("alarm", "root"), [(alarm, root) for alarm, rule in RULES.items() for root in sorted(rule.hidden_by)]
)
def test_a_root_cause_hides_its_consequences(alarm: AlarmId, root: AlarmId) -> None:
    script = Script().run(RULES[root].on_delay_s + 1, lambda _: {root: "root"})
    script.run(900, lambda _: {root: "root", alarm: "consequence"})
    assert script.raised() == [root]


def test_an_alarm_hidden_later_by_a_root_cause_falls_silent_but_keeps_its_text_current() -> None:
    """An alarm raised first must not repeat a text that a later alarm has made untrue."""
    leak, ahead = AlarmId.LEAK, AlarmId.FLOOR_AHEAD
    script = Script().say(120, leak="will hold", floor_ahead=None)
    script.say(2 * 3600, leak="will not hold", floor_ahead="soon")
    assert script.raised() == [leak, ahead]
    assert [event for event in script.events if event.alarm is leak and event.repeat] == []
    assert {each.alarm: each.text for each in script.book.standing()}[leak] == "will not hold"
    script.say(OFF_DELAY_S + 5, leak="holds after all", floor_ahead=None)
    assert script.events[-1].alarm is leak and script.events[-1].text == "holds after all"


@pytest.mark.parametrize("how", ["acknowledged", "shelved", "a dead sensor"])
def test_an_earlier_alarm_keeps_repeating_where_its_root_cause_does_not(how: str) -> None:
    """A high alarm is never lost: only an alarm that still repeats may speak for another."""
    root = AlarmId.PRESSURE_SENSOR if how == "a dead sensor" else AlarmId.RAPID_LOSS
    conditions = {"below_floor": "low", "rapid_loss": "fast"}
    if root is AlarmId.PRESSURE_SENSOR:
        conditions = {"pressure_sensor": "wire"}
    script = Script().say(120, below_floor="low").say(60, **conditions)
    if how == "acknowledged":
        script.acknowledge(root)
    elif how == "shelved":
        script.shelve(root, 8 * 3600.0)
    seen = len(script.events)
    script.say(2 * 3600, **conditions)
    assert [event for event in script.events[seen:] if event.alarm is FLOOR and event.repeat]


def test_a_hidden_consequence_that_ends_returns() -> None:
    script = Script().say(120, leak="so").say(60, leak="so", floor_ahead="soon")
    script.say(OFF_DELAY_S + 5, leak=None, floor_ahead="soon")
    assert script.state(AlarmId.LEAK) is RETURNED


def test_no_alarm_hides_itself_and_no_two_hide_each_other() -> None:
    for alarm, rule in RULES.items():
        assert alarm not in rule.hidden_by
    between_sensors = {AlarmId.PRESSURE_SENSOR, AlarmId.READINGS_STOPPED}
    for alarm, rule in RULES.items():
        for root in rule.hidden_by:
            assert alarm not in RULES[root].hidden_by or {alarm, root} == between_sensors


def test_a_consequence_is_raised_once_its_root_cause_is_gone() -> None:
    script = Script().say(20, pressure_sensor="wire").say(OFF_DELAY_S + 1, pressure_sensor=None)
    script.say(ON_DELAY_S + 2, pressure_sensor=None, below_floor="low")
    assert script.raised() == [AlarmId.PRESSURE_SENSOR, FLOOR]


def test_the_most_urgent_alarm_is_shown_first() -> None:
    script = Script().say(400, thermometer="gone", over_pressure="high", record_failing="full")
    shown = [each.priority for each in script.book.standing()]
    assert shown == [Priority.HIGH, Priority.HIGH, Priority.LOW]
    assert script.book.standing()[0].alarm is AlarmId.OVER_PRESSURE


def test_every_alarm_has_a_rule() -> None:
    assert set(RULES) == set(AlarmId)


def test_acknowledging_one_alarm_leaves_the_others() -> None:
    script = Script().say(400, thermometer="gone", over_pressure="high").acknowledge(AlarmId.THERMOMETER)
    assert script.state(AlarmId.THERMOMETER) is ACKNOWLEDGED
    assert script.state(AlarmId.OVER_PRESSURE) is UNACKNOWLEDGED
    script.acknowledge(None)
    assert script.state(AlarmId.OVER_PRESSURE) is ACKNOWLEDGED


def losing(minutes_left: float, psi_per_h: float, **other: object) -> ConditionWords:
    """Words of a forecast: the floor is passed so many minutes from when they are made."""
    text = f"Losing {psi_per_h:.2f} psi/h: passes 45.0 psi."
    return ConditionWords("Top up", text, by_s=minutes_left, figure=60.0 * minutes_left, step=900.0, **other)


def test_the_text_stays_while_only_its_figures_move_a_little() -> None:
    script = Script().say(40, below_floor=losing(200.0, 1.50))
    said = set()
    for i in range(500):
        script.say(1, below_floor=losing(200.0 + i % 3, 1.50 + 0.01 * (i % 5)))
        said |= {each.text for each in script.book.standing()}
    assert said == {"Losing 1.50 psi/h: passes 45.0 psi."}


@pytest.mark.parametrize(
    "news",
    [
        losing(180.0, 1.70),  # moved by more than its step
        losing(220.0, 1.30),
        ConditionWords(
            "Check the air supply", losing(200.0, 1.51).text, by_s=200.0, figure=12_000.0, step=900.0
        ),
        losing(200.0, 1.51, says="and through the cure"),
        ConditionWords(
            "Top up", losing(200.0, 1.51).text, figure=12_000.0, step=900.0
        ),  # no deadline any more
        ConditionWords(
            "Top up", "Losing 1.51 psi/h: close to the end.", by_s=200.0, figure=12_000.0, step=900.0
        ),
    ],
)
@pytest.mark.parametrize("seen", [False, True])
def test_the_text_changes_at_once_when_its_meaning_does(news: ConditionWords, seen: bool) -> None:
    script = Script().say(40, below_floor=losing(200.0, 1.50))
    if seen:
        script.acknowledge()
    script.say(1, below_floor=news)
    (standing,) = script.book.standing()
    assert (standing.do, standing.text, standing.by_s) == (news.do, news.text, news.by_s)
    assert len(script.raised()) == 1  # and no new alarm is raised for it


def test_a_repeated_alarm_shows_the_newest_figures() -> None:
    script = Script().say(40, below_floor=losing(200.0, 1.50)).say(620, below_floor=losing(201.0, 1.53))
    assert script.events[-1].repeat
    assert script.events[-1].text == script.book.standing()[0].text == "Losing 1.53 psi/h: passes 45.0 psi."


def test_a_high_alarm_returned_unacknowledged_cannot_be_shelved() -> None:
    script = raised().say(OFF_DELAY_S + 10, below_floor=None)
    assert script.state() is RETURNED
    assert script.shelve(FLOOR, 600.0).state() is RETURNED
    assert script.say(ON_DELAY_S + 10, below_floor="low").raised() == [FLOOR, FLOOR]


def test_an_alarm_and_its_event_have_all_their_figures() -> None:
    book = AlarmBook()
    words = ConditionWords("Top up", "low", by_s=900.0)
    assert book.update(100.0, UTC_S + 100.0, {FLOOR: words}) == []
    events = book.update(130.0, UTC_S + 130.0, {FLOOR: words})
    assert events == [
        AlarmEvent(130.0, UTC_S + 130.0, FLOOR, UNACKNOWLEDGED, Priority.HIGH, "low", do="Top up", by_s=900.0)
    ]
    expected = StandingAlarm(
        FLOOR,
        Priority.HIGH,
        UNACKNOWLEDGED,
        130.0,
        UTC_S + 130.0,
        "low",
        None,
        "Top up",
        900.0,
        130.0,
    )
    assert book.standing() == (expected,)
    (again,) = book.update(730.0, UTC_S + 730.0, {FLOOR: words})
    assert again == replace(events[0], t_s=730.0, utc_s=UTC_S + 730.0, repeat=True)
    assert book.standing() == (replace(expected, announced_s=730.0),)
    (shelved,) = book.shelve(800.0, UTC_S + 800.0, FLOOR, 300.0)
    assert (shelved.until_utc_s, shelved.repeat) == (UTC_S + 1100.0, False)
    # shown since it was raised, not since it was shelved
    assert book.standing()[0].since_s == 130.0
    (raised_again,) = book.update(1100.0, UTC_S + 1100.0, {FLOOR: words})
    assert (raised_again.state, raised_again.until_utc_s) == (UNACKNOWLEDGED, None)
    assert (book.standing()[0].since_s, book.standing()[0].announced_s) == (1100.0, 1100.0)


@pytest.mark.parametrize(("moved", "is_news"), [(899.0, False), (900.0, False), (901.0, True)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_figure_is_news_once_it_moved_by_more_than_its_step(
    moved: float, is_news: bool, sign: float
) -> None:
    before = ConditionWords("do", "why", figure=5000.0, step=900.0)
    now = ConditionWords("do", "why", figure=5000.0 + sign * moved, step=0.0)
    assert before.is_as_good_as(now) is not is_news


@pytest.mark.parametrize(
    ("now", "is_same"),
    [
        (ConditionWords("do", "at 03:15 it has 1.5 psi", by_s=5.0), True),
        (ConditionWords("do", "at 12 it has 9 psi", by_s=9.0), True),
        (ConditionWords("do", "at 12 it has 9 bar", by_s=9.0), False),
        (ConditionWords("do", "at 12 it has 9 psi"), False),
        (ConditionWords("do it", "at 12 it has 9 psi", by_s=9.0), False),
        (ConditionWords("do", "at 12 it has 9 psi", by_s=9.0, says=""), False),
        (ConditionWords("do", "all else", by_s=9.0, says="at  it has  psi"), True),
        (ConditionWords("do", "at 12 it has 9 psi", by_s=9.0, figure=1.0), False),
    ],
)
def test_words_mean_the_same_apart_from_their_figures(now: ConditionWords, is_same: bool) -> None:
    assert ConditionWords("do", "at 22:00 it has 2 psi", by_s=1.0).is_as_good_as(now) is is_same


def test_what_stands_is_anything_but_normal() -> None:
    script = Script().say(ON_DELAY_S, below_floor="low")
    assert not script.book.stands(FLOOR)
    assert script.book.true_now == frozenset()
    assert script.say(1, below_floor="low").book.stands(FLOOR)
    assert script.book.true_now == {FLOOR}
    script.say(OFF_DELAY_S + 1, below_floor=None)
    assert script.state() is RETURNED
    assert script.book.stands(FLOOR)
    assert script.book.true_now == frozenset()
    assert not script.acknowledge().book.stands(FLOOR)
    leak = AlarmId.LEAK
    assert not script.book.is_shelved(leak)
    script.shelve(leak, 600.0)
    assert script.book.is_shelved(leak)
    assert script.book.stands(leak)
    assert script.book.true_now == frozenset()


def test_a_high_alarm_may_be_shelved_only_while_it_is_true_and_any_other_always() -> None:
    book = raised().book
    assert [alarm for alarm in AlarmId if book.may_be_shelved(alarm)] == [
        alarm for alarm in AlarmId if str(alarm) in LOW or alarm is FLOOR
    ]
    assert book.shelve(100.0, None, AlarmId.OVER_PRESSURE, 600.0) == []
    book.prioritise_test(Priority.HIGH)
    assert not book.may_be_shelved(AlarmId.TEST)


LOW = {
    "leak",
    "supply-masking",
    "thermometer",
    "clock-unset",
    "signals-failing",
    "notify-failing",
    "test",
}


def test_a_shelving_ends_on_the_second_and_lasts_a_minute_at_least() -> None:
    script = raised().shelve(FLOOR, 1.0)
    assert script.say(60, below_floor="low").state() is SHELVED
    assert script.say(1, below_floor="low").state() is UNACKNOWLEDGED


def test_all_shelvings_end_together_and_each_event_names_its_alarm() -> None:
    script = raised().shelve(FLOOR, 600.0).shelve(AlarmId.LEAK, 600.0)
    script.events.clear()
    script.unshelve()
    assert [(event.alarm, event.state) for event in script.events] == [
        (FLOOR, UNACKNOWLEDGED),
        (AlarmId.LEAK, NORMAL),
    ]


def test_a_rise_that_breaks_off_counts_from_the_start_again() -> None:
    script = Script().say(20, below_floor="low").say(1, below_floor=None)
    assert script.say(ON_DELAY_S, below_floor="low").raised() == []
    assert script.say(1, below_floor="low").raised() == [FLOOR]


def test_a_fall_that_breaks_off_counts_from_the_start_again() -> None:
    script = raised().acknowledge().say(500, below_floor=None).say(1, below_floor="low")
    assert script.say(OFF_DELAY_S, below_floor=None).state() is ACKNOWLEDGED
    assert script.say(1, below_floor=None).state() is NORMAL


def test_an_alarm_about_to_return_is_not_repeated() -> None:
    # its first repeat would be due ten minutes after it was raised
    script = raised().say(9 * MINUTE, below_floor="low").say(5 * MINUTE, below_floor=None)
    assert [event for event in script.events if event.repeat] == []
    script.say(1, below_floor="low")
    assert [event.repeat for event in script.events] == [False, True]


def test_a_hidden_alarm_that_is_true_again_does_not_return() -> None:
    script = Script().say(120, leak="so").say(300, leak=None)
    script.say(60, leak="so", floor_ahead="soon").say(500, leak=None, floor_ahead="soon")
    assert script.state(AlarmId.LEAK) is UNACKNOWLEDGED
    script.say(200, leak=None, floor_ahead="soon")
    assert script.state(AlarmId.LEAK) is RETURNED


def test_a_returned_alarm_is_not_raised_under_a_root_cause() -> None:
    script = Script().say(120, leak="so").say(OFF_DELAY_S + 1, leak=None)
    assert script.state(AlarmId.LEAK) is RETURNED
    script.say(300, floor_ahead="soon", leak="again")
    assert script.state(AlarmId.LEAK) is RETURNED
    assert {each.alarm: each.text for each in script.book.standing()}[AlarmId.LEAK] == "so"


def test_a_returned_root_cause_hides_nothing() -> None:
    script = Script().say(60, rapid_loss="fast").say(OFF_DELAY_S + 1, rapid_loss=None)
    assert script.state(AlarmId.RAPID_LOSS) is RETURNED
    assert FLOOR in script.say(ON_DELAY_S + 1, rapid_loss=None, below_floor="low").raised()


def test_the_priority_of_a_test_alarm_is_that_of_its_events() -> None:
    for priority in Priority:
        book = AlarmBook()
        book.prioritise_test(priority)
        (event,) = book.update(0.0, None, {AlarmId.TEST: ConditionWords("do", "why")})
        assert event.priority is priority


def test_all_high_alarms_come_before_the_low_ones_in_the_order_of_the_rules() -> None:
    script = Script().say(400, test="heard", leak="so", thermometer="gone", record_failing="full")
    script.say(400, over_pressure="high", pressure_sensor="wire")
    shown = [str(each.alarm) for each in script.book.standing()]
    assert shown == ["over-pressure", "pressure-sensor", "record-failing", "leak", "thermometer", "test"]


def test_an_alarm_shelved_before_it_was_ever_raised_has_no_words() -> None:
    book = AlarmBook()
    book.shelve(100.0, UTC_S, AlarmId.LEAK, 600.0)
    (shown,) = book.standing()
    assert shown == StandingAlarm(
        AlarmId.LEAK, Priority.LOW, SHELVED, 100.0, UTC_S, "", UTC_S + 600.0, "", None, 0.0
    )
