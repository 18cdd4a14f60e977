"""Messages to the service manager, by its datagram protocol; without a manager every call does nothing.

Source: sd_notify(3) and sd_watchdog_enabled(3) of systemd.
"""

import os
import socket

_LONGEST_WAIT_S = 1.0  # a manager too busy to read must not block the watch


def ready(status: str) -> bool:
    """Report that start-up is over, with a status line. Return whether the manager got it."""
    return _notify("READY=1", _status(status))


def starting(allowed_s: float) -> bool:
    """Report that start-up goes on and may take so long from now. Return whether the manager got it."""
    return _notify(f"EXTEND_TIMEOUT_USEC={allowed_s * 1e6:.0f}")


def stopping() -> bool:
    """Report that the service is about to end. Return whether the manager got it."""
    return _notify("STOPPING=1")


def status(text: str) -> bool:
    """Set the line that `systemctl status` shows. Return whether the manager got it."""
    return _notify(_status(text))


def ping_watchdog() -> bool:
    """Report that a tick was finished. Return whether the manager got it."""
    return _notify("WATCHDOG=1")


def watchdog_period_s() -> float | None:
    """Return how often to ping, seconds: half of what the manager allows. None without a watchdog for us."""
    pid = os.environ.get("WATCHDOG_PID")
    if pid is not None and pid != str(os.getpid()):
        return None  # meant for another process, and inherited
    try:
        allowed_us = int(os.environ.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return allowed_us / 2e6 if allowed_us > 0 else None


def _status(text: str) -> str:
    return "STATUS=" + " ".join(text.split())  # a line break would begin another assignment


def _notify(*assignments: str) -> bool:
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # abstract: a name that is no file
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
            channel.settimeout(_LONGEST_WAIT_S)
            channel.connect(address)
            channel.sendall("\n".join(assignments).encode())
    except OSError:
        return False  # the manager went away; the watch goes on
    return True
