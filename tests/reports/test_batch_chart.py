"""What the chart draws: peaks and dips survive thinning, names overlap no line, ids are unique in a page."""

import math
import re
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from potvigil.model.reading import Place
from potvigil.reports.charts.batch_chart import chart_svg
from potvigil.reports.charts.chart_data import thinned

VALUE = st.one_of(st.none(), st.floats(-1e6, 1e6))


@given(st.lists(VALUE, max_size=400), st.integers(1, 40))
def test_thinning_keeps_the_extremes_at_their_times(values, buckets):
    points = [(float(second), value) for second, value in enumerate(values)]
    kept = thinned(points, buckets)
    assert set(kept) <= set(points)
    assert kept == sorted(kept, key=lambda point: point[0])
    known = [value for value in values if value is not None]
    left = [value for _, value in kept if value is not None]
    if known:
        assert (min(left), max(left)) == (min(known), max(known))
    assert (None in values) == any(value is None for _, value in kept)


def test_a_thinned_night_is_small_and_keeps_a_one_second_dip():
    night = [(float(second), 60.0 + 0.01 * math.sin(second)) for second in range(36_000)]
    night[20_000] = (20_000.0, 41.0)
    kept = thinned(night, 700)
    assert (20_000.0, 41.0) in kept
    assert len(kept) <= 3 * 701


def test_thinning_keeps_gaps():
    night = [(float(second), None if 500 <= second < 600 else 60.0) for second in range(3600)]
    kept = thinned(night, 20)
    hole = [t_s for t_s, value in kept if value is None]
    assert hole
    assert all(500.0 <= t_s < 600.0 for t_s in hole)


def test_each_thermometer_has_its_own_named_line(data):
    def lines(svg: str) -> set[str]:
        """Return dashes and weight of each dark line of temperatures."""
        styles = re.findall(r'style="fill: none; ([^"]*stroke: #222222[^"]*)"', svg)
        return {re.sub(r"stroke-dashoffset: 0; |stroke-line(cap|join): \w+; ?", "", each) for each in styles}

    at_place = {f"{place}_k": 293.15 + 2.0 * i for i, place in enumerate(Place)}
    without = at_place | {"contents_k": None}
    warm, bare = (
        chart_svg(replace(data, traces=tuple(replace(each, **kelvin) for each in data.traces)))
        for kelvin in (at_place, without)
    )
    assert [re.search(f">{place}<", warm) is not None for place in Place] == [True] * 4
    assert ">contents<" not in bare
    assert len(lines(warm)) == len(lines(bare)) + 1


def test_charts_on_one_page_have_distinct_ids(report):
    ids = re.findall(r' id="([^"]+)"', report)
    assert ids
    assert len(ids) == len(set(ids))
