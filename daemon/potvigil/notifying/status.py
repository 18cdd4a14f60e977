"""The notifier's status, in a small file in memory: the watch reads it and reports failures."""

import json
import os
import stat
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from potvigil.record.codec import build
from potvigil.replacing import replace

FORMAT = 1
# Written at least this often; older than STALE_AFTER_S, the notifier is gone.
WRITTEN_EVERY_S, STALE_AFTER_S = 10.0, 60.0
_LARGEST_BYTES = 100_000


@dataclass(frozen=True, slots=True)
class Trial:
    """A test alarm: since when, on the record's axis, and its result by target.

    told: None where it was sent, else why it failed; a target that is missing has not finished yet.
    """

    since_s: float
    told: dict[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Status:
    """targets: the fault of each, by name, None if it has none. heartbeat: likewise. tests: by pot."""

    written_boot_s: float
    targets: dict[str, str | None]
    heartbeat: str | None = None
    tests: dict[str, Trial] = field(default_factory=dict)
    format: int = FORMAT


def write(path: Path, status: Status) -> None:
    """Replace the last status. Raises OSError."""
    replace(path, json.dumps(asdict(status), ensure_ascii=False).encode())


class StatusReader:
    """Reads the file when it has changed, and never blocks."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen: tuple[int, int] | None = None
        self._status: Status | None = None

    def read(self) -> Status | None:
        """Return the notifier's status, None where there is none."""
        try:
            found = self._path.lstat()
            if not stat.S_ISREG(found.st_mode) or found.st_size > _LARGEST_BYTES:
                return None
            seen = found.st_ino, found.st_mtime_ns
            if seen != self._seen:
                self._status, self._seen = _status(_content(self._path)), seen
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None
        status = self._status
        age_s = 0.0 if status is None else time.clock_gettime(time.CLOCK_BOOTTIME) - status.written_boot_s
        return status if 0.0 <= age_s <= STALE_AFTER_S else None


def _content(path: Path) -> bytes:
    # opening a pipe planted there meanwhile would block
    with os.fdopen(os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
        return file.read(_LARGEST_BYTES + 1)


def _status(content: bytes) -> Status:
    tree = json.loads(content)
    if tree["format"] != FORMAT:
        raise ValueError(f"format {tree['format']}")
    status: Status = build(Status, tree)
    _check(status.targets)
    for trial in status.tests.values():
        _check(trial.told)
    return status


def _check(faults: Mapping[str, str | None]) -> None:
    if not all(fault is None or isinstance(fault, str) for fault in faults.values()):
        raise ValueError("a fault is not text")
