"""Which machine this is: a short id that stays, and its name; to tell two Pis apart that share a broker."""

import hashlib
import hmac
import re
import socket
from dataclasses import dataclass
from pathlib import Path

# Our application id, drawn at random: machine-id(5) asks to show only a hash of the id and this.
_OF_POTVIGIL = bytes.fromhex("0d4e1f6a2c5b4a7e9b3f8d7c6e5a4b32")
_MACHINE_IDS = (Path("/etc/machine-id"), Path("/var/lib/dbus/machine-id"))
_LONGEST_NAME = 64  # of a host, on Linux; gethostname(2)
# A Pi's own number. Not under /proc, of which the unit sees no more than processes.
_SERIAL = Path("/sys/firmware/devicetree/base/serial-number")


@dataclass(frozen=True, slots=True)
class Machine:
    """id: eight hexadecimal digits. name: as the network knows it, of letters, digits, points and hyphens.

    Two machines may have the same name.
    """

    id: str
    name: str

    def __str__(self) -> str:
        return f"{self.name} ({self.id})"


def this_machine(machine_ids: tuple[Path, ...] = _MACHINE_IDS, serial: Path = _SERIAL) -> Machine:
    """Return this machine. A copied card has the machine-id of the first: the board's number counts too.

    Without both, as in some containers, the name is used; it may change, and need not be unique.
    """
    host = socket.gethostname()
    key = next((known for path in machine_ids if (known := _machine_id(path))), host.encode())
    # without a board's number: as sd_id128_get_machine_app_specific(3), before that marks it as a UUID
    digest = hmac.digest(key, _OF_POTVIGIL + _text(serial).encode(), hashlib.sha256)
    name = re.sub(r"[^A-Za-z0-9.-]", "-", host)[:_LONGEST_NAME]
    return Machine(digest[:4].hex(), name or "unnamed")


def _machine_id(path: Path) -> bytes | None:
    """Return the 16 bytes of a machine-id; None where there is none yet ("uninitialized", machine-id(5))."""
    try:
        known = bytes.fromhex(_text(path))
    except ValueError:
        return None
    return known if len(known) == 16 and any(known) else None


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip(" \n\0")
    except OSError:
        return ""
