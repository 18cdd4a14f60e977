"""The verbs: exit status, output, and refusals."""

import importlib
import json
import re
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from paged import commands_of
from patience import PATIENCE_S
from potvigil import cli
from potvigil.cli import main
from potvigil.model.events import Action, AlarmEvent, AlarmId, AlarmState, Detail, NoteEvent
from potvigil.outputs.patterns import Lamp
from potvigil.outputs.signals import Pins, Signals
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from potvigil.wording.alarm_names import ALARM_WORDS
from rehearsal import Bench, raised, rehearse, watching

NIGHT = NIGHTS["lost-before-gel"]
POT = "lantern"
BAD_SETTINGS = Path(__file__).parents[1] / "bad_settings"
SMALLEST = Path(__file__).parents[2] / "config" / "smallest.yaml"
VERBS = [
    ["watch"],
    ["rehearse"],
    ["replay"],
    ["check"],
    ["setup"],
    ["service"],
    ["status"],
    ["calibrate"],
    ["plan"],
    ["tightness"],
    ["volume"],
    ["page"],
    ["notify"],
    ["ship"],
    *(["studio", verb] for verb in ("prepare", "admit", "page")),
    ["export"],
    ["import"],
    *(["pot", verb] for verb in ("health", "care", "cause")),
    *(["record", verb] for verb in ("check", "thin", "backup")),
    *(
        ["batch", verb]
        for verb in ("list", "show", "open", "close", "label", "note", "edit", "export", "report")
    ),
    *(["alarm", verb] for verb in ("list", "acknowledge", "shelve", "unshelve", "test")),
]


@pytest.fixture(scope="module")
def whole_night(tmp_path_factory) -> Bench:
    """A night that was watched to its end."""
    return rehearse(NIGHT, tmp_path_factory.mktemp("whole"))


@pytest.fixture(scope="module")
def half_night(tmp_path_factory) -> Bench:
    """A night whose watch was stopped with the batch open."""
    bench = Bench(NIGHT, tmp_path_factory.mktemp("half"))
    bench.begin()
    bench.run_until(4000.0)
    bench.service.stop()
    return bench


@pytest.fixture
def record(whole_night, tmp_path) -> Path:
    return copy_of(whole_night, tmp_path)


@pytest.fixture
def open_record(half_night, tmp_path) -> Path:
    return copy_of(half_night, tmp_path)


@pytest.fixture
def config(tmp_path) -> Path:
    path = tmp_path / "workshop.yaml"
    path.write_text(f"{NIGHT.settings_yaml}sample_period: 5 s\n", encoding="utf-8")
    return path


@pytest.fixture
def run(capsys):
    """Run the program; return exit status, standard output and standard error."""

    def call(*words: object) -> tuple[int, str, str]:
        try:
            status = main([str(word) for word in words])
        except SystemExit as ended:  # argparse
            status = int(ended.code or 0)
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return status, said.out, said.err

    return call


@pytest.fixture
def refused(run):
    """Run the program, which must refuse in one line on standard error; return that line."""

    def call(*words: object) -> str:
        status, _, err = run(*words)
        assert status == 2
        assert err.endswith("\n") and err.count("\n") == 1, err
        return err

    return call


def copy_of(bench: Bench, folder: Path) -> Path:
    return Path(shutil.copy(bench.record, folder / "record.db"))


# -- help and wrong use ----------------------------------------------------------------------------


@pytest.mark.parametrize("verb", VERBS, ids=" ".join)
def test_every_verb_has_help_with_an_example_of_itself(verb, run):
    status, out, _ = run(*verb, "--help")
    assert status == 0
    example = " ".join(out.split()).partition("example: ")[2]
    own = example.removeprefix("sudo -u postgres ")  # of the database's owner
    assert own.startswith(f"potvigil {' '.join(verb)}")


def test_every_one_line_error_exists_where_it_is_imported_from():
    for module, name in cli._SAID:
        assert issubclass(getattr(importlib.import_module(module), name), Exception)


