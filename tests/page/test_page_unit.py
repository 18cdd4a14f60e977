"""The page's systemd unit: valid, and without access to any bus."""

import re
import subprocess
from pathlib import Path

import pytest

from patience import PATIENCE_S

SYSTEMD = Path(__file__).parents[2] / "systemd"
UNIT, WATCH = SYSTEMD / "potvigil-page.service", SYSTEMD / "potvigil.service"


def settings(name, unit=UNIT):
    return re.findall(rf"^{name}=(.*)$", unit.read_text(), re.MULTILINE)


def analyze(*arguments):
    return subprocess.run(
        ["systemd-analyze", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


def test_systemd_accepts_the_unit(tmp_path):
    text, replaced = re.subn(r"^ExecStart=\S+", "ExecStart=/bin/true", UNIT.read_text(), flags=re.MULTILINE)
    assert replaced == 1
    copy = tmp_path / UNIT.name
    copy.write_text(text)
    verdict = analyze("verify", copy)
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


def test_it_is_sandboxed_more_tightly_than_the_watch():
    exposures = []
    for unit in (UNIT, WATCH):
        verdict = analyze("security", "--offline=true", unit)
        exposures.append(float(re.search(r"Overall exposure level.*: (\d+\.\d)", verdict.stdout)[1]))
    assert exposures[0] < exposures[1] <= 2.0


def test_it_cannot_reach_any_bus():
    assert settings("User") == ["potvigil-page"] != settings("User", WATCH)
    assert settings("Group") == settings("Group", WATCH) == ["potvigil"]
    assert settings("SupplementaryGroups") == settings("DeviceAllow") == []
    assert settings("PrivateDevices") == ["yes"]


def test_page_and_watch_share_their_folders():
    environment = dict(part.split("=", 1) for line in settings("Environment") for part in line.split())
    assert environment["STATE_DIRECTORY"] == f"/var/lib/{settings('StateDirectory', WATCH)[0]}"
    assert environment["RUNTIME_DIRECTORY"] == f"/run/{settings('RuntimeDirectory', WATCH)[0]}"
    assert settings("ReadWritePaths") == [environment["STATE_DIRECTORY"]]
    # the group may write beside the record and read the live file
    assert settings("StateDirectoryMode", WATCH) == ["2770"]
    assert settings("RuntimeDirectoryMode", WATCH) == ["0750"]
    assert settings("UMask") == settings("UMask", WATCH) == ["0007"]


@pytest.mark.parametrize("line", ["NoNewPrivileges=yes", "ProtectSystem=strict", "CapabilityBoundingSet="])
def test_it_gains_no_privileges(line):
    assert line in UNIT.read_text().splitlines()
