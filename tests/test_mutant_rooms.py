"""What `tests/mutants` names exists: the tests of each room, its files, and the accepted lines."""

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
sys.path.append(str(ROOT / "tests" / "mutants"))

import rooms as rooms_module  # noqa: E402
from rooms import ROOMS, files_of, room_of  # noqa: E402


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_has_files_and_existing_tests(room: str) -> None:
    files = files_of(ROOT, room)
    assert files
    assert {room_of(path) for path in files} == {room}
    assert [test for test in ROOMS[room] if not (ROOT / test).exists()] == []


def test_every_file_chosen_for_a_room_exists() -> None:
    for room, names in rooms_module._ONLY.items():
        folder = rooms_module._FOLDERS.get(room, room)
        there = {path.name for path in (ROOT / "daemon/potvigil" / folder).rglob("*.py")}
        assert names <= there
    assert {Path(path).name for path in files_of(ROOT, "leak/bank")} == rooms_module._ONLY["leak/bank"]


def test_a_file_outside_all_rooms_has_no_mutant_tests() -> None:
    assert room_of("daemon/potvigil/units.py") is None
    assert room_of("daemon/potvigil/page/server.py") is None
    assert room_of("daemon/potvigil/leak/estimator.py") is None
    assert room_of("tests/watch/test_alarm_table.py") is None


def test_every_accepted_mutant_names_an_existing_line_and_a_reason() -> None:
    text = (ROOT / "tests" / "mutants" / "accepted.tsv").read_text()
    rows = [line.split("\t") for line in text.splitlines() if line and not line.startswith("#")]
    for path, before, after, reason in rows:
        lines = [line.strip() for line in (ROOT / path).read_text().splitlines()]
        assert before in lines, f"{path}: {before}"
        assert after != before
        assert reason
