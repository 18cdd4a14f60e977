"""The control chart of a pot as one inline SVG: each batch's leak, its moving average and the limits.

Points out of limits have a shape of their own, so that nothing depends on colour.
Imported only when the page is written: matplotlib comes with the extra `report`.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from math import ceil

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from potvigil.model.ageing import BatchLeak, Health, Point, Side
from potvigil.model.events import Interval
from potvigil.model.maintenance import TIGHTNESS, Care
from potvigil.reports.charts.chart_style import (
    ALARM,
    DASHED,
    DOTTED,
    FONT_PT,
    INK,
    LEFT_IN,
    LEVEL,
    LINE_IN,
    PAPER,
    QUIET,
    READ,
    WIDE_IN,
    width_of,
)
from potvigil.reports.charts.drawing import name_above, svg_of, title
from potvigil.units import PA_PER_PSI, PRESSURE_UNITS_PA, SECONDS_PER_HOUR

DRAWN, DRAWN_NARROW = 200, 60  # batches; more would be a grey band on paper
HIGH_IN, FOOT_IN = 2.7, 0.36
_RIGHT_IN = 0.12
_NAMED_CARES = 8
_WITHIN_VIEW = 2.0  # times the highest leak: a bearable leak further up would flatten the others
_LEAST_HIGH_PSI_PER_H = 0.1


def health_chart_svg(health: Health, unit: str, tz: tzinfo | None, width_in: float = WIDE_IN) -> str:
    """Return the control chart, `width_in` wide; rates in `unit`/h."""
    return svg_of(
        lambda figure: HealthChart(health, unit, tz, figure, width_in).draw(), f"h{width_in * 10:.0f}-"
    )


def short_part(care: Care) -> str:
    return care.part.value.replace("-", " ")


class HealthChart:
    """One drawing; batches are evenly spaced, however much time lay between them."""

    def __init__(self, health: Health, unit: str, tz: tzinfo | None, figure: Figure, width_in: float) -> None:
        self.health, self.tz, self.figure, self.width_in = health, tz, figure, width_in
        self.unit, self.rate_unit = unit, PRESSURE_UNITS_PA[unit] / SECONDS_PER_HOUR
        self.is_wide = width_in > 5.0
        self.batches = health.batches[-(DRAWN if self.is_wide else DRAWN_NARROW) :]
        self.at = {batch.batch_id: x for x, batch in enumerate(self.batches)}
        self.runs = [
            [point for point in regime.points if point.batch.batch_id in self.at] for regime in health.regimes
        ]
        self.points = [point for run in self.runs for point in run]

    def draw(self) -> None:
        cares = self._cares()
        rows = self._rows(cares)
        head_in = 0.3 + LINE_IN * (max(rows, default=-1) + 1)
        legend_in = 0.34 if self.is_wide else 0.68
        total_in = head_in + HIGH_IN + FOOT_IN + legend_in
        self.figure.set_size_inches(self.width_in, total_in)
        axis = self.figure.add_axes(
            (
                LEFT_IN / self.width_in,
                (FOOT_IN + legend_in) / total_in,
                self._wide_in() / self.width_in,
                HIGH_IN / total_in,
            )
        )
        axis.set_xlim(-1.0, max(len(self.batches), 8))
        low, high = self._limits()
        axis.set_ylim(low, high)
        axis.axhline(0.0, **LEVEL)
        for run in self.runs:
            self._draw_average(axis, run)
        self._draw_bearable(axis)
        self._draw_batches(axis, low, high)
        self._draw_cares(axis, cares, rows)
        self._draw_dates(axis)
        title(self.figure, LEFT_IN, self._title())
        if axis.get_legend_handles_labels()[1]:
            self.figure.legend(
                *axis.get_legend_handles_labels(), loc="lower left", ncols=5 if self.is_wide else 2,
                frameon=False, fontsize=FONT_PT, bbox_to_anchor=(0.0, 0.0), borderaxespad=0.0,
                columnspacing=1.3, handletextpad=0.5, handlelength=1.6,
            )  # fmt: skip

    def _title(self) -> str:
        least = len(self.health.batches) - len(self.batches)
        last = f", the last {len(self.batches)}{' batches' if self.is_wide else ''}" if least else ""
        which = "of each batch at the end of its hold" if self.is_wide else "at the end of the hold"
        return f"Leak {which}, {self.unit}/h{last}"

    def _limits(self) -> tuple[float, float]:
        """Return limits that hold all points but those far out, and most of the bars."""
        usual = [p for p in self.points if p.far is None or p.outside is not None] or self.points
        tops = [0.0, _LEAST_HIGH_PSI_PER_H * PA_PER_PSI / SECONDS_PER_HOUR / self.rate_unit]
        bottoms = [0.0]
        if usual:
            rates = [point.rate / self.rate_unit for point in usual]
            highs = sorted(_rate(point).high / self.rate_unit for point in usual)
            lows = sorted(_rate(point).low / self.rate_unit for point in usual)
            tops += [max(rates), highs[int(0.9 * (len(highs) - 1))]]
            bottoms += [min(rates), lows[ceil(0.1 * (len(lows) - 1))]]
        bearable = self._bearable()
        if bearable is not None and bearable < _WITHIN_VIEW * max(tops):
            tops.append(bearable)
        room = 0.07 * (max(tops) - min(bottoms))
        return min(bottoms) - room, max(tops) + room

    def _bearable(self) -> float | None:
        bearable = self.health.bearable_pa_per_s
        return None if bearable is None else bearable / self.rate_unit

    def _draw_bearable(self, axis: Axes) -> None:
        bearable = self._bearable()
        if bearable is None or bearable > axis.get_ylim()[1]:
            return
        axis.axhline(bearable, color=ALARM, lw=1.1, ls=DASHED)
        axis.annotate(
            "most a batch can tolerate", (1.0, bearable), xycoords=("axes fraction", "data"),
            xytext=(-2, 2.5), textcoords="offset points", ha="right", va="bottom", color=ALARM, bbox=PAPER,
        )  # fmt: skip

    def _draw_average(self, axis: Axes, run: Sequence[Point]) -> None:
        """Draw EWMA and limits of one regime; regimes are not joined."""
        judged = [point for point in run if point.value is not None]
        if not judged:
            return
        x = [self.at[point.batch.batch_id] for point in judged]
        names = (
            {}
            if axis.get_legend_handles_labels()[1]
            else {"average": "moving average", "limits": "its limits"}
        )
        low, high, value = (
            [getattr(point, end) / self.rate_unit for point in judged] for end in ("low", "high", "value")
        )
        axis.fill_between(x, low, high, step="mid", color="#ebebeb", lw=0.0, label=names.get("limits"))
        for end in (low, high):
            axis.step(x, end, where="mid", color=QUIET, lw=0.6)
        axis.plot(x, value, color=INK, lw=1.6, solid_joinstyle="round", label=names.get("average"))

    def _draw_batches(self, axis: Axes, low: float, high: float) -> None:
        many = len(self.batches) > 120
        bars = [
            (self.at[p.batch.batch_id], _rate(p).low / self.rate_unit, _rate(p).high / self.rate_unit)
            for p in self.points
        ]
        if bars:
            axis.vlines(*zip(*bars, strict=True), color=READ, lw=0.5 if many else 0.8, alpha=0.55)
        size = 8.0 if many else 14.0
        for name, colour, filled, shape, points in (
            ("first batches", READ, False, "o", [p for p in self.points if _is_first(p)]),
            ("batch, 95 % bar", READ, True, "o", [p for p in self.points if _is_plain(p)]),
            ("lasting change", ALARM, True, "s", [p for p in self.points if p.outside]),
            (
                "single night far above",
                ALARM,
                True,
                "^",
                [p for p in self.points if _is_alone(p, Side.ABOVE)],
            ),
            (
                "single night far below",
                ALARM,
                True,
                "v",
                [p for p in self.points if _is_alone(p, Side.BELOW)],
            ),
        ):
            if points:
                axis.scatter(
                    [self.at[p.batch.batch_id] for p in points],
                    [min(max(p.rate / self.rate_unit, low), high) for p in points],
                    s=size * {"o": 1.0, "s": 1.3}.get(shape, 2.2), marker=shape, label=name, clip_on=False,
                    facecolor=colour if filled else "white", edgecolor=colour, lw=0.8, zorder=3.0,
                )  # fmt: skip
        self._draw_figures(axis, low, high)
        missing = [x for x, batch in enumerate(self.batches) if batch.rate_pa_per_s is None]
        if missing:
            axis.scatter(
                missing, [low] * len(missing), marker="x", s=10.0, color=QUIET, lw=0.8, clip_on=False,
                label="no estimate",
            )  # fmt: skip

    def _draw_figures(self, axis: Axes, low: float, high: float) -> None:
        """Write the figure beside each batch beyond the edge, where there is room."""
        taken = -1e9
        for point in self.points:
            rate, x = point.rate / self.rate_unit, self.at[point.batch.batch_id]
            if low <= rate <= high or self._inches(x - taken) < 0.35:
                continue
            taken = x
            right = self._inches(len(self.batches) - x) > 0.4
            axis.annotate(
                f"{rate:.1f}", (x, high if rate > high else low), xytext=(5 if right else -5, 0),
                textcoords="offset points", va="center", ha="left" if right else "right", color=ALARM,
                bbox=PAPER, annotation_clip=False,
            )  # fmt: skip

    # -- care and dates -----------------------------------------------------------------------------

    def _cares(self) -> list[tuple[float, Care]]:
        """Return where to draw care: before the first batch after it."""
        if not self.batches:
            return []
        first_s = self.batches[0].t_s
        is_whole = len(self.batches) == len(self.health.batches)
        drawn = []
        x = 0
        for care in self.health.cares:
            while x < len(self.batches) and self.batches[x].t_s < care.t_s:
                x += 1
            if is_whole or care.t_s >= first_s:
                drawn.append((x - 0.5, care))
        return drawn

    def _rows(self, cares: Sequence[tuple[float, Care]]) -> list[int]:
        """Return the row of each care's name, -1 for none, so that no names overlap."""
        named = set(range(len(cares)))
        if len(cares) > _NAMED_CARES:
            named = {i for i, (_, care) in enumerate(cares) if care.part in TIGHTNESS}
            named = set(sorted(named)[-_NAMED_CARES:])
        ends: list[float] = []
        rows = []
        for i, (x, care) in enumerate(cares):
            if i not in named:
                rows.append(-1)
                continue
            low, high = sorted((x, x + self._side(x, care) * self._batches(self._text_in(care) + 0.08)))
            row = next((r for r, end in enumerate(ends) if end < low), len(ends))
            ends[row : row + 1] = [high]
            rows.append(row)
        return rows

    def _draw_cares(self, axis: Axes, cares: Sequence[tuple[float, Care]], rows: Sequence[int]) -> None:
        for (x, care), row in zip(cares, rows, strict=True):
            strong = care.part in TIGHTNESS
            colour = INK if strong else QUIET
            axis.axvline(x, color=colour, ls="-" if strong else DOTTED, lw=1.0 if strong else 0.7, zorder=1.5)
            if row >= 0:
                name_above(axis, x, self._name(care), row, self._side(x, care), colour)

    def _name(self, care: Care) -> str:
        return short_part(care) + ("" if care.utc_s is None else f" {self._date(care.utc_s)}")

    def _side(self, x: float, care: Care) -> int:
        return 1 if self._inches(max(len(self.batches), 8) - x) + _RIGHT_IN > self._text_in(care) else -1

    def _text_in(self, care: Care) -> float:
        return width_of(self._name(care))

    def _wide_in(self) -> float:
        return self.width_in - LEFT_IN - _RIGHT_IN

    def _inches(self, batches: float) -> float:
        return batches * self._wide_in() / (max(len(self.batches), 8) + 1)

    def _batches(self, inches: float) -> float:
        return inches * (max(len(self.batches), 8) + 1) / self._wide_in()

    def _date(self, utc_s: float) -> str:
        day = datetime.fromtimestamp(utc_s, UTC).astimezone(self.tz)
        return f"{day.day} {day:%b}"

    def _draw_dates(self, axis: Axes) -> None:
        """Write dates under every few batches, their numbers where there was no clock."""
        most = 9 if self.is_wide else 4
        step = next(
            s for n in range(6) for s in (10**n, 2 * 10**n, 5 * 10**n) if len(self.batches) / s <= most
        )
        ticks = list(range(0, len(self.batches), step))
        axis.set_xticks(ticks, [self._tick(self.batches[x]) for x in ticks])
        axis.locator_params(axis="y", nbins=6, steps=[1, 2, 5, 10])

    def _tick(self, batch: BatchLeak) -> str:
        return f"{batch.batch_id}" if batch.utc_s is None else f"{batch.batch_id}\n{self._date(batch.utc_s)}"


def _rate(point: Point) -> Interval:
    rate = point.batch.rate_pa_per_s
    assert rate is not None  # a batch without an estimate has no point
    return rate


def _is_alone(point: Point, side: Side) -> bool:
    return point.far is side and point.outside is None


def _is_first(point: Point) -> bool:
    return point.value is None and point.far is None


def _is_plain(point: Point) -> bool:
    return point.value is not None and point.far is None and point.outside is None
