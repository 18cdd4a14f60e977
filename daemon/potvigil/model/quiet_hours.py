"""A time of the day in which only what is urgent is told."""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from datetime import time as clock_time


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From one time of the day to another, past midnight or not. tz: None for the machine's own zone."""

    begin: clock_time
    end: clock_time
    tz: tzinfo | None = None

    def hold(self, utc_s: float | None) -> bool:
        """Return whether it is quiet; never while nobody knows what time it is."""
        if utc_s is None:
            return False
        now = datetime.fromtimestamp(utc_s, UTC).astimezone(self.tz).time()
        if self.begin < self.end:
            return self.begin <= now < self.end
        return now >= self.begin or now < self.end
