"""`check` on present wires, and `rehearse --config` on the pot of a settings file."""

import io
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from other_wires import TRANSDUCERS, behind
from potvigil.checking import libraries
from potvigil.cli import main
from potvigil.commands.machine import check as check_verb
from potvigil.commands.rehearsal.own_wiring import simulated_station
from potvigil.commands.rehearsal.progress import progress
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.sim.world import FaultKind, Night, SensorFault, World

Check = Callable[..., tuple[int, str]]


@pytest.fixture
def check(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Check:
    """Run `check --hardware` on the simulated wires of a night at one of its seconds."""

    def run(night: Night, at_s: float, *faults: SensorFault, columns: str = "250") -> tuple[int, str]:
        world = World(replace(night, faults=faults), tmp_path)
        world.advance(at_s)
        monkeypatch.setattr(
            check_verb,
            "open_inputs",
            lambda settings: simulated_station(settings, world),
        )
        # whether this machine has the libraries of its pins is another test's
        monkeypatch.setattr(libraries, "find_spec", lambda name: name)
        config = tmp_path / "workshop.yaml"
        config.write_text(night.settings_yaml, encoding="utf-8")
        monkeypatch.setenv("COLUMNS", columns)
        status = main(["check", "--config", str(config), "--hardware"])
        return status, capsys.readouterr().out

    return run


def test_on_a_terminal_everything_fits_eighty_columns(check: Check, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # rich takes it for a terminal
    _, out = check(behind("sound", TRANSDUCERS["ads1115"]), 60.0, columns="80")
    lines = re.sub(r"\x1b\[[0-9;]*m", "", out).splitlines()
    assert "\x1b[" in out and len(lines) > 20
    # but for a path, which is one word
    assert [line for line in lines if len(line) > 80 and " " in line.strip()] == []


@pytest.mark.parametrize("wiring", TRANSDUCERS)
def test_each_wiring_is_shown_in_volts_and_in_units(check: Check, wiring: str) -> None:
    status, out = check(behind("sound", TRANSDUCERS[wiring]), 60.0)
    assert status == 0
    assert " counts, " in out and " V" in out
    assert "psi gauge" in out
    assert out.count("yes") >= 4  # pressure, two thermometers, barometer
    assert "this wiring resolves" in out
    assert "the wiring alone would show a leak of 0.1 psi/h in about" in out


def test_other_thermometers_and_barometers_are_shown_too(check: Check) -> None:
    night = behind(
        "sound",
        TRANSDUCERS["mcp3208"],
        "[{place: gas, device: pt1000, spi_device: 1}, {place: wall, device: ntc, channel: 5, beta: 3950 K}, "
        "{place: contents, id: 28-0519b4d6e1cc}]",
        "{device: bmp390, address: 0x77}",
    )
    status, out = check(night, 60.0)
    assert status == 0
    assert "Pt1000, MAX31865, chip select 1" in out
    assert "by its beta alone, up to 0.8 °C off between 0 °C and 40 °C" in out
    assert re.search(r"thermometer 28-0519b4d6e1cc\s+yes\s+\d+\.\d\d °C", out)
    assert "gas, wall, contents" in out
    assert "barometer, BMP390, bus 1, address 0x77" in out


def test_a_silent_converter_says_what_to_check(check: Check) -> None:
    night = behind("sound", TRANSDUCERS["ads1015"])
    status, out = check(night, 60.0, SensorFault(FaultKind.CONVERTER_ABSENT, 0.0))
    assert status == 1
    assert "address 0x48" in out and "no answer" in out
    assert "check power, SDA and SCL" in out


def test_an_unplugged_transducer_is_explained_in_plain_words(check: Check) -> None:
    status, out = check(
        behind("sound", TRANSDUCERS["ads1115"]), 60.0, SensorFault(FaultKind.TRANSDUCER_UNPLUGGED, 0.0)
    )
    assert status == 1
    assert "0 V: the signal wire is off or touches ground" in out


def test_only_configured_addresses_are_accessed(check: Check, monkeypatch: pytest.MonkeyPatch) -> None:
    spoken: set[int] = set()
    from potvigil.sim.chips import SimBus

    answering = SimBus._answering

    def listening(self: SimBus, address: int) -> object:
        spoken.add(address)
        return answering(self, address)

    monkeypatch.setattr(SimBus, "_answering", listening)
    check(behind("sound", TRANSDUCERS["ads1115"]), 60.0)
    assert spoken == {0x48, 0x76}


# --- rehearse --config

SETTINGS = """\
workshop: harbour-models
timezone: UTC
pots:
  buoy:
    internal_volume: 8 L
    contents_volume: 1 L
    maximum_pressure: 60 psi
    working_pressure: 45 psi
    floor_pressure: 30 psi
    thermometer: {place: none}
    supply: shut
    cure: {hold: 6 h}
  lantern:
    internal_volume: 12 L
    maximum_pressure: 4 bar
    working_pressure: 3 bar
    floor_pressure: 2 bar
    thermometer:
      - {place: gas, device: pt100, spi_device: 1}
      - {place: room, id: 28-0316a2794aff}
      - {place: contents, id: 28-0417b3d6e1aa}
    supply: shut
    cure: {hold: 2 h, gel: 30 min}
    transducer: {signal: 4-20 mA, shunt: 100 ohm, span: 6 bar, channel: 1, zero: 0.02 bar, slope: 1.03}
barometer: {device: bme280}
units: {pressure: bar}
sample_period: 5 s
"""


def test_a_rehearsal_uses_the_pot_and_wiring_of_the_settings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config, record = tmp_path / "workshop.yaml", tmp_path / "kept.db"
    config.write_text(SETTINGS, encoding="utf-8")
    said = ["rehearse", "sound", "--config", str(config), "--pot", "lantern", "--record", str(record)]
    assert main(said) == 0
    out = capsys.readouterr().out
    assert out.startswith("Rehearsal, simulated:")
    assert "held" in out
    with Store.open_read_only(record) as store:
        row = store.batch(1)
        assert row.pot_id == "lantern"
        assert store.rehearsed(1) == "sound"
        summary = row.summary
        held = store.traces("lantern", row.start_t_s + 3600.0)
    assert held and all(None not in (each.gas_k, each.room_k, each.contents_k) for each in held)
    # filled to 3 bar as its own transducer shows it, vented after its own two hours
    assert summary.hold_start_gauge_pa == pytest.approx(3e5, rel=0.06)
    assert summary.end_s - summary.start_s == pytest.approx(2.1 * 3600.0, abs=900.0)


def test_all_pots_or_the_named_ones_are_rehearsed_together(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config, record = tmp_path / "workshop.yaml", tmp_path / "kept.db"
    config.write_text(SETTINGS, encoding="utf-8")

    def kept(*words: str) -> list[tuple[str, float]]:
        said = ["rehearse", "vented-early", "--config", str(config), "--record", str(record), *words]
        assert main(said) == 0
        with Store.open_read_only(record) as store:
            return sorted((row.pot_id, row.summary.hold_start_gauge_pa) for row in store.batches())

    pots = load_text(SETTINGS, "test").pots
    both = kept()
    said = capsys.readouterr().out
    assert [pot_id for pot_id, _ in both] == sorted(pots)
    for pot_id, gauge_pa in both:  # each filled to its own working pressure, on its own wires
        assert gauge_pa == pytest.approx(
            load_text(SETTINGS, "test").pots[pot_id].working_pressure.si, rel=0.1
        )
        assert re.search(rf"batch \d, {pot_id} ", said)
    record.unlink()
    named = [word for pot_id, _ in both for word in ("--pot", pot_id)]
    assert kept(*named) == both
    record.unlink()
    assert [pot_id for pot_id, _ in kept("--pot", "lantern")] == ["lantern"]


def test_an_unknown_pot_is_refused_listing_the_known_ones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "workshop.yaml"
    config.write_text(SETTINGS, encoding="utf-8")
    said = ["rehearse", "sound", "--config", str(config), "--pot", "lantern", "--pot", "jetty"]
    assert main(said) == 2
    assert capsys.readouterr().err == "potvigil: --pot jetty: no such pot; there are buoy, lantern\n"


def test_a_progress_bar_is_shown_only_on_a_terminal() -> None:
    for is_terminal in (True, False):
        out = io.StringIO()
        with progress(Console(file=out, force_terminal=is_terminal, width=80), 36_000.0) as at:
            for second in range(0, 36_001, 10):
                at(float(second))
        drawn = re.findall(r"(\d+)%", out.getvalue())
        assert (len(drawn) > 50 and drawn[-1] == "100") if is_terminal else out.getvalue() == ""
        assert len(drawn) < 200  # a drawing a second of the night would take longer than the night


def test_the_simulated_transducer_has_the_calibration_of_the_settings(tmp_path: Path) -> None:
    from potvigil.clock import Instant
    from potvigil.commands.rehearsal.own_wiring import on_own_wiring, one_pot
    from potvigil.sensing.conversion import convert
    from potvigil.sim.nights import NIGHTS

    settings = one_pot(load_text(SETTINGS, "test"), "lantern")
    world = World(on_own_wiring(NIGHTS["sound"], settings), tmp_path)
    station = simulated_station(settings, world)
    for t_s in (60.0, 1800.0):
        world.advance(t_s)
        ((_, sample),) = station.read(t_s, Instant(t_s, None))
        gauge_pa = convert(sample, settings.core_pots()["lantern"]).gauge_pa
        # the cheap transducer's own zero of 0.1 psi, its drift and noise stay
        assert gauge_pa == pytest.approx(world.pot.gauge_pa, abs=2500.0)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (["--pot", "kettle"], "no such pot; there are buoy, lantern"),
        (["--config", "absent.yaml"], "cannot be read"),
    ],
)
def test_what_cannot_be_rehearsed_is_reported(
    said: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "workshop.yaml"
    config.write_text(SETTINGS, encoding="utf-8")
    assert main(["rehearse", "--config", str(config), *said]) == 2
    assert words in capsys.readouterr().err
