"""Reads back the live file of the watch, and whether the watch is still running."""

import json
import stat
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from potvigil.model.broker import BrokerState
from potvigil.model.events import Snapshot
from potvigil.record.codec import build

FORMAT = 1
# Without an update for so long the watch is silent: five seconds, or three periods of a slower one.
SILENT_S, SILENT_PERIODS = 5.0, 3.0
_LARGEST_BYTES = 4_000_000


@dataclass(frozen=True, slots=True)
class LivePot:
    """recent: (t_s, Pa gauge) of the last two minutes; None is no reading."""

    batch: int | None
    snapshot: Snapshot
    recent: tuple[tuple[float, float | None], ...]


@dataclass(frozen=True, slots=True)
class Live:
    """The state when the file was written.

    run: which run of the watch, by its begin on the record's axis. broker: None where none is configured.
    """

    workshop: str
    rehearsed: str | None
    tick: int
    period_s: float
    written_boot_s: float
    run: float
    pots: Mapping[str, LivePot]
    broker: BrokerState | None = None

    @property
    def last_utc_s(self) -> float | None:
        """Unix time of the newest moment a pot was seen at; None while no wall clock was known."""
        return max(
            (p.snapshot.utc_s for p in self.pots.values() if p.snapshot.utc_s is not None), default=None
        )

    def is_silent(self, boot_s: float) -> bool:
        """Return whether the state is too old, or of another boot. boot_s: the boot clock now."""
        age_s = boot_s - self.written_boot_s
        return not 0.0 <= age_s <= max(SILENT_S, SILENT_PERIODS * self.period_s)


class LiveReader:
    """Reads the live file when it has changed; keeps the last readable one."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen: tuple[int, int] | None = None
        self._live: Live | None = None

    def read(self) -> tuple[Live | None, bool]:
        """Return the last state, None where there never was one, and whether the watch is silent."""
        try:
            status = self._path.stat()
            seen = (status.st_ino, status.st_mtime_ns)
            is_file = stat.S_ISREG(status.st_mode)  # a pipe would block
            if seen != self._seen and is_file and status.st_size <= _LARGEST_BYTES:
                self._live, self._seen = _live(json.loads(self._path.read_bytes())), seen
        except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            pass  # gone, or not ours: the last state ages
        live = self._live
        return live, live is None or live.is_silent(time.clock_gettime(time.CLOCK_BOOTTIME))


def _live(tree: Any) -> Live:
    if tree["format"] != FORMAT:
        raise ValueError(f"format {tree['format']}")
    return Live(
        workshop=str(tree["workshop"]),
        rehearsed=tree["rehearsed"],
        tick=int(tree["tick"]),
        period_s=float(tree["sample_period_s"]),
        written_boot_s=float(tree["written_boot_s"]),
        run=float(tree["run"]["start_t_s"]),
        pots={
            str(pot_id): LivePot(
                pot["batch"],
                build(Snapshot, pot["snapshot"]),
                tuple((t_s, gauge_pa) for t_s, gauge_pa, *_ in pot["recent"]),
            )
            for pot_id, pot in tree["pots"].items()
        },
        broker=None if (broker := tree.get("broker")) is None else build(BrokerState, broker),
    )
