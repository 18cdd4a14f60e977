"""`potvigil status`: the state of each pot, and whether a watch runs, for a person and for a script."""

import json
import os
import time
from pathlib import Path

import pytest

from paged import Watched
from potvigil import paths
from potvigil.cli import main
from potvigil.model.broker import BrokerState
from potvigil.record.lock import WatchLock
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench

LEAKING, SOUND = NIGHTS["two-in-the-morning"], NIGHTS["sound"]
JETTY = (
    "  jetty: {internal_volume: 20 L, maximum_pressure: 80 psi, working_pressure: 60 psi,"
    " floor_pressure: 45 psi, thermometer: {place: none}, supply: shut, cure: {hold: 10 h},"
    " transducer: {channel: 3}}\n"
)
PSI_PA = 6894.757293168  # NIST SP 811, appendix B.8, from memory


@pytest.fixture(autouse=True)
def empty_machine(tmp_path, monkeypatch) -> Path:
    """A machine without service, settings, record or watch."""
    monkeypatch.setattr(paths, "SERVICE_SETTINGS", tmp_path / "etc/workshop.yaml")
    monkeypatch.setattr(paths, "STUDIO_SETTINGS", tmp_path / "etc/studio.yaml")
    monkeypatch.setattr(paths, "SERVICE_STATE", tmp_path / "var")
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    return tmp_path


def watched_night(night, folder: Path, until_s: float) -> tuple[Watched, Path]:
    """A night that is being watched up to a moment, and its settings."""
    folder.mkdir()
    bench = Bench(night, folder)
    bench.begin()
    bench.run_until(until_s)
    config = folder / "workshop.yaml"
    config.write_text(night.settings_yaml, encoding="utf-8")
    return Watched(bench, folder / "live.json", bench.record), config


def test_a_user_outside_the_group_is_told_so_and_not_that_no_watch_runs(
    tmp_path, monkeypatch, capsys
) -> None:
    """As right after the service was installed: the group counts from the next login only."""
    (tmp_path / "var").mkdir()
    real = os.access
    # root may enter everywhere
    monkeypatch.setattr("os.access", lambda path, how: path != tmp_path / "var" and real(path, how))
    assert main(["status"]) == 1
    said = capsys.readouterr().out
    assert "usermod -aG potvigil" in said and "nobody" not in said.splitlines()[0]


@pytest.fixture(scope="module")
def leaking(tmp_path_factory):
    watched = watched_night(LEAKING, tmp_path_factory.mktemp("leaking") / "night", 6.5 * 3600.0)
    yield watched
    watched[0].bench.service.stop()


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    watched = watched_night(SOUND, tmp_path_factory.mktemp("sound") / "night", 3600.0)
    yield watched
    watched[0].bench.service.stop()


@pytest.fixture
def status(capsys):
    def call(*words: object) -> tuple[int, str]:
        ended = main(["status", *map(str, words)])
        said = capsys.readouterr()
        assert said.err == ""
        return ended, said.out

    return call


def test_a_sound_pot_is_one_line_and_exit_status_zero(sound, status) -> None:
    watched, config = sound
    watched.speak()
    ended, said = status("--config", config, "--live", watched.live)
    assert ended == 0
    lines = said.splitlines()
    assert lines[0].split() == ["pot", "state", "pressure", "floor", "leak", "cure"]
    gauge_psi = watched.bench.service.watches["lantern"].snapshot().reading.gauge_pa / PSI_PA
    assert lines[1].startswith("lantern  holding") and f"{gauge_psi:.1f} psi" in lines[1]
    assert "45.0 psi" in lines[1] and " %, done by " in lines[1]
    assert "rehearsal, simulated" in lines[2]


def test_only_a_broker_in_trouble_is_mentioned(sound, status) -> None:
    watched, config = sound
    for trouble in ("MQTT broker: two of us", None):
        watched.speak(broker=BrokerState(True, trouble))
        _, said = status("--config", config, "--live", watched.live)
        assert ("MQTT broker: two of us" in said.splitlines()) is (trouble is not None)


def test_an_active_alarm_is_shown_with_what_to_do_and_sets_status_one(leaking, status) -> None:
    watched, config = leaking
    watched.speak()
    ended, said = status("--config", config, "--live", watched.live)
    assert ended == 1
    assert "(not acknowledged): " in said.splitlines()[1]


