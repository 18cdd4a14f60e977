"""What every test keeps to, so that it fails for the program's sake alone."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent
FILES = sorted(
    path for path in HERE.rglob("*.py") if path.relative_to(HERE).parts[0] not in ("bench", "mutants")
)
# A shorter one is the pause between two looks.
LONG_S = 1.0
ASKING = {
    f"{library}.{how}" for library in ("httpx", "httpx2") for how in ("get", "post", "stream", "Client")
}


def is_long(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, int | float) and node.value >= LONG_S


def called(call: ast.Call) -> str:
    return ast.unparse(call.func).rpartition(".")[2]


def own_limits(source: str) -> Iterator[int]:
    """Return the lines with a time limit of their own: a timeout, a wait, a moment from now."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            named = [each.value for each in node.keywords if each.arg in ("timeout", "timeout_s")]
            if called(node) in ("wait", "join", "settimeout", "set_default_timeout"):
                named += node.args[:1]
            if called(node) == "wait_for":
                named += node.args[1:]
            by_default = ast.unparse(node.func) in ASKING and not named  # five seconds
            if by_default or any(map(is_long, named)):
                yield node.lineno
        if (
            isinstance(node, ast.BinOp)
            and isinstance(node.op, ast.Add)
            and isinstance(node.left, ast.Call)
            and called(node.left) == "monotonic"
            and is_long(node.right)
        ):
            yield node.lineno


def loops_of_its_own(source: str) -> Iterator[int]:
    """Return the lines that begin an event loop where a browser's driver may have left one running."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("asyncio.run", "asyncio.Runner"):
            yield node.lineno


def test_no_test_has_a_time_limit_of_its_own() -> None:
    """tests/patience.py has one for all."""
    found = [f"{path.relative_to(HERE)}:{n}" for path in FILES for n in own_limits(path.read_text())]
    assert found == []


def test_no_test_begins_an_event_loop_in_the_thread_of_the_browsers() -> None:
    """tests/coroutines.py has a thread for it."""
    found = [f"{path.relative_to(HERE)}:{n}" for path in FILES for n in loops_of_its_own(path.read_text())]
    assert found == []


@pytest.mark.parametrize(
    ("source", "is_one"),
    [
        ("subprocess.run([], timeout=20)", True),
        ("process.wait(5)", True),
        ("thread.join(10.0)", True),
        ("until_s = time.monotonic() + 20.0", True),
        ("page.set_default_timeout(15_000)", True),
        ("listener.wait_for(topic, timeout_s=5.0)", True),
        ("listener.wait_for(topic, payload, 5.0)", True),
        ("httpx.get(url)", True),
        ("httpx.get(url, timeout=PATIENCE_S)", False),
        ("subprocess.run([], timeout=PATIENCE_S)", False),
        ("queue.get(timeout=0.02)", False),
        ("enough.wait(0.1)", False),
        ("', '.join(names)", False),
    ],
)
def test_a_limit_is_seen(source: str, is_one: bool) -> None:
    assert bool(list(own_limits(source))) is is_one


def test_a_loop_is_seen() -> None:
    assert list(loops_of_its_own("asyncio.run(work())")) == [1]
    assert list(loops_of_its_own("thread.submit(asyncio.run, work())")) == []
