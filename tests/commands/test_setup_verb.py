"""`potvigil setup` over a pipe: a whole dialogue, a second one over its settings, and every ending."""

import io
from pathlib import Path

import pytest

from potvigil import paths
from potvigil.checking import libraries, reach
from potvigil.cli import main
from potvigil.page.passwords import verify
from potvigil.settings.loading import load

PASSWORD = "lens-and-lamp"
ADDRESS = "ntfys://ntfy.example/lens-night"
FIRST = """\
harbour-models
psi
C
lantern
20 L
3 L
80 psi
60 psi

shut
epoxy-casting
wall
room
y

n
40 m
n
"""
# of a second time: Enter leaves everything as it is
AGAIN = "\n" * 40


@pytest.fixture(autouse=True)
def machine(tmp_path, monkeypatch) -> None:
    """A separate machine, on a network where nothing is reachable."""
    monkeypatch.setattr(paths, "SERVICE_SETTINGS", tmp_path / "etc/workshop.yaml")
    monkeypatch.setattr(paths, "SERVICE_STATE", tmp_path / "var")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    monkeypatch.setattr(libraries, "find_spec", lambda name: name)
    monkeypatch.setattr(reach.socket, "create_connection", unreachable)


def unreachable(*_: object, **__: object) -> None:
    raise OSError(113, "No route to host")


@pytest.fixture
def setup(monkeypatch, capsys):
    def call(answers: str, *words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(answers))
        status = main(["setup", *map(str, words)])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return status, said.out, said.err

    return call


def test_the_shortest_dialogue_writes_the_smallest_settings_and_checks_each_wire(setup, tmp_path) -> None:
    out = tmp_path / "workshop.yaml"
    status, said, err = setup(f"{FIRST}n\nn\nn\ny\n", "--simulated", "--out", out)
    assert (status, err) == (0, "")
    settings = load(out)
    pot = settings.pots["lantern"]
    assert settings.workshop == "harbour-models" and list(settings.pots) == ["lantern"]
    assert (str(pot.internal_volume), str(pot.contents_volume)) == ("20 L", "3 L")
    assert [str(each) for each in (pot.maximum_pressure, pot.working_pressure, pot.floor_pressure)] == [
        "80 psi",
        "60 psi",
        "45 psi",
    ]
    assert pot.cure.resin == "epoxy-casting" and len(pot.thermometer) == 2
    assert (pot.transducer.channel, pot.transducer.supply_channel, pot.transducer.divider) == (0, 1, 0.6)
    assert settings.barometer.device == "bmp280" and str(settings.barometer.altitude) == "40 m"
    assert settings.mqtt is settings.notify is settings.signals is None
    assert "page" not in settings.model_fields_set
    # each wire was read once, on the simulated buses
    assert said.count(" yes  ") == 5 and "psi gauge" in said
    assert "service install" not in said  # it was only tried


def test_a_wrong_answer_gets_the_settings_error_and_is_asked_again(setup, tmp_path) -> None:
    wrong = FIRST.replace("20 L\n", "20\n200000 L\n20 L\n").replace("60 psi\n", "90 psi\n60 psi\n")
    status, said, _ = setup(f"{wrong}n\nn\nn\ny\n", "--simulated", "--out", tmp_path / "workshop.yaml")
    assert status == 0
    for part in ("20 has no unit", "200000 L", "90 psi is above maximum_pressure 80 psi"):
        assert part in said


def test_the_pressure_marked_on_the_pot_has_no_default(setup, tmp_path) -> None:
    empty = FIRST.replace("80 psi\n", "\n80 psi\n")
    _, said, _ = setup(f"{empty}n\nn\nn\ny\n", "--simulated", "--out", tmp_path / "workshop.yaml")
    assert "An answer is needed here." in said


def test_conflicting_wiring_is_asked_again_without_losing_answers(setup, tmp_path) -> None:
    out = tmp_path / "workshop.yaml"
    pot = "20 L\n\n80 psi\n60 psi\n\nshut\nepoxy-casting\nnone\nnone\n8 K\n"
    first = FIRST.partition("lantern\n")[0] + f"lantern\n{pot}y\n\n"
    second = f"y\njetty\n{pot}y\n\n"  # on the same converter, the next two inputs
    third = f"y\nbuoy\n{pot}y\n\n" + "n\nads1115\n0x49\n0\n0.5-4.5 V\n1\n0.6\n\n"
    _, said, _ = setup(f"{first}{second}{third}n\n40 m\nn\nn\nn\nn\ny\n", "--simulated", "--out", out)
    assert said.count("Is it wired like that?") == 4
    pots = load(out).pots
    wired = [(pot.transducer.address, pot.transducer.channel) for pot in pots.values()]
    assert wired == [(0x48, 0), (0x48, 2), (0x49, 0)] and list(pots) == ["lantern", "jetty", "buoy"]


