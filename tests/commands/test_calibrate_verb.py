"""`potvigil calibrate`: the dialogue with the simulated pot, what it refuses, and what it keeps."""

import getpass
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from potvigil.cli import main
from potvigil.commands.at_the_pot import calibrate as verb
from potvigil.commands.dialogues.gauge import Bench, take_points, take_zero, targets_pa
from potvigil.commands.rehearsal.rehearsed_pot import rehearsed_bench
from potvigil.diagnosis.calibration import CalibrationError
from potvigil.model.pot import Pot
from potvigil.outputs.live import LiveFile
from potvigil.record.store import Store
from potvigil.settings.loading import load, load_text
from potvigil.settings.schema import Settings
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import Electronics
from potvigil.units import PA_PER_PSI
from rehearsal import Bench as NightBench

# The rehearsed transducer: it ends at 97 psi where the settings say 100, and reads 0.34 psi too high, so it
# reads (p + 0.34) * 100 / 97.
TRUE_SLOPE, TRUE_ZERO_PSI = 0.97, 0.34 / 0.97
WHOLE = ["", "100 psi", "", "", "", "", "", "", ""]  # Enter accepts the simulated gauge


@pytest.fixture
def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[int, str, str]]:
    """Run the verb with these answers; return exit status and output."""

    def call(answers: Sequence[str], *words: object) -> tuple[int, str, str]:
        waiting = list(answers)

        def answer(prompt: str) -> str:
            print(prompt)
            if not waiting:
                raise EOFError
            return waiting.pop(0)

        monkeypatch.setattr("builtins.input", answer)
        try:
            status = main(["calibrate", *(str(word) for word in words)])
        except SystemExit as ended:
            status = int(ended.code or 0)
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return status, said.out, said.err

    return call


def found_in(text: str) -> tuple[float, float]:
    zero, slope = re.search(r"zero: (-?[0-9.]+) psi", text), re.search(r"slope: ([0-9.]+)", text)
    assert zero is not None and slope is not None
    return float(zero[1]), float(slope[1])


def test_the_whole_dialogue_finds_what_is_wrong_with_the_transducer(run) -> None:
    status, out, _ = run(WHOLE, "--rehearse")
    assert status == 0
    zero_psi, slope = found_in(out)
    assert zero_psi == pytest.approx(TRUE_ZERO_PSI, abs=0.02)
    assert slope == pytest.approx(TRUE_SLOPE, abs=0.001)
    assert "nothing is saved" in out and "confirm zero on the pot's own gauge before you loosen" in out


def test_the_lines_it_prints_are_settings(run) -> None:
    _, out, _ = run(WHOLE, "--rehearse")
    lines = re.search(r"    zero: (.*)\n    slope: (.*)\n", out)
    assert lines is not None
    smallest = (Path(__file__).parents[2] / "config/smallest.yaml").read_text(encoding="utf-8")
    text = f"{smallest}    transducer: {{zero: {lines[1]}, slope: {lines[2]}}}\n"
    transducer = load_text(text, "workshop.yaml").pots["lantern"].transducer
    assert transducer.zero.si == pytest.approx(TRUE_ZERO_PSI * PA_PER_PSI, abs=200.0)


def test_the_zero_alone_leaves_the_slope(run) -> None:
    status, out, _ = run([""], "--rehearse", "--zero")
    assert status == 0
    zero_psi, slope = found_in(out)
    assert slope == 1.0
    assert zero_psi == pytest.approx(TRUE_ZERO_PSI, abs=0.02)


def test_the_points_alone_also_find_the_zero(run) -> None:
    status, out, _ = run(
        ["", "", "", "", "", ""], "--rehearse", "--points", "--gauge", "7 bar", "--gauge-class", "1.6"
    )
    assert status == 0
    zero_psi, slope = found_in(out)
    assert (zero_psi, slope) == pytest.approx((TRUE_ZERO_PSI, TRUE_SLOPE), abs=0.05)
    assert "the simulated gauge shows 1.29 bar" in out


