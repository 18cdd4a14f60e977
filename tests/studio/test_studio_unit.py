"""The unit of the studio's page: its sandbox is strict, and the page works in it."""

import re
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from broker import free_port
from many_records import Studio, kept
from potvigil.installing import layout
from potvigil.settings.loading import load_studio_page
from potvigil.studio.preparing import READER, admit
from sandbox import UNITS, analyze, settings

UNIT = UNITS / "potvigil-studio.service"
CONFINED = """
import sys
sys.path.insert(0, sys.argv.pop(1))
from sandbox import UNITS, confine
confine(UNITS / "potvigil-studio.service")
from potvigil.cli import main
raise SystemExit(main(sys.argv[1:]))
"""


def test_it_is_sandboxed_more_strictly_than_the_watch():
    exposures = []
    for unit in (UNIT, UNITS / "potvigil.service"):
        verdict = analyze("security", "--offline=true", unit)
        exposures.append(float(re.search(r"Overall exposure level.*: (\d+\.\d)", verdict.stdout)[1]))
    assert exposures[0] < exposures[1]


def test_it_cannot_reach_a_watchs_records_buses_or_group():
    assert settings(UNIT, "User") == settings(UNIT, "Group") == [layout.STUDIO] != [layout.GROUP]
    assert settings(UNIT, "SupplementaryGroups") == settings(UNIT, "DeviceAllow") == []
    assert settings(UNIT, "ReadWritePaths") == settings(UNIT, "BindPaths") == []
    assert settings(UNIT, "PrivateDevices") == ["yes"]
    assert settings(UNIT, "StateDirectory") == [layout.STUDIO]
    assert settings(UNIT, "StateDirectoryMode") == ["0700"]


@pytest.mark.parametrize("line", ["NoNewPrivileges=yes", "ProtectSystem=strict", "CapabilityBoundingSet="])
def test_it_gains_no_privileges(line):
    assert line in UNIT.read_text().splitlines()


@pytest.fixture
def config(postgres, tmp_path: Path) -> Path:
    """Settings of a page, at a port of their own."""
    password = tmp_path / "front-desk-password"
    password.write_text(f"{admit(postgres.owner(), 'confined-desk', READER, ['*'])}\n")
    password.chmod(0o600)
    config = tmp_path / "studio.yaml"
    config.write_text(
        f"studio: {{host: 127.0.0.1, port: {postgres.port}, username: confined-desk, "
        f"password_file: {password.name}}}\npage: {{port: {free_port()}}}\n"
    )
    return config


def confined(*words: object) -> list[str]:
    return [*map(str, (sys.executable, "-c", CONFINED, UNITS.parent / "tests", *words))]


def test_in_its_sandbox_it_makes_a_report_as_pdf(postgres, config, tmp_path):
    record = Studio(postgres).ship(kept(tmp_path / "record.db", "confined", "lantern"))
    out = tmp_path / "lens.html"
    of = ("--of", record, "--config", config)
    subprocess.run(confined("batch", "report", 2, *of, "--out", out, "--pdf"), check=True)
    assert out.with_suffix(".pdf").read_bytes().startswith(b"%PDF-")


def test_in_its_sandbox_the_page_answers_and_keeps_its_log_ins_in_its_own_folder(
    config, tmp_path: Path, monkeypatch
):
    port = load_studio_page(config).page.port
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    words = confined("studio", "page", "--config", config)
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout.readline() == f"page: http://127.0.0.1:{port}/\n"
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/now") as answer:
                assert answer.status == 200 and b'"pots"' in answer.read()
        finally:
            process.terminate()
    assert [path.name for path in (tmp_path / "state").iterdir()] == ["studio-page-sessions"]
