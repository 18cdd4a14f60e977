"""The notifier's unit: systemd accepts it without complaint, and notifications work in its sandbox."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from notified_pot import SMALLEST
from patience import PATIENCE_S
from phones import mailbox, phone
from sandbox import UNITS, analyze, settings

UNIT, WATCH = UNITS / "potvigil-notify.service", UNITS / "potvigil.service"
CONFINED = """
import sys
sys.path.insert(0, sys.argv.pop(1))
from sandbox import UNITS, confine
confine(UNITS / "potvigil-notify.service")
from potvigil.cli import main
raise SystemExit(main(sys.argv[1:]))
"""


def test_systemd_accepts_the_unit_without_complaint(tmp_path: Path) -> None:
    text, replaced = re.subn(r"^ExecStart=\S+", "ExecStart=/bin/true", UNIT.read_text(), flags=re.MULTILINE)
    assert replaced == 1
    copy = tmp_path / UNIT.name
    copy.write_text(text)
    verdict = analyze("verify", copy)
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


def test_the_notifier_is_sandboxed_more_strictly_than_the_watch() -> None:
    exposures = []
    for unit in (UNIT, WATCH):
        verdict = analyze("security", "--offline=true", unit)
        found = re.search(r"Overall exposure level.*: (\d+\.\d)", verdict.stdout)
        assert found, verdict.stderr
        exposures.append(float(found[1]))
    assert exposures[0] < exposures[1] <= 2.0


def test_the_notifier_reaches_no_bus_and_cannot_write_the_live_file() -> None:
    assert settings(UNIT, "User") == ["potvigil-notify"]
    assert settings(UNIT, "Group") == settings(WATCH, "Group")
    assert settings(UNIT, "SupplementaryGroups") == settings(UNIT, "DeviceAllow") == []
    assert settings(UNIT, "PrivateDevices") == ["yes"]
    assert settings(UNIT, "RuntimeDirectory") == ["potvigil-notify"]
    environment = dict(part.split("=", 1) for line in settings(UNIT, "Environment") for part in line.split())
    assert environment["STATE_DIRECTORY"] == f"/var/lib/{settings(WATCH, 'StateDirectory')[0]}"
    assert environment["RUNTIME_DIRECTORY"] == f"/run/{settings(WATCH, 'RuntimeDirectory')[0]}"
    assert settings(UNIT, "ReadWritePaths") == [environment["STATE_DIRECTORY"]]


@pytest.mark.parametrize("line", ["NoNewPrivileges=yes", "ProtectSystem=strict", "CapabilityBoundingSet="])
def test_the_notifier_gains_no_privileges(line: str) -> None:
    assert line in UNIT.read_text().splitlines()


def test_notifications_work_within_the_sandbox(tmp_path: Path) -> None:
    with phone() as at, mailbox() as mail:
        config = tmp_path / "workshop.yaml"
        config.write_text(
            f"{SMALLEST}notify:\n  targets:\n    - {{name: Anna, url: '{at.url()}'}}\n"
            f"    - {{name: Ben, url: '{mail.url()}'}}\nheartbeat: {{url: '{at.url('http', 'beat')}'}}\n"
        )
        asked = ["notify", "--config", str(config), "--test"]
        words = [sys.executable, "-c", CONFINED, str(UNITS.parent / "tests"), *asked]
        done = subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE_S)
        assert done.stdout == "Anna: sent\nBen: sent\nheartbeat: fetched\n", done.stderr
        assert done.returncode == 0
        assert len(mail.mails) == 1 and {request.path for request in at.heard} == {"/", "/beat"}
