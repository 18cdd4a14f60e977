"""A small file that is replaced whole, so that no reader ever meets half of one."""

import os
from contextlib import suppress
from pathlib import Path


def replace(path: Path, content: bytes) -> None:
    """Put content in the place of what stands at a path; its folder must be there. Raises OSError.

    It is not pushed out to the medium: for what lies in memory, or may be lost with the power.
    """
    beside = path.with_name(f".{path.name}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    # Never into what somebody laid there: a link would be followed, a pipe would hold up the writer.
    with suppress(FileNotFoundError):
        beside.unlink()
    with os.fdopen(os.open(beside, flags, 0o640), "wb") as file:
        file.write(content)
    beside.replace(path)
