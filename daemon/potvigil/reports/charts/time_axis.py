"""The time axis shared by all panels of a batch's chart: hours from its start, and inches on paper."""

from datetime import timedelta
from math import ceil, floor

from potvigil.reports.charts.chart_style import LEFT_IN
from potvigil.reports.model import BatchReport
from potvigil.units import SECONDS_PER_HOUR


class TimeAxis:
    """Hours from a batch's start, across a drawing `width_in` wide; the margins hold figures and names."""

    def __init__(self, report: BatchReport, width_in: float, is_wide: bool) -> None:
        self.report, self.width_in, self.is_wide = report, width_in, is_wide
        self.start_s = report.summary.start_s
        self.end_h = max(self.hours(report.summary.end_s), 0.02)
        self.left_in = LEFT_IN
        self.right_in = 1.02 if is_wide else 0.84

    def hours(self, t_s: float) -> float:
        return (t_s - self.start_s) / SECONDS_PER_HOUR

    def inches(self, hours: float) -> float:
        return hours / self.end_h * (self.width_in - self.left_in - self.right_in)

    def hours_of(self, inches: float) -> float:
        return inches * self.end_h / (self.width_in - self.left_in - self.right_in)

    def ticks(self) -> list[tuple[float, str]]:
        """Return (hours, label): by the wall clock where it is known, else since the start."""
        report, most = self.report, 11 if self.is_wide else 5
        step_h = next(
            (s for s in (0.25, 0.5, 1, 2, 3, 6, 12, 24) if self.end_h / s <= most),
            24 * ceil(self.end_h / 24 / most),
        )
        start = report.local(self.start_s)
        if start is None:
            return [(n * step_h, f"{n * step_h:g} h") for n in range(floor(self.end_h / step_h) + 1)]
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        since_h = (start - midnight).total_seconds() / SECONDS_PER_HOUR
        ticks: list[tuple[float, str]] = []
        day = None
        for n in range(ceil(since_h / step_h), floor((since_h + self.end_h) / step_h) + 1):
            clock = midnight + timedelta(hours=n * step_h)
            hours = n * step_h - since_h
            text = f"{clock:%H:%M}"
            if self.end_h > 24.0 and clock.date() != day:  # over a day, each day's first tick is dated
                day = clock.date()
                text += f"\n{clock:%a} {clock.day} {clock:%b}"
            ticks.append((hours, text))
        return ticks
