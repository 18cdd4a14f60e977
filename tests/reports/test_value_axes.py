"""The value axes of both charts: which figures stand beside them, and what their limits leave out."""

from dataclasses import replace
from datetime import UTC

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drawn_chart import batch_figure, drawn
from made_report import NO_DETAILS, made_report, trace
from pot_season import PSI_PER_H, season
from potvigil.diagnosis.pot_health import health
from potvigil.model.events import NORMAL_95, Interval
from potvigil.reports.charts.chart_data import rate_limits
from potvigil.reports.charts.health_chart import HealthChart

RATE = Interval(0.0, -0.1 * PSI_PER_H, 0.1 * PSI_PER_H)


def panels() -> list[tuple[str, Axes, int]]:
    """Return each panel, and into how many steps its height is parted at the most."""
    batch = batch_figure(made_report(traces=(trace(5000.0), trace(9000.0)))).axes
    figure = Figure(dpi=72)
    (leaks,) = drawn(figure, HealthChart(health(season([0.1] * 9), [], None), "psi", UTC, figure, 7.1)).axes
    return [*zip(("pressure", "leak", "warmth"), batch, (6, 4, 4), strict=True), ("leaks", leaks, 6)]


PANELS = panels()


@pytest.mark.parametrize(("axis", "most"), [each[1:] for each in PANELS], ids=[each[0] for each in PANELS])
def test_figures_stand_at_the_finest_round_step_that_is_not_too_dense(axis: Axes, most: int) -> None:
    before = axis.get_ylim()
    for high in np.geomspace(1.03, 97.0, 120):
        axis.set_ylim(0.0, high)
        steps = {round(float(step), 6) for step in np.diff(axis.get_yticks())}
        assert steps == {next(step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if high / step <= most)}
    axis.set_ylim(before)


def count_down(of: str) -> list[Interval]:
    """Return a hundred rates, of which one end falls from -1 to -100 psi/h, or both do."""
    return [
        Interval(*((-n if end in of else 0.0) * PSI_PER_H for end in ("value", "low", "high")))
        for n in range(1, 101)
    ]


@pytest.mark.parametrize(
    ("of", "upward", "limit"),
    [
        ("low", False, -75.0),  # a quarter of the band may leave the panel
        ("low value", False, -98.0),  # and two in a hundred of the estimates
        ("high", True, 76.0),
        ("high value", True, 99.0),
    ],
)
def test_the_leak_panel_holds_three_quarters_of_the_band_and_98_in_100_estimates(of, upward, limit) -> None:
    rates = count_down(of)
    if upward:
        rates = [Interval(-rate.value, -rate.low, -rate.high) for rate in rates]
    traces = tuple(trace(5000.0 + 60.0 * i, leak_pa_per_s=rate) for i, rate in enumerate(rates))
    low, high = min(limit, 0.0), max(limit, 0.3)
    room = 0.06 * (high - low)
    limits = rate_limits(made_report(traces=traces), PSI_PER_H)
    assert limits == pytest.approx((low - 4.0 * room, high + room))


def test_the_estimate_settles_in_the_first_twelfth_of_a_batch_whenever_that_began() -> None:
    late = replace(NO_DETAILS, start_s=1e6, end_s=1e6 + 10_000.0)
    wide = Interval(5.0 * PSI_PER_H, 4.0 * PSI_PER_H, 6.0 * PSI_PER_H)
    for after_s, high in ((799.0, 0.3), (801.0, 6.0)):
        traces = (trace(1e6 + after_s, leak_pa_per_s=wide), trace(1e6 + 9e3, leak_pa_per_s=RATE))
        _, top = rate_limits(made_report(traces=traces, summary=late), PSI_PER_H)
        assert top == pytest.approx(high + 0.06 * (high + 0.1))


def limits_of(leaks, errors) -> tuple[float, float]:
    figure = Figure(dpi=72)
    chart = HealthChart(health(season(leaks, None, errors), [], None), "psi", UTC, figure, 7.1)
    low, high = drawn(figure, chart).axes[0].get_ylim()
    room = 0.07 / 1.14 * (high - low)
    return low + room, high - room


@pytest.mark.parametrize("count", [11, 15, 21, 24])
def test_one_bar_in_ten_may_leave_the_panel_of_leaks_and_no_more(count: int) -> None:
    """Bars of a length each: of 21 the two longest may, counted by their ends."""
    errors = [0.2 + 0.1 * n for n in range(count)]
    low, high = limits_of([0.5] * count, errors)
    kept = sorted(errors)[int(0.9 * (count - 1))]
    assert high == pytest.approx(0.5 + NORMAL_95 * kept)
    assert low == pytest.approx(0.5 - NORMAL_95 * kept)
    beyond = sum(0.5 + NORMAL_95 * error > high + 1e-9 for error in errors)
    assert 0 < beyond <= count / 10.0 + 1.0
