"""A small file that is replaced as a whole, so that no reader ever sees half of one."""

import os
from contextlib import suppress
from pathlib import Path


def replace(path: Path, content: bytes) -> None:
    """Replace the file at a path; its folder must exist. Raises OSError.

    It is not synced to the medium: for files in memory, or that may be lost in a power cut.
    """
    beside = path.with_name(f".{path.name}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    # Never into something planted there: a link would be followed, a pipe would block the writer.
    with suppress(FileNotFoundError):
        beside.unlink()
    with os.fdopen(os.open(beside, flags, 0o640), "wb") as file:
        file.write(content)
    beside.replace(path)
