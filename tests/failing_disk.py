"""A full disk, and one that only gives errors, as the kernel reports them."""

import os
import resource
import signal
from pathlib import Path


class FullDisk:
    """No file of this process may grow beyond `size`: the kernel refuses writes past RLIMIT_FSIZE."""

    def __init__(self, size: int) -> None:
        self._size = size

    def __enter__(self) -> None:
        self._limit = resource.getrlimit(resource.RLIMIT_FSIZE)
        self._handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (self._size, self._limit[1]))

    def __exit__(self, *_: object) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, self._limit)
        signal.signal(signal.SIGXFSZ, self._handler)


class FailingDisk:
    """Every read, write and sync of a record that is open in this process fails, until it is mended.

    Beneath the descriptors that SQLite holds lies a folder meanwhile, dup2(2): read(2) and write(2) of it are
    errors. What is in memory already (mmap of the log's index) stays, as it does when a card fails.
    """

    def __init__(self, record: Path) -> None:
        self._record = record

    def __enter__(self) -> "FailingDisk":
        names = (self._record.name, f"{self._record.name}-wal")
        # all of them before the first is copied: a copy would be met as another descriptor of the record, and
        # lie beneath the folder itself when all is put back
        numbers = [number for number, path in _descriptors() if path.name in names]
        self._kept = {number: os.dup(number) for number in numbers}
        folder = os.open(self._record.parent, os.O_RDONLY)
        for number in numbers:
            os.dup2(folder, number, inheritable=False)
        os.close(folder)
        assert len(numbers) >= 2
        return self

    def __exit__(self, *_: object) -> None:
        for number, kept in self._kept.items():
            os.dup2(kept, number, inheritable=False)
            os.close(kept)


def _descriptors() -> list[tuple[int, Path]]:
    """Return the open files of this process."""
    found = []
    for link in list(Path("/proc/self/fd").iterdir()):
        try:
            found.append((int(link.name), link.readlink()))
        except OSError:
            continue  # the one that listed them
    return found
