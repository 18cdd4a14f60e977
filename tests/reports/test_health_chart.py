"""A pot's control chart measured on the drawing: each batch at its leak, each care before its batch."""

from dataclasses import replace
from datetime import UTC
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.figure import Figure

from drawn_chart import box_of, drawn, said, texts, touching, vertical
from pot_season import DAY_S, EVERY_S, FIRST_UTC_S, PSI_PER_H, care, season
from potvigil.diagnosis.pot_health import health
from potvigil.model.ageing import Health, Side
from potvigil.model.maintenance import Part
from potvigil.reports.charts.chart_style import ALARM, INK, NARROW_IN, QUIET, READ, WIDE_IN
from potvigil.reports.charts.health_chart import HealthChart, health_chart_svg
from potvigil.reports.health import health_html
from potvigil.wording.health import LISTED_BATCHES, LISTED_CARES
from printed_page import Page

BEARABLE = 1.5 * PSI_PER_H
NAN = float("nan")


def figure_of(judged: Health, width_in: float = WIDE_IN, unit: str = "psi") -> Figure:
    figure = Figure(dpi=72)
    return drawn(figure, HealthChart(judged, unit, UTC, figure, width_in))


SOUND = health(season([0.1] * 30), [care(Part.SEAL, 20, "new ring"), care(Part.INSPECTION, 25)], BEARABLE)
BROKEN = health(season([0.05] * 30 + [1.7] * 4, 3), [], BEARABLE)
DRAWN = figure_of(SOUND)
(AXIS,) = DRAWN.axes


def points_of(axis, label: str) -> list[tuple[float, float]]:
    """Return (batch, rate) of each marker with that name in the legend."""
    (found,) = [each for each in axis.collections if each.get_label() == label]
    return [(float(x), float(y)) for x, y in found.get_offsets()]


def psi(pa_per_s: float) -> float:
    return pa_per_s / PSI_PER_H


# --- batches


def test_each_batch_is_drawn_at_its_leak_and_reference_batches_are_open_circles() -> None:
    points = [point for regime in SOUND.regimes for point in regime.points]
    first = [p for p in points if p.value is None]
    assert 0 < len(first) < len(points) == 30
    for label, expected in (
        ("first batches", first),
        ("batch, 95 % bar", [p for p in points if p not in first]),
    ):
        assert points_of(AXIS, label) == [
            (p.batch.batch_id - 1, pytest.approx(psi(p.rate))) for p in expected
        ]
    (open_circles,) = [each for each in AXIS.collections if each.get_label() == "first batches"]
    assert open_circles.get_facecolor()[0][:3].tolist() == [1.0, 1.0, 1.0]


def test_each_bar_spans_the_95_per_cent_interval() -> None:
    (bars,) = [each for each in AXIS.collections if type(each).__name__ == "LineCollection"]
    found = [(line[0][0], line[0][1], line[1][1]) for line in bars.get_segments()]
    rates = [batch.rate_pa_per_s for batch in SOUND.batches]
    assert found == [
        (x, pytest.approx(psi(rate.low)), pytest.approx(psi(rate.high))) for x, rate in enumerate(rates)
    ]
    assert bars.get_linewidth() == 0.8


def test_each_regime_has_its_own_moving_average_and_limits() -> None:
    averages = [line for line in AXIS.lines if line.get_color() == INK and len(line.get_xdata()) > 2]
    regimes = [[p for p in regime.points if p.value is not None] for regime in SOUND.regimes]
    regimes = [each for each in regimes if each]
    assert len(averages) == len(regimes) >= 1
    for line, points in zip(averages, regimes, strict=True):
        assert list(line.get_xdata()) == [p.batch.batch_id - 1 for p in points]
        assert list(line.get_ydata()) == pytest.approx([psi(p.value) for p in points])
        assert line.get_linewidth() == 1.6
    limits = [line for line in AXIS.lines if line.get_drawstyle() == "steps-mid"]
    for (low, high), points in zip(
        [limits[i : i + 2] for i in range(0, len(limits), 2)], regimes, strict=True
    ):
        assert list(low.get_ydata()) == pytest.approx([psi(p.low) for p in points])
        assert list(high.get_ydata()) == pytest.approx([psi(p.high) for p in points])
    legend = [text.get_text() for text in DRAWN.legends[0].get_texts()]
    assert legend.count("moving average") == legend.count("its limits") == 1


