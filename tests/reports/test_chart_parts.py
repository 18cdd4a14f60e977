"""The parts of a batch's chart, without drawing it: hours, marks and their names, limits, points."""

import math
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_pot import PSI, UTC_S
from made_report import LESS_T_S, NO_DETAILS, POT, made_report, trace
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    Cure,
    Interval,
    NoteEvent,
    NoteId,
    Priority,
    Stage,
)
from potvigil.model.reading import Place
from potvigil.reports.charts.chart_data import (
    BUCKETS,
    last_value,
    rate_limits,
    temperature_limits,
    temperatures_of,
    thermometer_gaps,
    thinned,
)
from potvigil.reports.charts.chart_style import (
    ALARM,
    DASHED,
    DOTTED,
    INK,
    LETTER,
    QUIET,
    dark_rules,
    for_inlining,
    width_of,
)
from potvigil.reports.charts.drawing import apart
from potvigil.reports.charts.marks import NAMED_ALARMS, NAMED_TOP_UPS, Mark, marks_of, places_of
from potvigil.reports.charts.time_axis import TimeAxis
from potvigil.wording.alarm_names import ALARM_WORDS

NO_STAGES = replace(NO_DETAILS, stages={}, cure=Cure(0.5, 35_100.0))


def axis(is_wide: bool = True, hours: float = 10.0, **changes: object) -> TimeAxis:
    summary = replace(changes.pop("summary", NO_STAGES), start_s=100.0, end_s=100.0 + 3600.0 * hours)
    return TimeAxis(made_report(summary=summary, **changes), 7.1 if is_wide else 3.6, is_wide)


# --- the hours


def test_hours_count_from_the_start_between_the_margins() -> None:
    across = axis(hours=10.0)
    assert (across.hours(100.0), across.hours(3700.0), across.end_h) == (0.0, 1.0, 10.0)
    assert across.inches(10.0) == pytest.approx(7.1 - 0.46 - 1.02)
    assert across.hours_of(across.inches(3.5)) == pytest.approx(3.5)
    assert axis(False).inches(10.0) == pytest.approx(3.6 - 0.46 - 0.84)
    assert axis(hours=0.0).end_h == 0.02  # no width, nothing drawn


@given(st.floats(0.3, 400.0), st.booleans(), st.integers(0, 86_399))
@settings(max_examples=100, deadline=None)
def test_ticks_are_whole_clock_steps_as_many_as_fit(hours, is_wide, begins_s) -> None:
    across = axis(is_wide, hours, utc_less_t_s=math.floor(UTC_S / 86_400) * 86_400.0 + begins_s - 100.0)
    ticks = across.ticks()
    most = 11 if is_wide else 5
    assert len(ticks) <= most + 1
    assert all(-1e-6 <= at_h <= hours + 1e-6 for at_h, _ in ticks)
    steps = {round(later - earlier, 6) for (earlier, _), (later, _) in pairwise(ticks)}
    assert len(steps) <= 1
    usual = (0.25, 0.5, 1, 2, 3, 6, 12, 24)
    step_h = next((each for each in usual if hours / each <= most), None)
    step_h = step_h or next(24 * days for days in range(2, 99) if hours / (24 * days) <= most)
    assert steps <= {step_h}
    # none is missing at either end
    assert ticks == [] or (ticks[0][0] < step_h and ticks[-1][0] > hours - step_h)
    days = []
    for at_h, text in ticks:
        clock = datetime.fromtimestamp(across.report.utc_less_t_s + 100.0 + 3600.0 * at_h, POT.tz)
        rounded = (clock + timedelta(seconds=0.5)).replace(microsecond=0)
        assert rounded.minute * 60 + rounded.second == 0 or 60 % (step_h * 60) == 0
        first, _, day = text.partition("\n")
        assert first == f"{rounded:%H:%M}"
        new = hours > 24.0 and rounded.date() not in days
        assert day == (f"{rounded:%a} {rounded.day} {rounded:%b}" if new else "")
        days.append(rounded.date())


