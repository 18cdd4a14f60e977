"""What a reader needs of a pot's control chart: signs told apart, figures clear of them, a legend in rows."""

from datetime import UTC
from itertools import pairwise

import pytest
from matplotlib.figure import Figure

from drawn_chart import box_of, drawn, said, texts, touching, vertical
from pot_season import PSI_PER_H, care, season
from potvigil.diagnosis.pot_health import health
from potvigil.model.ageing import Health
from potvigil.model.maintenance import Part
from potvigil.reports.charts.chart_style import ALARM, FONT_PT, INK, NARROW_IN, QUIET, WIDE_IN
from potvigil.reports.charts.health_chart import HealthChart

BEARABLE = 1.5 * PSI_PER_H


def figure_of(judged: Health, width_in: float = WIDE_IN) -> Figure:
    figure = Figure(dpi=72)
    return drawn(figure, HealthChart(judged, "psi", UTC, figure, width_in))


# every sign there is: first batches, plain ones, one without an estimate, one far above, a lasting change
LEAKS = [0.05] * 30 + [float("nan")] + [2.2] + [0.05] * 5 + [1.7] * 4
FULL = health(season(LEAKS, 3), [care(Part.SEAL, 20), care(Part.INSPECTION, 25)], BEARABLE)
DRAWN = {width_in: figure_of(FULL, width_in) for width_in in (WIDE_IN, NARROW_IN)}
(AXIS,) = DRAWN[WIDE_IN].axes
EITHER = pytest.mark.parametrize("width_in", DRAWN)


def signs(label: str):
    (found,) = [each for each in AXIS.collections if each.get_label() == label]
    return found


@pytest.mark.parametrize(
    ("label", "least", "most"),
    [
        ("first batches", 1.0, 1.0),
        ("batch, 95 % bar", 1.0, 1.0),
        ("lasting change", 1.1, 1.7),  # a square looks smaller than a circle of its width
        ("single night far above", 2.0, 3.0),
        ("no estimate", 0.5, 0.9),  # nothing was measured, so it is less than a batch
    ],
)
def test_each_sign_is_as_large_as_it_matters(label, least, most) -> None:
    (size,), (plain,) = signs(label).get_sizes(), signs("batch, 95 % bar").get_sizes()
    assert least <= size / plain <= most
    assert 0.5 < signs(label).get_linewidths()[0] < 1.2
    assert not signs(label).get_clip_on()  # at the edge half of it would be cut off


def test_batches_lie_on_their_average_and_that_on_its_limits_and_care() -> None:
    averages = [line for line in AXIS.lines if line.get_color() == INK and line.get_linewidth() == 1.6]
    limits = [line for line in AXIS.lines if line.get_drawstyle() == "steps-mid"]
    cares = [line for line in AXIS.lines if list(line.get_ydata()) == [0, 1]]
    assert averages and limits and len(cares) == 2
    bands = [each for each in AXIS.collections if type(each).__name__ == "FillBetweenPolyCollection"] or [
        each for each in AXIS.collections if type(each).__name__ == "PolyCollection"
    ]
    assert bands and all(each.get_linewidths()[0] == 0.0 for each in bands)
    order = [
        max(each.get_zorder() for each in bands),
        max(line.get_zorder() for line in cares),
        min(line.get_zorder() for line in averages),
        signs("batch, 95 % bar").get_zorder(),
    ]
    assert order == sorted(set(order))
    assert all(0.5 < line.get_linewidth() < 0.8 and line.get_color() == QUIET for line in limits)
    (bars,) = [each for each in AXIS.collections if type(each).__name__ == "LineCollection"]
    assert 0.4 < bars.get_alpha() < 0.8  # seen, and seen through
    (bearable,) = [line for line in AXIS.lines if line.get_color() == ALARM]
    assert 0.8 < bearable.get_linewidth() < 1.6 and bearable.is_dashed()


def test_the_limits_of_a_batch_reach_half_way_to_its_neighbours() -> None:
    limits = [line for line in AXIS.lines if line.get_drawstyle() == "steps-mid"]
    assert all(len(line.get_xdata()) == len(line.get_ydata()) > 1 for line in limits)
    assert len(limits) % 2 == 0


@EITHER
def test_the_legend_has_full_rows_and_its_words_do_not_touch(width_in) -> None:
    legend = DRAWN[width_in].legends[0]
    boxes = [text.get_window_extent() for text in legend.get_texts()]
    assert len(boxes) == 7
    rows = sorted({round(box.y0) for box in boxes}, reverse=True)
    per_row = 5 if width_in == WIDE_IN else 2
    row_of = {row: sorted((b for b in boxes if round(b.y0) == row), key=lambda b: b.x0) for row in rows}
    assert max(len(each) for each in row_of.values()) == per_row
    for each in row_of.values():
        assert all(left.x1 + 2.0 * FONT_PT < right.x0 for left, right in pairwise(each))
    handles = [each.get_window_extent() for each in legend.legend_handles]
    assert min(box.x0 for box in handles) == pytest.approx(0.0, abs=8.0)
    assert all(text.get_fontsize() == FONT_PT for text in legend.get_texts())
    assert not legend.get_frame_on()
    average = next(
        handle
        for handle, text in zip(legend.legend_handles, legend.get_texts(), strict=True)
        if text.get_text() == "moving average"
    )
    long = average.get_window_extent().width
    assert 1.2 * FONT_PT < long < 2.5 * FONT_PT  # long enough to be a line
    beside = next(t for t in legend.get_texts() if t.get_text() == "moving average").get_window_extent()
    assert 2.0 < beside.x0 - average.get_window_extent().x1 < 6.0


