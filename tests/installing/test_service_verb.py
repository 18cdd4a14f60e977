"""`potvigil service` into a folder: what is laid down, what is refused, what remove leaves."""

from pathlib import Path

import pytest

from only_root import needs_root
from potvigil import paths
from potvigil.cli import main
from potvigil.installing import layout
from potvigil.page.passwords import hashed
from sandbox import UNITS, analyze

CONFIG = Path(__file__).parents[2] / "config"
SMALLEST = (CONFIG / "smallest.yaml").read_text(encoding="utf-8")
BROKER = "mqtt: {{host: b, username: u, password_file: {}}}\n"

UNASKED = (
    "potvigil-page.service potvigil-notify.service potvigil-ship.service potvigil-backup.timer "
    "potvigil-studio.service"
)


@pytest.fixture
def root(tmp_path, monkeypatch) -> Path:
    """A folder that stands for the machine, called by nobody in particular."""
    monkeypatch.delenv("SUDO_USER", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    folder = tmp_path / "root"
    folder.mkdir()
    return folder


@pytest.fixture
def config(tmp_path) -> Path:
    path = tmp_path / "own/workshop.yaml"
    path.parent.mkdir()
    path.write_text(SMALLEST, encoding="utf-8")
    return path


@pytest.fixture
def service(root, capsys):
    def call(*words: object) -> tuple[int, str, str]:
        status = main(["service", *map(str, words), "--root", str(root)])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return status, said.out, said.err

    return call


def at(root: Path, path: Path) -> Path:
    return root / path.relative_to("/")


def everything(root: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in root.rglob("*") if path.is_file()}


@needs_root
def test_install_creates_units_users_folders_settings_and_the_command(service, root, config) -> None:
    status, said, err = service("install", "--config", config)
    assert (status, err) == (0, "")
    for unit in UNITS.iterdir():
        assert at(root, layout.UNITS / unit.name).read_bytes() == unit.read_bytes()
    assert at(root, paths.SERVICE_SETTINGS).read_text(encoding="utf-8") == SMALLEST
    assert at(root, layout.COMMAND).readlink() == layout.PROGRAM / "bin/potvigil"
    for name, path in layout.SHELL.items():
        assert at(root, path).read_bytes() == (CONFIG / "shell" / name).read_bytes()
    assert "potvigil:" in (root / "etc/passwd").read_text() and at(root, layout.STATE).is_dir()
    # nothing is started, and that is said
    assert "left out with --root: systemctl restart potvigil.service potvigil-thin.timer" in said
    assert f"disable --now {UNASKED}" in said


def test_backups_have_a_timer_if_configured(service, root, config) -> None:
    config.write_text(f"{SMALLEST}record: {{backups: {{daily: 3}}}}\n", encoding="utf-8")
    status, said, _ = service("install", "--config", config)
    assert status == 0 and "restart potvigil.service potvigil-thin.timer potvigil-backup.timer" in said
    assert not at(root, layout.BACKUP_FOLDER).exists()  # beside the record the unit may write anyway
    config.write_text(SMALLEST, encoding="utf-8")
    _, said, _ = service("install", "--config", config, "--replace")
    assert f"disable --now {UNASKED}" in said


def test_only_the_backup_unit_can_write_to_the_backup_stick(service, root, config, tmp_path) -> None:
    stick = tmp_path / 'media/lantern "100 %"'
    kept = f"{SMALLEST}record: {{backups: {{folder: '{stick}'}}}}\n"
    config.write_text(kept, encoding="utf-8")
    status, _, err = service("install", "--config", config)
    assert status == 2 and f"record.backups.folder: {stick} is missing" in err and everything(root) == {}
    stick.mkdir(parents=True)
    assert service("install", "--config", config)[0] == 0
    opened = at(root, layout.BACKUP_FOLDER).read_text(encoding="utf-8")
    quoted = str(stick).replace('"', '\\"').replace("%", "%%")
    assert f'RequiresMountsFor="{quoted}"' in opened and f'ReadWritePaths="-{quoted}"' in opened
    whole = UNITS / "potvigil-backup.service"
    with_drop_in = tmp_path / whole.name
    text = whole.read_text().replace("/opt/potvigil/bin/potvigil", "/bin/true")
    with_drop_in.write_text(f"{text}\n{opened}", encoding="utf-8")
    verdict = analyze("verify", with_drop_in)
    assert (verdict.returncode, verdict.stderr) == (0, "")
    config.write_text(SMALLEST, encoding="utf-8")
    assert service("install", "--config", config, "--replace")[0] == 0
    assert not at(root, layout.BACKUP_FOLDER).exists()


@needs_root
def test_files_named_by_the_settings_are_installed_with_tight_permissions(service, root, config) -> None:
    config.write_text(f"{SMALLEST}page: {{host: 0.0.0.0, password_file: page-password}}\n", encoding="utf-8")
    (config.parent / "page-password").write_text(f"{hashed('lens-and-lamp')}\n", encoding="ascii")
    status, said, _ = service("install", "--config", config)
    kept = at(root, layout.SETTINGS_FOLDER / "page-password")
    assert status == 0 and kept.stat().st_mode & 0o777 == 0o600
    assert "LoadCredential=page-password" in at(root, layout.drop_in(layout.PAGE)).read_text(encoding="utf-8")
    assert "restart potvigil.service potvigil-page.service" in said


def test_the_stock_settings_are_refused_with_everything_that_is_missing_at_once(service, root) -> None:
    status, said, err = service("install", "--config", CONFIG / "workshop.yaml")
    assert (status, said) == (2, "")
    for part in (
        "mqtt-password",
        "page-password",
        "page.key",
        "page.pem",
        "broker-ca.pem",
        "notify-anna",
        "heartbeat",
        "studio-password",
        "studio-ca.pem",
        "/media/stick/potvigil",
    ):
        assert sum(part in line.partition(": ")[2] for line in err.splitlines()) >= 1, part
    assert len(err.splitlines()) == 10
    assert everything(root) == {}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("mqtt: {host: b, username: u, password_file: secrets/mqtt}\n", "is in a folder"),
        ("record: {file: /srv/elsewhere.db}\n", "is not below /var/lib/potvigil"),
    ],
)
def test_paths_the_units_cannot_read_or_write_are_refused(more, said, service, config, root) -> None:
    config.write_text(SMALLEST + more, encoding="utf-8")
    status, _, err = service("install", "--config", config)
    assert status == 2 and said in err and everything(root) == {}


