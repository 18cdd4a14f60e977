"""A command to a watch is carried out within a minute, or refused and never carried out."""

import pytest

from potvigil.model.events import Action, AlarmId, Answer, Outcome
from potvigil.record.requests.asking import answer_of, is_settled
from potvigil.record.store import Store
from potvigil.record.tables import commands
from potvigil.record.tables.commands import COMMAND_LASTS_S, LATE, NOBODY
from record_night import POT

PUT_ASIDE = Answer(Outcome.DONE, "leak is shelved")


@pytest.fixture
def clock(monkeypatch):
    """The machine's monotonic clock, moved by hand."""

    class Clock:
        now_s = 1000.0

    monkeypatch.setattr(commands, "_boot_s", lambda: Clock.now_s)
    return Clock


@pytest.fixture
def watch(tmp_path, clock):
    with Store.open_for_watch(tmp_path / "record.db") as store:
        store.begin_run("{}", "boot-a", 1000.0, None, None)
        yield store


@pytest.fixture
def verb(watch):
    with Store.open(watch.path) as store:
        yield store


def shelve(verb, utc_s=None):
    return verb.add_command(POT, Action.SHELVE, utc_s, alarm=AlarmId.LEAK, duration_s=600.0)


def test_the_requester_gets_the_result(watch, verb):
    asked = shelve(verb)
    assert not is_settled(verb, asked, 0.5)
    ((_, command),) = watch.take_commands(1.0)
    assert not is_settled(verb, asked, 1.0)
    watch.answer(command, PUT_ASIDE)
    assert is_settled(verb, asked, 1.5)
    assert [(row.pot_id, row.taken, answer_of(row)) for row in verb.asked(asked)] == [(POT, True, PUT_ASIDE)]


@pytest.mark.parametrize(("later_s", "taken"), [(0.0, 1), (COMMAND_LASTS_S, 1), (COMMAND_LASTS_S + 0.1, 0)])
def test_a_command_expires_after_a_minute_by_the_monotonic_clock(watch, verb, clock, later_s, taken):
    asked = shelve(verb, utc_s=4e9)  # a wall clock years ahead
    clock.now_s += later_s
    assert len(watch.take_commands(2.0)) == taken
    watch.flush()
    (row,) = verb.asked(asked)
    assert row.taken is bool(taken)
    assert row.answer == (None if taken else Answer(Outcome.REFUSED, LATE))
    assert watch.commands(POT, 0.0) == watch.commands(POT, 2.0) and len(watch.commands(POT, 0.0)) == taken


def test_a_command_left_by_an_earlier_watch_is_refused_by_the_next(tmp_path, clock):
    with Store.open_for_watch(tmp_path / "record.db") as first:
        first.begin_run("{}", "boot-a", 1000.0, None, None)
        asked = shelve(first)
    with Store.open_for_watch(tmp_path / "record.db") as second:  # five seconds later, in the same boot
        clock.now_s += 5.0
        second.begin_run("{}", "boot-a", 1005.0, None, None)
        assert second.take_commands(6.0) == []
        assert [row.answer for row in second.asked(asked)] == [Answer(Outcome.REFUSED, NOBODY)]


def test_a_command_to_a_hung_watch_is_abandoned_and_never_carried_out(watch, verb):
    asked = shelve(verb)
    assert is_settled(verb, asked, COMMAND_LASTS_S)
    assert [row.answer for row in verb.asked(asked)] == [Answer(Outcome.REFUSED, LATE)]
    assert watch.take_commands(70.0) == []


def test_without_a_watch_nobody_waits(tmp_path):
    with Store.open(tmp_path / "record.db") as verb:
        asked = shelve(verb)
        assert is_settled(verb, asked, 0.0)
        assert [row.answer for row in verb.asked(asked)] == [Answer(Outcome.REFUSED, NOBODY)]


def test_a_command_already_taken_is_not_reported_refused(watch, verb):
    asked = shelve(verb)
    with watch.held():  # in memory only, as while a card is slow
        ((_, command),) = watch.take_commands(1.0)
        verb.give_up(asked, LATE)
    watch.flush()
    assert [(row.taken, row.answer) for row in verb.asked(asked)] == [(True, None)]
    watch.answer(command, PUT_ASIDE)
    assert [(row.taken, row.answer) for row in verb.asked(asked)] == [(True, PUT_ASIDE)]


def test_a_watch_that_dies_during_a_command_leaves_no_false_answer(watch, verb):
    asked = shelve(verb)
    watch.take_commands(1.0)
    watch.let_go()
    assert is_settled(verb, asked, 0.2)
    (row,) = verb.asked(asked)
    assert answer_of(row).outcome is Outcome.FAILED and "has not reported" in answer_of(row).text


def test_simultaneous_commands_get_separate_answers(watch, verb):
    first, second = shelve(verb), verb.add_edits(POT, {}, "anna", None, opening=True)
    assert (len(first), len(second), second.start) == (1, 1, first.stop)
    for _, command in watch.take_commands(1.0):
        watch.answer(command, Answer(Outcome.DONE, command.action))
    assert [answer_of(row).text for row in verb.asked(second)] == ["open"]
