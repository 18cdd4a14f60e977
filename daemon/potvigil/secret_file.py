"""A secret in the first line of a file, as systemd hands them to a service."""

import stat
from pathlib import Path

_LARGEST_BYTES = 65_535  # MQTT 5.0, 3.1.3.6, gives a password's length in two bytes


class SecretFileError(ValueError):
    """A file with a secret cannot be used; the text says why, and never shows its contents."""


def first_line(path: Path, what: str) -> str:
    """Return the first line of a file. Raises SecretFileError. what: its name, e.g. 'password'."""
    try:
        with path.open("rb") as file:  # /dev/zero has no end
            data = file.read(_LARGEST_BYTES + 1)
        lines = data.decode("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise SecretFileError(f"{path}: {why}; name a file that this service may read") from None
    if not lines or not lines[0]:
        raise SecretFileError(f"{path}: no {what} in the first line")
    if len(data) > _LARGEST_BYTES:
        raise SecretFileError(f"{path}: too large; one line with the {what} is expected")
    return lines[0]


def is_open_to_all(path: Path) -> bool:
    """Return whether every user of this machine may read or change a file. Raises OSError."""
    return bool(path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH))
