"""What a reader needs of a batch's chart: names that can be read, in their place, apart from the curves."""

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.patches import FancyArrowPatch

from demo_pot import PSI
from drawn_chart import batch_figure, box_of, said, texts
from made_report import NO_DETAILS, POT, made_night, made_report, trace
from potvigil.model.events import BatchOpened, Interval, Stage, StageEvent
from potvigil.reports.charts.batch_chart import chart_svg
from potvigil.reports.charts.chart_style import FONT_PT, INK, LEVEL, NARROW_IN, QUIET, WIDE_IN, width_of
from potvigil.reports.model import ReadingGap

NIGHT = made_night()
DRAWN = {width_in: batch_figure(NIGHT, width_in) for width_in in (WIDE_IN, NARROW_IN)}
EITHER = pytest.mark.parametrize("width_in", DRAWN)
LINE_PT = 0.13 * 72.0  # height of a line among the names at the right


def hours(t_s: float) -> float:
    return (t_s - 100.0) / 3600.0


def names_of(figure, axis):
    """Return the names in the right margin of a panel, and their boxes."""
    return [
        (text, box)
        for text, box in texts(figure)
        if text.axes is axis and box.x0 > axis.bbox.x1 and text.get_verticalalignment() == "center"
    ]


def sparse(**changes):
    """Return the night with a trace an hour."""
    return batch_figure(made_night(**({"traces": NIGHT.traces[::60], "gauge": NIGHT.gauge[::20]} | changes)))


# --- letters


@EITHER
def test_no_text_is_smaller_than_seven_points_or_larger_than_the_rest(width_in) -> None:
    assert {7.0 <= text.get_fontsize() <= FONT_PT for text, _ in texts(DRAWN[width_in])} == {True}


def test_the_estimated_width_of_a_name_suffices_for_nearly_all() -> None:
    for text, box in texts(DRAWN[WIDE_IN]):
        for line in text.get_text().splitlines():
            assert len(text.get_text().splitlines()) > 1 or box.width <= 72.0 * width_of(line) * 1.2


@EITHER
def test_names_of_two_lines_are_read_as_one(width_in) -> None:
    figure = DRAWN[width_in]
    for words in ("working\npressure", "corrected for\ntemperature"):
        height = box_of(figure, words).height
        assert 2.0 * FONT_PT < height < 2.0 * LINE_PT


# --- names at the right


@EITHER
def test_names_stand_just_beyond_the_panel_with_a_leader_from_the_line(width_in) -> None:
    figure = DRAWN[width_in]
    for axis in figure.axes:
        names = names_of(figure, axis)
        assert len(names) in (2, 3, 4)
        for text, box in names:
            assert 4.0 < box.x0 - axis.bbox.x1 < 9.0
            leader: FancyArrowPatch = text.arrow_patch
            ends = np.asarray(leader._get_path_in_displaycoord()[0][0].vertices)
            (left, right) = sorted(ends[[0, -1]].tolist())
            assert left[0] == pytest.approx(axis.bbox.x1, abs=0.2)
            assert left[1] == pytest.approx(axis.bbox.y0 + text.xy[1] * axis.bbox.height, abs=0.2)
            assert 2.5 < box.x0 - right[0] < 3.5  # and does not touch it
            assert leader.get_linewidth() == 0.5 and leader.get_arrowstyle().__class__.__name__ == "Curve"


@pytest.mark.parametrize("at_psi", [30.0, 44.0, 45.1, 59.9, 61.0, 80.0])
def test_names_of_close_lines_stay_beside_their_panel(at_psi) -> None:
    """The gauge ends close to the floor, close to the working pressure, or outside what the panel holds."""
    traces = tuple(
        trace(t_s, gauge_pa=50.0 * PSI, corrected_gauge_pa=at_psi * PSI, leak_pa_per_s=None, gas_k=None)
        for t_s in (3000.0, 9000.0)
    )
    figure = batch_figure(made_night(traces=traces, gauge=((3000.0, 50.0 * PSI), (9000.0, at_psi * PSI))))
    (axis,) = figure.axes
    boxes = sorted((box.y0, box.y1) for _, box in names_of(figure, axis))
    assert len(boxes) == 4
    assert all(low[1] <= high[0] + 2.0 for low, high in pairwise(boxes))
    high = axis.bbox.height
    assert boxes[0][0] >= axis.bbox.y0 - 0.1 * high - 1.0
    assert boxes[-1][1] <= axis.bbox.y1 + 0.1 * high + 1.0


def test_the_name_of_a_line_that_left_the_panel_stands_at_its_edge() -> None:
    rows = [trace(2000.0 + 300.0 * i, gas_k=293.15 + 0.01 * i, leak_pa_per_s=None) for i in range(101)]
    for last_k, share in ((200.0, 0.0), (400.0, 1.0)):
        figure = sparse(traces=(*rows, trace(35_000.0, gas_k=last_k, leak_pa_per_s=None)))
        axis, box = figure.axes[-1], box_of(figure, "gas")
        middle = (box.y0 + box.y1) / 2.0
        assert middle == pytest.approx(axis.bbox.y0 + share * axis.bbox.height, abs=0.6)


# --- names in the panels


@EITHER
def test_headings_stand_close_above_their_panels(width_in) -> None:
    figure = DRAWN[width_in]
    for axis, words in zip(
        figure.axes[1:], ("Air lost, psi/h, with its 95 % band", "Temperature, °C"), strict=True
    ):
        box = box_of(figure, words)
        assert 1.0 < box.y0 - axis.bbox.y1 < 5.0
        assert box.x0 == pytest.approx(axis.bbox.x0, abs=0.5)
    heading = box_of(figure, "Pressure, psi gauge")
    assert heading.x0 == pytest.approx(figure.axes[0].bbox.x0, abs=0.5)
    assert heading.y1 == pytest.approx(figure.bbox.y1, abs=2.0)


