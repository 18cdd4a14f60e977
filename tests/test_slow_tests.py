"""The list of slow tests names existing tests, and is made from pytest's durations as documented."""

from pathlib import Path

from slow_tests import found_slow, slow

ROOT = Path(__file__).parents[1]


def test_every_test_left_out_exists() -> None:
    for name in slow():
        file, _, test = name.partition("::")
        text = (ROOT / file).read_text(encoding="utf-8")
        assert not test or f"def {test}(" in text, name


def test_a_test_is_slow_by_all_its_cases_and_a_file_by_its_fixtures() -> None:
    durations = """
        0.20s call     tests/a.py::test_one[x]
        0.15s call     tests/a.py::test_one[y y]
        0.25s call     tests/a.py::test_two
        0.10s call     tests/b.py::test_three
        0.70s setup    tests/b.py::test_three
    """
    assert found_slow(durations) == ["tests/a.py::test_one", "tests/b.py"]