def test_json_has_the_same_in_the_published_units(leaking, status) -> None:
    watched, config = leaking
    watched.speak()
    ended, said = status("--config", config, "--live", watched.live, "--json")
    line = json.loads(said)
    snapshot = watched.bench.service.watches["lantern"].snapshot()
    assert ended == 1 and line["watched"] is True and line["kind"] == "status"
    assert line["gauge_pressure_kpa"] == pytest.approx(snapshot.reading.gauge_pa / 1000.0, abs=0.001)
    assert line["floor_kpa"] == pytest.approx(45.0 * PSI_PA / 1000.0, abs=0.001)
    assert line["leak"]["established"] is True
    assert line["leak"]["rate_kpa_per_h"] == pytest.approx(snapshot.leak.rate_pa_per_s.value * 3.6, abs=0.001)
    assert [each["alarm"] for each in line["alarms"]] == [each.alarm for each in snapshot.alarms]
    assert line["cure"]["done"]["in_s"] == pytest.approx(snapshot.cure.done_s - snapshot.t_s, abs=0.1)


def test_the_last_values_of_a_silent_watch_are_not_shown_as_current(leaking, status) -> None:
    watched, config = leaking
    watched.speak(age_s=60.0)
    ended, said = status("--config", config, "--live", watched.live)
    assert ended == 1
    assert "not monitored" in said and "not being monitored" in said
    assert " psi/h" not in said and " %" not in said
    line = json.loads(status("--config", config, "--live", watched.live, "--json")[1])
    assert line["watched"] is False and line["gauge_pressure_kpa"] is None and line["alarms"] == []
    assert line["heard"] is not None


def test_a_pot_unknown_to_the_running_watch_is_not_watched(sound, status, tmp_path) -> None:
    watched, config = sound
    watched.speak()
    both = tmp_path / "both.yaml"
    both.write_text(
        config.read_text(encoding="utf-8").replace("pots:\n", f"pots:\n{JETTY}"), encoding="utf-8"
    )
    ended, said = status("--config", both, "--live", watched.live)
    assert ended == 1
    assert "jetty    not monitored" in said and "lantern  holding" in said


def test_a_pot_without_a_reading_is_not_well_before_its_alarm_is_raised(sound, status) -> None:
    watched, config = sound
    watched.speak()
    live = json.loads(watched.live.read_text(encoding="utf-8"))
    live["pots"]["lantern"]["snapshot"]["reading"]["gauge_pa"] = None
    watched.live.write_text(json.dumps(live), encoding="utf-8")
    ended, said = status("--config", config, "--live", watched.live)
    assert ended == 1 and "no reading" in said


def test_an_unconfigured_machine_says_what_to_do(status) -> None:
    ended, said = status()
    assert ended == 1
    assert "not being monitored" in said and "potvigil setup" in said


def test_a_silent_watch_that_holds_the_record_is_reported_hung(sound, status, tmp_path) -> None:
    config = tmp_path / "workshop.yaml"
    record = tmp_path / "held.db"
    config.write_text(f"{sound[1].read_text(encoding='utf-8')}record: {{file: {record}}}\n", encoding="utf-8")
    lock = WatchLock.take(record, "a test")
    try:
        ended, said = status("--config", config)
    finally:
        lock.release()
    assert ended == 1 and "has hung" in said and "systemctl start" not in said


@pytest.mark.parametrize("place", ["service", "own"])
def test_settings_of_the_service_and_of_this_user_are_found(
    place, sound, status, tmp_path, monkeypatch
) -> None:
    found = paths.SERVICE_SETTINGS if place == "service" else tmp_path / "home/.config/potvigil/workshop.yaml"
    found.parent.mkdir(parents=True)
    found.write_text(sound[1].read_text(encoding="utf-8"), encoding="utf-8")
    assert f"settings {found}" in status()[1]


def test_settings_and_record_of_the_service_come_first(sound, status, tmp_path) -> None:
    for path in (paths.SERVICE_SETTINGS, tmp_path / "home/.config/potvigil/workshop.yaml"):
        path.parent.mkdir(parents=True)
        path.write_text(sound[1].read_text(encoding="utf-8"), encoding="utf-8")
    paths.SERVICE_STATE.mkdir()
    said = status()[1]
    assert f"settings {paths.SERVICE_SETTINGS}; record {paths.SERVICE_STATE / 'potvigil.db'}" in said


def test_looking_for_a_rehearsal_in_the_record_says_where_it_is(capsys, tmp_path) -> None:
    folder = tmp_path / "home/.local/state/potvigil/rehearsals"
    folder.mkdir(parents=True)
    for name in ("older", "newest"):
        (folder / f"{name}.db").touch()
        time.sleep(0.02)
    for words in (["batch", "list"], ["batch", "report", "1"], ["alarm", "list"]):
        assert main(words) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1 and f"--record {folder / 'newest.db'}" in said


@pytest.mark.parametrize(
    "words",
    [
        ["watch"],
        ["check"],
        ["plan"],
        ["notify"],
        ["calibrate"],
        ["tightness"],
        ["volume"],
        ["replay", "night.csv"],
    ],
)
def test_a_verb_without_settings_says_where_it_looked_and_how_to_make_them(words, capsys) -> None:
    assert main(words) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert str(paths.SERVICE_SETTINGS) in said and "potvigil setup" in said and "--config FILE" in said