def test_it_never_asks_to_go_above_the_working_pressure() -> None:
    pot = NIGHTS["sound"]
    core: Pot = load_text(pot.settings_yaml, "night").core_pots()["lantern"]
    for working in (3.0, 10.0, 59.9, 60.0, 61.7):
        for unit in ("psi", "bar", "kPa"):
            asked = targets_pa(replace(core, working_pa=working * PA_PER_PSI, pressure_unit=unit))
            assert len(asked) == 3 and asked == sorted(asked)
            if working > 5.0:
                assert asked[-1] <= working * PA_PER_PSI * (1.0 + 1e-9)
                assert asked[0] > 0.0


def test_a_reading_above_the_working_pressure_is_repeated(run) -> None:
    answers = ["", "100 psi", "", "", "72", "18.7", "", "38.0", "", "57.4"]
    status, out, _ = run(answers, "--rehearse")
    assert status == 0
    assert "above the working pressure. Let air out to 20.0 psi" in out


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (["", "100 psi", "", "", "90"], "above the marked maximum 80.0 psi: shut the supply"),
        (["", "100 psi", "1.6", "", "18.7", "", "34", "", "57.4"], "point 2, 34.0 psi on the gauge, is"),
        (["", "100 psi", "", "", "15", "", "30", "", "45"], "too far from 1"),
        (["", "100 psi", "", "", "2", "", "3", "", "4"], "quarter of the working pressure"),
    ],
)
def test_a_bad_set_of_points_is_no_calibration(run, answers: list[str], said: str) -> None:
    status, out, err = run(answers, "--rehearse")
    assert status == 1
    assert err.startswith("Not calibrated: ") and err.count("\n") == 1 and said in err
    assert "zero:" not in out


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ([""], "cancelled; nothing was saved or changed"),
        (["", "100"], "the gauge's scale: '100' has no unit"),
        (["", "30 psi"], "cannot show the working pressure"),
        (["", "100 psi", "good"], "the gauge's class"),
    ],
)
def test_an_impossible_answer_is_refused_in_one_line(run, answers: list[str], said: str) -> None:
    status, _, err = run(answers, "--rehearse")
    assert status == 2
    assert err.startswith("potvigil: ") and err.count("\n") == 1 and said in err


def test_text_in_place_of_a_number_is_asked_again(run) -> None:
    status, out, _ = run(["", "100 psi", "", "", "about twenty", "-3", "18.7", "", "", "", ""], "--rehearse")
    assert status == 0
    assert "'about twenty' is not a pressure" in out and "The gauge goes from 0 to 100 psi" in out


def test_a_pot_under_pressure_has_no_zero() -> None:
    with rehearsed_bench(lambda prompt: "") as (_, bench):
        bench.bring(20.0 * PA_PER_PSI)
        with pytest.raises(CalibrationError, match="that is not an open pot"):
            take_zero(bench)


def test_a_noisy_reading_has_no_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    noisy = Electronics(noise_pa=5.0 * PA_PER_PSI)
    monkeypatch.setattr("potvigil.commands.rehearsal.rehearsed_pot._WRONG", noisy)
    with rehearsed_bench(lambda prompt: "") as (_, bench), pytest.raises(CalibrationError, match="too noisy"):
        take_zero(bench)


def test_a_falling_pot_is_not_waited_for_forever() -> None:
    with rehearsed_bench(lambda prompt: "100 psi" if "scale" in prompt else "") as (_, bench):
        falling = replace(bench, bring=lambda gauge_pa: None, station=Falling(bench))  # type: ignore[arg-type]
        with pytest.raises(CalibrationError, match="still moves"):
            take_points(falling, None, None, "2.5")