@pytest.mark.parametrize(
    ("judged", "label", "numbers", "marker"),
    [
        (BROKEN, "lasting change", None, 4),
        (health(season([0.05] * 39 + [2.2], 3), [], BEARABLE), "single night far above", [40], 3),
        (health(season([1.0] * 39 + [0.01], 3), [], BEARABLE), "single night far below", [40], 3),
        (health(season([0.1, NAN, 0.1, NAN]), [], BEARABLE), "no estimate", [2, 4], 4),
    ],
)
def test_outliers_have_their_own_shape_and_colour(judged, label, numbers, marker) -> None:
    axis = figure_of(judged).axes[0]
    points = [point for regime in judged.regimes for point in regime.points]
    numbers = numbers or [p.batch.batch_id for p in points if p.outside]
    assert numbers
    assert [x + 1 for x, _ in points_of(axis, label)] == numbers
    (found,) = [each for each in axis.collections if each.get_label() == label]
    others = [each for each in axis.collections if each is not found and len(each.get_offsets()) > 1]
    assert all(
        each.get_paths()[0].vertices.tolist() != found.get_paths()[0].vertices.tolist() for each in others
    )
    if label != "no estimate":
        assert found.get_facecolor()[0][:3] == pytest.approx([179 / 255, 74 / 255, 0.0])
        if label != "lasting change":
            side = Side.ABOVE if label.endswith("above") else Side.BELOW
            assert numbers == [p.batch.batch_id for p in points if p.far is side and not p.outside]
        plain = [x + 1 for x, _ in points_of(axis, "batch, 95 % bar")]
        assert not set(plain) & set(numbers)


def test_points_beyond_the_edge_are_drawn_at_it_with_their_value() -> None:
    figure = figure_of(health(season([0.05] * 39 + [2.2], None), [], BEARABLE))
    (axis,) = figure.axes
    _, high = axis.get_ylim()
    ((x, y),) = points_of(axis, "single night far above")
    assert (x, y) == (39.0, pytest.approx(high)) and high < 1.0
    box, (edge_x, edge_y) = box_of(figure, "2.2"), axis.transData.transform((39.0, high))
    assert (box.y0 + box.y1) / 2.0 == pytest.approx(edge_y, abs=1.5)
    assert 2.0 < edge_x - box.x1 < 8.0  # no room on its right
    early = figure_of(health(season([0.05] * 20 + [2.2] + [0.05] * 19, None), [], BEARABLE))
    box, (edge_x, _) = box_of(early, "2.2"), early.axes[0].transData.transform((20.0, high))
    assert 2.0 < box.x0 - edge_x < 8.0
    assert [
        each for each in said(DRAWN) if each.startswith("0.") and each.count(".") == 1 and len(each) > 4
    ] == []


def test_values_at_the_edge_do_not_overlap() -> None:
    leaks = [0.05] * 200  # side by side a third of a tenth of an inch apart
    leaks[100], leaks[109], leaks[112] = 2.2, 2.3, 2.4
    figure = figure_of(health(season(leaks, 4), [], BEARABLE))
    assert [each for each in said(figure) if each in ("2.2", "2.3", "2.4")] == ["2.2", "2.4"]
    signs = next(each for each in figure.axes[0].collections if each.get_label() == "single night far above")
    plain = next(each for each in figure.axes[0].collections if each.get_label() == "batch, 95 % bar")
    assert signs.get_sizes()[0] > 2 * plain.get_sizes()[0]
    assert signs.get_zorder() > max(line.get_zorder() for line in figure.axes[0].lines)


@pytest.mark.parametrize("width_in", [WIDE_IN, NARROW_IN])
def test_the_longest_legend_fits_the_sheet(width_in) -> None:
    leaks = [0.05] * 30 + [NAN] + [2.2] + [0.05] * 5 + [1.7] * 4
    figure = figure_of(health(season(leaks, 3), [], BEARABLE), width_in)
    legend = figure.legends[0].get_window_extent()
    assert legend.x0 >= -1.0 and legend.x1 <= figure.bbox.x1 + 1.0
    assert legend.y1 <= figure.axes[0].bbox.y0 - 0.3 * 72.0 and legend.y0 >= -3.0


