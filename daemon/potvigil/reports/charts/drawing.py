"""Drawing shared by the charts: a figure as inline SVG, its title, the names above and beside lines.

Imported only when a report is written: matplotlib comes with the extra `report`.
"""

from collections.abc import Callable, Sequence
from io import StringIO
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from potvigil.reports.charts.chart_style import FONT_PT, LEADER, LINE_IN, LOOK, for_inlining

_POINTS_PER_IN = 72.0
_ABOVE_PT, _BESIDE_PT = 4.0, 2.5  # distance of a name from its panel and from its line


def svg_of(draw: Callable[[Figure], None], prefix: str) -> str:
    """Return what `draw` draws, as SVG. prefix: of its ids, so that a page can hold several charts."""
    file = StringIO()
    with rc_context(LOOK):
        figure = Figure(dpi=_POINTS_PER_IN)
        FigureCanvasSVG(figure)
        draw(figure)
        figure.savefig(file, format="svg", metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")))
    return for_inlining(file.getvalue(), prefix)


def title(figure: Figure, left_in: float, text: str) -> None:
    """Write the title of a chart's first panel at the very top, above the names of lines."""
    left = left_in / figure.get_figwidth()
    figure.text(left, 1.0, text, fontsize=FONT_PT, fontweight="bold", va="top", ha="left")


def name_above(axis: Axes, x: float, text: str, row: int, side: int, colour: str) -> None:
    """Write the name of a vertical line above its panel. row: from 0; side: 1 right of the line, -1 left."""
    up_pt = _ABOVE_PT + _POINTS_PER_IN * LINE_IN * row
    where: dict[str, Any] = {
        "xy": (x, 1.0),
        "xycoords": ("data", "axes fraction"),
        "textcoords": "offset points",
        "annotation_clip": False,
    }
    if row:
        axis.annotate("", xytext=(0, up_pt), arrowprops={**LEADER, "color": colour}, **where)
    align = "left" if side > 0 else "right"
    axis.annotate(text, xytext=(_BESIDE_PT * side, up_pt), ha=align, va="bottom", color=colour, **where)


def apart(wanted: Sequence[float], halves: Sequence[float], low: float, high: float) -> list[float]:
    """Return heights for names, as near as may be to the wanted ones, at which none overlaps another.

    wanted: rising. halves: half the names' heights. low, high: the limits; if space runs out, the lowest
    names go below `low`.
    """
    heights: list[float] = []
    below = low
    for height, half in zip(wanted, halves, strict=True):
        heights.append(max(height, below + half))
        below = heights[-1] + half
    above = high
    for i in reversed(range(len(heights))):
        heights[i] = min(heights[i], above - halves[i])
        above = heights[i] - halves[i]
    return heights