@pytest.mark.parametrize(("from_end", "is_right"), [(1, False), (2, False), (3, True), (20, True)])
def test_a_figure_beyond_the_edge_stands_right_of_its_sign_where_there_is_room(from_end, is_right) -> None:
    leaks = [0.05] * 40
    leaks[40 - from_end] = 2.2
    figure = figure_of(health(season(leaks, None), [], None))
    (axis,) = figure.axes
    box = box_of(figure, "2.2")
    at = axis.transData.transform((40 - from_end, axis.get_ylim()[1]))
    away = box.x0 - at[0] if is_right else at[0] - box.x1
    assert 4.0 < away < 6.0  # clear of the sign
    assert box.x1 < figure.bbox.x1 and box.y1 < figure.bbox.y1
    (above,) = [each for each in axis.collections if each.get_label() == "single night far above"]
    half_pt = above.get_sizes()[0] ** 0.5 / 2.0
    assert away > half_pt + 0.5


def test_a_leak_far_below_has_its_figure_at_the_lower_edge() -> None:
    figure = figure_of(health(season([1.0] * 20 + [-3.04] + [1.0] * 19, None), [], None))
    (axis,) = figure.axes
    box = box_of(figure, "-3.0")
    assert (box.y0 + box.y1) / 2.0 == pytest.approx(axis.bbox.y0, abs=1.5)


@EITHER
def test_no_text_lies_on_another_or_off_the_sheet(width_in) -> None:
    figure = DRAWN[width_in]
    assert touching(figure) == []
    for text, box in texts(figure):
        assert box.x0 >= -1.0 and box.x1 <= figure.bbox.x1 + 1.0, text.get_text()
        assert box.y0 >= -3.0 and box.y1 <= figure.bbox.y1 + 1.0, text.get_text()


@EITHER
@pytest.mark.parametrize("before", [0, 1, 12, 24, 27, 28, 29, 30])
def test_the_name_of_care_stands_at_its_line_and_right_of_it_where_it_fits(before, width_in) -> None:
    figure = figure_of(health(season([0.1] * 30), [care(Part.INSPECTION, before)], None), width_in)
    (axis,) = figure.axes
    ((x, _, _),) = vertical(axis)
    assert x == before - 0.5
    (name,) = [each for each in said(figure) if each.startswith("inspection")]
    box, at = box_of(figure, name), axis.transData.transform((x, 0.0))[0]
    room_pt = figure.bbox.x1 - at
    is_right = room_pt > len(name) * 0.6 * FONT_PT
    assert 1.0 < (box.x0 - at if is_right else at - box.x1) < 4.0
    assert box.x0 > -1.0 and box.x1 < figure.bbox.x1 + 1.0


@pytest.mark.parametrize("count", [0, 1, 7, 8, 9])
def test_few_batches_are_as_far_apart_as_eight(count) -> None:
    (axis,) = figure_of(health(season([0.1] * count), [], None)).axes
    assert axis.get_xlim() == (-1.0, max(count, 8))


@EITHER
@pytest.mark.parametrize("count", [1, 7, 8, 30])
def test_lengths_on_paper_are_those_of_the_drawing(count, width_in) -> None:
    figure = Figure(dpi=72)
    chart = HealthChart(health(season([0.1] * count), [], None), "psi", UTC, figure, width_in)
    (axis,) = drawn(figure, chart).axes
    (one, _), (five, _) = axis.transData.transform([(1.0, 0.0), (5.0, 0.0)])
    assert chart._inches(4.0) == pytest.approx((five - one) / 72.0)
    assert chart._batches(chart._inches(4.0)) == pytest.approx(4.0)


@pytest.mark.parametrize("count", [1, 4, 7])
def test_care_after_the_last_of_few_batches_is_named_in_the_free_room(count) -> None:
    figure = figure_of(health(season([0.1] * count), [care(Part.SEAL, count)], None))
    box, at = box_of(figure, next(each for each in said(figure) if each.startswith("seal"))), count - 0.5
    assert box.x0 > figure.axes[0].transData.transform((at, 0.0))[0]


def test_a_leak_just_at_the_top_of_the_panel_is_still_the_most_a_batch_can_tolerate() -> None:
    for bearable, is_drawn in ((1.03, True), (1.5, False)):
        axis = figure_of(health(season([0.5] * 12, None), [], bearable * PSI_PER_H)).axes[0]
        high = axis.get_ylim()[1]
        assert bool(bearable < high) is is_drawn
        assert bool([line for line in axis.lines if line.get_color() == ALARM]) is is_drawn
