"""A disk without room, as the kernel tells it."""

import resource
import signal


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
