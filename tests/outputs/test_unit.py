"""The unit file, judged by systemd's own tools."""

import functools
import re
import subprocess
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[2] / "systemd"
UNIT = UNITS / "potvigil.service"


def analyze(*arguments):
    command = ["systemd-analyze", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)


def settings(name):
    """All values of a key, in order."""
    return re.findall(rf"^{name}=(.*)$", UNIT.read_text(), re.MULTILINE)


@functools.cache
def members(group):
    """The system calls of a group (@...), as systemd lists them; a plain name is itself."""
    if not group.startswith("@"):
        return {group}
    lines = [line.strip() for line in analyze("syscall-filter", group).stdout.splitlines()[1:]]
    return {call for line in lines if line and not line.startswith("#") for call in members(line)}


def allowed_calls():
    """What is left after all SystemCallFilter lines, in their order; the first one says what is allowed."""
    allowed = set()
    for line in settings("SystemCallFilter"):
        calls = {call for group in line.removeprefix("~").split() for call in members(group)}
        allowed = allowed - calls if line.startswith("~") else allowed | calls
    return allowed


@pytest.mark.parametrize("unit", sorted(UNITS.iterdir()), ids=lambda path: path.name)
def test_systemd_finds_nothing_to_complain_of(unit, tmp_path):
    # the program itself is installed elsewhere, if at all: another stands in for it
    for each in UNITS.iterdir():  # a timer asks for its service
        text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", each.read_text(), flags=re.MULTILINE)
        (tmp_path / each.name).write_text(text)
    verdict = analyze("verify", tmp_path / unit.name)
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


def test_the_complaint_would_be_seen(tmp_path):
    copy = tmp_path / UNIT.name
    copy.write_text("[Service]\nExecStart=/bin/true\nWatchdogSecs=30\n")
    assert "WatchdogSecs" in analyze("verify", copy).stderr


@pytest.mark.parametrize("unit", sorted(UNITS.glob("*.service")), ids=lambda path: path.name)
def test_the_service_is_shut_in(unit):
    verdict = analyze("security", "--offline=true", unit)
    exposure = re.search(r"Overall exposure level.*: (\d+\.\d)", verdict.stdout)
    assert exposure is not None, verdict.stderr
    assert float(exposure[1]) <= 2.0


@pytest.mark.parametrize(
    "call",
    [
        "adjtimex",  # is the clock set? (clock.py)
        "clock_adjtime",  # the same, as newer C libraries ask it
        "ioctl",  # I2C, SPI and GPIO
        "fdatasync",  # the record
        "connect",  # broker and service manager
        "getrandom",
    ],
)
def test_what_the_watch_needs_of_the_kernel_is_left_to_it(call):
    assert call in allowed_calls()


@pytest.mark.parametrize(
    "call", ["mount", "ptrace", "init_module", "reboot", "bpf", "setuid", "settimeofday"]
)
def test_what_it_does_not_need_is_not(call):
    assert call not in allowed_calls()


def test_the_kernel_clock_can_be_asked_and_the_boot_id_read():
    assert settings("ProtectClock") == []
    assert settings("ProcSubset") == []


def test_it_starts_again_for_ever_and_is_watched():
    assert settings("Type") == ["notify"]
    assert settings("Restart") == ["always"]
    assert settings("StartLimitIntervalSec") == ["0"]
    assert float(settings("WatchdogSec")[0]) >= 10  # a slow thermometer bus must not look like a stuck watch


def test_only_the_buses_are_open_to_it():
    assert settings("DevicePolicy") == ["closed"]
    assert settings("DeviceAllow") == ["char-i2c rw", "char-spi rw", "char-gpiochip rw"]
    assert settings("SupplementaryGroups") == ["i2c spi gpio"]
