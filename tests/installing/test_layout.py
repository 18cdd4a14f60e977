"""What the service is made of: users and folders by systemd's own tools, units, secrets of each unit."""

import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from only_root import needs_root
from potvigil import paths
from potvigil.installing import layout, program
from potvigil.installing.layout import Secret
from potvigil.installing.secrets import public_of, secrets_of
from potvigil.installing.shipped import shipped
from potvigil.settings.loading import tree_of
from sandbox import UNITS, analyze

ROOT = Path(__file__).parents[2]
SAMPLE = tree_of((ROOT / "config/workshop.yaml").read_text(encoding="utf-8"), "workshop.yaml")
SERVICES = sorted(path.name for path in UNITS.glob("*.service"))


def values(name: str, text: str) -> list[str]:
    return re.findall(rf"^{name}=(.*)$", text, re.MULTILINE)


@pytest.fixture
def made(tmp_path) -> Path:
    """A folder in which systemd has made the users and the folders."""
    for path, text in ((layout.SYSUSERS, layout.USERS), (layout.TMPFILES, layout.FOLDERS)):
        file = tmp_path / path.relative_to("/")
        file.parent.mkdir(parents=True)
        file.write_text(text, encoding="utf-8")
    for tool, file in (("systemd-sysusers", layout.SYSUSERS), ("systemd-tmpfiles", layout.TMPFILES)):
        words = [tool, *(["--create"] if tool == "systemd-tmpfiles" else []), f"--root={tmp_path}", file.name]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
    return tmp_path


@needs_root
def test_systemd_makes_every_user_and_group_that_a_unit_names(made) -> None:
    users, groups = (
        {line.split(":")[0]: line.split(":") for line in (made / file).read_text().splitlines()}
        for file in ("etc/passwd", "etc/group")
    )
    for name in SERVICES:
        text = (UNITS / name).read_text(encoding="utf-8")
        for user, group in zip(values("User", text), values("Group", text), strict=True):
            assert users[user][3] == groups[group][2], f"{name}: {user} is not of the group {group}"
            assert users[user][-1].endswith("nologin")
        for group in " ".join(values("SupplementaryGroups", text)).split():
            assert group in groups, f"{name}: 216/GROUP, {group} is missing outside Raspberry Pi OS"


@needs_root
def test_every_folder_a_unit_needs_before_the_first_watch_is_made(made) -> None:
    """A unit whose ReadWritePaths= is missing does not start: 226/NAMESPACE, systemd.exec(5)."""
    for name in SERVICES:
        for path in " ".join(values("ReadWritePaths", (UNITS / name).read_text(encoding="utf-8"))).split():
            assert (made / path.lstrip("/")).is_dir(), f"{name}: {path}"
    status = (made / layout.STATE.relative_to("/")).stat()
    assert status.st_mode & 0o7777 == 0o2770  # as StateDirectoryMode= of the watch
    assert values("StateDirectoryMode", (UNITS / "potvigil.service").read_text()) == ["2770"]


def test_the_units_run_the_installed_program_with_the_installed_settings() -> None:
    for name in SERVICES:
        (start,) = values("ExecStart", (UNITS / name).read_text(encoding="utf-8"))
        assert start.startswith(f"{layout.PROGRAM}/bin/potvigil ")
        of_studio = name == f"{layout.STUDIO}.service"
        assert start.endswith(f" --config {paths.STUDIO_SETTINGS if of_studio else paths.SERVICE_SETTINGS}")


def test_each_secret_of_the_sample_is_assigned_to_the_unit_that_reads_it() -> None:
    """Every key that ends in password_file, key_file or url_file: a new one is not forgotten."""
    text = (ROOT / "config/workshop.yaml").read_text(encoding="utf-8")
    keys = re.findall(r"^ *(?:- )?(?:password|key|url|fail_url)_file: *(\S+)", text, re.MULTILINE)
    found = secrets_of(SAMPLE)
    assert sorted(each.name for each in found) == sorted(keys)
    assert {each.name: each.unit for each in found} == {
        "mqtt-password": layout.WATCH,
        "page-password": layout.PAGE,
        "page.key": layout.PAGE,
        "notify-anna": layout.NOTIFY,
        "heartbeat": layout.NOTIFY,
        "studio-password": layout.SHIP,
    }
    assert sorted(name for _, name in public_of(SAMPLE)) == [*("broker-ca.pem", "page.pem", "studio-ca.pem")]


