"""A file written completely or not at all, with its permissions from the first byte."""

import os
from pathlib import Path

from potvigil.record.file import make_new

SECRET, PUBLIC = 0o600, 0o644


def write(path: Path, content: bytes, mode: int) -> None:
    """Write a file, replacing an earlier one of that name. Raises OSError."""
    beside = path.with_name(f".{path.name}.new")
    with os.fdopen(make_new(beside, mode), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