def test_secrets_go_into_separate_files_and_never_into_the_settings(setup, tmp_path) -> None:
    out = tmp_path / "workshop.yaml"
    told = f"y\nAnna\n{ADDRESS}\ny\nBen\n{ADDRESS}-2\ny\nn\n"
    page = f"y\nshort\n{PASSWORD}\n"
    broker = f"y\nbroker.local\npotvigil\n{PASSWORD}\n"
    status, said, _ = setup(f"{FIRST}{told}{page}{broker}y\n", "--simulated", "--out", out)
    assert status == 1  # no broker and no server is reached from here
    files = {path.name: path for path in tmp_path.iterdir() if path.is_file()}
    assert set(files) == {"workshop.yaml", "notify-anna", "notify-ben", "page-password", "mqtt-password"}
    for name, path in files.items():
        assert path.stat().st_mode & 0o777 == (0o644 if name == "workshop.yaml" else 0o600), name
    text = out.read_text(encoding="utf-8")
    assert (
        ADDRESS not in text and PASSWORD not in text and PASSWORD not in said.replace(f"\n{PASSWORD}\n", "")
    )
    assert files["notify-anna"].read_text(encoding="utf-8").strip() == ADDRESS
    assert verify(PASSWORD, files["page-password"].read_text(encoding="ascii").strip())
    settings = load(out)
    assert settings.page.host == "0.0.0.0" and settings.mqtt.username == "potvigil"
    assert [str(each.after) for each in settings.notify.targets] == ["0 s", "15 min"]


def test_a_workshop_that_reads_fahrenheit_says_so_once(setup, tmp_path) -> None:
    out = tmp_path / "workshop.yaml"
    american = FIRST.replace("psi\nC\n", "psi\nF\n")
    _, said, _ = setup(f"{american}n\nn\nn\ny\n", "--simulated", "--out", out)
    assert load(out).units.temperature == "F" and "reads 6" in said and "°F (hold it in your hand" in said
    _, again, _ = setup(AGAIN, "--simulated", "--out", out)
    assert "°C" not in again and "Nothing changed." in again


def test_a_second_time_enter_changes_nothing(setup, tmp_path) -> None:
    out = tmp_path / "workshop.yaml"
    setup(f"{FIRST}n\nn\nn\ny\n", "--simulated", "--out", out)
    before = out.read_bytes()
    status, said, _ = setup(AGAIN, "--simulated", "--out", out)
    assert status == 0 and "Nothing changed." in said
    assert out.read_bytes() == before and sorted(tmp_path.glob("*.before")) == []


def test_changes_are_shown_first_and_written_only_on_consent(setup, tmp_path) -> None:
    out = tmp_path / "workshop.yaml"
    setup(f"{FIRST}n\nn\nn\ny\n", "--simulated", "--out", out)
    own = out.read_text(encoding="utf-8") + "resins:\n  amber-slow: {hold: 16 h}\n"
    out.write_text(own, encoding="utf-8")
    changed = "\n\n\n\n\n\n50 psi\n"
    _, said, _ = setup(f"{changed}{AGAIN}", "--simulated", "--out", out)
    assert "-    working_pressure: 60 psi" in said and "+    working_pressure: 50 psi" in said
    assert "Nothing was written." in said and out.read_text(encoding="utf-8") == own
    # on consent; the old file stays as a copy, and keys that were not asked for stay
    answers = f"{changed}{chr(10) * count_of_questions(said)}y\n"
    setup(answers, "--simulated", "--out", out)
    assert str(load(out).pots["lantern"].working_pressure) == "50 psi" and "amber-slow" in load(out).resins
    assert out.with_name("workshop.yaml.before").read_text(encoding="utf-8") == own


def count_of_questions(said: str) -> int:
    """How often Enter is to be pressed from the seventh question up to the one whether to write."""
    prompts = [line for line in said.splitlines() if "): " in line or "none: " in line]
    return len(prompts) - 8


@pytest.mark.parametrize("lines", range(0, 18, 3))
def test_a_dialogue_that_ends_early_writes_nothing(lines, setup, tmp_path) -> None:
    out = tmp_path / "folder/workshop.yaml"
    answers = "".join(FIRST.splitlines(keepends=True)[:lines])
    status, _, err = setup(answers, "--simulated", "--out", out)
    assert status == 2 and "nothing was written" in err and err.count("\n") == 1
    assert not out.parent.exists()


def test_without_a_bus_setup_still_asks_and_says_how_to_enable_it(setup, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    answers = FIRST.replace("wall\nroom\n", "8 K\n")
    status, said, _ = setup(f"{answers}n\nn\nn\ny\n")
    own = tmp_path / "home/.config/potvigil/workshop.yaml"
    assert status == 0 and load(own).pots["lantern"].thermometer == ()
    for bus in ("do_i2c", "do_onewire", "do_spi"):
        assert f"raspi-config nonint {bus} 0" in said
    assert f"service install --config {own}" in said


def test_only_root_changes_the_settings_of_the_service(setup, monkeypatch) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    paths.SERVICE_SETTINGS.parent.mkdir()
    paths.SERVICE_SETTINGS.touch()
    status, _, err = setup("")
    assert status == 2 and "sudo potvigil setup" in err


def test_settings_that_are_not_text_are_left_alone(setup, tmp_path) -> None:
    out = tmp_path / "workshop.yaml"
    out.write_bytes(b"\xff\xfe")
    status, _, err = setup(FIRST, "--simulated", "--out", out)
    assert status == 2 and str(out) in err and out.read_bytes() == b"\xff\xfe"


def test_an_abandoned_trial_leaves_no_folder(setup, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    setup("", "--simulated")
    assert [path.name for path in Path(tmp_path).iterdir() if path.name.startswith("potvigil-setup-")] == []
