"""A cache of values computed from each record."""

import time
from collections.abc import Callable
from math import inf
from typing import Generic, TypeVar
from uuid import UUID

from potvigil.record.store import Store
from potvigil.studio.reading import Shipped, StudioReader

T = TypeVar("T")


class RecordCache(Generic[T]):
    """Reads a record again only if its batches, care or settings may have changed.

    oldest_s: maximum age of a cached value.
    """

    def __init__(self, reader: StudioReader, read: Callable[[Store], T], oldest_s: float = inf) -> None:
        self._reader, self._read, self._oldest_s = reader, read, oldest_s
        self._cached: dict[UUID, tuple[str, float, T]] = {}

    def get(self, shipped: Shipped) -> T:
        """Return the value for a record. Raises RecordError."""
        cached = self._cached.get(shipped.id)
        if cached is None or cached[0] != shipped.batches or time.monotonic() - cached[1] > self._oldest_s:
            with self._reader.opened(shipped.id) as store:
                cached = shipped.batches, time.monotonic(), self._read(store)
            self._cached[shipped.id] = cached
        return cached[2]
