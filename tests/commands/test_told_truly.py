"""What the verbs say about a batch is true: by hand, over the maximum, in pairs, without a thermometer."""

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from patience import PATIENCE_S, wait_until
from potvigil.cli import main
from potvigil.commands.dialogues.exclusive_station import pressure_warning
from potvigil.commands.shared.common import UseError
from potvigil.imports.csv_log import read_log
from potvigil.model.events import Action, AlarmId, BatchAlarm, BatchOpened, Change, Verdict
from potvigil.model.reading import Place
from potvigil.record.store import Store
from potvigil.reports.batch import report_html
from potvigil.reports.charts.chart_data import thermometer_gaps
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.units import PA_PER_PSI, TIME, clock_time
from potvigil.watch.verdict import Facts, judge
from potvigil.wording.change import adding_up, why
from record_night import CLOSED, POT, SUMMARY, UTC_S
from rehearsal import Bench, rehearse


@pytest.fixture
def run(capsys):
    def call(*words: object, status: int = 0) -> str:
        assert main([str(word) for word in words]) == status, capsys.readouterr().err
        return capsys.readouterr().out

    return call


# -- the report of a batch that never was under pressure ------------------------------------------------


def test_a_batch_opened_and_closed_by_hand_has_a_report(run, tmp_path):
    bench = Bench(NIGHTS["sound"], tmp_path)
    bench.begin()
    bench.run_until(20.0)
    for action, until_s in ((Action.OPEN, 60.0), (Action.CLOSE, 90.0)):
        bench.store.add_command(POT, action, None)
        bench.run_until(until_s)
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        assert store.batch(1).end_t_s is not None
    run("batch", "report", 1, "--record", bench.record, "--out", tmp_path / "report.html")
    assert "the pot never reached pressure" in (tmp_path / "report.html").read_text(encoding="utf-8").lower()


# -- why the gauge changed ----------------------------------------------------------------------------------


def _change(*psi: float) -> Change:
    return Change(sum(psi) * PA_PER_PSI, *(part * PA_PER_PSI for part in psi))


@pytest.mark.parametrize(
    "parts", [(-0.44, -0.24, -0.84, 0.0), (-1.64, 0.03, -23.16, 20.44), (-1.1, 0.1, 0.0, 0.0)]
)
@pytest.mark.parametrize("unit", ["psi", "bar", "kPa"])
def test_the_stated_parts_of_a_change_add_up_with_their_signs(parts, unit):
    total, *sizes = (float(each) for each in adding_up(_change(*parts), unit))
    assert sum(sizes) == pytest.approx(total, abs=1e-9)
    said = why(_change(*parts), unit)
    for size in adding_up(_change(*parts), unit)[1:]:
        assert not float(size) or f"{'+' if float(size) > 0 else ''}{size} {unit}" in said


def test_a_part_that_raised_the_pressure_has_the_opposite_sign():
    said = why(_change(-1.1, 0.1, 0.0, 0.0), "psi")
    assert said.startswith("fell by 1.0 psi: -1.1 psi cooling, +0.1 psi barometer down; no visible air")


def test_the_rate_of_a_leak_says_when_it_applied(run, night_record):
    shown = run("batch", "show", 1, "--record", night_record)
    assert "at the end of the hold, since about" in shown
    assert "leak at end" in run("batch", "list", "--record", night_record)


# -- a verdict never only praises a pot that went above its maximum ---------------------------------------


def _facts(**known: object) -> Facts:
    return replace(Facts(40_000.0, True, True, 36_000.0, True, None, False, 0.0, 0.0), **known)


def test_a_pot_that_exceeded_its_maximum_says_so(data):
    assert judge(_facts()) == (Verdict.HELD, "pressure held until the cure was done")
    verdict, reason = judge(_facts(above_maximum=True))
    assert verdict is Verdict.HELD and reason.endswith("it had gone above the marked maximum")
    above = (BatchAlarm(AlarmId.OVER_PRESSURE, 300.0, 400.0),)
    html = report_html(replace(data, summary=replace(data.summary, verdict=Verdict.HELD, alarms=above)))
    assert "The pressure held, but had gone above the maximum" in html
    html = report_html(replace(data, summary=replace(data.summary, verdict=Verdict.HELD, alarms=())))
    assert "The pressure held" in html and "above the maximum" not in html


def test_the_over_pressure_night_says_so_at_its_end(tmp_path):
    assert "marked maximum" in rehearse(NIGHTS["over-pressure"], tmp_path).summary.reason


