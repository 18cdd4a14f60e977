"""A chart as it stands on paper: its panels and lines, and where each of its texts lies."""

from collections.abc import Iterator
from itertools import combinations

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from potvigil.reports.charts.batch_chart import BatchChart
from potvigil.reports.charts.chart_style import LOOK, WIDE_IN
from potvigil.reports.model import BatchReport


def batch_figure(report: BatchReport, width_in: float = WIDE_IN) -> Figure:
    """Return the chart of a batch, drawn: a dot is a point of 1/72 inch."""
    figure = Figure(dpi=72)
    return drawn(figure, BatchChart(report, figure, width_in))


def drawn(figure: Figure, chart: object) -> Figure:
    """Let a chart draw itself on a figure, and return that."""
    with rc_context(LOOK):
        FigureCanvasAgg(figure)
        chart.draw()  # type: ignore[attr-defined]
        figure.canvas.draw()
    return figure


def texts(figure: Figure) -> Iterator[tuple[Text, Bbox]]:
    """Yield each text that is shown and its box, in points from the lower left."""
    beyond = {
        label
        for axis in figure.axes
        for label, tick in zip(axis.get_yticklabels(), axis.get_yticks(), strict=True)
        if not axis.get_ylim()[0] <= tick <= axis.get_ylim()[1]  # matplotlib has it and does not draw it
    }
    for text in figure.findobj(Text):
        if text not in beyond and text.get_visible() and text.get_text().strip():
            box = Text.get_window_extent(text)  # of an annotation without its arrow
            if box.width > 0.0:
                yield text, box


def box_of(figure: Figure, words: str) -> Bbox:
    """Return where a text lies; there is one of it."""
    (box,) = [box for text, box in texts(figure) if text.get_text() == words]
    return box


def said(figure: Figure) -> list[str]:
    return [text.get_text() for text, _ in texts(figure)]


def touching(figure: Figure) -> list[tuple[str, str]]:
    """Return which texts lie on each other by more than a hair."""
    return [
        (one.get_text(), other.get_text())
        for (one, a), (other, b) in combinations(list(texts(figure)), 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 0.5 and min(a.y1, b.y1) - max(a.y0, b.y0) > 2.0
    ]


def vertical(axis: Axes) -> list[tuple[float, str, float]]:
    """Return the lines that run through a panel from its foot to its top: where, colour, weight."""
    return [
        (float(line.get_xdata()[0]), str(line.get_color()), float(line.get_linewidth()))
        for line in axis.lines
        if list(line.get_ydata()) == [0, 1] and line.get_xdata()[0] == line.get_xdata()[1]
    ]
