"""Everything a batch's report shows, from what the core said and what the record kept."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from potvigil.model.events import BatchSummary, Event
from potvigil.model.pot import Pot, Resin
from potvigil.record.rows import BatchRow, DeliveryRow, EditRow, RunRow, TraceRow
from potvigil.units import SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class ReadingGap:
    """A time without a good pressure reading, on the record's axis, and why."""

    from_s: float
    to_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Pressed:
    """A bubble under pressure. share: its diameter relative to that at room pressure."""

    gauge_pa: float
    share: float


@dataclass(frozen=True, slots=True)
class Bubble:
    """What the hold did to a bubble. gel: None where the resin did not gel, or it is not known when."""

    working: Pressed
    start: Pressed
    lowest: Pressed
    gel: Pressed | None


@dataclass(frozen=True, slots=True)
class BatchReport:
    """One batch, as reported. Times are on the record's axis.

    summary: as judged when it closed, or so far. gauge: every reading, (s, Pa gauge or None for a bad one).
    traces: the watch's estimates, evenly spaced. silences: those longer than the core tolerates. resin: its
    times. gel_s: when it had gelled, None where unknown. settings: those in force, as written, without
    secrets. earlier_settings: whether a run of this batch had others. utc_less_t_s: Unix time less the axis,
    None where no wall clock was known. deliveries: notifications of its alarms. pictures: of the cast, by
    name, those that are kept. by_the_minute: whether the readings are one-minute means, as in some studios.
    """

    row: BatchRow
    pot: Pot
    summary: BatchSummary
    events: tuple[Event, ...]
    edits: tuple[EditRow, ...]
    runs: tuple[RunRow, ...]
    gauge: tuple[tuple[float, float | None], ...]
    traces: tuple[TraceRow, ...]
    silences: tuple[ReadingGap, ...]
    bubble: Bubble | None
    resin: Resin
    gel_s: float | None
    settings: Mapping[str, object]
    earlier_settings: bool
    utc_less_t_s: float | None
    deliveries: tuple[DeliveryRow, ...] = ()
    pictures: tuple[tuple[str, bytes], ...] = ()
    by_the_minute: bool = False

    def local(self, t_s: float) -> datetime | None:
        """Return the wall-clock time in the workshop's zone."""
        return None if self.utc_less_t_s is None else self.local_of_utc(t_s + self.utc_less_t_s)

    def local_of_utc(self, utc_s: float) -> datetime:
        return datetime.fromtimestamp(utc_s, UTC).astimezone(self.pot.tz)

    def clock(self, t_s: float) -> str:
        """Return 23:10, or Sat 23:10 in a batch of over a day; without a wall clock 1:08 h from its start."""
        local = self.local(t_s)
        if local is not None:
            is_long = self.summary.end_s - self.summary.start_s > 24.0 * SECONDS_PER_HOUR
            return f"{local:%a %H:%M}" if is_long else f"{local:%H:%M}"
        minutes = round((t_s - self.summary.start_s) / 60.0)
        return f"{'-' if minutes < 0 else ''}{abs(minutes) // 60}:{abs(minutes) % 60:02d} h"