# --- limits


@pytest.mark.parametrize(
    ("leaks", "bearable_psi", "low", "high"),
    [
        ([], 1.5, 0.0, 0.1),
        ([0.0] * 12, 1.5, -0.04, 0.1),  # most of the bars of 0.0392 psi/h
        ([0.5] * 12, 1.5, 0.0, 0.5 + 0.0392),
        ([0.5] * 12, 1.0, 0.0, 1.0),  # the tolerable leak is near
        ([0.5] * 12, 1.1, 0.0, 0.5 + 0.0392),  # here it would flatten the rest
        ([-0.5] * 12, None, -0.5 - 0.0392, 0.1),
    ],
)
def test_the_panel_holds_the_leaks_and_little_more(leaks, bearable_psi, low, high) -> None:
    bearable = None if bearable_psi is None else bearable_psi * PSI_PER_H
    axis = figure_of(health(season(leaks, None), [], bearable)).axes[0]
    room = 0.07 * (high - low)
    assert axis.get_ylim() == pytest.approx((low - room, high + room), abs=0.003)
    level = [line.get_ydata()[0] for line in axis.lines if line.get_color() == ALARM]
    assert level == ([pytest.approx(bearable_psi)] if bearable_psi == 1.0 else [])


def test_one_wide_bar_in_ten_does_not_flatten_the_others() -> None:
    errors = [0.02] * 11 + [3.0]
    low, high = figure_of(health(season([0.5] * 12, None, errors), [], None)).axes[0].get_ylim()
    assert high < 0.7 and low > -0.3


def test_the_tolerable_leak_is_named_above_its_line_at_the_right() -> None:
    figure = figure_of(BROKEN)
    (axis,) = figure.axes
    box, (x, y) = box_of(figure, "most a batch can tolerate"), axis.transData.transform((34.0, 1.5))
    assert 1.0 < box.y0 - y < 4.0
    assert 1.0 < x - box.x1 < 4.0 or axis.bbox.x1 - box.x1 == pytest.approx(2.0, abs=1.0)


def test_rates_are_in_the_workshops_unit() -> None:
    """1 bar is 14.503 77 psi: NIST SP 811, B.8."""
    axis = figure_of(SOUND, unit="bar").axes[0]
    psi_rates, bar_rates = points_of(AXIS, "first batches"), points_of(axis, "first batches")
    assert [y for _, y in psi_rates] == pytest.approx([14.50377 * y for _, y in bar_rates])


# --- care


def test_care_is_drawn_before_the_next_batch_and_sealing_care_heavier() -> None:
    assert vertical(AXIS) == [(19.5, INK, 1.0), (24.5, QUIET, 0.7)]
    seal, inspection = box_of(DRAWN, "seal 9 Feb"), box_of(DRAWN, "inspection 19 Feb")
    for box, x in ((seal, 19.5), (inspection, 24.5)):
        at = AXIS.transData.transform((x, 0.0))[0]
        assert 1.0 < min(abs(box.x0 - at), abs(at - box.x1)) < 4.0
        assert box.y0 > AXIS.bbox.y1


def test_care_before_the_first_or_after_the_last_batch_is_drawn() -> None:
    axis = figure_of(health(season([0.1] * 10), [care(Part.SEAL, 0), care(Part.VALVE, 10)], None)).axes[0]
    assert [x for x, *_ in vertical(axis)] == [-0.5, 9.5]
    assert vertical(figure_of(health([], [care(Part.SEAL, 0)], None)).axes[0]) == []


def test_care_without_a_clock_has_no_date() -> None:
    figure = figure_of(health(season([0.1] * 10, clock=False), [care(Part.SEAL, 5, clock=False)], None))
    assert "seal" in said(figure)
    labels = [label.get_text() for label in figure.axes[0].get_xticklabels()]
    assert labels[0] == "1"


