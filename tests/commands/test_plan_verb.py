"""`potvigil plan`: the page it prints and writes, its exit status, what it uses of the record."""

import json
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from pot_season import keep_season
from potvigil.cli import main
from potvigil.model.events import BatchOpened
from potvigil.planning.plan import Feasibility
from potvigil.planning.sheet import Sheet
from potvigil.record.store import Store
from potvigil.reports.checklist import checklist_html
from record_night import CLOSED

WORKSHOP = Path(__file__).parents[2] / "config" / "workshop.yaml"
SMALLEST = Path(__file__).parents[2] / "config" / "smallest.yaml"
USUAL = (
    "--resin", "epoxy-casting", "--mould", "12 x 8 x 6 cm", "--stand", "3 cm", "--mass", "250 g",
    "--room", "18 C", "--night-low", "12 C", "--start", "21:10",
)  # fmt: skip


@pytest.fixture
def run(run, tmp_path):
    """Run the verb beside an empty record, if none is given; return its output."""

    def call(*words, config=WORKSHOP, record=None, status=0):
        if record is None:
            record = tmp_path / "none.db"
            Store.open(record).close()
        return run("plan", "--config", config, "--record", record, *words, status=status)

    return call


def test_a_plan_says_what_a_caster_needs_in_the_order_of_work(run) -> None:
    said = run(*USUAL)
    in_order = (
        "Plan for pot lantern", "The mould fits", "the resin can be worked for 58 min at 18 °C",
        "This batch tolerates", "Air in the pot", "The tank alone", "Air warms",
        "a bubble has 58 % of its width",
        "24 h at 23 °C take about", "9.6 kJ", "2.2 g of TNT", "In this order", "Relief valve", "21:10 mix",
        "crosswise", "Vent shut", "supply slowly", "vent slowly and fully open", "Local rules",
    )  # fmt: skip
    places = [" ".join(said.split()).find(each) for each in in_order]
    assert -1 not in places, in_order[places.index(-1)]
    assert places == sorted(places)
    assert "safe" not in said.lower()
    assert max(map(len, said.splitlines())) <= 100
    assert len(said.splitlines()) <= 75  # a page; the name of a weekday may wrap one line more


def test_the_smallest_settings_alone_make_a_plan_that_says_what_is_missing(run) -> None:
    said = run(config=SMALLEST)
    for what in (
        "--mould",
        "no compressor is in the settings",
        "not known yet",
        "working time of this resin",
    ):
        assert what in " ".join(said.split())


def test_the_answer_comes_first_and_is_never_yes_while_something_is_unknown(run, record) -> None:
    assert "Nothing known rules it out, but not everything is known." in run(*USUAL).splitlines()
    assert "This plan works." in run(*USUAL, record=record).splitlines()
    assert "Too little is known to say." in run(config=SMALLEST).splitlines()
    assert "As planned, this will not work." in run(*USUAL, "--until", "07:30", status=1).splitlines()


def test_the_answer_no_sets_the_exit_status(run) -> None:
    assert "does not fit" in run(*USUAL, "--mould", "30 x 20 x 6 cm", status=1)
    assert "too high" in run(*USUAL, "--mould", "12 x 20 cm", "--stand", "15 cm", status=1)
    assert "Any one of these would help" in run(*USUAL, "--resin", "polyurethane-quick", status=1)
    assert "Not cured by 07:30" in run(*USUAL, "--until", "07:30", status=1)


