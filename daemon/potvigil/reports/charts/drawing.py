"""What the charts draw alike: a figure as SVG within a page, its title, names above lines and beside them.

Imported when a report is written: matplotlib is of the extra `report`.
"""

from collections.abc import Callable, Sequence
from io import StringIO
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from potvigil.reports.charts.chart_style import FONT_PT, LEADER, LINE_IN, LOOK, to_stand_in_a_page

_POINTS_PER_IN = 72.0
_ABOVE_PT, _BESIDE_PT = 4.0, 2.5  # a name from its panel and from its line


def svg_of(draw: Callable[[Figure], None], prefix: str) -> str:
    """Return what `draw` draws. prefix: of its ids, so that several charts may stand in one page."""
    file = StringIO()
    with rc_context(LOOK):
        figure = Figure(dpi=_POINTS_PER_IN)
        FigureCanvasSVG(figure)
        draw(figure)
        figure.savefig(file, format="svg", metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")))
    return to_stand_in_a_page(file.getvalue(), prefix)


def title(figure: Figure, left_in: float, text: str) -> None:
    """Write what a chart's first panel shows, at its very top: above the names of lines."""
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
    stands = "left" if side > 0 else "right"
    axis.annotate(text, xytext=(_BESIDE_PT * side, up_pt), ha=stands, va="bottom", color=colour, **where)


def apart(wanted: Sequence[float], halves: Sequence[float], low: float, high: float) -> list[float]:
    """Return where names stand that want to be at these heights, in rising order, so that none meets another.

    halves: half their heights. low, high: between these they stay; what does not fit stays at the top.
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