def test_no_verb_is_without_a_test_here(run):
    for group, named in (([], {verb[0] for verb in VERBS}), (["batch"], None), (["alarm"], None)):
        _, out, _ = run(*group, "--help")
        listed = {
            line.split()[0]
            for line in out.partition("VERB\n")[2].splitlines()
            if line.startswith("    ") and not line.startswith("     ")
        }
        assert listed == (named or {verb[1] for verb in VERBS if verb[0] == group[0]})


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["brew"],
        ["batch"],
        ["rehearse", "--speed", "0"],
        ["alarm", "test", "--priority", "loud"],
        ["alarm", "shelve", "noise"],
    ],
)
def test_wrong_use_is_status_two(words, run):
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert err.startswith("potvigil: ") and err.count("\n") == 1 and "--help" in err


def test_the_installed_program_gives_its_status_to_the_shell(tmp_path):
    command = [sys.executable, "-m", "potvigil"]
    done = subprocess.run(
        [*command, "rehearse", "--list"], capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert done.returncode == 0
    assert all(name in done.stdout for name in NIGHTS)
    wrong = subprocess.run(
        [*command, "rehearse", "no-such-night"], capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert wrong.stderr.count("\n") == 1


def test_a_reader_that_goes_away_is_no_error(record):
    program = f"{sys.executable} -m potvigil batch show 1 --record {record} | head -1"
    done = subprocess.run(["bash", "-c", f"set -o pipefail; {program}"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.count("\n") == 1


# -- settings and logs -----------------------------------------------------------------------------


@pytest.mark.parametrize("verb", [["watch"], ["check"], ["replay", "night.csv"]], ids=lambda verb: verb[0])
def test_missing_settings_are_named(verb, refused, tmp_path):
    assert str(tmp_path / "none.yaml") in refused(*verb, "--config", tmp_path / "none.yaml")


def test_all_faults_of_the_settings_are_reported_with_their_lines(run, tmp_path):
    text = SMALLEST.read_text(encoding="utf-8")
    wrong = text.replace("20 L", "20").replace("working_pressure", "werking_pressure").replace("10 h", "10 m")
    path = tmp_path / "wrong.yaml"
    path.write_text(wrong, encoding="utf-8")
    status, out, err = run("check", "--config", path)
    assert (status, out) == (2, "")
    told = err.splitlines()
    assert all(line.startswith(f"{path}:") for line in told)
    for part in ("internal_volume", "werking_pressure", "hold: "):
        line_number = 1 + next(i for i, line in enumerate(wrong.splitlines()) if part in line)
        assert any(line.startswith(f"{path}:{line_number}:") and part.strip(": ") in line for line in told), (
            err
        )


@pytest.mark.parametrize("path", sorted(BAD_SETTINGS.glob("*.yaml")), ids=lambda path: path.stem)
def test_each_fault_of_the_settings_takes_one_line(path, run):
    status, out, err = run("check", "--config", path)
    assert (status, out) == (2, "")
    assert err.strip()
    assert all(line.startswith(f"{path}:") for line in err.splitlines())


def test_check_shows_the_settings(run, config):
    status, out, err = run("check", "--config", config)
    assert (status, err) == (0, "")
    assert "lantern" in out and "60" in out


def test_check_of_missing_hardware_is_status_one(run, config):
    status, out, _ = run("check", "--config", config, "--hardware")
    assert status == 1
    assert "lantern" in out


@pytest.mark.parametrize(
    ("rows", "line"),
    [
        (["0,413", "5,413", "4,413"], 4),
        (["0,413", "five,413"], 3),
        (["0,413", "5,41x"], 3),
        (["0,413", "5,nan"], 3),
    ],
)
def test_a_bad_row_of_a_log_is_named_and_nothing_is_written(rows, line, refused, config, tmp_path):
    log, out, kept = tmp_path / "night.csv", tmp_path / "out.jsonl", tmp_path / "kept.db"
    log.write_text("\n".join(["elapsed_s,gauge_pressure_kpa", *rows]) + "\n", encoding="utf-8")
    told = refused("replay", log, "--config", config, "--json", out, "--record", kept)
    assert f"{log}:{line}" in told or f"line {line}" in told
    assert not out.exists() and not kept.exists()


def test_a_missing_log_is_named(refused, config, tmp_path):
    assert str(tmp_path / "none.csv") in refused("replay", tmp_path / "none.csv", "--config", config)


def test_a_pot_that_is_not_in_the_settings_is_refused(refused, config, tmp_path):
    log = tmp_path / "night.csv"
    log.write_text("elapsed_s,gauge_pressure_kpa\n0,0\n", encoding="utf-8")
    assert "lantern" in refused("replay", log, "--config", config, "--pot", "kettle")


# -- rehearsals ------------------------------------------------------------------------------------


def test_an_unknown_night_is_refused_listing_the_nights(refused):
    told = refused("rehearse", "no-such-night")
    assert "no-such-night" in told and "slow-lid-leak" in told


def test_a_rehearsal_ends_with_the_verdict_and_the_path_of_its_record(run, tmp_path):
    record = tmp_path / "kept.db"
    status, out, err = run("rehearse", "vented-early", "--record", record)
    assert (status, err) == (0, "")
    assert out.startswith("Rehearsal, simulated:")
    assert "batch 1" in out and "vented-early" in out
    assert out.rstrip().endswith(str(record))
    with Store.open_read_only(record) as store:
        assert store.batch(1).summary.verdict == "vented-early"
        assert store.rehearsed(1) == "vented-early"


# -- batches ---------------------------------------------------------------------------------------


def test_batch_list_names_batch_pot_and_verdict(run, record):
    status, out, _ = run("batch", "list", "--record", record)
    assert status == 0
    (line,) = [line for line in out.splitlines() if "fell-below-floor" in line]
    assert "1" in line.split() and POT in line


def test_batch_show_lists_the_alarms_and_the_verdict(run, record):
    status, out, _ = run("batch", "show", 1, "--record", record)
    assert status == 0
    assert "!! leak: floor ahead: " in out and "!! below the floor: " in out
    assert "fell-below-floor" in out.rpartition("batch 1 ")[2]


def test_batch_show_of_an_open_batch_gives_its_state(run, open_record):
    status, out, _ = run("batch", "show", 1, "--record", open_record)
    assert status == 0
    assert "still open" in out and "none established" not in out


def test_a_batch_exported_as_csv_replays_to_the_same_verdict(run, record, config, whole_night, tmp_path):
    log, lines = tmp_path / "batch.csv", tmp_path / "batch.jsonl"
    assert run("batch", "export", 1, "--format", "csv", "--out", log, "--record", record)[0] == 0
    assert run("replay", log, "--config", config, "--json", lines)[0] == 0
    told = [json.loads(line) for line in lines.read_text(encoding="utf-8").splitlines()]
    batch = told[-1]
    assert batch["verdict"] == whole_night.summary.verdict
    leak = whole_night.summary.leak.rate_pa_per_s
    assert batch["leak"]["rate_kpa_per_h"] == pytest.approx(3.6 * leak.value, rel=0.02)
    first = {"floor-ahead", "below-floor"}
    assert first <= {line["alarm"] for line in told if line["kind"] == "alarm"}


def test_a_batch_exported_as_json_lines_ends_with_its_verdict(run, record, tmp_path):
    out = tmp_path / "batch.jsonl"
    status, said, _ = run("batch", "export", 1, "--format", "jsonl", "--out", out, "--record", record)
    assert (status, said.strip()) == (0, str(out))
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    assert lines[-1]["kind"] == "batch" and lines[-1]["verdict"] == "fell-below-floor"
    status, said, _ = run("batch", "export", 1, "--format", "jsonl", "--out", "-", "--record", record)
    assert [json.loads(line) for line in said.splitlines()] == lines


def test_a_closed_batch_gets_label_and_note_at_once(run, record):
    assert run("batch", "label", 1, "lens, grün, no. 3", "--record", record)[0] == 0
    assert run("batch", "note", 1, "mould warmed to 30 C", "--record", record)[0] == 0
    with Store.open_read_only(record) as store:
        row = store.batch(1)
        assert (row.label, row.note) == ("lens, grün, no. 3", "mould warmed to 30 C")
        assert [edit.by for edit in store.edits(1)] == ["command line"] * 2
    assert "lens, grün, no. 3" in run("batch", "list", "--record", record)[1]


def test_an_open_batch_gets_its_label_through_the_watch(run, half_night, open_record):
    with taken_up(half_night, open_record) as bench:
        status, out, _ = run("batch", "label", 1, "lens, green", "--record", open_record)
    assert (status, out) == (0, "lantern: label: lens, green\n")
    assert bench.service.watches[POT].snapshot().details == {Detail.LABEL: "lens, green"}
    with Store.open_read_only(open_record) as store:
        assert store.batch(1).label == "lens, green"


def taken_up(half_night: Bench, record: Path):
    """A service that continues a night's record."""
    bench = Bench(NIGHT, record.parent / "next")
    bench.pass_unwatched(half_night.now_s)
    return watching(bench, record)


def test_a_batch_under_pressure_cannot_be_closed_by_hand(run, half_night, open_record):
    with taken_up(half_night, open_record):
        status, out, err = run("batch", "close", "--record", open_record)
    assert (status, out) == (1, "")
    assert err.startswith("potvigil: lantern: refused: The pot is under pressure") and err.count("\n") == 1
    with Store.open_read_only(open_record) as store:
        assert store.batch(1).end_t_s is None
        events = store.events(1)
    assert any("under pressure" in event.text for event in events if isinstance(event, NoteEvent))


@pytest.mark.parametrize(
    "words", [["show", "7"], ["export", "7"], ["label", "7", "x"], ["edit", "7", "--note", "x"]]
)
def test_an_unknown_batch_is_refused_by_number(words, refused, record, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert "no batch 7" in refused("batch", *words, "--record", record)
    assert not list(tmp_path.glob("batch-7*"))


@pytest.mark.parametrize(
    "words",
    [
        ["batch", "list"],
        ["batch", "show", "1"],
        ["batch", "label", "1", "x"],
        ["batch", "open"],
        ["alarm", "list"],
        ["alarm", "acknowledge"],
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("kind", ["foreign", "no database", "missing"])
def test_a_file_that_is_not_a_record_is_refused_and_left_alone(words, kind, refused, tmp_path):
    path = tmp_path / "other.db"
    if kind == "foreign":
        with sqlite3.connect(path) as db:
            db.execute("CREATE TABLE recipe (name TEXT)")
        db.close()
    elif kind == "no database":
        path.write_text("not a database, and long enough to look at\n" * 50, encoding="utf-8")
    before = path.read_bytes() if path.exists() else None
    assert str(path) in refused(*words, "--record", path)
    assert (path.read_bytes() if path.exists() else None) == before


# -- details ---------------------------------------------------------------------------------------

SAID = [
    *("--resin", '"clear" [bold]2:1[/] :bomb: <b>'),
    *("--mould", "lens no. 3; DROP TABLE edit"),
    *("--colour", "grün 🏴‍☠️"),
    *("--mass", "250 g"),
    *("--note", "two\nlines"),
    *("--picture", "a.jpg"),
    *("--picture", "b c.jpg"),
]


def details_of(record: Path, batch: int = 1) -> dict[str, str]:
    with Store.open_read_only(record) as store:
        return {field.value: text for field, text in store.batch(batch).details.items()}


def test_details_of_a_closed_batch_are_kept_verbatim_and_shown_with_their_history(run, record):
    assert run("batch", "edit", 1, *SAID, "--record", record)[0] == 0
    given = {name.removeprefix("--"): text for name, text in zip(SAID[::2], SAID[1::2], strict=True)}
    del given["picture"]
    assert details_of(record) == given | {"pictures": "a.jpg\nb c.jpg"}
    assert run("batch", "edit", 1, "--mass", "0.3 kg", "--record", record)[0] == 0
    status, out, _ = run("batch", "show", 1, "--record", record)
    assert status == 0
    for text in (*given.values(), "b c.jpg"):
        assert all(line in out for line in text.splitlines() if text != "250 g")
    assert "mass: nothing -> 250 g (command line)" in out
    assert "mass: 250 g -> 0.3 kg (command line)" in out


def test_an_empty_text_removes_a_detail_and_pictures_are_added(run, record):
    for words in (
        ["--mould", "no. 3", "--picture", "a.jpg"],
        ["--picture", "b.jpg", "--picture", "a.jpg"],
        ["--mould", ""],
    ):
        assert run("batch", "edit", 1, *words, "--record", record)[0] == 0
    assert details_of(record) == {"mould": "", "pictures": "b.jpg\na.jpg"}
    assert run("batch", "edit", 1, "--picture", "", "--picture", "c.jpg", "--record", record)[0] == 0
    assert details_of(record)["pictures"] == "c.jpg"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--label", "x" * 10_000], "label: 10000 characters; at most 120 are allowed"),
        (["--note", "x" * 10_000], "note: 10000 characters; at most 2000 are allowed"),
        (["--resin", "a\x1b[2Jb"], "resin: control characters"),
        (["--resin", "a\udcffb"], "resin: 'a\\udcffb' contains bytes that are not text"),
        (["--mould", "two\nlines"], "mould: control characters"),
        (["--mass", "250 m"], "mass: '250 m' has an unknown unit; give a mass in g, kg, oz or lb"),
        (["--mixed-at", "at tea"], "mixed-at: 'at tea' is not a date and time"),
        (["--mixed-at", "2026-02-01T00:00:00Z"], "after the fill, at most 5 min is allowed"),
        (["--mixed-at", "23:10"], "after the fill, at most 5 min is allowed"),
        (["--mixed-at", "2025-12-01T00:00:00Z"], "before the fill, at most 24 h is allowed"),
        (["--picture", "a\nb.jpg"], "a file name with a line break"),
        ([], "nothing to change in batch 1; give one of --label, --resin"),
    ],
)
def test_an_invalid_detail_is_refused_in_one_line_and_changes_nothing(words, said, refused, record):
    other = ["--colour", "blue"] if words else []
    assert said in refused("batch", "edit", 1, *other, *words, "--record", record)
    assert details_of(record) == {}


def test_the_label_verb_refuses_an_overlong_label_too(refused, record):
    assert "at most 120" in refused("batch", "label", 1, "x" * 121, "--record", record)
    assert "at most 2000" in refused("batch", "note", 1, "x" * 2001, "--record", record)


def test_mixed_at_is_the_time_of_day_before_the_fill_in_the_zone_of_the_settings(run, record, monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Tokyo")  # the machine's; the night's settings say UTC
    time.tzset()
    assert run("batch", "edit", 1, "--mixed-at", "21:47", "--record", record)[0] == 0
    assert details_of(record) == {"mixed-at": "2026-01-01T21:47:00Z"}  # the fill began at 22:02
    assert "mixed-at  2026-01-01 21:47" in run("batch", "show", 1, "--record", record)[1]
    monkeypatch.undo()
    time.tzset()


def test_details_of_an_open_batch_go_through_the_watch(run, half_night, open_record):
    with taken_up(half_night, open_record) as bench:
        status, out, _ = run("batch", "edit", 1, *SAID, "--record", open_record)
    assert status == 0 and f"lantern: resin: {SAID[1]}\n" in out
    known = {field.value: text for field, text in bench.service.watches[POT].snapshot().details.items()}
    assert known == details_of(open_record)
    assert known["resin"] == SAID[1] and known["pictures"] == "a.jpg\nb c.jpg"
    assert "still open" in run("batch", "show", 1, "--record", open_record)[1]


def test_a_batch_is_opened_by_hand_with_its_details_and_as_the_last(run, refused, record, whole_night):
    assert run("batch", "edit", 1, "--resin", "clear", "--mould", "no. 3", "--record", record)[0] == 0
    with taken_up(whole_night, record):
        status, out, _ = run("batch", "open", "--mould", "no. 4", "--label", "second", "--record", record)
    assert status == 0 and "lantern: batch opened\nlantern: label: second\nlantern: mould: no. 4\n" in out
    assert "as the last batch: resin clear\n" in out
    assert details_of(record, 2) == {"label": "second", "mould": "no. 4", "resin": "clear"}
    shown = run("batch", "show", 2, "--record", record)[1]
    assert "resin  clear (as the last batch)" in shown and "still open" in shown
    assert "batch 2 of lantern is open" in refused("batch", "open", "--label", "third", "--record", record)
    assert details_of(record, 2)["label"] == "second"


# -- alarms ----------------------------------------------------------------------------------------


def test_alarm_list_is_status_one_while_an_alarm_is_active(run, record, whole_night):
    status, out, _ = run("alarm", "list", "--record", record)
    assert status == 1
    assert "below-floor" in out and POT in out
    empty = record.parent / "empty.db"
    with Store.open(empty) as store:
        store.begin_run("{}", "boot", 0.0, None, None)
    assert run("alarm", "list", "--record", empty)[0] == 0


def test_an_alarm_is_acknowledged_through_the_watch(run, half_night, open_record):
    with taken_up(half_night, open_record) as bench:
        status, out, _ = run("alarm", "acknowledge", "floor-ahead", "--record", open_record)
        assert (status, out) == (0, "lantern: leak: floor ahead: acknowledged on the command line\n")
        again = run("alarm", "acknowledge", "rapid-loss", "--record", open_record)
    assert again[0] == 1 and "refused: rapid-loss is not active" in again[2]
    states = {alarm.alarm: alarm.state for alarm in bench.service.watches[POT].snapshot().alarms}
    assert states[AlarmId.FLOOR_AHEAD] is AlarmState.ACKNOWLEDGED


@pytest.mark.parametrize(
    ("alarm", "words", "seconds"),
    [
        ("floor-ahead", ["--minutes", 10], 600.0),
        ("floor-ahead", [], 900.0),
        ("thermometer", ["--minutes", 1440], 86_400.0),
        ("thermometer", [], 3600.0),
    ],
)
def test_an_alarm_is_shelved_for_a_while(run, half_night, open_record, alarm, words, seconds):
    with taken_up(half_night, open_record):
        status, out, _ = run("alarm", "shelve", alarm, *words, "--record", open_record)
    assert status == 0 and re.fullmatch(
        rf"lantern: {ALARM_WORDS[AlarmId(alarm)]}: shelved until \d\d:\d\d\n", out
    )
    with Store.open_read_only(open_record) as store:
        (command,) = store.commands(POT, 0.0)
    assert (command.action, command.alarm) == (Action.SHELVE, AlarmId(alarm))
    assert command.duration_s == seconds


def test_an_alarm_is_unshelved(run, half_night, open_record):
    with taken_up(half_night, open_record):
        assert run("alarm", "shelve", "floor-ahead", "--record", open_record)[0] == 0
        assert "shelved until" in run("alarm", "list", "--record", open_record)[1]
        assert run("alarm", "unshelve", "leak", "--record", open_record)[0] == 1
        taken_back = run("alarm", "unshelve", "--record", open_record)
        nothing_more = run("alarm", "unshelve", "--record", open_record)
    assert taken_back[:2] == (0, "lantern: leak: floor ahead: not acknowledged\n")
    assert nothing_more[:2] == (0, "lantern: nothing was shelved\n")


def test_an_inactive_high_alarm_is_not_reported_shelved(run, half_night, open_record):
    with taken_up(half_night, open_record):
        status, out, err = run("alarm", "shelve", "over-pressure", "--record", open_record)
    assert (status, out) == (1, "")
    assert "potvigil: lantern: refused: over-pressure is not active" in err and err.count("\n") == 1


@pytest.mark.parametrize("minutes", ["1e9", "inf", "nan", "-5", "0", "15.1"])
def test_a_high_alarm_is_not_shelved_for_more_than_15_minutes(refused, open_record, minutes):
    said = refused("alarm", "shelve", "over-pressure", f"--minutes={minutes}", "--record", open_record)
    assert "over-pressure can be shelved for 1 to 15 minutes" in said
    assert commands_of(open_record) == []


@pytest.mark.parametrize(
    "words",
    [
        ["batch", "open", "--label", "lens"],
        ["batch", "close"],
        ["alarm", "acknowledge"],
        ["alarm", "shelve", "over-pressure"],
        ["alarm", "test"],
    ],
)
def test_a_command_without_a_running_watch_is_refused_at_once_and_for_good(run, record, whole_night, words):
    status, out, err = run(*words, "--record", record)
    assert (status, out) == (1, "")
    assert err.startswith("potvigil: lantern: refused: the watch is not running; start the watch")
    assert err.count("\n") == 1
    assert commands_of(record)
    with taken_up(whole_night, record) as bench:
        time.sleep(0.05)
    assert len(bench.summaries) == 0 and raised(bench.events) == []
    with Store.open_read_only(record) as store:
        assert store.commands(POT, whole_night.now_s) == []


@pytest.mark.parametrize(
    ("faults", "status", "said"),
    [
        (None, 1, "notification: not configured; lamp: not configured; buzzer: not configured"),
        ({}, 0, "MQTT: not configured; notification: not configured; lamp: sent; buzzer: not configured"),
        (
            {"buzzer": "cannot use GPIO 6 (busy)"},
            1,
            "lamp: sent; buzzer: failing, buzzer cannot use GPIO 6 (busy)",
        ),
    ],
)
def test_a_test_alarm_says_which_outputs_it_reached(run, half_night, open_record, faults, status, said):
    bench = Bench(NIGHT, open_record.parent / "next")
    bench.pass_unwatched(half_night.now_s)
    if faults is not None:
        lamp = SimpleNamespace(value=False, close=lambda: None)
        pins = Pins({Lamp.ALARM: lamp}, None, None, 5.0, lambda: bench.clock.now().boot_s, faults)
        pins._thread = threading.Thread(target=lambda: None)
        pins.play = lambda wanted, boot_s: pins.step()  # at once, whatever else the machine does
        bench.signals = Signals(pins)
    with watching(bench, open_record):
        done = run("alarm", "test", "--record", open_record)
    assert done[0] == status
    assert done[1 if status == 0 else 2].endswith(f"{said}\n")
    (test,) = [one for one in raised(bench.events) if one.alarm is AlarmId.TEST]
    assert "test" in test.text


@pytest.mark.parametrize(
    ("words", "priority"), [([], "low"), (["--priority", "low"], "low"), (["--priority", "high"], "high")]
)
def test_a_test_alarm_has_the_requested_priority(run, half_night, open_record, words, priority):
    bench = Bench(NIGHT, open_record.parent / "next")
    bench.pass_unwatched(half_night.now_s)
    with watching(bench, open_record):
        run("alarm", "test", *words, "--record", open_record)
    tests = [e for e in bench.events if isinstance(e, AlarmEvent) and e.alarm is AlarmId.TEST]
    assert tests and {event.priority for event in tests} == {priority}


def test_a_never_watched_pot_gets_no_command(refused, record):
    assert POT in refused("alarm", "test", "--pot", "kettle", "--record", record)


def test_a_piped_list_has_one_full_line_per_batch(run, record):
    label = "lens, green, no. 3, " * 6
    assert run("batch", "label", 1, label.strip(), "--record", record)[0] == 0
    lines = run("batch", "list", "--record", record)[1].splitlines()
    assert len(lines) == 2
    assert label.strip() in lines[1] and "fell-below-floor" in lines[1]
