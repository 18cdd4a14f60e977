"""All that a report tells of a batch, collected: what the core said, what the record kept, and no more."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from potvigil.model.events import BatchSummary, Event
from potvigil.model.pot import Pot, Resin
from potvigil.record.rows import BatchRow, DeliveryRow, EditRow, RunRow, TraceRow
from potvigil.units import SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class ReadingGap:
    """A stretch without a good reading of the pressure, on the record's axis, and why."""

    from_s: float
    to_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Pressed:
    """A bubble under a pressure. share: its diameter over that at room pressure."""

    gauge_pa: float
    share: float


@dataclass(frozen=True, slots=True)
class Bubble:
    """What the hold did to a bubble. gel: None where it is not known when the resin gelled, or it did not."""

    working: Pressed
    start: Pressed
    lowest: Pressed
    gel: Pressed | None


@dataclass(frozen=True, slots=True)
class BatchReport:
    """One batch, as it is reported. Times are on the record's axis.

    summary: as judged when it closed, or so far. gauge: every reading, (s, Pa gauge or None where it was not
    good). traces: what the watch knew, evenly spaced. silences: longer than the core passes over. resin: its
    times. gel_s: when it had gelled, None where unknown. settings: what was in force, as written, without
    secrets. earlier_settings: whether a run of this batch had others. utc_less_t_s: Unix time less the axis,
    None where no wall clock was known. deliveries: who was told of its alarms on a phone. pictures: of the
    cast, by name, as far as they are kept. by_the_minute: whether the readings are means of a minute
    each, as a studio may have them.
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
        """Return the wall clock at a moment of the axis, in the workshop's zone."""
        return None if self.utc_less_t_s is None else self.local_of_utc(t_s + self.utc_less_t_s)

    def local_of_utc(self, utc_s: float) -> datetime:
        return datetime.fromtimestamp(utc_s, UTC).astimezone(self.pot.tz)

    def clock(self, t_s: float) -> str:
        """Return 23:10, of a batch beyond a day Sat 23:10; without a wall clock 1:08 h from its start."""
        local = self.local(t_s)
        if local is not None:
            is_long = self.summary.end_s - self.summary.start_s > 24.0 * SECONDS_PER_HOUR
            return f"{local:%a %H:%M}" if is_long else f"{local:%H:%M}"
        minutes = round((t_s - self.summary.start_s) / 60.0)
        return f"{'-' if minutes < 0 else ''}{abs(minutes) // 60}:{abs(minutes) % 60:02d} h"