@pytest.mark.parametrize("onset_h", [1.0, 6.99, 7.2, 9.5])
def test_the_name_of_the_onset_is_within_the_panel_close_below_its_mark(onset_h) -> None:
    at_s = 100.0 + 3600.0 * onset_h
    leak = replace(NIGHT.summary.leak, onset_s=Interval(at_s, at_s - 60.0, at_s + 60.0))
    figure = sparse(summary=replace(NIGHT.summary, leak=leak))
    axis = figure.axes[1]
    ((text, box),) = [(text, box) for text, box in texts(figure) if text.get_text().startswith("began about")]
    at = axis.transData.transform((onset_h, 0.0))
    assert 1.5 < at[1] - box.y1 < 2.5
    assert axis.bbox.x0 <= box.x0 and box.x1 <= axis.bbox.x1 + 1.0
    assert bool(box.x0 > at[0]) is (onset_h < 0.7 * hours(36_500.0))
    ends, dot = [line for line in axis.lines if line.get_color() == INK and line.get_ydata()[-1] == 0.0]
    assert 1.0 <= ends.get_linewidth() < dot.get_markersize() / 2.0 < ends.get_markersize() / 1.5 < 5.0
    assert not ends.get_clip_on() and not dot.get_clip_on()  # half of them would be cut off at the edge
    paper = text.get_bbox_patch()
    sheet = paper.get_window_extent()
    assert all(0.5 < margin < 1.5 for margin in (box.x0 - sheet.x0, sheet.x1 - box.x1, box.y0 - sheet.y0))
    assert paper.get_facecolor() == (1.0, 1.0, 1.0, 1.0) and paper.get_edgecolor()[3] == 0.0


def test_levels_are_lighter_than_any_curve() -> None:
    for axis in DRAWN[WIDE_IN].axes:
        levels = [line for line in axis.lines if list(line.get_xdata()) == [0, 1]]
        curves = [line for line in axis.lines if len(line.get_xdata()) > 10]
        assert len(levels) == {0: 2, 1: 1, 2: 0}[DRAWN[WIDE_IN].axes.index(axis)]
        for line in levels:
            assert 0.5 < line.get_linewidth() < min(each.get_linewidth() for each in curves)
            assert line.get_color() == QUIET and line.is_dashed()
    assert LEVEL["lw"] < 1.0


# --- the strip of stages


def in_the_strip(shut_s: float, width_in: float):
    """Return a chart of a ten-hour batch that held for that long and vented for the rest."""
    events = (
        BatchOpened(100.0, None),
        StageEvent(100.0, None, Stage.HOLDING),
        StageEvent(100.0 + shut_s, None, Stage.VENTING),
    )
    summary = replace(NO_DETAILS, stages={}, leak=None, end_s=36_100.0)
    return batch_figure(made_report(events=events, summary=summary), width_in)


@EITHER
def test_a_stage_is_named_once_its_name_fits(width_in) -> None:
    across_in = width_in - 0.46 - (1.02 if width_in == WIDE_IN else 0.84)
    needed_s = 36_000.0 * width_of("holding ") / across_in
    assert "holding" not in said(in_the_strip(0.98 * needed_s, width_in))
    figure = in_the_strip(1.02 * needed_s, width_in)
    box, axis = box_of(figure, "holding"), figure.axes[0]
    assert axis.bbox.x0 <= box.x0
    assert box.x1 <= axis.transData.transform((1.02 * needed_s / 3600.0, 0.0))[0]
    strip = axis.bbox.y0 - 0.16 * 72.0
    assert strip <= box.y0 and box.y1 <= axis.bbox.y0


@EITHER
def test_a_silence_is_named_once_the_words_fit(width_in) -> None:
    words = "no good reading"
    across_in = width_in - 0.46 - (1.02 if width_in == WIDE_IN else 0.84)
    needed_s = 36_000.0 * width_of(words) / across_in
    summary = replace(NO_DETAILS, stages={}, leak=None, end_s=36_100.0)
    for share, is_named in ((0.98, False), (1.02, True)):
        silence = ReadingGap(10_000.0, 10_000.0 + share * needed_s, "bus error")
        figure = batch_figure(made_report(silences=(silence,), summary=summary), width_in)
        assert (words in said(figure)) is is_named


@EITHER
def test_ticks_are_drawn_below_the_panels_that_have_no_strip(width_in) -> None:
    lengths = [
        {tick.tick1line.get_markersize() for tick in axis.xaxis.get_major_ticks()}
        for axis in DRAWN[width_in].axes
    ]
    assert lengths[0] == {0.0}
    assert all(min(each) > 2.0 for each in lengths[1:])


def test_shading_lies_beneath_all_lines() -> None:
    figure = sparse(silences=(ReadingGap(20_000.0, 30_000.0, "bus error"),))
    for axis in figure.axes:
        shades = [*axis.collections, *axis.patches]
        assert max((each.get_zorder() for each in shades), default=0) < min(
            line.get_zorder() for line in axis.lines
        )


# --- the file


def test_a_wide_and_a_narrow_chart_have_ids_of_their_own() -> None:
    bare = made_report(pot=replace(POT, pressure_unit="bar"))
    ids = [set(re.findall(r' id="([^"]+)"', chart_svg(bare, each))) for each in (WIDE_IN, NARROW_IN)]
    assert all(ids) and not ids[0] & ids[1]
    assert {each[:4] for each in ids[0]} == {"c71-"} and {each[:4] for each in ids[1]} == {"c36-"}