@needs_root
def test_a_secret_elsewhere_readable_only_by_root_is_refused(service, config, root, tmp_path) -> None:
    secret = tmp_path / "broker"
    secret.write_text("lens\n", encoding="utf-8")
    config.write_text(SMALLEST + BROKER.format(secret), encoding="utf-8")
    secret.chmod(0o600)
    assert "cannot be read by the service" in service("install", "--config", config)[2]
    secret.chmod(0o644)
    assert service("install", "--config", config)[0] == 0


@needs_root
def test_existing_settings_are_not_overwritten_without_consent(service, root, config) -> None:
    service("install", "--config", config)
    there = at(root, paths.SERVICE_SETTINGS)
    there.write_text(SMALLEST.replace("45 psi", "50 psi"), encoding="utf-8")
    before = everything(root)
    status, _, err = service("install", "--config", config)
    assert status == 2 and "--replace" in err and everything(root) == before
    assert service("update")[0] == 0 and "50 psi" in there.read_text(encoding="utf-8")
    assert service("install", "--config", config, "--replace")[0] == 0
    assert "45 psi" in there.read_text(encoding="utf-8")
    assert "50 psi" in there.with_name("workshop.yaml.before").read_text(encoding="utf-8")


@needs_root
def test_installing_again_changes_nothing(service, root, config) -> None:
    service("install", "--config", config)
    before = everything(root)
    assert service("install")[0] == 0
    assert everything(root) == before


def test_a_secret_no_longer_in_the_settings_is_no_longer_passed_on(service, root, config) -> None:
    config.write_text(SMALLEST + BROKER.format("mqtt-password"), encoding="utf-8")
    (config.parent / "mqtt-password").write_text("lens\n", encoding="utf-8")
    service("install", "--config", config)
    assert at(root, layout.drop_in(layout.WATCH)).exists()
    config.write_text(SMALLEST, encoding="utf-8")
    service("install", "--config", config, "--replace")
    assert not at(root, layout.drop_in(layout.WATCH)).exists()


def test_update_without_anything_installed_and_remove_twice_say_so(service) -> None:
    assert "nothing to update" in service("update")[2]
    assert service("remove")[:2] == (1, "nothing is installed\n")


@needs_root
def test_the_settings_of_the_user_who_called_sudo_are_found(service, root, tmp_path, monkeypatch) -> None:
    own = tmp_path / "home/.config/potvigil/workshop.yaml"
    own.parent.mkdir(parents=True)
    own.write_text(SMALLEST, encoding="utf-8")
    assert service("install")[0] == 0
    assert at(root, paths.SERVICE_SETTINGS).read_text(encoding="utf-8") == SMALLEST


def test_install_without_settings_says_how_to_make_them(service, root) -> None:
    status, _, err = service("install")
    assert status == 2 and "potvigil setup" in err and everything(root) == {}


def test_remove_leaves_record_and_settings_and_says_where(service, root, config) -> None:
    service("install", "--config", config)
    record = at(root, layout.STATE) / "potvigil.db"
    record.write_bytes(b"every night there was")
    status, said, err = service("remove")
    assert (status, err) == (0, "")
    assert record.read_bytes() == b"every night there was" and at(root, paths.SERVICE_SETTINGS).exists()
    assert (
        f"left: {record.parent}, the record" in said and f"left: {at(root, layout.SETTINGS_FOLDER)}" in said
    )
    left = [path for path in layout.removed(unit.name for unit in UNITS.iterdir()) if at(root, path).exists()]
    assert left == [] and not at(root, layout.COMMAND).is_symlink()


def test_a_foreign_command_is_left_alone(service, root, config) -> None:
    theirs = at(root, layout.COMMAND)
    theirs.parent.mkdir(parents=True)
    theirs.write_text("theirs", encoding="utf-8")
    status, _, err = service("install", "--config", config)
    assert status == 2 and "is not Potvigil's" in err and theirs.read_text(encoding="utf-8") == "theirs"


def test_an_ordinary_user_is_told_to_use_sudo(capsys, monkeypatch) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    assert main(["service", "remove"]) == 2
    assert "sudo " in capsys.readouterr().err
