"""`batch list`: filtered, as a table and as JSON lines; no text affects the terminal."""

import json

import pytest

from potvigil.model.events import BatchOpened, Detail
from potvigil.record.store import Store
from record_night import CLOSED, POT, UTC_S

HOSTILE = "\x1b[2J\x1b]0;owned\x07 [bold]red[/] \u202edesrever\u202c <b>"


@pytest.fixture
def record(tmp_path):
    """Batches on three days in Lisbon; the record holds a text that today's rules would refuse."""
    path = tmp_path / "record.db"
    settings = json.dumps({"timezone": "Pacific/Auckland", "units": {"pressure": "bar"}})
    with Store.open(path) as store:
        store.begin_run(settings, "boot", 0.0, UTC_S, None)
        for number in range(3):
            batch_id = store.open_batch(POT, BatchOpened(100.0 + number, UTC_S + number * 86_400.0))
            store.close_batch(batch_id, CLOSED)
        store.edit(3, {Detail.LABEL: HOSTILE, Detail.RESIN: "clear, slow"}, "anna", UTC_S)
    return path


@pytest.fixture
def run(run, record):
    def call(*words, status=0):
        return run("batch", "list", *words, "--record", record, status=status)

    return call


def numbers(table):
    return [int(line.split()[0]) for line in table.splitlines()[1:]]


def test_days_are_days_of_the_workshop(run):
    # the first began 2026-01-01 22:00 UTC: in Auckland, 13 h ahead in January, on the second
    assert numbers(run("--since", "2026-01-02", "--until", "2026-01-02")) == [1]
    assert numbers(run("--since", "2026-01-03")) == [3, 2]
    assert "2026-01-02 11:00" in run()


def test_a_search_covers_every_detail(run):
    assert numbers(run("--find", "CLEAR")) == [3]
    assert numbers(run("--verdict", "held")) == []
    assert numbers(run("--verdict", "leaked", "--limit", "2")) == [3, 2]


def test_the_leak_is_in_the_unit_of_the_workshop(run):
    assert "bar/h" in run()


def test_no_text_affects_the_terminal(run):
    table = run()
    assert "\x1b" not in table and "\x07" not in table and "\u202e" not in table
    assert "[bold]red[/]" in table and "<b>" in table
    assert len(table.splitlines()) == 4


def test_json_lines_keep_every_character(run):
    lines = [json.loads(line) for line in run("--json").splitlines()]
    assert [line["batch"] for line in lines] == [3, 2, 1]
    assert lines[0]["label"] == HOSTILE
    assert lines[0]["resin"] == "clear, slow"
    assert lines[1]["label"] is None
    assert lines[0]["start"] == "2026-01-03T22:00:00.000Z"
    leak = CLOSED.summary.leak.rate_pa_per_s
    assert lines[0]["leak"]["rate_kpa_per_h"] == pytest.approx(leak.value * 3.6, abs=5e-4)


@pytest.mark.parametrize("day", ["yesterday", "2026-02-30", "2026-01-02T10:00", "99999-01-01", ""])
def test_an_invalid_date_is_refused_in_one_line(run, day):
    said = run("--since", day, status=2)
    assert said.count("\n") == 1 and "is not a date; give one like" in said


def test_an_unknown_pot_is_refused(run):
    assert "give --pot lantern" in run("--pot", "beacon", status=2)