def test_ticks_are_aligned_to_the_workshops_midnight() -> None:
    tokyo = axis(hours=10.0, pot=replace(POT, tz=ZoneInfo("Asia/Kolkata")))  # UTC+5:30: 22:00 is 03:30 there
    assert tokyo.ticks()[0] == (pytest.approx(0.5), "04:00")


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (10.0, [f"{n} h" for n in range(11)]),
        (1.0, ["0 h", "0.25 h", "0.5 h", "0.75 h", "1 h"]),
        (30.0, [f"{n} h" for n in range(0, 31, 3)]),
    ],
)
def test_without_a_clock_the_hours_are_counted(hours, words) -> None:
    ticks = axis(hours=hours, utc_less_t_s=None).ticks()
    assert [text for _, text in ticks] == words
    assert [f"{at_h:g} h" for at_h, _ in ticks] == words


# --- the marks


def alarm(t_s: float, **more: object) -> AlarmEvent:
    event = AlarmEvent(t_s, None, AlarmId.LEAK, AlarmState.UNACKNOWLEDGED, Priority.LOW, "")
    return replace(event, **more)


def top_up(t_s: float) -> NoteEvent:
    return NoteEvent(t_s, None, NoteId.TOP_UP, "by 3 psi")


def test_an_alarm_is_marked_and_named_only_when_raised() -> None:
    events = tuple(
        each
        for i, which in enumerate(AlarmId)
        for each in (
            alarm(3700.0 + i, alarm=which, priority=(Priority.HIGH, Priority.LOW)[i % 2]),
            alarm(3700.0 + i, alarm=which, repeat=True),
            alarm(3700.0 + i, alarm=which, state=AlarmState.ACKNOWLEDGED),
        )
    )
    marks = marks_of(axis(events=events))
    named = [f"{'▲△'[i % 2]} {ALARM_WORDS[which]} 23:00" if i < 8 else "" for i, which in enumerate(AlarmId)]
    assert NAMED_ALARMS == 8
    assert [mark.text for mark in marks] == named
    assert {(mark.colour, mark.style, mark.width) for mark in marks} == {(ALARM, "-", 1.3)}
    assert [mark.hours for mark in marks] == pytest.approx([1.0 + i / 3600.0 for i in range(len(AlarmId))])


def test_few_top_ups_are_named_and_many_are_counted() -> None:
    few = marks_of(axis(events=tuple(top_up(3700.0 + 3600.0 * i) for i in range(4))))
    assert [(mark.hours, mark.text) for mark in few] == [
        (1.0, "topped up 23:00"),
        (2.0, "topped up 00:00"),
        (3.0, "topped up 01:00"),
        (4.0, "topped up 02:00"),
    ]
    assert NAMED_TOP_UPS == 4
    assert {(mark.colour, mark.style, mark.width) for mark in few} == {(INK, DASHED, 0.7)}
    many = marks_of(axis(events=tuple(top_up(3700.0 + 3600.0 * i) for i in range(5))))
    assert [mark.text for mark in many] == ["topped up 5 times", "", "", "", ""]
    other = NoteEvent(3700.0, None, NoteId.CURE_DONE, "")
    assert marks_of(axis(events=(other,))) == []


@pytest.mark.parametrize(
    ("changes", "marks"),
    [
        ({}, []),
        ({"gel_s": 3700.0}, [Mark(1.0, "gel 23:00", QUIET, DOTTED, 0.9)]),
        ({"gel_s": 100.0 + 36_000.0}, [Mark(10.0, "gel 08:00", QUIET, DOTTED, 0.9)]),
        ({"gel_s": 100.0 + 36_001.0}, []),  # after the end of the chart
        ({"summary": replace(NO_STAGES, cure=Cure(0.999, 3700.0))}, []),
        (
            {"summary": replace(NO_STAGES, cure=Cure(1.0, 3700.0))},
            [Mark(1.0, "cure done 23:00", QUIET, DOTTED, 0.9)],
        ),
        (
            {"summary": replace(NO_STAGES, stages={Stage.VENTING: 7300.0}), "gel_s": 10_900.0},
            [Mark(2.0, "vented 00:00", QUIET, "-.", 0.9), Mark(3.0, "gel 01:00", QUIET, DOTTED, 0.9)],
        ),
    ],
)
def test_gel_cure_and_vent_are_marked_in_the_order_of_their_times(changes, marks) -> None:
    assert marks_of(axis(**changes)) == marks


