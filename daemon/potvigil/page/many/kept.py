"""What is read of each record and kept for as long as it holds."""

import time
from collections.abc import Callable
from math import inf
from typing import Generic, TypeVar
from uuid import UUID

from potvigil.record.store import Store
from potvigil.studio.reading import Shipped, StudioReader

T = TypeVar("T")


class KeptByRecord(Generic[T]):
    """Reads a record again only when its batches, its care or its settings may be others.

    oldest_s: or when it was read longer ago than this.
    """

    def __init__(self, reader: StudioReader, read: Callable[[Store], T], oldest_s: float = inf) -> None:
        self._reader, self._read, self._oldest_s = reader, read, oldest_s
        self._kept: dict[UUID, tuple[str, float, T]] = {}

    def of(self, shipped: Shipped) -> T:
        """Return what was read of a record. Raises RecordError."""
        kept = self._kept.get(shipped.id)
        if kept is None or kept[0] != shipped.batches or time.monotonic() - kept[1] > self._oldest_s:
            with self._reader.opened(shipped.id) as store:
                kept = shipped.batches, time.monotonic(), self._read(store)
            self._kept[shipped.id] = kept
        return kept[2]
