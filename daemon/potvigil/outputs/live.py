"""The current state, as a small file in memory: the page reads it, and the card is not touched.

The record is written once a minute; a person in bed wants to know now. The file is replaced as a whole, so
that no reader ever sees half of one. A failed write is logged once and retried at the next tick: the watch
does not depend on any reader.
"""

import dataclasses
import json
import logging
import time
from collections import deque
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from potvigil.model.broker import BrokerState
from potvigil.model.events import Snapshot
from potvigil.replacing import replace

FORMAT = 1
# The record is behind by its commit period of 60 s at most; twice that, for a commit that had to wait.
RECENT_S = 120.0

_log = logging.getLogger("potvigil")


class LiveFile:
    """The file of one watch.

    period_s: between two writes, on the clock of this machine; a rehearsal at another speed has another.
    """

    def __init__(self, path: Path, workshop: str, rehearsed: str | None, period_s: float) -> None:
        self.path = path
        self._frame = {
            "format": FORMAT,
            "workshop": workshop,
            "rehearsed": rehearsed,
            "sample_period_s": period_s,
        }
        self._tick = 0
        self._run: dict[str, float] = {}
        self._recent: dict[str, deque[tuple[float, str]]] = {}
        self._is_failing = False

    def begin(self, axis_offset_s: float, start_s: float) -> None:
        """Start a run: t_s = boot time + axis_offset_s; start_s: its first moment on that axis."""
        self._run = {"axis_offset_s": axis_offset_s, "start_t_s": start_s}

    def write(
        self,
        snapshots: Mapping[str, Snapshot],
        batches: Mapping[str, int | None],
        broker: BrokerState | None = None,
    ) -> None:
        """Replace the file by the current state. batches: the open one of each pot. broker: None for none."""
        self._tick += 1
        frame = {
            **self._frame,
            "tick": self._tick,
            # on the monotonic clock, so that a reader can tell its age
            "written_boot_s": time.clock_gettime(time.CLOCK_BOOTTIME),
            "run": self._run,
            "broker": broker,
        }
        pots = (
            f'{_text(pot_id)}:{{"batch":{_text(batches.get(pot_id))},"snapshot":{_text(snapshot)},'
            f'"recent":[{",".join(self._follow(pot_id, snapshot))}]}}'
            for pot_id, snapshot in snapshots.items()
        )
        try:
            replace(self.path, f'{_text(frame)[:-1]},"pots":{{{",".join(pots)}}}}}'.encode())
        except OSError as error:
            if not self._is_failing:
                reason = error.strerror or error
                _log.warning("%s cannot be written (%s): the page shows no live values", self.path, reason)
            self._is_failing = True
        else:
            self._is_failing = False

    def _follow(self, pot_id: str, snapshot: Snapshot) -> Iterator[str]:
        """Add the newest reading; yield those of the last two minutes as first written."""
        recent = self._recent.setdefault(pot_id, deque())
        reading = snapshot.reading
        recent.append((reading.t_s, _text((reading.t_s, reading.gauge_pa))))
        while recent[0][0] < reading.t_s - RECENT_S:
            recent.popleft()
        return (text for _, text in recent)


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), default=_as_fields)


def _as_fields(value: Any) -> dict[str, Any]:
    return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