def extent(mark: Mark, side: int, across: TimeAxis) -> tuple[float, float]:
    """Return where a name begins and ends, inches from the left of the panel."""
    at = across.inches(mark.hours)
    return tuple(sorted((at, at + side * (width_of(mark.text) + 0.06))))


@given(
    st.lists(st.tuples(st.floats(0.0, 10.0), st.integers(0, 32)), min_size=1, max_size=7),
    st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_names_overlap_neither_each_other_nor_the_lines_of_others(named, is_wide) -> None:
    across = axis(is_wide)
    marks = sorted((Mark(at_h, "n" * long, INK, "-") for at_h, long in named), key=lambda mark: mark.hours)
    places = places_of(marks, across)
    assert len(places) == len(marks)
    known = [
        (mark, row, *extent(mark, side, across)) for mark, (row, side) in zip(marks, places, strict=True)
    ]
    for mark, (_, side) in zip(marks, places, strict=True):
        room = {
            1: across.inches(10.0 - mark.hours) + across.right_in,
            -1: across.inches(mark.hours) + across.left_in,
        }
        if width_of(mark.text) + 0.05 < max(room.values()):  # it fits on one side
            assert width_of(mark.text) + 0.05 < room[side]
    crossing = 0
    for i, (_, row, low, high) in enumerate(known):
        for j, (other, other_row, other_low, other_high) in enumerate(known):
            if i < j and row == other_row and low + 1e-9 < other_high and other_low + 1e-9 < high:
                pytest.fail(f"two names meet in row {row}")
            at = across.inches(other.hours)
            # a line reaches up to the row of its own name
            crossing += i != j and low + 1e-9 < at < high - 1e-9 and other_row > row
    if is_wide and len(marks) == 2 and max(len(mark.text) for mark in marks) <= 20:
        assert crossing == 0
    assert max(row for row, _ in places) < len(marks)
    if not any(
        low <= other_high and other_low <= high
        for i, (_, _, low, high) in enumerate(known)
        for j, (_, _, other_low, other_high) in enumerate(known)
        if i != j
    ):
        assert {row for row, _ in places} == {0}


def test_a_name_goes_right_of_its_line_where_it_fits() -> None:
    across = axis()
    early, late = Mark(1.0, "n" * 20, INK, "-"), Mark(9.9, "n" * 20, INK, "-")
    assert places_of([early], across) == [(0, 1)]
    assert places_of([late], across) == [(0, -1)]
    assert places_of([early, late], across) == [(0, 1), (0, -1)]
    assert places_of([], across) == []
    # side by side: one left and one right needs no second row
    two = [Mark(5.0, "n" * 20, INK, "-"), Mark(5.2, "n" * 20, INK, "-")]
    assert places_of(two, across) == [(0, -1), (0, 1)]


# --- names beside the lines


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.sampled_from([0.03, 0.06])), max_size=6).map(sorted),
)
def test_overlapping_names_are_moved_apart_no_further_than_needed(named) -> None:
    wanted, halves = [each for each, _ in named], [half for _, half in named]
    heights = apart(wanted, halves, -0.1, 1.1)
    for i, (one, other) in enumerate(pairwise(heights)):
        assert other - one >= halves[i] + halves[i + 1] - 1e-9
    assert all(
        -0.1 + half - 1e-9 <= at <= 1.1 - half + 1e-9 for at, half in zip(heights, halves, strict=True)
    )
    if all(b - a >= halves[i] + halves[i + 1] for i, (a, b) in enumerate(pairwise(wanted))):
        assert heights == pytest.approx(wanted)
    moved = sum(abs(at - want) for at, want in zip(heights, wanted, strict=True))
    assert moved <= 2.0 * sum(halves) * len(halves) + 1e-9


# --- points and limits