def test_a_secret_belongs_to_root_and_only_the_unit_that_reads_it_gets_it(tmp_path) -> None:
    secrets = secrets_of(SAMPLE)
    beside = {each.name: b"x\n" for each in secrets} | {"page.pem": b"public\n"}
    units = {path.name: path.read_bytes() for path in UNITS.iterdir()}
    put = {
        each.path: each
        for each in layout.files(units, {paths.SERVICE_SETTINGS: b"workshop: x\n"}, secrets, beside)
    }
    for each in secrets:
        assert put[layout.SETTINGS_FOLDER / each.name].mode == 0o600
        for unit in (layout.WATCH, layout.PAGE, layout.NOTIFY):
            handed = put[layout.drop_in(unit)].content.decode()
            line = f"LoadCredential={each.name}:{layout.SETTINGS_FOLDER / each.name}\n"
            assert (line in handed) is (unit == each.unit)
    assert put[layout.SETTINGS_FOLDER / "page.pem"].mode == 0o644
    # systemd itself takes unit and drop-in together
    for unit in (layout.WATCH, layout.PAGE, layout.NOTIFY):
        text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", units[f"{unit}.service"].decode(), flags=re.M)
        folder = tmp_path / f"{unit}.service.d"
        folder.mkdir()
        (folder / "credentials.conf").write_bytes(put[layout.drop_in(unit)].content)
        (tmp_path / f"{unit}.service").write_text(text, encoding="utf-8")
        verdict = analyze("verify", tmp_path / f"{unit}.service")
        assert (verdict.returncode, verdict.stderr) == (0, "")


def test_a_unit_without_secrets_gets_no_drop_in_and_unchanged_settings_are_not_written() -> None:
    paths = [each.path for each in layout.files({}, {}, [Secret(layout.PAGE, "page", "/elsewhere/key")], {})]
    assert paths == [layout.SYSUSERS, layout.TMPFILES]


def test_removal_includes_neither_record_nor_settings() -> None:
    for path in layout.removed(path.name for path in UNITS.iterdir()):
        for kept in (layout.STATE, layout.SETTINGS_FOLDER):
            assert path != kept and path not in kept.parents and kept not in path.parents


@pytest.mark.parametrize(
    ("extras", "has_package", "words"),
    [
        ((), True, ["venv", "install", "install"]),
        (("page",), False, ["venv", "install", "install"]),
        (("signals", "page"), True, ["venv", "install", "install"]),
        (("spi",), False, ["apt-get", "venv", "install", "install"]),
    ],
)
def test_only_missing_packages_for_the_pins_are_installed(extras, has_package, words) -> None:
    run = program.commands(Path("python3"), Path("/p"), Path("/s"), extras, needs_package=not has_package)
    assert [next(word for word in words if word in map(str, each)) for each in run] == words
    said = [" ".join(map(str, each)) for each in run]
    with_pins = bool(set(extras) & program.OF_THE_PINS)
    assert any("--system-site-packages" in each for each in said) is with_pins
    assert any("gpiozero" in each for each in said) is with_pins
    assert not any("lgpio" in each and "pip" in each for each in said)  # no wheel for every Python
    assert ("/s[page]" in " ".join(said)) is ("page" in extras)


def test_the_checkout_is_copied_before_root_builds_in_it(tmp_path) -> None:
    source, into = tmp_path / "checkout", tmp_path / "copy"
    for name in (".git/config", ".venv/bin/python", "daemon/potvigil/cli.py", "pyproject.toml"):
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).touch()
    into.mkdir()
    copy = program.copied(source, into)
    assert sorted(path.name for path in copy.iterdir()) == ["daemon", "pyproject.toml"]
    wheel = tmp_path / "potvigil.whl"
    wheel.touch()
    assert program.copied(wheel, into) == wheel


def test_a_missing_source_says_how_to_install_it(tmp_path, monkeypatch) -> None:
    assert program.source() == ROOT
    gone = type("Gone", (), {"read_text": lambda self, _: f'{{"url": "file://{tmp_path}/gone"}}'})
    monkeypatch.setattr(program.metadata, "distribution", lambda _: gone())
    with pytest.raises(program.NoSourceError, match="which is gone; install it from its folder or wheel"):
        program.source()


def test_units_samples_and_drawings_are_found_in_a_checkout_and_are_in_the_wheel(tmp_path) -> None:
    assert shipped("systemd") == UNITS
    source = program.copied(ROOT, tmp_path)  # nothing is built in the checkout
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "-q",
            "--no-deps",
            "-w",
            tmp_path,
            source,
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    packed = {name.partition("/data/share/potvigil/")[2] for name in zipfile.ZipFile(wheel).namelist()}
    for folder in ("systemd", "config"):
        for path in (ROOT / folder).rglob("*"):
            if path.is_file():
                assert path.relative_to(ROOT).as_posix() in packed
