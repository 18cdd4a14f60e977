"""`tightness`, `volume`, `pot cause` and care that is due again, by the command line."""

import json
import re
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from commands.test_pot_verbs import written
from potvigil.cli import main
from potvigil.clock import Instant, ManualClock
from potvigil.commands.dialogues.vessel import take_volume
from potvigil.commands.shared.common import UseError
from potvigil.diagnosis.pot_health import health
from potvigil.diagnosis.volume import Measured
from potvigil.model.events import Interval, NoteEvent, NoteId
from potvigil.model.maintenance import Care, Part, due
from potvigil.model.reading import Sample
from potvigil.outputs.live import LiveFile
from potvigil.record.store import Store
from potvigil.record.validation import wrong_with
from potvigil.settings.loading import load
from potvigil.sim.nights import NIGHTS
from potvigil.wording.health import health_lines
from rehearsal import Bench
from shut_pot import ATMOSPHERE_PA, PSI, night

SMALLEST = (Path(__file__).parents[2] / "config/smallest.yaml").read_text(encoding="utf-8")
DAY_S = 86_400.0
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    def call(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("builtins.input", lambda prompt: print(prompt) or "")
        try:
            status = main([str(word) for word in words])
        except SystemExit as ended:
            status = int(ended.code or 0)
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        assert "safe" not in said.out
        return status, said.out, said.err

    return call


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    path = tmp_path / "workshop.yaml"
    path.write_text(f"{SMALLEST}record: {{file: {tmp_path / 'record.db'}}}\n", encoding="utf-8")
    return path


def logged(path: Path, psi_per_h: float, hours: float = 3.0) -> Path:
    share = psi_per_h * PSI / 3600.0 / (60 * PSI + ATMOSPHERE_PA)
    lines = ["elapsed_s,gauge_pressure_psi,gas_temperature_c,ambient_pressure_hpa"]
    for each in night(hours, rate_per_s=share):
        assert each.gauge_pa is not None and each.ambient_pa is not None
        lines.append(f"{each.t_s},{each.gauge_pa / PSI:.4f},{each.gas_c},{each.ambient_pa / 100.0:.2f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(("leaking", "status", "word"), [("tight", 0, "PASS"), ("leaking", 1, "FAIL")])
def test_a_rehearsed_test_goes_through_the_drivers_to_an_answer(
    run: Run, leaking: str, status: int, word: str
) -> None:
    got, out, err = run("tightness", "--rehearse", leaking)
    assert (got, err) == (status, "")
    assert f"\n{word} after " in out and "nothing is saved" in out
    assert "confirm zero on the pot's own gauge" in out.split(word)[1]
    assert "evenly and crosswise" in out.split(word)[0]


def test_a_log_is_judged_by_the_same_rule(run: Run, settings: Path, tmp_path: Path) -> None:
    words = ("tightness", "--config", settings, "--limit", "3 psi in 12 h", "--log")
    status, out, _ = run(*words, logged(tmp_path / "tight.csv", 0.03))
    assert status == 0 and "A 12 h cure from 60.0 psi would lose" in out and "less than 3.0 psi" in out
    status, out, _ = run(*words, logged(tmp_path / "leaking.csv", 1.5))
    assert status == 1 and "more than 3.0 psi" in out and "  1. " in out
    status, out, _ = run(*words, logged(tmp_path / "short.csv", 0.03, 0.3))
    assert status == 1 and "CANNOT TELL" in out and "the readings ended" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--limit", "3 psi"), "--limit '3 psi' is not a limit"),
        (("--limit", "3 foo in 1 h"), "unknown unit"),
        (("--pot", "beacon"), "give --pot lantern"),
        (("--rehearse", "--log", "x.csv"), "not both"),
    ],
)
def test_an_impossible_request_is_refused_in_one_line(
    run: Run, settings: Path, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    given = [*words] if "--log" in words else [*words, "--log", logged(tmp_path / "a.csv", 0.1, 0.2)]
    status, _, err = run("tightness", "--config", settings, *given)
    assert status == 2 and said in err and err.count("\n") == 1


def test_tightness_without_settings_says_what_to_give(run: Run) -> None:
    status, _, err = run("tightness")
    assert status == 2 and "--rehearse to try it" in err


def test_tightness_refuses_beside_a_running_watch(
    run: Run, settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "potvigil.commands.dialogues.exclusive_station.usual_live", lambda: tmp_path / "live.json"
    )
    live = LiveFile(tmp_path / "live.json", "harbour-models", None, 1.0)
    monkeypatch.setattr(
        "potvigil.commands.dialogues.exclusive_station.time.clock_gettime", lambda clock: 100.0
    )
    text = {"written_boot_s": 99.0, "rehearsed": None, "sample_period_s": 1.0}
    live.path.write_text(json.dumps(text), encoding="utf-8")
    status, _, err = run("tightness", "--config", settings)
    assert status == 2 and "stop it first: systemctl stop potvigil" in err


class _Wires:
    """In place of the converter: one night, a sample at each read."""

    def __init__(self, psi_per_h: float) -> None:
        self._samples = night(13.0, rate_per_s=psi_per_h * PSI / 3600.0 / (60 * PSI + ATMOSPHERE_PA))

    def read(self, t_s: float, now: Instant) -> list[tuple[str, Sample]]:
        return [("lantern", next(self._samples))]

    def close(self) -> None:
        pass


def test_the_readings_are_kept_and_their_cause_can_be_found_again(
    run: Run, settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "potvigil.commands.dialogues.exclusive_station.open_inputs", lambda settings: _Wires(4.0)
    )
    monkeypatch.setattr("potvigil.commands.at_the_pot.tightness.SystemClock", ManualClock)
    record = tmp_path / "record.db"
    with Store.open(record) as store:
        store.begin_run(load(settings).as_json(), "boot-a", 0.0, 1e9, None)
    status, out, _ = run("tightness", "--config", settings, "--limit", "15 psi in 10 h")
    assert status == 1 and "\nFAIL after " in out and "pot cause lantern --test" in out
    told = [line for line in out.splitlines() if "too short to tell" in line or line.startswith("  ")]
    status, again, _ = run("pot", "cause", "lantern", "--test", "--record", record)
    assert status == 0 and "Tightness test of lantern on " in again and ": fail: " in again
    told = [line for line in told if "psi/h" not in line]
    assert "too short to tell" in told[0] and told == [
        line for line in again.splitlines() if "too short to tell" in line or line.startswith("  ")
    ]
    status, _, err = run("pot", "cause", "lantern", "--test", "--batch", "1", "--record", record)
    assert status == 2 and err.count("\n") == 1


@pytest.mark.parametrize("words", [("tightness",), ("volume", "--vessel", "2 L")])
def test_a_pot_without_a_pressure_reading_is_not_to_be_filled(
    run: Run, settings: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    dead = _Wires(0.0)
    monkeypatch.setattr(dead, "read", lambda t_s, now: [("lantern", Sample(t_s=t_s))])
    monkeypatch.setattr("potvigil.commands.dialogues.exclusive_station.open_inputs", lambda settings: dead)
    status, out, err = run(*words, "--config", settings)
    assert status == 2 and err.count("\n") == 1 and "potvigil check --hardware" in err
    assert "Press Enter" not in out and "press Enter" not in out


def test_a_test_without_kept_readings_has_no_cause(run: Run, tmp_path: Path) -> None:
    record = written(tmp_path / "record.db", [0.05])
    status, _, err = run("pot", "cause", "lantern", "--test", "--record", record)
    assert status == 2 and "the record has no readings of a tightness test of lantern" in err


def test_a_test_result_is_kept_as_care_with_its_leak(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    leak = Interval(2e-2, 1e-2, 3e-2)
    with Store.open(path) as store:
        store.add_care("lantern", 1e9, Part.TIGHTNESS_TEST, "pass", "anna", 1e9, leak_pa_per_s=leak)
        store.add_care("lantern", 2e9, Part.SEAL, "", "anna", 2e9, due_utc_s=3e9)
        tested, seal = store.cares("lantern")
    assert (tested.leak_pa_per_s, tested.due_utc_s) == (leak, None)
    assert (seal.leak_pa_per_s, seal.due_utc_s) == (None, 3e9)
    row = {"part": "seal", "leak_pa_per_s": 1.0, "leak_low_pa_per_s": None, "leak_high_pa_per_s": None}
    assert "without its interval" in str(wrong_with("care", row))
    row = row | {"leak_pa_per_s": None}
    assert "not known" in str(wrong_with("care", row | {"part": "gasket"}))
    assert wrong_with("care", row | {"readings": "[[0.0,413685,20.1,null,null,101325]]"}) is None
    assert wrong_with("care", row | {"readings": "[[0.0,413685,20.1,null,null,101325,31.5]]"}) is None
    too_long = "[[0.0,413685,20.1,null,null,101325,31.5,31.5]]"
    for readings in (too_long, "[[0.0,1.0]]", '[[0.0,"60 psi",null,null,null,null]]', "[7]", "{}}"):
        assert wrong_with("care", row | {"readings": readings}) is not None


def test_health_gives_the_newest_test_and_its_change() -> None:
    def tested(n: int, psi_per_h: float) -> Care:
        value = psi_per_h * PSI / 3600.0
        reach = 0.05 * PSI / 3600.0
        leak = Interval(value, value - reach, value + reach)
        return Care(1e9 + n * DAY_S, float(n), Part.TIGHTNESS_TEST, "", "", None, leak)

    same = health_lines(health([], [tested(1, 0.20), tested(2, 0.23)]), "psi", UTC)
    worse = health_lines(health([], [tested(1, 0.20), tested(2, 0.60)]), "psi", UTC)
    better = health_lines(health([], [tested(1, 0.60), tested(2, 0.20)]), "psi", UTC)
    assert any("Tightness test on 11 September 2001: 0.23 psi/h (0.18 to 0.28)" in line for line in same)
    assert any("No significant change since the test on 10 September" in line for line in same)
    assert any("It leaked less in the test on 10 September" in line for line in worse)
    assert any("It leaked more in the test" in line for line in better)


def test_overdue_care_comes_first_and_distant_care_is_left_out(run: Run, tmp_path: Path) -> None:
    record = written(tmp_path / "record.db", [0.05] * 12)
    today = datetime.now(UTC)
    for part, days_ago, every in (
        ("inspection", 400, "12 months"), ("relief-valve", 20, "6 weeks"), ("valve", 1, "2 years"),
    ):  # fmt: skip
        on = f"{today - timedelta(days=days_ago):%Y-%m-%d}"
        status, out, _ = run(
            "pot", "care", "lantern", part, "by Ines", "--on", on, "--every", every, "--record", record
        )
        assert status == 0 and "due again on " in out
    lines = run("pot", "health", "lantern", "--record", record)[1].splitlines()
    assert lines[0].startswith("Overdue since ") and "an inspection (last on " in lines[0]
    assert "by Ines" in lines[0]
    assert any(line.startswith("Due on ") and "the relief valve" in line for line in lines[1:])
    assert not any("the valves" in line and "ue " in line for line in lines)
    status, out, _ = run("pot", "care", "lantern", "inspection", "passed", "--record", record)
    assert "this ends its reminder" in out
    assert "Overdue" not in run("pot", "health", "lantern", "--record", record)[1]


def test_the_health_page_lists_overdue_care(run: Run, tmp_path: Path) -> None:
    record, page = written(tmp_path / "record.db", [0.05] * 6), tmp_path / "health.html"
    words = ("--on", "2024-01-01", "--due", "2025-01-01", "--record", record)
    run("pot", "care", "lantern", "inspection", "<b>", *words)
    run("pot", "health", "lantern", "--record", record, "--out", page)
    assert (
        "Overdue since 1 January 2025: an inspection (last on 1 January 2024: &lt;b&gt;)" in page.read_text()
    )


@pytest.mark.parametrize(
    ("on", "every", "again"),
    [
        ("2025-01-31", "1 month", "2025-02-28"),
        ("2024-02-29", "1 year", "2025-02-28"),
        ("2025-11-30", "3 months", "2026-02-28"),
        ("2025-03-01", "10 days", "2025-03-11"),
        ("2025-03-01", "2 weeks", "2025-03-15"),
    ],
)
def test_due_intervals_follow_the_calendar(run: Run, tmp_path: Path, on: str, every: str, again: str) -> None:
    record = written(tmp_path / "record.db", [0.05])
    out = run("pot", "care", "lantern", "seal", "--on", on, "--every", every, "--record", record)[1]
    assert f"due again on {again};" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--every", "soon"), "give days, weeks, months or years"),
        (("--due", "2024-01-01", "--on", "2024-06-01"), "is not after 2024-06-01"),
        (("--due", "tomorrow"), "is not a date"),
        (("--every", "9999 years"), "is too long"),
    ],
)
def test_an_impossible_due_date_is_refused(
    run: Run, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    record = written(tmp_path / "record.db", [0.05])
    status, _, err = run("pot", "care", "lantern", "seal", *words, "--record", record)
    assert status == 2 and said in err
    with Store.open_read_only(record) as store:
        assert store.cares("lantern") == []


def test_only_the_newest_care_of_a_part_is_due() -> None:
    def given(t_s: float, part: Part, due_utc_s: float | None) -> Care:
        return Care(t_s, t_s, part, "", "", due_utc_s)

    cares = [given(1.0, Part.SEAL, 10.0), given(2.0, Part.SEAL, 500.0), given(1.0, Part.VALVE, 90.0)]
    assert [care.part for care in due(cares, 0.0, 100.0)] == [Part.VALVE]
    assert [care.part for care in due(cares, 400.0, 100.0)] == [Part.VALVE, Part.SEAL]
    assert due([*cares, given(3.0, Part.VALVE, None)], 0.0, 100.0) == []


def test_the_cause_of_a_recorded_leak_is_found(run: Run, settings: Path, tmp_path: Path) -> None:
    record, log = tmp_path / "leak.db", logged(tmp_path / "leak.csv", 2.0, 3.0)
    assert run("replay", log, "--config", settings, "--record", record)[0] == 0
    status, out, _ = run("pot", "cause", "--record", record)
    assert status == 0 and "Batch 1 of lantern." in out
    assert "there from the fill on" in out and "Vent first" in out and "  1. " in out
    status, out, _ = run("pot", "cause", "lantern", "--batch", "1", "--record", record)
    assert status == 0 and "Batch 1 of lantern." in out
    status, _, err = run("pot", "cause", "beacon", "--record", record)
    assert status == 2 and "lantern" in err


def test_without_a_leak_no_cause_is_sought(run: Run, settings: Path, tmp_path: Path) -> None:
    record = tmp_path / "tight.db"
    run("replay", logged(tmp_path / "tight.csv", 0.0, 1.0), "--config", settings, "--record", record)
    status, out, _ = run("pot", "cause", "lantern", "--record", record)
    assert status == 0
    assert out.endswith("No batch of lantern leaked beyond doubt: there is nothing to look for.\n")


def test_a_volume_is_given_as_a_line_for_the_settings(run: Run, settings: Path) -> None:
    words = ("volume", "--config", settings)
    status, out, _ = run(*words, "--vessel", "2 L", "--pressures", "60 psi", "0 psi", "5.45 psi")
    assert status == 0 and "internal_volume: 20.0 L" in out and "It agrees" in out
    status, out, _ = run(*words, "--vessel", "2 L", "--pressures", "60 psi", "0 psi", "0.3 psi")
    assert status == 1 and "too small" in out
    # 20 L at 60 psi gauge lose 1 psi/h: 6894.757 Pa x 0.020 m3 / 3600 s at 20 C, as cm3/min at 0 C
    flow = 6894.757 * 0.020 / 3600.0 / 101_325.0 * 273.15 / 293.15 * 60e6
    falls = ("--fall", "1.10 psi/h", "--own-leak", "0.08 to 0.12 psi/h")
    status, out, _ = run(*words, "--flow", f"{flow:.4f} cm3/min", *falls)
    assert status == 0 and "internal_volume: 20." in out
    for wrong in (
        (),
        ("--flow", "2 L"),
        ("--flow", "2 mL/min", "--fall", "1", *falls[2:]),
    ):
        status, _, err = run(*words, *wrong)
        assert status == 2 and err.count("\n") == 1


def test_a_rehearsed_vessel_measures_the_volume_step_by_step(run: Run) -> None:
    status, out, err = run("volume", "--rehearse")
    assert (status, err) == (0, "")
    steps = (
        "open the vent fully",
        "Connect the vessel",
        "Bring the pot slowly",
        "Open the valve between",
        "Done.",
    )
    assert sorted(steps, key=out.index) == list(steps)
    assert "made and rated for" in out and "confirm zero on the pot's own gauge before you" in out
    found = re.search(r"held ([0-9.]+) L \(([0-9.]+) to ([0-9.]+)\)", out)
    assert found is not None
    value, low, high = map(float, found.groups())
    assert low < 18.5 < high and high - low < 0.1 * value  # the simulated pot holds 18.5 L


def vessel_run(settings: Path, *gauges_psi: float) -> Callable[[], Measured]:
    """Give a run in which the pot is at each pressure from one Enter to the next."""
    asked: list[str] = []

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return ""

    def samples() -> Iterator[Sample]:
        for tick in range(20_000):
            gauge_pa = PSI * gauges_psi[len(asked) - 1]
            yield Sample(t_s=float(tick), gauge_pa=gauge_pa, gas_c=20.0, ambient_pa=ATMOSPHERE_PA)

    (pot,) = load(settings).core_pots().values()
    return lambda: take_volume(pot, Measured(0.002), samples(), ask, 0.02 * PSI, Measured(293.15, 0.1))


def test_a_shut_vessel_or_a_pressurised_pot_is_reported(settings: Path) -> None:
    # ideal gas at one temperature: 60 psi over 20 L and 2 L come to 60 x 20 / 22 psi
    found = vessel_run(settings, 0.0, 60.0, 60.0 * 20.0 / 22.0)()
    assert found.value == pytest.approx(0.020, rel=5e-3)
    with pytest.raises(UseError, match="was the vessel's valve open"):
        vessel_run(settings, 0.0, 60.0, 60.0)()
    with pytest.raises(UseError, match="open the vent fully"):
        vessel_run(settings, 5.0, 60.0, 54.5)()
    with pytest.raises(UseError, match="above the marked maximum"):
        vessel_run(settings, 0.0, 85.0, 54.5)()


def test_care_dated_now_is_not_in_the_future(run: Run, tmp_path: Path) -> None:
    record = written(tmp_path / "record.db", [0.05])
    run("pot", "care", "lantern", "seal", "--every", "6 months", "--record", record)
    with Store.open_read_only(record) as store:
        (care,) = store.cares("lantern")
    assert care.due_utc_s is not None
    assert 180 * DAY_S < care.due_utc_s - time.time() < 185 * DAY_S


def test_due_care_is_noted_when_a_batch_opens(tmp_path: Path) -> None:
    bench = Bench(NIGHTS["vented-early"], tmp_path)
    begun_s = bench.night.start_utc_s
    with Store.open(bench.record) as store:
        for part, due_utc_s in ((Part.RELIEF_VALVE, begun_s - DAY_S), (Part.SEAL, begun_s + 90 * DAY_S)):
            store.add_care("lantern", begun_s - 400 * DAY_S, part, "", "anna", begun_s, due_utc_s)
    bench.begin()
    bench.run_until(300.0)
    notes = [each for each in bench.events if isinstance(each, NoteEvent)]
    assert [each.note for each in notes] == [NoteId.CARE_DUE]
    assert notes[0].text.startswith("Overdue since ") and "the relief valve (last on " in notes[0].text
    bench.store.flush()
    assert [each for each in bench.store.events(1) if isinstance(each, NoteEvent)] == notes