def test_few_points_are_all_kept_and_many_are_reduced_to_extremes() -> None:
    few = [(float(s), float(s % 7)) for s in range(2 * BUCKETS)]
    assert thinned(few) == few
    many = [(float(s), float(s % 10)) for s in range(100)]
    kept = thinned(many, 10)
    assert kept == [(float(s), float(s % 10)) for s in range(100) if s % 10 in (0, 9)] or len(kept) <= 22
    assert {t_s // 10 for t_s, _ in kept} == set(range(10))
    assert thinned([(5.0, 1.0)] * 9, 2) == [(5.0, 1.0)]


@given(st.lists(st.tuples(st.floats(0.0, 1e4), st.floats(-9.0, 9.0)), max_size=300), st.integers(1, 20))
def test_each_bucket_keeps_its_extremes_at_any_spacing(points, buckets) -> None:
    points = sorted(points)
    kept = thinned(points, buckets)
    assert kept == sorted(kept, key=lambda each: each[0])
    assert len(kept) <= max(2 * buckets, 2 * (buckets + 1))
    if len(points) > 2 * buckets and points[-1][0] > points[0][0]:
        wide_s = (points[-1][0] - points[0][0]) / buckets
        for t_s, value in points:
            near = [each for at_s, each in kept if abs(at_s - t_s) <= wide_s * (1 + 1e-6)]
            assert min(near) <= value <= max(near)


HOUR_PSI = PSI / 3600.0


def rates(*psi_per_h: tuple[float, float, float], sure: bool = False, from_s: float = 5000.0):
    return tuple(
        trace(
            from_s + 60.0 * i,
            leak_pa_per_s=Interval(*(each * HOUR_PSI for each in three)),
            leak_established=sure,
        )
        for i, three in enumerate(psi_per_h)
    )


@pytest.mark.parametrize(
    ("traces", "low", "high"),
    [
        ((), 0.0, 0.3),  # noise must look like noise
        (rates((0.1, 0.0, 0.2)), 0.0, 0.3),
        (rates((1.0, 0.5, 2.0)), 0.0, 2.0),
        (rates((-1.0, -2.0, 0.1)), -2.0, 0.3),
        (rates(*[(0.1, 0.05, 0.2)] * 3, (0.1, -3.0, 9.0)), 0.0, 9.0),
        (rates(*[(0.1, 0.05, 0.2)] * 9, (0.1, -3.0, 9.0)), 0.0, 0.3),  # one wide band in ten
        (rates(*[(0.1, 0.05, 0.2)] * 99, (4.0, 3.9, 4.1)), 0.0, 0.3),
        (rates(*[(0.1, 0.05, 0.2)] * 99, (4.0, 3.9, 4.1), sure=True), 0.0, 4.0),  # established, so drawn
        (rates((5.0, 4.0, 6.0), from_s=200.0), 0.0, 0.3),  # before the estimate settles
        (rates((5.0, 4.0, 6.0), from_s=100.0 + 0.08 * 36_400.0), 0.0, 0.3),
        (rates((5.0, 4.0, 6.0), from_s=101.0 + 0.08 * 36_400.0), 0.0, 6.0),
        (rates((5.0, 4.0, 6.0), from_s=200.0, sure=True), 0.0, 5.0),
        ((trace(5000.0, leak_pa_per_s=None, leak_established=True),), 0.0, 0.3),
    ],
)
def test_the_leak_panel_holds_established_leaks_and_most_of_the_band(traces, low, high) -> None:
    room = 0.06 * (high - low)
    limits = rate_limits(made_report(traces=traces), HOUR_PSI)
    assert limits == pytest.approx((low - 4.0 * room, high + room))


@given(st.lists(st.floats(-40.0, 95.0), min_size=1, max_size=99))
def test_fewer_than_a_hundred_temperatures_all_lie_within_the_panel(degrees) -> None:
    low, high = temperature_limits(degrees)
    span = max(degrees) - min(degrees)
    assert (low, high) == (
        pytest.approx(min(degrees) - 0.1 * span - 0.2),
        pytest.approx(max(degrees) + 0.1 * span + 0.2),
    )
    assert temperature_limits(degrees[::-1]) == (low, high)


def test_one_temperature_in_a_hundred_may_lie_outside_at_either_end() -> None:
    assert temperature_limits([float(n) for n in range(200)]) == pytest.approx(
        (2 - 19.5 - 0.2, 197 + 19.5 + 0.2)
    )
    assert temperature_limits([]) == pytest.approx((19.8, 20.2))


def test_temperatures_are_in_the_pots_degrees_and_gaps_stay_gaps() -> None:
    """0 K is -273.15 C (BIPM, SI Brochure, 2.3.1); F = 9/5 C + 32 (NIST SP 811, B.8)."""
    rows = (trace(200.0, gas_k=293.15, wall_k=None, room_k=273.15), trace(260.0, gas_k=None))
    celsius = temperatures_of(made_report(traces=rows))
    assert list(celsius) == [Place.GAS, Place.ROOM]
    assert celsius[Place.GAS] == [(200.0, pytest.approx(20.0)), (260.0, None)]
    fahrenheit = temperatures_of(made_report(traces=rows, pot=replace(POT, temperature_unit="F")))
    assert fahrenheit[Place.ROOM] == [(200.0, pytest.approx(32.0)), (260.0, None)]


def test_gaps_of_a_fitted_thermometer_have_a_start_and_an_end() -> None:
    silent = {"gas_k": None}
    rows = (
        trace(100.0, stage=Stage.FILLING, **silent),
        trace(160.0, stage=Stage.SETTLING),
        trace(220.0, **silent),
        trace(280.0, **silent),
        trace(340.0),
        trace(400.0, **silent),
        trace(460.0, stage=Stage.VENTING, **silent),
    )
    pot = replace(POT, thermometers=frozenset({Place.GAS}))
    assert list(thermometer_gaps(made_report(traces=rows, pot=pot))) == [
        (Place.GAS, 220.0, 340.0),
        (Place.GAS, 400.0, 460.0),
    ]
    settling = (trace(160.0, stage=Stage.SETTLING, **silent),)
    assert list(thermometer_gaps(made_report(traces=settling, pot=pot))) == [(Place.GAS, 160.0, 220.0)]
    bare = replace(POT, thermometers=frozenset())
    assert list(thermometer_gaps(made_report(traces=rows, pot=bare))) == []


def test_a_line_is_named_at_its_last_known_value_up_to_a_time() -> None:
    points = [(1.0, 10.0), (2.0, 20.0), (3.0, None), (4.0, 40.0), (5.0, None)]
    assert [last_value(points, until_s, 2.0) for until_s in (None, 4.0, 3.9, 2.0, 1.9, 0.5)] == [
        *(20.0, 20.0, 10.0, 10.0, 5.0, None)
    ]


# --- in a page


def test_ids_are_prefixed_and_unused_ids_removed() -> None:
    svg = """<?xml version="1.0"?>
<!DOCTYPE svg>
<svg xmlns="x">
  <!-- made by -->
  <g id="unused"> </g>
  <defs><path id="p1" d="M 1.23456 -0.98765 L 12 3.1"/><clipPath id="clip"/></defs>
  <g clip-path="url(#clip)"><use href="#p1"/></g>
  <text style="font: 7.5px 'DejaVu Sans'">−0.02</text>
</svg>
"""
    assert for_inlining(svg, "c7-").splitlines() == [
        '<svg xmlns="x">',
        '<defs><path id="c7-p1" d="M 1.23 -0.98 L 12 3.1"/><clipPath id="c7-clip"/></defs>',
        '<g clip-path="url(#c7-clip)"><use href="#c7-p1"/></g>',
        "<text style=\"font: 7.5px 'DejaVu Sans', Verdana, Helvetica, Arial, sans-serif\">−0.02</text>",
        "</svg>",
    ]


def test_dark_rules_are_css_for_fill_and_stroke() -> None:
    rules = dark_rules()
    assert '[style*="fill: #222222"] { fill: #e9e6df !important; }' in rules
    assert '[style*="stroke: #222222"] { stroke: #e9e6df !important; }' in rules
    assert rules.count("{") == rules.count("}") == 2 * 13


def test_text_width_is_estimated_by_its_length() -> None:
    assert width_of("n" * 10) == pytest.approx(10 * LETTER * 7.5 / 72.0)
    assert width_of("") == 0.0


def test_dashes_differ_from_dots() -> None:
    """As a stroke-dasharray of SVG 1.1 (11.4): drawn, then left out; both more than nothing."""
    (_, (dash, gap)), (_, (dot, between)) = DASHED, DOTTED
    assert dash > 2 * gap > 0 and 0 < dot < between and dash >= 4 * dot


def test_the_axis_of_a_report_made_by_hand_is_the_clock() -> None:
    assert LESS_T_S + 100.0 == UTC_S