# -- unmonitored time ---------------------------------------------------------------------------------------


def test_hours_without_a_thermometer_are_reported(data):
    traces = tuple(replace(each, gas_k=None) for each in data.traces)
    pot = replace(data.pot, thermometers=frozenset({Place.GAS}))
    blind = replace(data, traces=traces, pot=pot)
    ((place, from_s, to_s),) = thermometer_gaps(blind)
    assert place is Place.GAS and to_s - from_s > 3600.0
    html = report_html(blind)
    assert "No reading of the gas thermometer" in html and "No gaps: pressure and temp" not in html
    none = replace(data, pot=replace(data.pot, thermometers=frozenset()))
    assert "no thermometer is fitted" in report_html(none)


# -- the cause of a batch is of that batch ------------------------------------------------------------------


def test_a_leaking_batch_is_never_reported_tight(run, tmp_path):
    record = tmp_path / "record.db"
    with Store.open(record) as store:
        store.begin_run(load_text(NIGHTS["sound"].settings_yaml, "s").as_json(), "boot", 0.0, UTC_S, None)
        for begun_s in (100.0, 37_000.0):  # seven minutes apart, too little of them kept
            number = store.open_batch(POT, BatchOpened(begun_s, UTC_S + begun_s))
            closed = replace(CLOSED, t_s=begun_s + 36_400.0, summary=replace(SUMMARY, start_s=begun_s))
            store.close_batch(number, closed)
    said = run("pot", "cause", POT, "--record", record)
    assert "2 of 2 batches leaked beyond doubt" in said
    assert "It leaked beyond doubt, but there is too little data" in said and "no leak is certain" not in said


# -- notes, files, logs -------------------------------------------------------------------------------------


def test_a_second_note_keeps_the_first(run, night_record, tmp_path):
    record = tmp_path / "copy.db"
    run("record", "backup", record, "--record", night_record)
    run("batch", "note", 1, "mould warmed", "--record", record)
    run("batch", "note", 1, "a bubble at the rim", "--record", record)
    with Store.open_read_only(record) as store:
        assert store.batch(1).note == "mould warmed\na bubble at the rim"
    run("batch", "edit", 1, "--note", "only this", "--record", record)
    with Store.open_read_only(record) as store:
        assert store.batch(1).note == "only this"


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (("batch", "export", 1, "--out"), "out.csv"),
        (("batch", "report", 1, "--out"), "out.html"),
        (("export", "--all", "--out"), "out.zip"),
        (("record", "backup"), "out.db"),
        (("pot", "health", "--out"), "out.html"),
    ],
)
def test_nothing_is_overwritten_without_consent(words, name, run, night_record, tmp_path, capsys):
    out = tmp_path / name
    run(*words, out, "--record", night_record)
    before = out.read_bytes()
    assert main([*map(str, words), str(out), "--record", str(night_record)]) == 2
    assert "already exists" in capsys.readouterr().err
    assert out.read_bytes() == before
    run(*words, out, "--record", night_record, "--replace")


@pytest.mark.parametrize("unit", ["psi", "bar", "kPa"])
def test_an_exported_log_has_the_requested_unit_and_replays_with_its_clock(unit, run, night_record, tmp_path):
    out = tmp_path / "night.csv"
    run("batch", "export", 1, "--units", unit, "--out", out, "--record", night_record)
    assert f"time,gauge_pressure_{unit.lower()}" in out.read_text(encoding="utf-8")
    with Store.open_read_only(night_record) as store:
        row = store.batch(1)
        kept = list(store.samples(POT, row.start_t_s, row.end_t_s))
    log = read_log(out)
    assert log.notes == []
    for sample, read in zip(kept, log.samples, strict=True):
        assert read.utc_s == pytest.approx(sample.utc_s, abs=1e-3)
    pressed = [each.gauge_pa for each in log.samples if each.gauge_pa is not None]
    assert max(pressed) == pytest.approx(60 * PA_PER_PSI, rel=0.05)


def test_an_exported_log_has_the_units_of_the_settings(run, night_record, tmp_path):
    out = tmp_path / "night.csv"
    run("batch", "export", 1, "--out", out, "--record", night_record)
    assert ",gauge_pressure_psi," in out.read_text(encoding="utf-8").splitlines()[0]


# -- as people write it -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("10 hours", 36_000.0), ("1 h 30 min", 5400.0), ("1h30min", 5400.0), ("2 D", 172_800.0), ("1e3 s", 1e3)],
)
def test_a_duration_is_read_as_people_write_it(text, seconds):
    assert TIME.read(text).si == seconds


