"""The line to one target: nothing waits for it, and it never gives up."""

import threading
import time

import pytest

from patience import PATIENCE_S, wait_until
from potvigil.notifying.line import FIRST_WAIT_S, LIMIT_S, LONGEST_WAIT_S, MOST_HANGING, Line, Sent


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def outcome(line: Line[str]) -> Sent[str]:
    found: list[Sent[str]] = []

    def there() -> bool:
        sent = line.take()
        if sent is not None:
            found.append(sent)
        return bool(found)

    wait_until(there, "nothing came of it")
    return found[0]


def test_a_sent_message_frees_the_line() -> None:
    taken: list[str] = []
    line = Line(taken.append)
    line.start("one")
    assert outcome(line) == Sent("one", None)
    assert (taken, line.is_free, line.is_resting, line.fault, line.take()) == (
        ["one"],
        True,
        False,
        None,
        None,
    )


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError("the server answered 403"), "the server answered 403"),
        (ValueError(), "ValueError"),
        (RuntimeError("two\nlines"), "two lines"),
        (RuntimeError("x" * 5000), "x" * 200),
    ],
)
def test_a_failure_is_reported_in_one_line(error: Exception, said: str) -> None:
    def fail(_: str) -> None:
        raise error

    line = Line(fail)
    line.start("one")
    assert (outcome(line).fault, line.fault, line.is_resting) == (said, said, True)


def test_the_wait_doubles_up_to_a_limit_and_resets_after_a_success() -> None:
    clock, works = Clock(), False

    def send(_: str) -> None:
        if not works:
            raise OSError("away")

    def wait_after_try() -> float:
        line.start("one")
        outcome(line)
        before_s = clock.now_s
        while line.is_resting:
            clock.now_s += 1.0
        return clock.now_s - before_s

    line = Line(send, clock=clock)
    waits = [wait_after_try() for _ in range(10)]
    assert waits[:4] == [FIRST_WAIT_S, 2 * FIRST_WAIT_S, 4 * FIRST_WAIT_S, 8 * FIRST_WAIT_S]
    assert waits[-1] == LONGEST_WAIT_S
    works = True
    assert wait_after_try() == 0.0
    works = False
    assert wait_after_try() == FIRST_WAIT_S


def test_a_hung_target_is_abandoned_and_the_number_of_hung_threads_is_bounded() -> None:
    clock, released = Clock(), threading.Event()
    before = threading.active_count()
    line: Line[str] = Line(lambda _: bool(released.wait(PATIENCE_S)) and None, clock=clock)
    for n in range(MOST_HANGING):
        assert line.is_free
        line.start(f"try {n}")
        assert not line.is_free and line.take() is None
        clock.now_s += LIMIT_S
        assert outcome(line).fault == "no answer within 30 s"
        clock.now_s += LONGEST_WAIT_S
    assert not line.is_free
    assert threading.active_count() == before + MOST_HANGING
    released.set()
    wait_until(lambda: line.is_free, "it never came free")


def test_a_line_without_a_pause_can_be_used_at_once() -> None:
    def fail(_: str) -> None:
        raise OSError("away")

    line = Line(fail, retry=False)
    line.start("one")
    outcome(line)
    assert not line.is_resting


def test_polling_never_blocks() -> None:
    released = threading.Event()
    line: Line[str] = Line(lambda _: bool(released.wait(PATIENCE_S)) and None)
    begun_s = time.thread_time()
    line.start("one")
    assert [line.take() for _ in range(1000)] == [None] * 1000
    assert time.thread_time() >= begun_s  # it came here at all: nothing above joined the thread
    released.set()
    assert outcome(line).fault is None