class Falling:
    """A station whose transducer falls by 0.5 psi a reading and starts over from time to time."""

    def __init__(self, bench: Bench) -> None:
        self._bench, self._count = bench, 0

    def read(self, t_s, now):
        self._count += 1
        counts = 12_000.0 - 100.0 * (self._count % 40)
        read = self._bench.station.read(t_s, now)
        return [(pot_id, replace(sample, transducer_count=counts)) for pot_id, sample in read]


# -- what is kept ----------------------------------------------------------------------------------


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Settings of a real pot whose wires, for the test, lead to the simulated one."""

    @contextmanager
    def wired(settings: Settings, pot_id: str) -> Iterator[Bench]:
        with rehearsed_bench(verb.answer) as (_, bench):
            yield bench

    monkeypatch.setattr(verb, "_wired_bench", wired)
    path = tmp_path / "workshop.yaml"
    text = f"{NIGHTS['sound'].settings_yaml}record: {{file: record.db}}\npage: {{live: live.json}}\n"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_calibration_is_kept_with_date_and_author_and_is_in_the_history(run, config: Path) -> None:
    bench = NightBench(NIGHTS["vented-early"], config.parent / "night")
    bench.begin()
    bench.run_until()
    bench.service.stop()
    bench.record.rename(config.parent / "record.db")
    status, out, _ = run(WHOLE, "--config", config)
    assert status == 0 and "Kept in the record" in out
    with Store.open_read_only(config.parent / "record.db") as store:
        (care,) = store.cares("lantern")
    assert (care.part, care.by) == ("transducer", getpass.getuser())
    assert re.match(
        r"zero 0\.3\d psi, slope 0\.9[67]\d*; 3 points to .* and the open pot; gauge 100 psi", care.text
    )
    assert len(care.text) <= 200
    status, out, _ = run([], "--config", config, "--history")
    assert status == 0
    assert f"calibrated by {getpass.getuser()}: zero 0.3" in out
    after = re.search(r"after batch 1, 20[0-9-]+: zero (0\.\d+) psi", out)
    assert after is not None
    # the night's own transducer reads 0.1 psi too high at 20 C, and 0.015 psi more per degree above
    assert float(after[1]) == pytest.approx(0.1, abs=0.05)


def test_without_a_record_it_says_how_to_note_it_later(run, config: Path) -> None:
    status, out, _ = run(WHOLE, "--config", config)
    assert status == 0
    assert "Not kept in the record" in out and 'potvigil pot care lantern transducer "zero 0.3' in out


def test_the_written_fragment_loads_as_settings(run, config: Path) -> None:
    fragment = config.parent / "calibrated.yaml"
    run(WHOLE, "--config", config, "--write", fragment)
    lines = fragment.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# 20") and "largest residual" in lines[0]
    assert lines[1:4] == ["pots:", "  lantern:", "    transducer:"]
    smallest = (Path(__file__).parents[2] / "config/smallest.yaml").read_text(encoding="utf-8")
    text = smallest + "\n".join(lines[3:]) + "\n"
    assert load_text(text, "workshop.yaml").pots["lantern"].transducer.slope == pytest.approx(0.97, abs=0.001)
    status, _, err = run(WHOLE, "--config", config, "--write", fragment)
    assert status == 2 and "already exists" in err


def test_calibrate_refuses_beside_a_running_watch(run, config: Path) -> None:
    live = LiveFile(config.parent / "live.json", "harbour-models", None, 1.0)
    live.write({}, {})
    status, _, err = run(WHOLE, "--config", config)
    assert status == 2 and "systemctl stop potvigil" in err
    assert load(config).page.live == live.path


def test_a_history_without_a_vent_says_so(run, config: Path) -> None:
    Store.open(config.parent / "record.db").close()
    status, out, _ = run([], "--config", config, "--history")
    assert status == 0 and "not yet been open long enough" in out


def test_calibrate_without_settings_asks_for_them(run) -> None:
    status, _, err = run([])
    assert status == 2 and "--config FILE, or --rehearse" in err
