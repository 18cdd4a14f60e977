"""`potvigil service` with the settings of a studio's page: alone on a machine, and beside a watch."""

from pathlib import Path

import pytest

from potvigil import paths
from potvigil.cli import main
from potvigil.installing import layout
from potvigil.page.passwords import hashed

SMALLEST = (Path(__file__).parents[2] / "config/smallest.yaml").read_text(encoding="utf-8")
STUDIO = (
    "studio: {host: 127.0.0.1, username: front-desk, password_file: front-desk-password}\n"
    "page: {port: 8643, password_file: page-password}\n"
)
UNIT, TIMER = "potvigil-studio.service", "potvigil-certificate.timer"


@pytest.fixture
def root(tmp_path, monkeypatch) -> Path:
    """A folder that stands for the machine."""
    monkeypatch.delenv("SUDO_USER", raising=False)
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    folder = tmp_path / "root"
    folder.mkdir()
    return folder


@pytest.fixture
def service(root, capsys):
    def call(*words: object) -> tuple[int, str, str]:
        status = main(["service", *map(str, words), "--root", str(root)])
        said = capsys.readouterr()
        return status, said.out, said.err

    return call


@pytest.fixture
def own(tmp_path) -> Path:
    """A folder with settings of both kinds, and what they name."""
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "studio.yaml").write_text(STUDIO, encoding="utf-8")
    (folder / "front-desk-password").write_text("lens\n", encoding="utf-8")
    (folder / "page-password").write_text(f"{hashed('lens-and-lamp')}\n", encoding="ascii")
    (folder / "workshop.yaml").write_text(f"{SMALLEST}page: {{port: 8642}}\n", encoding="utf-8")
    return folder


def at(root: Path, path: Path) -> Path:
    return root / path.relative_to("/")


def line_of(said: str, words: str) -> str:
    return next(line for line in said.splitlines() if line.startswith(f"left out with --root: {words}"))


def test_a_studio_alone_runs_its_page_and_no_watch(service, root, own):
    status, said, err = service("install", "--config", own / "studio.yaml")
    assert (status, err) == (0, "")
    assert line_of(said, "systemctl restart").endswith(f"restart {UNIT} {TIMER}")
    assert line_of(said, "systemctl enable").endswith(f"enable {UNIT} {TIMER}")
    assert "potvigil.service potvigil-page.service" in line_of(said, "systemctl disable --now")
    assert "alarm test" not in said and "the record" not in said
    assert at(root, paths.STUDIO_SETTINGS).read_text(encoding="utf-8") == STUDIO
    assert not at(root, paths.SERVICE_SETTINGS).exists()
    handed = at(root, layout.drop_in(layout.STUDIO)).read_text(encoding="utf-8")
    for name in ("front-desk-password", "page-password"):
        assert f"LoadCredential={name}:/etc/potvigil/{name}\n" in handed
        assert at(root, layout.SETTINGS_FOLDER / name).stat().st_mode & 0o777 == 0o600
    for other in (layout.PAGE, layout.SHIP):
        assert not at(root, layout.drop_in(other)).exists()


def test_no_user_joins_the_group_of_a_missing_record(service, own, monkeypatch):
    monkeypatch.setenv("SUDO_USER", "caster")
    assert "usermod" not in service("install", "--config", own / "studio.yaml")[1]
    assert "usermod -aG potvigil caster" in service("install", "--config", own / "workshop.yaml")[1]


def test_beside_a_watch_each_keeps_its_own_settings_units_and_secrets(service, root, own):
    assert service("install", "--config", own / "workshop.yaml")[0] == 0
    status, said, err = service("install", "--config", own / "studio.yaml")
    assert (status, err) == (0, "")
    both = f"{UNIT} {TIMER} potvigil.service potvigil-page.service potvigil-thin.timer"
    assert line_of(said, "systemctl restart").endswith(f"restart {both}")
    assert UNIT not in line_of(said, "systemctl disable")
    status, said, err = service("update")
    assert (status, err) == (0, "")
    assert sorted(line_of(said, "systemctl restart").split()[-5:]) == sorted(both.split())
    assert "alarm test" in said and str(at(root, paths.STUDIO_SETTINGS)) in said
    assert at(
        root, layout.drop_in(layout.STUDIO)
    ).exists()  # also where the other settings are installed anew
    service("install", "--config", own / "workshop.yaml")
    assert at(root, layout.drop_in(layout.STUDIO)).exists()


def test_conflicting_paths_of_watch_and_studio_are_refused_at_once(service, root, own):
    more = "studio: {host: 127.0.0.1, username: a, password_file: front-desk-password}\n"
    with (own / "workshop.yaml").open("a", encoding="utf-8") as file:
        file.write(more)
    assert service("install", "--config", own / "workshop.yaml")[0] == 0
    (own / "front-desk-password").write_text("another\n", encoding="utf-8")
    (own / "studio.yaml").write_text(STUDIO.replace("8643", "8642"), encoding="utf-8")
    status, said, err = service("install", "--config", own / "studio.yaml")
    assert status == 2 and said == ""
    assert "front-desk-password, named there, would overwrite that of" in err
    assert "page.port: 8642 is that of" in err
    assert not at(root, paths.STUDIO_SETTINGS).exists()
    assert at(root, layout.SETTINGS_FOLDER / "front-desk-password").read_text() == "lens\n"


def test_missing_needs_of_the_page_are_reported_before_anything_is_installed(service, root, own):
    for name in ("front-desk-password", "page-password"):
        (own / name).unlink()
    status, _, err = service("install", "--config", own / "studio.yaml")
    assert status == 2 and "front-desk-password is missing" in err
    assert "make it with `potvigil page password --out" in err
    assert list(root.rglob("*")) == []


def test_other_page_settings_are_not_replaced_without_consent_and_kept_as_a_copy(service, root, own):
    service("install", "--config", own / "studio.yaml")
    (own / "studio.yaml").write_text(STUDIO.replace("8643", "8700"), encoding="utf-8")
    assert service("install", "--config", own / "studio.yaml")[0] == 2
    assert service("install", "--config", own / "studio.yaml", "--replace")[0] == 0
    there = at(root, paths.STUDIO_SETTINGS)
    assert "8700" in there.read_text() and "8643" in there.with_name("studio.yaml.before").read_text()


def test_without_named_settings_those_of_the_page_are_found(service, root, own):
    service("install", "--config", own / "studio.yaml")
    status, said, _ = service("install")
    assert status == 0 and line_of(said, "systemctl restart").endswith(TIMER)


def test_remove_takes_the_page_too_and_leaves_its_settings(service, root, own):
    service("install", "--config", own / "studio.yaml")
    status, said, _ = service("remove")
    assert status == 0 and UNIT in line_of(said, "systemctl disable --now")
    assert not list(at(root, layout.UNITS).glob("potvigil*"))
    assert at(root, paths.STUDIO_SETTINGS).exists() and layout.STUDIO in said
