"""An acknowledged alarm, and the event of its acknowledgement, name who acknowledged it."""

import pytest

from potvigil.model.events import AlarmId, AlarmState
from potvigil.watch.alarm_states import AlarmBook, ConditionWords

FLOOR, PROBE = AlarmId.BELOW_FLOOR, AlarmId.THERMOMETER
WORDS = ConditionWords("Do it", "for a reason")
DAY_S = 86_400.0


@pytest.fixture
def book() -> AlarmBook:
    """Two alarms, raised and announced."""
    book = AlarmBook()
    for t_s in (0.0, DAY_S):
        book.update(t_s, None, {FLOOR: WORDS, PROBE: WORDS})
    return book


def by_whom(book: AlarmBook) -> dict[AlarmId, str]:
    return {each.alarm: each.by_whom for each in book.standing()}


def test_the_alarm_and_its_event_name_who_acknowledged_it(book: AlarmBook) -> None:
    (event,) = book.acknowledge(DAY_S, None, FLOOR, "front-desk")
    assert (event.state, event.by_whom) == (AlarmState.ACKNOWLEDGED, "front-desk")
    assert by_whom(book) == {FLOOR: "front-desk", PROBE: ""}


def test_only_the_first_to_acknowledge_an_alarm_is_named(book: AlarmBook) -> None:
    book.acknowledge(DAY_S, None, FLOOR, "front-desk")
    assert [event.alarm for event in book.acknowledge(DAY_S, None, None, "button")] == [PROBE]
    assert by_whom(book) == {FLOOR: "front-desk", PROBE: "button"}


def test_later_events_of_the_alarm_name_nobody(book: AlarmBook) -> None:
    book.acknowledge(DAY_S, None, None, "front-desk")
    events = book.shelve(DAY_S, None, PROBE, 60.0)
    for t_s in (DAY_S + 1.0, 2.0 * DAY_S):  # the pot is above its floor again
        events += book.update(t_s, None, {FLOOR: None, PROBE: WORDS})
    events += book.update(2.0 * DAY_S + 1.0, None, {FLOOR: WORDS, PROBE: None})
    events += book.update(3.0 * DAY_S, None, {FLOOR: WORDS, PROBE: None})
    assert {event.state for event in events} == set(AlarmState) - {AlarmState.ACKNOWLEDGED}
    assert {event.by_whom for event in events} == {""}


def test_acknowledging_a_returned_alarm_names_who_did_it(book: AlarmBook) -> None:
    for t_s in (DAY_S + 1.0, 2.0 * DAY_S):
        book.update(t_s, None, {FLOOR: None})
    (event,) = book.acknowledge(2.0 * DAY_S, None, FLOOR, "Anna")
    assert (event.state, event.by_whom) == (AlarmState.NORMAL, "Anna")