def test_options_change_the_plan(run) -> None:
    assert "28 mm on each side" in run(*USUAL, "--inside", "20 x 20 cm")
    assert "mixing 10 min, pouring 1 min" in run(*USUAL, "--mixing", "10 min", "--pouring", "1 min").lower()
    assert "more than this whole mould" in " ".join(run(*USUAL, "--mass", "5 kg").split())
    assert "from a tank" in run(*USUAL, "--tank", "100 psi")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--mould", "12 x 8 x 6"], "length x width x height, or diameter x height with a unit"),
        (["--mould", "12 x 8 x 6 x 2 cm"], "length x width x height"),
        (["--mould", "12 x big cm"], "is not a size"),
        (["--mould", "12 x -8 x 6 cm"], "out of range"),
        (["--mould", ""], "length x width x height"),
        (["--inside", "28 cm"], "diameter x height with a unit"),
        (["--mass", "250 m"], "has an unknown unit; give a mass"),
        (["--mass", "-3 g"], "out of range"),
        (["--resin", "epoxy-castin"], "did you mean epoxy-casting"),
        (["--resin", "honey"], "there are "),
        (["--room", "18"], "has no unit"),
        (["--room", "180 C"], "out of range"),
        (["--night-low", "12 C"], "give --room too"),
        (["--room", "18 C", "--night-low", "20 C"], "is warmer than --room"),
        (["--room", "18 C", "--night", "warm"], "give steady or down"),
        (["--room", "18 C", "--night", "steady", "--night-low", "12 C"], "leave it out, or change --night"),
        (["--room", "18 C", "--night", "down"], "--night-low is missing"),
        (["--night", "steady"], "--room is missing"),
        (["--start", "25:00"], "is not a time of day"),
        (["--until", "morning"], "is not a time of day"),
        (["--tank", "500 psi"], "out of range"),
        (["--mixing", "long"], "is not a time"),
        (["--pot", "nobody"], "lantern"),
        (["--out", "plan.txt"], ".html"),
    ],
)
def test_bad_input_is_refused_in_one_clear_line(run, capsys, tmp_path, words, said) -> None:
    if words[0] == "--out":
        words = ["--out", tmp_path / "plan.txt"]
        assert main(["plan", "--config", str(WORKSHOP), *map(str, words)]) == 2
        assert said in capsys.readouterr().err
        return
    line = run(*words, status=2)
    assert said in line and "Traceback" not in line and line.startswith("potvigil: ")


def test_a_tank_without_a_compressor_is_refused(run) -> None:
    assert "compressor block" in run("--tank", "110 psi", config=SMALLEST, status=2)


# --- from the record


@pytest.fixture
def record(tmp_path):
    path = tmp_path / "record.db"
    keep_season(path, json.dumps({"workshop": "harbour-models"}))
    return path


def test_the_pots_last_leaks_fills_and_night_come_from_the_record(run, record) -> None:
    start = f"{datetime.now().astimezone(None):%H:%M}"
    said = " ".join(run(*USUAL[:8], "--start", start, record=record, config=SMALLEST).split())
    assert "the pot's last three leaked 0.2" in said or "the pot's last three leaked 0.1" in said
    assert (
        "last fills took 2 min, 2 min and 2 min" in said or "last fills took 3 min, 3 min and 3 min" in said
    )
    assert "room 11 °C" in said
    assert "like the last one, down to 11 °C" in said


def test_a_rehearsed_record_does_not_count_for_the_pot(run, tmp_path) -> None:
    path = tmp_path / "rehearsed.db"
    with Store.open(path) as store:
        store.begin_run(json.dumps({"workshop": "harbour-models"}), "boot", 0.0, time.time(), "sound")
        number = store.open_batch("lantern", BatchOpened(10.0, time.time()))
        store.close_batch(number, replace(CLOSED, t_s=2e4))
    assert "The pot's own leak is not known yet" in " ".join(run(*USUAL, record=path).split())


# --- the page


def test_the_checklist_is_one_file_with_everything_that_is_printed(run, tmp_path) -> None:
    out = tmp_path / "plan.html"
    said = run(*USUAL, "--out", out, "--pdf")
    html = out.read_text(encoding="utf-8")
    assert str(out) in said
    for line in ("crosswise", "The mould fits", "9.6 kJ", "Local rules", "21:10 mix"):
        assert line in html
    assert "http" not in html and "<script" not in html and "safe" not in html.lower()
    assert out.with_suffix(".pdf").read_bytes().startswith(b"%PDF")


def test_entered_text_is_never_markup() -> None:
    hostile = '<script>alert(1)</script> {{ 7 * 7 }} "&'
    html = checklist_html(
        Sheet(
            hostile,
            hostile,
            Feasibility.NO,
            ((Feasibility.NO, hostile),),
            ((hostile, (hostile,)),),
            (hostile,),
            hostile,
        )
    )
    assert (
        "<script" not in html and html.count("&lt;script&gt;") == 8 and "49" not in html.split("</style>")[1]
    )
