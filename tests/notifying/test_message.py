"""The wording of a message: first what to do by when, then why, in the same words as everywhere."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from potvigil.model.events import AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.notifying.message import Notification, compose
from potvigil.notifying.schedule import THE_WATCH, Due, NoticeKind, Situation
from potvigil.wording.alarm import headline, in_words
from potvigil.wording.quantities import TimeTeller

UTC_S = datetime(2026, 1, 1, 23, 10, tzinfo=UTC).timestamp()
NOW = Situation(1000.0, UTC_S, {})
LINK = "http://pot.local:8642/"
TELLER = TimeTeller(NOW.t_s, NOW.utc_s, UTC)


def floor(state: AlarmState = AlarmState.UNACKNOWLEDGED, since_s: float = 1000.0, **more) -> StandingAlarm:
    said = {"do": "Top up to 60.0 psi", "by_s": NOW.t_s + 6.0 * 3600.0, **more}
    why = "Losing 1.52 psi/h: passes 45.0 psi about 05:10."
    return StandingAlarm(AlarmId.FLOOR_AHEAD, Priority.HIGH, state, since_s, None, why, **said)


LEAK = StandingAlarm(
    AlarmId.LEAK, Priority.LOW, AlarmState.UNACKNOWLEDGED, 1000.0, None, "Air is lost.", do="Look at the lid"
)


def message(*found: Due, now: Situation = NOW) -> Notification:
    return compose(found, now, UTC, LINK)


def test_the_title_says_what_to_do_by_when_and_the_body_why() -> None:
    said = message(Due("lantern", floor(), NoticeKind.RAISED))
    assert said.title == "lantern: Top up to 60.0 psi by 05:10 tomorrow"
    assert said.title == f"lantern: {headline(floor(), TELLER)}"
    assert said.text == f"Losing 1.52 psi/h: passes 45.0 psi about 05:10.\n\n{LINK}"
    assert said.urgent


def test_several_alarms_take_a_line_each_in_the_usual_words() -> None:
    said = message(Due("lantern", floor(), NoticeKind.RAISED), Due("mast", LEAK, NoticeKind.AGAIN))
    assert said.title == "lantern: Top up to 60.0 psi by 05:10 tomorrow (and 1 more)"
    assert said.body.splitlines() == [
        f"lantern: {in_words(floor(), TELLER)}",
        f"mast: {in_words(LEAK, TELLER)}",
    ]


def test_an_unacknowledged_alarm_says_for_how_long() -> None:
    said = message(Due("lantern", floor(since_s=1000.0 - 1800.0), NoticeKind.AGAIN))
    assert said.body.endswith(" Not acknowledged for 30 min.")
    assert "Not yet" not in message(Due("lantern", floor(), NoticeKind.RAISED)).body


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (AlarmState.ACKNOWLEDGED, "acknowledged"),
        (AlarmState.RETURNED, "cleared, not acknowledged"),
        (AlarmState.NORMAL, "cleared"),
        (AlarmState.SHELVED, "shelved until 23:25"),
    ],
)
def test_a_change_uses_the_words_of_the_page_and_wakes_nobody(state, words) -> None:
    until = UTC_S + 900.0 if state is AlarmState.SHELVED else None
    said = message(Due("lantern", floor(state, until_utc_s=until), NoticeKind.CHANGED))
    assert said.title == f"lantern: leak: floor ahead ({words})"
    assert not said.urgent
    assert "Losing" not in said.body  # no longer true


def test_a_low_alarm_wakes_nobody() -> None:
    assert not message(Due("lantern", LEAK, NoticeKind.RAISED)).urgent


def test_tests_and_rehearsals_are_marked() -> None:
    test = StandingAlarm(
        AlarmId.TEST, Priority.LOW, AlarmState.UNACKNOWLEDGED, 1000.0, None, "A test.", do="Nothing to do"
    )
    assert message(Due("lantern", test, NoticeKind.TEST)).title == "TEST: lantern: Nothing to do"
    assert not message(Due("lantern", test, NoticeKind.TEST)).urgent
    assert message(Due("lantern", replace(test, priority=Priority.HIGH), NoticeKind.TEST)).urgent
    rehearsed = Situation(NOW.t_s, NOW.utc_s, {}, rehearsed=True)
    assert message(Due("lantern", floor(), NoticeKind.RAISED), now=rehearsed).title.startswith(
        "REHEARSAL: lantern: "
    )


def test_messages_about_the_watch_name_no_pot() -> None:
    silence = StandingAlarm(
        AlarmId.READINGS_STOPPED,
        Priority.HIGH,
        AlarmState.UNACKNOWLEDGED,
        100.0,
        None,
        "Nobody is watching.",
        do="Look",
    )
    assert message(Due(THE_WATCH, silence, NoticeKind.RAISED)).title == "Look"
    assert message(Due(THE_WATCH, silence, NoticeKind.CHANGED)).title == "The watch is back"


def test_an_alarm_without_words_is_called_by_its_name() -> None:
    assert (
        message(Due("lantern", floor(do="", by_s=None), NoticeKind.RAISED)).title
        == "lantern: leak: floor ahead"
    )


def test_no_character_breaks_a_title_and_nothing_is_called_safe() -> None:
    said = message(Due("lantern", floor(do="Top\nup\u202e\x1b[2J", by_s=None), NoticeKind.RAISED))
    assert said.title.isprintable() and "\n" not in said.title
    assert "safe" not in f"{said.title}{said.text}".lower()


def test_without_a_wall_clock_a_message_gives_the_time_left() -> None:
    said = compose([Due("lantern", floor(), NoticeKind.RAISED)], Situation(NOW.t_s, None, {}), UTC, None)
    assert said.title == "lantern: Top up to 60.0 psi within 6 h"
    assert said.link is None and said.text == said.body
