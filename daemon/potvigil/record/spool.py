"""Samples not yet written to the record, as a file in memory: they survive the process, not a power cut.

The record is written once a minute, to spare the card. A killed watch would lose up to that minute of its
curve; the next one of the same boot finds it here. A line is added for each sample, and all are dropped when
the record has them: cheap for any number of pots. A partial line, or anything else that is not a sample, is
skipped; a sample that the record already has does no harm.
"""

import json
import logging
import math
import os
from contextlib import suppress
from pathlib import Path
from typing import Any

from potvigil.model.reading import Sample
from potvigil.record.codec import SAMPLE_COLUMNS, faults_from_text, faults_to_text, sample_values
from potvigil.record.file import make_new, read_own
from potvigil.record.rows import RunRow

_FORMAT = 2
_LARGEST_BYTES = 16_000_000  # what the record keeps in memory while a disk refuses is 5 MB of these lines

_log = logging.getLogger("potvigil")


class Unwritten:
    """The spool of one watch. A failure is reported once: the watch does not depend on it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._descriptor: int | None = None
        self._head = b""
        self._size = 0

    def begin(self, run: RunRow) -> None:
        """Empty the file, and keep samples of this run from now on."""
        self.close()
        self._head = (json.dumps(_identity(run)) + "\n").encode()
        try:
            self._descriptor = make_new(self.path, 0o600, append=True)
            self._size = os.write(self._descriptor, self._head)
        except OSError as error:
            self._give_up(error)

    def add(self, pot_id: str, s: Sample) -> None:
        """Add a sample."""
        if self._descriptor is None or self._size > _LARGEST_BYTES:
            return
        row = [pot_id, *sample_values(s), faults_to_text(s.faults)]
        try:
            self._size += os.write(self._descriptor, (json.dumps(row, ensure_ascii=False) + "\n").encode())
        except OSError as error:
            self._give_up(error)

    def drop(self) -> None:
        """Drop all samples: the record has them."""
        if self._descriptor is None:
            return
        try:
            os.ftruncate(self._descriptor, len(self._head))
            self._size = len(self._head)
        except OSError as error:
            self._give_up(error)

    def left_by(self, run: RunRow) -> list[tuple[str, Sample]]:
        """Return the samples a watch left behind, as (pot, sample); nothing of any other run."""
        try:
            head, *lines = read_own(self.path, 2 * _LARGEST_BYTES).split(b"\n")
            if json.loads(head) != _identity(run):
                return []
        except (OSError, ValueError, RecursionError):
            return []
        left: list[tuple[str, Sample]] = []
        for line in lines:
            with suppress(ValueError, TypeError, KeyError, IndexError, RecursionError):
                left.append(_sample(json.loads(line), run))
        return left

    def close(self) -> None:
        """Close the file and leave it; may be repeated."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def _give_up(self, error: OSError) -> None:
        reason = error.strerror or error
        _log.warning(
            "%s cannot be written (%s): if the watch is killed, up to a minute of readings is lost",
            self.path,
            reason,
        )
        self.close()


def _identity(run: RunRow) -> dict[str, object]:
    return {"format": _FORMAT, "run": [run.id, run.boot_id, run.start_t_s, run.axis_offset_s]}


def _sample(row: list[object], run: RunRow) -> tuple[str, Sample]:
    pot_id, *read, faults = row
    is_whole = len(read) == len(SAMPLE_COLUMNS)
    if not (is_whole and isinstance(pot_id, str) and isinstance(faults, str | None)):
        raise ValueError("no sample")
    values = [None if value is None else float(value) for value in read]  # type: ignore[arg-type]
    t_s = values[0]
    if t_s is None or t_s < run.start_t_s or not all(math.isfinite(v) for v in values if v is not None):
        raise ValueError("no sample of this run")
    sample: Any = (t_s, *values[1:], faults_from_text(faults))
    return pot_id, Sample(*sample)
