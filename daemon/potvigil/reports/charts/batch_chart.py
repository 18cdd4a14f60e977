"""The curves of a batch as one inline SVG: pressure, leak rate and temperatures on one time axis.

Lines differ in weight and dash and are named where they end, so that nothing depends on colour.
Imported only when a report is written: matplotlib comes with the extra `report`.
"""

from collections.abc import Iterable

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from potvigil.model.events import Stage, StageEvent
from potvigil.model.reading import Place
from potvigil.reports.charts.chart_data import (
    Points,
    last_value,
    rate_limits,
    temperature_limits,
    temperatures_of,
    thinned,
)
from potvigil.reports.charts.chart_style import (
    CORRECTED,
    CORRECTED_WORD,
    DASHED,
    DOTTED,
    FONT_PT,
    INK,
    LEADER,
    LEVEL,
    LINE_IN,
    PAPER,
    QUIET,
    READ,
    WIDE_IN,
    width_of,
)
from potvigil.reports.charts.drawing import apart, name_above, svg_of, title
from potvigil.reports.charts.marks import Mark, marks_of, places_of
from potvigil.reports.charts.time_axis import TimeAxis
from potvigil.reports.model import BatchReport
from potvigil.units import PRESSURE_UNITS_PA, SECONDS_PER_HOUR

PRESSURE_IN, LEAK_IN, TEMPERATURE_IN, STRIP_IN, BETWEEN_IN, FOOT_IN = 2.1, 0.9, 0.9, 0.16, 0.3, 0.36
SHUT = (Stage.SETTLING, Stage.HOLDING)
_NAME_IN = 0.13  # line height of a name


def chart_svg(report: BatchReport, width_in: float = WIDE_IN) -> str:
    """Return the chart of a batch, `width_in` wide."""
    return svg_of(lambda figure: BatchChart(report, figure, width_in).draw(), f"c{width_in * 10:.0f}-")