@pytest.mark.parametrize("width_in", [WIDE_IN, NARROW_IN])
def test_names_of_care_fit_the_sheet_and_do_not_overlap(width_in) -> None:
    cares = [care(part, n) for part, n in zip([*Part][:5] * 2, range(3, 30, 5), strict=False)]
    figure = figure_of(health(season([0.1] * 30), cares, BEARABLE), width_in)
    top = figure.axes[0].bbox.y1
    above = {text.get_text() for text, box in texts(figure) if box.y0 > top + 1.0}
    assert len(above) == len(cares) + 1
    assert [pair for pair in touching(figure) if set(pair) <= above] == []
    for text, box in texts(figure):
        assert box.x0 >= -1.0 and box.x1 <= figure.bbox.x1 + 1.0, text.get_text()
        assert box.y0 >= -1.0 and box.y1 <= figure.bbox.y1 + 1.0, text.get_text()
    rows = sorted(
        {
            round((box.y0 - top - 4.0) / (0.155 * 72.0), 1)
            for text, box in texts(figure)
            if text.get_text() in above and "Leak" not in text.get_text()
        }
    )
    assert rows[0] == pytest.approx(0.0, abs=0.3)
    assert all(b - a == pytest.approx(1.0, abs=0.2) for a, b in pairwise(rows))
    names = [box for text, box in texts(figure) if text.get_text() in above]
    free = sorted(names, key=lambda box: box.y1)[-1].y0 - max(box.y1 for box in names[:-1])
    assert 0.0 <= free <= 0.155 * 72.0


def test_with_much_care_the_last_eight_that_seal_are_named() -> None:
    cares = [care(Part.SEAL if n % 2 else Part.INSPECTION, n) for n in range(40)]
    figure = figure_of(health(season([0.1] * 40), cares, None))
    named = [each for each in said(figure) if each.startswith(("seal", "inspection"))]
    assert len(named) == 8 and all(each.startswith("seal") for each in named)
    assert len(vertical(figure.axes[0])) == 40
    eight = figure_of(health(season([0.1] * 40), cares[:8], None))
    assert len([each for each in said(eight) if each.startswith(("seal", "inspection"))]) == 8


# --- the sheet


@pytest.mark.parametrize(
    ("width_in", "drawn_most", "title"),
    [
        (WIDE_IN, 200, "Leak of each batch at the end of its hold, psi/h, the last 200 batches"),
        (NARROW_IN, 60, "Leak at the end of the hold, psi/h, the last 60"),
    ],
)
def test_only_the_last_of_many_batches_are_drawn_with_lighter_signs(width_in, drawn_most, title) -> None:
    many = health(season([0.1] * 250), [care(Part.SEAL, 10), care(Part.SEAL, 249)], BEARABLE)
    figure = figure_of(many, width_in)
    (axis,) = figure.axes
    assert title in said(figure)
    (bars,) = [each for each in axis.collections if type(each).__name__ == "LineCollection"]
    assert len(bars.get_segments()) == drawn_most
    assert bars.get_linewidth() == (0.5 if drawn_most > 120 else 0.8)
    assert [x for x, *_ in vertical(axis)] == [drawn_most - 1.5]  # no care before them
    assert axis.get_xlim() == (-1.0, drawn_most)
    labels = [label.get_text() for label in axis.get_xticklabels()]
    assert labels[0].startswith(f"{251 - drawn_most}\n")
    exact = figure_of(health(season([0.1] * drawn_most), [care(Part.SEAL, 0)], None), width_in)
    assert title.partition(", the last")[0] in said(exact)
    assert [x for x, *_ in vertical(exact.axes[0])] == [-0.5]


@pytest.mark.parametrize(("count", "bar", "size"), [(120, 0.8, 14.0), (121, 0.5, 8.0)])
def test_beyond_120_batches_signs_are_smaller_and_bars_thinner(count, bar, size) -> None:
    axis = figure_of(health(season([0.1] * count), [], None)).axes[0]
    (bars,) = [each for each in axis.collections if type(each).__name__ == "LineCollection"]
    (signs,) = [each for each in axis.collections if each.get_label() == "batch, 95 % bar"]
    assert (bars.get_linewidth(), list(signs.get_sizes())) == (bar, [size])


