"""Small parts of the service: test alarms by every output, the notifier, what is written."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from potvigil.model.events import (
    Action,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Command,
    Detail,
    EditEvent,
    NoteEvent,
    NoteId,
    Outcome,
    Priority,
    StandingAlarm,
)
from potvigil.service import alarm_tests
from potvigil.service.alarm_tests import AlarmTests
from potvigil.service.keeping import keep_event, keep_trace
from potvigil.service.notified import Notified

COMMAND = Command(Action.TEST_ALARM, 0.0)
TEST = StandingAlarm(
    AlarmId.TEST, Priority.LOW, AlarmState.UNACKNOWLEDGED, 70.0, None, "", None, "", None, 70.0
)
OTHER = StandingAlarm(
    AlarmId.LEAK, Priority.LOW, AlarmState.UNACKNOWLEDGED, 5.0, None, "", None, "", None, 5.0
)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    now = [1000.0]
    monkeypatch.setattr(alarm_tests, "time", SimpleNamespace(monotonic=lambda: now[0]))
    return now


def answered(tests: AlarmTests) -> list[tuple[Outcome, list[str]]]:
    return [(said.outcome, said.text.split("; ")) for _, said in tests.answers(lambda pot_id: (OTHER, TEST))]


def broker(has_told: bool, fault: str | None = None) -> object:
    return SimpleNamespace(has_told=lambda pot_id, alarm: has_told, fault=fault)


def signals(**faults: str | None) -> object:
    return SimpleNamespace(ways=lambda: faults)


def test_a_test_without_any_output_fails_and_names_them_all(clock: list[float]) -> None:
    tests = AlarmTests(None, None, None)
    tests.add("lantern", COMMAND)
    ((outcome, ways),) = answered(tests)
    assert outcome is Outcome.FAILED
    assert [way.split(":")[0] for way in ways] == ["MQTT", "notification", "lamp", "buzzer"]
    assert answered(tests) == []  # answered once


@pytest.mark.parametrize(("fault", "outcome"), [(None, Outcome.DONE), ("pin 17 is taken", Outcome.FAILED)])
def test_a_test_succeeds_only_if_every_configured_output_works(
    clock: list[float], fault: str | None, outcome: Outcome
) -> None:
    tests = AlarmTests(broker(True), signals(lamp=None, buzzer=fault), None)  # type: ignore[arg-type]
    tests.add("lantern", COMMAND)
    ((found, ways),) = answered(tests)
    assert found is outcome
    assert ways[0] == "MQTT: sent"
    assert ways[3] == f"buzzer: {fault or 'sent'}"


def test_a_test_waits_five_seconds_for_the_broker(clock: list[float]) -> None:
    tests = AlarmTests(broker(False, "no route to broker"), None, None)  # type: ignore[arg-type]
    tests.add("lantern", COMMAND)
    assert answered(tests) == []
    clock[0] += 4.9
    assert answered(tests) == []
    clock[0] += 0.2
    ((outcome, ways),) = answered(tests)
    assert outcome is Outcome.FAILED
    assert ways[0] == "MQTT: no route to broker"


def test_a_test_waits_twenty_seconds_for_the_notifier(
    clock: list[float],
) -> None:
    asked: list[tuple[str, float | None, bool]] = []

    def of_test(pot_id: str, since_s: float | None, *, is_last: bool) -> tuple[bool, str] | None:
        asked.append((pot_id, since_s, is_last))
        return (True, "sent to Ada") if is_last else None

    tests = AlarmTests(None, None, SimpleNamespace(of_test=of_test))  # type: ignore[arg-type]
    tests.add("lantern", COMMAND)
    assert answered(tests) == []
    clock[0] += 19.9
    assert answered(tests) == []
    clock[0] += 0.2
    ((outcome, ways),) = answered(tests)
    assert outcome is Outcome.DONE
    assert ways[1] == "notification: sent to Ada"
    assert asked == [("lantern", 70.0, False), ("lantern", 70.0, False), ("lantern", 70.0, True)]


# -- the notifier ------------------------------------------------------------------------------------


def notified(status: object, *names: str) -> Notified:
    of = Notified(Path("nowhere"), names)
    of._reader = SimpleNamespace(read=lambda: status)  # type: ignore[assignment]
    return of


def status(
    targets: dict[str, str | None], heartbeat: str | None = None, told: dict[str, str | None] | None = None
) -> object:
    tests = {} if told is None else {"lantern": SimpleNamespace(since_s=70.0, told=told)}
    return SimpleNamespace(targets=targets, heartbeat=heartbeat, tests=tests)


def test_a_notifier_that_is_not_running_or_fails_is_reported() -> None:
    assert notified(None).fault_words() is not None
    assert notified(status({"Ada": None, "Ben": None})).fault_words() is None
    one = notified(status({"Ada": None, "Ben": "refused"})).fault_words()
    assert one is not None
    assert "Ben" in one.text and "refused" in one.text and "Ada" not in one.text
    beat = notified(status({"Ada": None}, heartbeat="timed out")).fault_words()
    assert beat is not None
    assert "timed out" in beat.text


@pytest.mark.parametrize(
    ("told", "is_last", "works", "names"),
    [
        ({"Ada": None, "Ben": None}, False, True, ["Ada", "Ben"]),
        ({"Ada": None, "Ben": "refused"}, False, False, ["Ada", "Ben: refused"]),
        ({"Ada": None}, True, False, ["Ada", "Ben: no answer yet"]),
        (None, True, False, ["Ada: no answer yet", "Ben: no answer yet"]),
    ],
)
def test_a_test_names_who_was_reached(
    told: dict[str, str | None] | None, is_last: bool, works: bool, names: list[str]
) -> None:
    found = notified(status({}, told=told), "Ada", "Ben").of_test("lantern", 70.0, is_last=is_last)
    assert found is not None
    assert found[0] is works
    assert all(name in found[1] for name in names)


def test_a_test_waits_for_people_not_reached_yet() -> None:
    of = notified(status({}, told={"Ada": None}), "Ada", "Ben")
    assert of.of_test("lantern", 70.0, is_last=False) is None
    whole = notified(status({}, told={"Ada": None, "Ben": None}), "Ada", "Ben")
    assert whole.of_test("lantern", 71.0, is_last=False) is None  # that was another test
    assert whole.of_test("mast", 70.0, is_last=False) is None
    absent = notified(None, "Ada").of_test("lantern", 70.0, is_last=False)
    assert absent is not None
    assert not absent[0]
    alone = notified(status({})).of_test("lantern", 70.0, is_last=False)
    assert alone is not None
    assert alone[0]


# -- what is written ------------------------------------------------------------------------------------


class Kept:
    """A record that only lists what it is asked to keep."""

    def __init__(self) -> None:
        self.calls: list[tuple[object, ...]] = []
        self.is_due = True

    def open_batch(self, pot_id: str, event: object) -> int:
        self.calls.append(("open", pot_id))
        return 7

    def add_event(self, pot_id: str, batch_id: int | None, event: object) -> None:
        self.calls.append(("event", batch_id))

    def add_edit(self, batch_id: int, event: object) -> None:
        self.calls.append(("edit", batch_id))

    def close_batch(self, batch_id: int, event: object) -> None:
        self.calls.append(("close", batch_id))

    def trace_due(self, pot_id: str, t_s: float) -> bool:
        return self.is_due

    def append_trace(self, pot_id: str, row: object) -> None:
        self.calls.append(("trace", pot_id))


NOTE = NoteEvent(1.0, None, NoteId.TOP_UP, "")
EDIT = EditEvent(1.0, None, Detail.LABEL, "", "lenses", "")
CLOSED = BatchClosed(1.0, None, None)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("event", "before", "after", "calls"),
    [
        (BatchOpened(1.0, None), None, 7, [("open", "lantern"), ("event", 7)]),
        (NOTE, 3, 3, [("event", 3)]),
        (NOTE, None, None, [("event", None)]),
        (EDIT, 3, 3, [("edit", 3)]),
        (EDIT, None, None, []),
        (CLOSED, 3, None, [("event", 3), ("close", 3)]),
        (CLOSED, None, None, [("event", None)]),
    ],
)
def test_each_event_is_written_and_opens_or_closes_its_batch(
    event: object, before: int | None, after: int | None, calls: list[tuple[object, ...]]
) -> None:
    store = Kept()
    assert keep_event(store, "lantern", before, event) == after  # type: ignore[arg-type]
    assert store.calls == calls


def test_a_trace_of_an_open_batch_is_kept_when_due(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("potvigil.service.keeping.TraceRow", SimpleNamespace(of=lambda now: now))
    for is_due, start_s, calls in ((True, 5.0, [("trace", "lantern")]), (False, 5.0, []), (True, None, [])):
        store = Kept()
        store.is_due = is_due
        now = SimpleNamespace(batch_start_s=start_s)
        keep_trace(store, lambda now=now: now, "lantern", 60.0)  # type: ignore[arg-type, misc]
        assert store.calls == calls