@pytest.mark.parametrize("text", ["1 h 90 min", "90 min 2 h", "-1 h 5 min", "1 h 1e999 min", "1 e 5 s"])
def test_an_invalid_sum_of_durations_is_refused(text):
    with pytest.raises(ValueError, match="time"):
        TIME.read(text)


@pytest.mark.parametrize(
    ("text", "hour", "minute"),
    [("9:40 pm", 21, 40), ("9:40PM", 21, 40), ("12:00 am", 0, 0), ("12:30 p.m.", 12, 30), ("21:40", 21, 40)],
)
def test_a_time_of_day_is_read_as_people_write_it(text, hour, minute):
    found = clock_time(text)
    assert found is not None and (found.hour, found.minute) == (hour, minute)


# -- how a dialogue, a stream or the program ends -----------------------------------------------------------


@pytest.mark.parametrize("ended", [KeyboardInterrupt, UseError, EOFError, ValueError])
def test_a_dialogue_that_ends_early_mentions_the_pot(ended, capsys):
    with pytest.raises(ended), pressure_warning():
        raise ended("x")
    said = capsys.readouterr().out
    assert "The pot may be under pressure" in said and "open the vent fully" in said


@pytest.mark.parametrize("verb", ["calibrate", "volume", "tightness"])
def test_ctrl_c_warns_that_the_pot_may_be_under_pressure(verb, monkeypatch, capsys):
    asked = []

    def interrupted(_prompt: str) -> str:
        asked.append(_prompt)
        if verb != "calibrate" or len(asked) > 1:  # the first question of a calibration is of the open pot
            raise KeyboardInterrupt
        return ""

    monkeypatch.setattr("builtins.input", interrupted)
    words = ["--gauge", "100 psi", "--gauge-class", "2.5"] if verb == "calibrate" else []
    assert main([verb, "--rehearse", *words]) == 2
    assert "The pot may be under pressure" in capsys.readouterr().out


def _program(*words: str, **how: object) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "potvigil", *words]
    return subprocess.run(command, capture_output=True, check=False, timeout=PATIENCE_S, **how)  # type: ignore[call-overload, no-any-return]


def test_closed_output_odd_terminal_and_ctrl_d_give_no_traceback(run, night_record, tmp_path):
    record = tmp_path / "copy.db"
    run("record", "backup", record, "--record", night_record)
    run("batch", "label", 1, "größer – ½ 漢", "--record", record)
    listed = ("batch", "list", "--record", str(record))
    latin = _program(*listed, env={**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"})
    assert latin.returncode == 0 and latin.stderr == b""
    assert "größer \\u2013 ½ \\u6f22".encode("latin-1") in latin.stdout
    lines = _program(*listed, "--json", env={**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"})
    assert json.loads(lines.stdout)["label"] == "größer – ½ 漢"
    shell = f"{sys.executable} -m potvigil {' '.join(listed)}"
    for ending in (">&-", "2>&-", "<&-", ">&- 2>&-"):
        done = subprocess.run(f"{shell} {ending}", shell=True, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, "")
    full = subprocess.run(f"{shell} >/dev/full", shell=True, capture_output=True, text=True, check=False)
    assert full.returncode == 2 and full.stderr.count("\n") == 1 and "No space left" in full.stderr


_HELD_UP = """
import os, signal, sys, time

class Interrupts:
    def find_spec(self, name, *_):
        if name == "potvigil.cli":
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(60)

sys.meta_path.insert(0, Interrupts())
from potvigil.__main__ import main
raise SystemExit(main())
"""


def test_ctrl_c_during_loading_is_one_line():
    """SIGINT at our first import, paused there so that it certainly comes in time."""
    command = [sys.executable, "-c", _HELD_UP]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=PATIENCE_S)
    assert (done.returncode, done.stderr) == (2, "potvigil: interrupted\n")


def test_a_terminated_rehearsal_ends_its_page(tmp_path):
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "potvigil",
            "rehearse",
            "sound",
            "--page",
            "0",
            "--record",
            str(tmp_path / "r.db"),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    for line in process.stdout:
        if "filling" in line:
            break
    children = _children(process.pid)
    assert children
    process.send_signal(signal.SIGTERM)
    rest = process.stdout.read()
    assert process.wait(PATIENCE_S) == 0 and str(tmp_path / "r.db") in rest
    wait_until(lambda: not any(Path(f"/proc/{child}").exists() for child in children), "its pages went on")


def _children(pid: int) -> list[int]:
    return [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
