"""A socket of the test plays the service manager. Rules: sd_notify(3), sd_watchdog_enabled(3)."""

import os
import socket
import time

import pytest

from patience import PATIENCE_S
from potvigil.outputs import systemd


@pytest.fixture(params=["file", "abstract"])
def manager(request, tmp_path, monkeypatch):
    """The socket that a service manager would listen on."""
    name = str(tmp_path / "notify") if request.param == "file" else f"@potvigil-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + name[1:] if name.startswith("@") else name)
        listening.settimeout(PATIENCE_S)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        yield listening


def test_the_manager_gets_lines_of_assignments(manager):
    assert systemd.ready("watching 1 pot")
    assert manager.recv(1000) == b"READY=1\nSTATUS=watching 1 pot"
    assert systemd.ping_watchdog()
    assert manager.recv(1000) == b"WATCHDOG=1"
    assert systemd.status("lantern: holding, 59.5 psi")
    assert manager.recv(1000) == b"STATUS=lantern: holding, 59.5 psi"
    assert systemd.stopping()
    assert manager.recv(1000) == b"STOPPING=1"
    assert systemd.starting(60.0)
    assert manager.recv(1000) == b"EXTEND_TIMEOUT_USEC=60000000"


def test_a_status_cannot_inject_an_assignment(manager):
    systemd.status("one\nWATCHDOG=trigger")
    assert manager.recv(1000) == b"STATUS=one WATCHDOG=trigger"


def test_without_a_manager_nothing_happens(monkeypatch):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not systemd.ready("watching")


@pytest.mark.parametrize("name", ["", "relative", "vsock:2:1234", "/no/such/socket", "@nobody-listens-here"])
def test_an_unreachable_manager_is_no_error(monkeypatch, name):
    monkeypatch.setenv("NOTIFY_SOCKET", name)
    assert not systemd.ping_watchdog()


def test_a_manager_that_does_not_read_blocks_nothing_for_long(manager):
    began_s = time.monotonic()
    told = 0
    while systemd.ping_watchdog():  # until its queue is full
        told += 1
        assert told < 10_000
    assert time.monotonic() - began_s < 1.9


@pytest.mark.parametrize(
    ("usec", "pid", "period_s"),
    [
        ("30000000", None, 15.0),  # half of what is allowed
        ("30000000", "own", 15.0),
        ("30000000", "1", None),  # meant for another process
        ("30000000", "", None),
        (None, None, None),
        (None, "own", None),
        ("0", None, None),
        ("-5", None, None),
        ("soon", None, None),
    ],
)
def test_the_watchdog_is_pinged_at_half_the_time_it_allows(monkeypatch, usec, pid, period_s):
    for name, value in (("WATCHDOG_USEC", usec), ("WATCHDOG_PID", str(os.getpid()) if pid == "own" else pid)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, value)
    assert systemd.watchdog_period_s() == period_s
