"""A file that is written whole or not at all, with its permissions from its first byte on."""

import os
from pathlib import Path

from potvigil.record.file import make_new

SECRET, PUBLIC = 0o600, 0o644


def write(path: Path, content: bytes, mode: int) -> None:
    """Write a file; what had that name before is replaced. Raises OSError."""
    beside = path.with_name(f".{path.name}.new")
    with os.fdopen(make_new(beside, mode), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
