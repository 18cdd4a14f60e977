"""A disk without room, and one that answers nothing but errors, as the kernel tells them."""

import os
import resource
import signal
from pathlib import Path


class FullDisk:
    """No file of this process may grow beyond `size`: what the kernel does to a write past RLIMIT_FSIZE."""

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
        self._kept: dict[int, int] = {}
        folder = os.open(self._record.parent, os.O_RDONLY)
        for link in Path("/proc/self/fd").iterdir():
            try:
                path, number = link.readlink(), int(link.name)
            except OSError:
                continue  # the one that lists them
            if path.name in (self._record.name, f"{self._record.name}-wal"):
                self._kept[number] = os.dup(number)
                os.dup2(folder, number, inheritable=False)
        os.close(folder)
        assert len(self._kept) >= 2
        return self

    def __exit__(self, *_: object) -> None:
        for number, kept in self._kept.items():
            os.dup2(kept, number, inheritable=False)
            os.close(kept)