class BatchChart:
    """One drawing of a batch; the three panels share their hours, counted from the batch's start."""

    def __init__(self, report: BatchReport, figure: Figure, width_in: float) -> None:
        self.report, self.figure, self.width_in = report, figure, width_in
        self.unit_pa = PRESSURE_UNITS_PA[report.pot.pressure_unit]
        self.is_wide = width_in > 5.0
        self.across = TimeAxis(report, width_in, self.is_wide)
        self.foot_in = FOOT_IN + (0.12 if self.across.end_h > 24.0 else 0.0)  # dates go below the times

    def draw(self) -> None:
        marks = marks_of(self.across)
        places = places_of(marks, self.across)
        head_in = LINE_IN * (max((row for row, _ in places), default=-1) + 1) + 0.26
        has_leak = any(each.leak_pa_per_s is not None for each in self.report.traces)
        temperatures = temperatures_of(self.report)
        heights = [PRESSURE_IN, *([LEAK_IN] if has_leak else []), *([TEMPERATURE_IN] if temperatures else [])]
        total_in = head_in + sum(heights) + STRIP_IN + BETWEEN_IN * (len(heights) - 1) + self.foot_in
        self.figure.set_size_inches(self.width_in, total_in)
        axes = []
        top_in = total_in - head_in
        for number, height_in in enumerate(heights):
            axes.append(self._panel(top_in, height_in, total_in))
            top_in -= height_in + BETWEEN_IN + (STRIP_IN if number == 0 else 0.0)
        self._draw_pressure(axes[0])
        self._draw_stages(axes[0])
        if has_leak:
            self._draw_leak(axes[1])
        if temperatures:
            self._draw_temperatures(axes[-1], temperatures)
        self._draw_marks(axes, marks, places)
        self._draw_hours(axes)

    def _panel(self, top_in: float, height_in: float, total_in: float) -> Axes:
        wide = (self.width_in - self.across.left_in - self.across.right_in) / self.width_in
        axis = self.figure.add_axes(
            (self.across.left_in / self.width_in, (top_in - height_in) / total_in, wide, height_in / total_in)
        )
        axis.set_xlim(0.0, self.across.end_h)
        return axis

    # -- pressure ----------------------------------------------------------------------------------

    def _draw_pressure(self, axis: Axes) -> None:
        report, unit = self.report, self.unit_pa
        gauge = thinned(report.gauge)
        corrected = [(each.t_s, each.corrected_gauge_pa) for each in report.traces]
        floor_pa, working_pa = report.pot.floor_pa, report.pot.working_pa
        shut = [each.gauge_pa for each in report.traces if each.stage in SHUT and each.gauge_pa is not None]
        whole = [value for _, value in gauge if value is not None]
        shown = [*(shut or whole), floor_pa, working_pa]
        low, high = min(shown) / unit, max(shown) / unit
        room = 0.07 * (high - low)
        axis.set_ylim(low - room, high + room)
        title(self.figure, self.across.left_in, f"Pressure, {report.pot.pressure_unit} gauge")
        for silence in report.silences:
            self._draw_silence(axis, silence.from_s, silence.to_s)
        for level_pa in (floor_pa, working_pa):
            axis.axhline(level_pa / unit, **LEVEL)
        axis.plot(*self._line(corrected, unit), color=CORRECTED, lw=2.4, solid_capstyle="butt")
        axis.plot(*self._line(gauge, unit), color=READ, lw=1.0)
        names = [
            ("floor", floor_pa / unit, QUIET),
            ("working\npressure", working_pa / unit, QUIET),
            ("gauge", last_value(gauge, report.summary.hold_end_s, unit), READ),
            (
                "corrected for\ntemperature",
                last_value(corrected, report.summary.hold_end_s, unit),
                CORRECTED_WORD,
            ),
        ]
        self._name_ends(axis, names, PRESSURE_IN)

    def _draw_silence(self, axis: Axes, from_s: float, to_s: float) -> None:
        from_h, to_h = self.across.hours(from_s), self.across.hours(to_s)
        axis.axvspan(from_h, to_h, facecolor="#eeeeee", edgecolor="none")
        text = "no good reading"
        if self.across.inches(to_h - from_h) > width_of(text):
            axis.text(
                (from_h + to_h) / 2, 0.5, text, transform=axis.get_xaxis_transform(), ha="center", color=QUIET
            )

    def _draw_stages(self, axis: Axes) -> None:
        """Draw the strip of stages under the pressure."""
        entered = [(event.t_s, event.stage) for event in self.report.events if isinstance(event, StageEvent)]
        # a batch opened and closed by hand may have entered none
        ends_s = [t_s for t_s, _ in [*entered, (self.report.summary.end_s, None)][1:]]
        foot = -STRIP_IN / PRESSURE_IN
        across = axis.get_xaxis_transform()
        for number, ((from_s, stage), to_s) in enumerate(zip(entered, ends_s, strict=True)):
            from_h, to_h = (
                max(self.across.hours(from_s), 0.0),
                min(self.across.hours(to_s), self.across.end_h),
            )
            if to_h <= from_h or stage is Stage.OPEN:
                continue
            tint = "#e4e4e4" if number % 2 else "#f4f4f4"
            axis.fill_between(
                [from_h, to_h], foot, -0.012, transform=across, color=tint, lw=0.0, clip_on=False
            )
            if self.across.inches(to_h - from_h) > width_of(f"{stage} "):
                axis.text(
                    (from_h + to_h) / 2, foot / 2, stage, transform=across, ha="center", va="center",
                    color=QUIET, fontsize=FONT_PT - 0.5,
                )  # fmt: skip

    # -- leak rate ---------------------------------------------------------------------------------

    def _draw_leak(self, axis: Axes) -> None:
        report = self.report
        unit = self.unit_pa / SECONDS_PER_HOUR
        rates = [(each, each.leak_pa_per_s) for each in report.traces]
        value, low, high = (
            [(each.t_s, None if rate is None else getattr(rate, end)) for each, rate in rates]
            for end in ("value", "low", "high")
        )
        sure = [
            (each.t_s, rate.value if rate is not None and each.leak_established else None)
            for each, rate in rates
        ]
        axis.set_ylim(*rate_limits(report, unit))
        self._head(axis, f"Air lost, {report.pot.pressure_unit}/h, with its 95 % band")
        axis.axhline(0.0, **LEVEL)
        hours, lows = self._line(low, unit)
        axis.fill_between(hours, lows, self._line(high, unit)[1], color="#bcd6e6", lw=0.0)
        axis.plot(*self._line(value, unit), color=READ, lw=1.0)
        axis.plot(*self._line(sure, unit), color=READ, lw=2.4, solid_capstyle="butt")
        ends = [("no leak", 0.0, QUIET), ("estimate", last_value(value, None, unit), READ)]
        last = report.summary.leak
        if last is None or not last.established:
            ends = [("no leak", 0.0, QUIET)]
            axis.text(
                0.5,
                0.9,
                "no leak established",
                transform=axis.transAxes,
                ha="center",
                va="top",
                color=QUIET,
                bbox=PAPER,
            )
        elif last.onset_s is not None:
            onset = [
                self.across.hours(each) for each in (last.onset_s.low, last.onset_s.value, last.onset_s.high)
            ]
            axis.plot(onset[::2], [0.0, 0.0], color=INK, lw=1.4, marker="|", ms=6.0, clip_on=False)
            axis.plot(onset[1], 0.0, "o", color=INK, ms=3.5, clip_on=False)
            right = onset[1] < 0.7 * self.across.end_h
            axis.annotate(
                f"began about {report.clock(last.onset_s.value)}", (onset[2 if right else 0], 0.0),
                xytext=(4 if right else -4, -2), textcoords="offset points",
                va="top", ha="left" if right else "right", bbox=PAPER,
            )  # fmt: skip
        self._name_ends(axis, ends, LEAK_IN)

    # -- temperatures ------------------------------------------------------------------------------

    def _draw_temperatures(self, axis: Axes, temperatures: dict[Place, Points]) -> None:
        ends = []
        shown: list[float] = []
        for place, style, width in (
            (Place.GAS, "-", 1.6),
            (Place.WALL, DASHED, 1.2),
            (Place.ROOM, "-.", 0.9),
            (Place.CONTENTS, DOTTED, 1.6),
        ):
            if place not in temperatures:
                continue
            hours, degrees = self._line(temperatures[place], 1.0)
            axis.plot(hours, degrees, color=INK, lw=width, ls=style)
            ends.append((place.value, last_value(temperatures[place], None, 1.0), INK))
            shown += [
                d for h, d in zip(hours, degrees, strict=True) if d == d and h > 0.03 * self.across.end_h
            ]
        axis.set_ylim(*temperature_limits(shown))
        self._head(axis, f"Temperature, °{self.report.pot.temperature_unit}")
        self._name_ends(axis, ends, TEMPERATURE_IN)

    # -- shared by all panels ----------------------------------------------------------------------

    def _draw_marks(self, axes: list[Axes], marks: list[Mark], places: list[tuple[int, int]]) -> None:
        for mark, (row, side) in zip(marks, places, strict=True):
            for axis in axes:
                axis.axvline(mark.hours, color=mark.colour, ls=mark.style, lw=mark.width, zorder=1.5)
            name_above(axes[0], mark.hours, mark.text, row, side, mark.colour)

    def _draw_hours(self, axes: list[Axes]) -> None:
        ticks = self.across.ticks()
        for axis in axes[:-1]:
            axis.set_xticks([hours for hours, _ in ticks], [""] * len(ticks))
        axes[0].tick_params(axis="x", length=0)
        axes[-1].set_xticks([hours for hours, _ in ticks], [text for _, text in ticks])
        for axis in axes:
            axis.locator_params(axis="y", nbins=6 if axis is axes[0] else 4, steps=[1, 2, 5, 10])

    def _head(self, axis: Axes, text: str) -> None:
        axis.set_title(text, loc="left", fontsize=FONT_PT, fontweight="bold", pad=4.0)

    def _name_ends(self, axis: Axes, ends: Iterable[tuple[str, float | None, str]], height_in: float) -> None:
        """Name lines in the right margin, in the order of their ends, without overlap."""
        low, high = axis.get_ylim()
        known = sorted((value, text, colour) for text, value, colour in ends if value is not None)
        shares = [min(max((value - low) / (high - low), 0.0), 1.0) for value, _, _ in known]
        halves = [0.5 * _NAME_IN * len(text.splitlines()) / height_in for _, text, _ in known]
        heights = apart(shares, halves, -0.1, 1.1)
        for (_, text, colour), share, height in zip(known, shares, heights, strict=True):
            axis.annotate(
                text, (1.0, share), xytext=(1.02 if self.is_wide else 1.03, height), xycoords="axes fraction",
                textcoords="axes fraction", va="center", color=colour, linespacing=1.05,
                arrowprops={**LEADER, "color": "#bbbbbb", "shrinkA": 1},
            )  # fmt: skip

    def _line(self, points: Points, unit: float) -> tuple[list[float], list[float]]:
        hours = [self.across.hours(t_s) for t_s, _ in points]
        return hours, [float("nan") if value is None else value / unit for _, value in points]