@pytest.mark.parametrize(
    ("count", "width_in", "step"),
    [(9, WIDE_IN, 1), (10, WIDE_IN, 2), (18, WIDE_IN, 2), (19, WIDE_IN, 5), (46, WIDE_IN, 10),
     (200, WIDE_IN, 50), (4, NARROW_IN, 1), (5, NARROW_IN, 2), (60, NARROW_IN, 20)],
)  # fmt: skip
def test_dates_are_shown_every_few_batches(count, width_in, step) -> None:
    axis = figure_of(health(season([0.1] * count), [], None), width_in).axes[0]
    ticks = list(axis.get_xticks())
    assert ticks == list(range(0, count, step))
    days = [(np.datetime64("2026-01-01") + np.timedelta64(2 * x, "D")).astype(object) for x in ticks]
    expected = [f"{x + 1}\n{day.day} {day:%b}" for x, day in zip(ticks, days, strict=True)]
    assert [label.get_text() for label in axis.get_xticklabels()] == expected


def test_the_panel_keeps_its_height_whatever_is_above_and_below() -> None:
    for width_in, legend_in in ((WIDE_IN, 0.34), (NARROW_IN, 0.68)):
        figure = figure_of(SOUND, width_in)
        box = figure.axes[0].bbox
        assert box.height / 72.0 == pytest.approx(2.7)
        assert box.y0 / 72.0 == pytest.approx(0.36 + legend_in)
        assert (box.x0 / 72.0, box.x1 / 72.0) == pytest.approx((0.46, width_in - 0.12))
        legend = figure.legends[0].get_window_extent()
        assert legend.y1 <= box.y0 - 0.3 * 72.0 and legend.x1 <= figure.bbox.x1 + 1.0
        assert legend.y0 >= -3.0
    assert figure_of(health(season([0.1] * 3), [], None)).axes[0].get_xlim() == (-1.0, 8)
    assert not figure_of(health([], [], None)).legends


def test_values_have_round_ticks_and_a_line_at_no_leak() -> None:
    levels = [
        (line.get_ydata()[0], line.get_color()) for line in AXIS.lines if list(line.get_xdata()) == [0, 1]
    ]
    assert levels == [(0.0, QUIET)]
    ticks = AXIS.get_yticks()
    assert len([t for t in ticks if AXIS.get_ylim()[0] <= t <= AXIS.get_ylim()[1]]) <= 7


def test_wide_and_narrow_chart_have_different_ids() -> None:
    wide, narrow = (health_chart_svg(SOUND, "psi", UTC, each) for each in (WIDE_IN, NARROW_IN))
    assert 'id="h71-' in wide and 'id="h36-' in narrow
    assert READ.lower() in wide.lower()


# --- the page around it


def test_the_page_counts_unlisted_entries_and_names_overdue_care() -> None:
    cares = [replace(care(Part.INSPECTION, n), due_utc_s=FIRST_UTC_S + n * EVERY_S) for n in range(45)]
    judged = health(season([0.1] * 30), cares, BEARABLE)
    given = {"pot_id": "lantern", "workshop": "harbour-models", "labels": {}, "unit": "psi", "tz": UTC}
    year = {"now_utc_s": FIRST_UTC_S + 400 * DAY_S, "known": ["It fills fast."]}
    text = Page(health_html(judged, **year, **given)).text
    assert f"{45 - LISTED_CARES} earlier ones are not listed." in text
    assert f"{30 - LISTED_BATCHES} earlier ones are not listed." in text
    assert text.index("Nothing out of") < text.index("Overdue since") < text.index("It fills fast.")
    assert "Rehearsal" not in text
    few = Page(health_html(health(season([0.1] * 3), cares[:2], None), **given)).text
    assert "earlier ones" not in few
    assert 'aria-label="The leak of each batch with its moving average.' in health_html(judged, **given)


def test_a_season_begins_on_the_first_of_january() -> None:
    assert (SOUND.batches[1].utc_s - FIRST_UTC_S, EVERY_S) == (EVERY_S, 2 * DAY_S)
    assert replace(SOUND.batches[0], utc_s=None).utc_s is None
