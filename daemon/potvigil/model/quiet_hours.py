"""The hours of the day in which only urgent alarms are announced."""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from datetime import time as clock_time


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From one time of day to another, possibly past midnight. tz: None for the machine's own zone."""

    begin: clock_time
    end: clock_time
    tz: tzinfo | None = None

    def hold(self, utc_s: float | None) -> bool:
        """Return whether it is quiet; never while the time is unknown."""
        if utc_s is None:
            return False
        now = datetime.fromtimestamp(utc_s, UTC).astimezone(self.tz).time()
        if self.begin < self.end:
            return self.begin <= now < self.end
        return now >= self.begin or now < self.end
