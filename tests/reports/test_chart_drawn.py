"""A batch's chart measured on the drawing: every line, mark and name is where the figures put it."""

import re
from dataclasses import replace
from itertools import pairwise
from random import Random
from xml.etree import ElementTree

import numpy as np
import pytest

from demo_pot import PSI
from drawn_chart import batch_figure, box_of, said, texts, touching, vertical
from made_report import EVENTS, NO_DETAILS, POT, STAGES, alarm, made_night, trace
from potvigil.model.events import (
    AlarmId,
    Cure,
    Interval,
    Stage,
    StageEvent,
)
from potvigil.model.reading import Place
from potvigil.reports.charts.batch_chart import chart_svg
from potvigil.reports.charts.chart_style import (
    ALARM,
    CORRECTED,
    DASHED,
    DOTTED,
    INK,
    NARROW_IN,
    QUIET,
    READ,
    WIDE_IN,
)
from potvigil.reports.model import ReadingGap

NIGHT = made_night()
DRAWN = batch_figure(NIGHT)
PRESSURE, LEAK, WARMTH = DRAWN.axes


def hours(t_s: float) -> float:
    return (t_s - 100.0) / 3600.0


def line_of(axis, colour: str, weight: float):
    """Return hours and values of the curve of that colour and weight."""
    (line,) = [
        each
        for each in axis.lines
        if each.get_color() == colour and each.get_linewidth() == weight and len(each.get_xdata()) > 10
    ]
    return np.asarray(line.get_xdata(), float), np.asarray(line.get_ydata(), float)


# --- the pressure


def test_every_reading_is_drawn_in_place_and_silence_is_a_gap() -> None:
    x, y = line_of(PRESSURE, READ, 1.0)
    assert x == pytest.approx([hours(t_s) for t_s, _ in NIGHT.gauge])
    known = [np.nan if pa is None else pa / PSI for _, pa in NIGHT.gauge]
    assert y == pytest.approx(known, nan_ok=True)
    assert np.isnan(y).sum() == 12


def test_the_corrected_pressure_is_a_broader_line_drawn_beneath() -> None:
    x, y = line_of(PRESSURE, CORRECTED, 2.4)
    assert x == pytest.approx([hours(each.t_s) for each in NIGHT.traces])
    assert y[-1] == pytest.approx(60.0 - 4.0 * (NIGHT.traces[-1].t_s - 700.0) / 36_000.0)
    assert np.isnan(y[0])
    colours = [line.get_color() for line in PRESSURE.lines if len(line.get_xdata()) > 10]
    assert colours == [CORRECTED, READ]


@pytest.mark.parametrize(
    ("changes", "low_psi", "high_psi"),
    [
        ({}, 45.0, 60.0),  # without fill and vent
        ({"traces": ()}, 0.0, 60.0),  # never shut: all readings
        ({"traces": (trace(200.0, gauge_pa=75 * PSI), trace(260.0, gauge_pa=30 * PSI))}, 30.0, 75.0),
        ({"traces": (trace(200.0, gauge_pa=30 * PSI, stage=Stage.FILLING),)}, 0.0, 60.0),
        ({"traces": (), "gauge": ()}, 45.0, 60.0),
    ],
)
def test_the_panel_holds_floor_working_pressure_and_the_shut_pot(changes, low_psi, high_psi) -> None:
    axis = PRESSURE if not changes else batch_figure(made_night(**changes)).axes[0]
    room = 0.07 * (high_psi - low_psi)
    assert axis.get_ylim() == pytest.approx((low_psi - room, high_psi + room))


def test_floor_and_working_pressure_are_drawn_and_named_at_their_heights() -> None:
    levels = [line.get_ydata()[0] for line in PRESSURE.lines if list(line.get_xdata()) == [0, 1]]
    assert levels == pytest.approx([45.0, 60.0])
    for words, psi in (("floor", 45.0), ("working\npressure", 60.0)):
        box, (_, y) = box_of(DRAWN, words), PRESSURE.transData.transform((0.0, psi))
        assert (box.y0 + box.y1) / 2.0 == pytest.approx(y, abs=9.0)
        assert box.x0 > PRESSURE.bbox.x1


def test_lines_are_named_at_their_height_at_the_end_of_the_hold() -> None:
    corrected_psi = 60.0 - 4.0 * 35_400.0 / 36_000.0
    for words, psi in (("gauge", 54.0), ("corrected for\ntemperature", corrected_psi)):
        (text,) = [text for text, _ in texts(DRAWN) if text.get_text() == words]
        low, high = PRESSURE.get_ylim()
        assert text.xy == (1.0, pytest.approx((psi - low) / (high - low), abs=0.01))


def test_a_silence_is_shaded_and_named_where_there_is_room() -> None:
    (shade,) = [each for each in PRESSURE.patches if each.get_x() > 0.0]
    assert shade.get_x() == pytest.approx(hours(20_000.0))
    assert shade.get_x() + shade.get_width() == pytest.approx(hours(21_200.0))
    assert "no good reading" not in said(DRAWN)  # a third of an hour is narrower than the words
    long = batch_figure(made_night(silences=(ReadingGap(20_000.0, 30_000.0, "bus error"),)))
    box, axis = box_of(long, "no good reading"), long.axes[0]
    left, right = (axis.transData.transform((hours(t_s), 50.0))[0] for t_s in (20_000.0, 30_000.0))
    assert (box.x0 + box.x1) / 2.0 == pytest.approx((left + right) / 2.0, abs=1.0)
    assert left < box.x0 and box.x1 < right
    assert axis.bbox.y0 < box.y0 and box.y1 < axis.bbox.y1


# --- the stages below it


def test_each_stage_has_its_part_of_the_strip_and_a_centred_name() -> None:
    strip = [each.get_paths()[0].get_extents() for each in PRESSURE.collections]
    ends_s = [*STAGES.values(), 36_500.0]
    assert [(box.x0, box.x1) for box in strip] == [
        (pytest.approx(hours(a)), pytest.approx(hours(b))) for a, b in pairwise(ends_s)
    ]
    tints = [tuple(each.get_facecolor()[0][:3]) for each in PRESSURE.collections]
    assert all(one != other for one, other in pairwise(tints))
    box = box_of(DRAWN, "holding")
    middle = PRESSURE.transData.transform((hours((2500.0 + 36_110.0) / 2.0), 50.0))[0]
    assert (box.x0 + box.x1) / 2.0 == pytest.approx(middle, abs=1.0)
    assert "filling" not in said(DRAWN)  # nine minutes are narrower than the word


def test_the_strip_lies_between_the_pressure_and_the_next_panel() -> None:
    foot, top = PRESSURE.collections[0].get_paths()[0].get_extents().intervaly
    high = PRESSURE.bbox.height
    assert top == pytest.approx(0.0, abs=0.02) and top < 0.0
    assert foot * high == pytest.approx(-0.16 * 72.0)
    box = box_of(DRAWN, "holding")
    assert (box.y0 + box.y1) / 2.0 == pytest.approx(PRESSURE.bbox.y0 + foot * high / 2.0, abs=1.0)
    assert PRESSURE.bbox.y0 + foot * high > LEAK.bbox.y1


def test_stages_are_clipped_to_the_batch_and_an_open_pot_has_none() -> None:
    entered = ((0.0, Stage.HOLDING), (3700.0, Stage.OPEN), (7300.0, Stage.FILLING), (90_000.0, Stage.OPEN))
    figure = batch_figure(made_night(events=tuple(StageEvent(t_s, None, stage) for t_s, stage in entered)))
    strip = [each.get_paths()[0].get_extents() for each in figure.axes[0].collections]
    assert [(box.x0, box.x1) for box in strip] == [
        (0.0, pytest.approx(1.0)),
        (pytest.approx(2.0), pytest.approx(hours(36_500.0))),
    ]
    assert [each for each in said(figure) if each in list(Stage)] == ["holding", "filling"]


def test_a_batch_without_stages_has_no_strip() -> None:
    assert list(batch_figure(made_night(events=())).axes[0].collections) == []


# --- the leak


def test_the_estimate_is_drawn_with_its_band_and_broader_once_it_is_established() -> None:
    x, y = line_of(LEAK, READ, 1.0)
    assert x == pytest.approx([hours(each.t_s) for each in NIGHT.traces])
    assert np.isnan(y[0]) and y[-1] == pytest.approx(0.5)
    _, sure = line_of(LEAK, READ, 2.4)
    established = np.array([each.leak_established for each in NIGHT.traces])
    assert np.isnan(sure).tolist() == (~established).tolist()
    assert sure[-1] == pytest.approx(0.5)
    (band,) = LEAK.collections
    box = band.get_paths()[0].get_extents()
    assert (box.y0, box.y1) == (pytest.approx(0.4), pytest.approx(0.7))
    first_s = next(each.t_s for each in NIGHT.traces if each.leak_pa_per_s is not None)
    assert box.x0 == pytest.approx(hours(first_s))


def test_no_leak_is_a_named_line_at_zero() -> None:
    assert [line.get_ydata()[0] for line in LEAK.lines if list(line.get_xdata()) == [0, 1]] == [0.0]
    low, high = LEAK.get_ylim()
    for words, rate in (("no leak", 0.0), ("estimate", 0.5)):
        (text,) = [text for text, _ in texts(DRAWN) if text.get_text() == words]
        assert text.xy == (1.0, pytest.approx((rate - low) / (high - low)))


@pytest.mark.parametrize(("onset_h", "side"), [(1.0, "left"), (8.0, "right")])
def test_the_onset_of_a_leak_is_marked_with_its_interval_and_named(onset_h, side) -> None:
    at_s = 100.0 + 3600.0 * onset_h
    leak = replace(NIGHT.summary.leak, onset_s=Interval(at_s, at_s - 600.0, at_s + 900.0))
    figure = batch_figure(made_night(summary=replace(NIGHT.summary, leak=leak)))
    axis = figure.axes[1]
    marked = [line for line in axis.lines if line.get_color() == INK and line.get_ydata()[-1] == 0.0]
    assert [list(line.get_xdata()) for line in marked] == [
        [pytest.approx(onset_h - 1.0 / 6.0), pytest.approx(onset_h + 0.25)],
        [pytest.approx(onset_h)],
    ]
    assert all(set(line.get_ydata()) == {0.0} for line in marked)
    box = box_of(figure, f"began about {22 + onset_h:02.0f}:00" if onset_h < 2 else "began about 06:00")
    ends = [axis.transData.transform((each, 0.0)) for each in (onset_h - 1.0 / 6.0, onset_h + 0.25)]
    away = box.x0 - ends[1][0] if side == "left" else ends[0][0] - box.x1
    assert 2.0 < away < 6.0
    assert box.y1 <= ends[0][1]


@pytest.mark.parametrize("leak", [None, replace(NO_DETAILS.leak, established=False)])
def test_an_unestablished_leak_is_labelled_as_such(leak) -> None:
    figure = batch_figure(made_night(summary=replace(NIGHT.summary, leak=leak)))
    box, axis = box_of(figure, "no leak established"), figure.axes[1]
    assert (box.x0 + box.x1) / 2.0 == pytest.approx((axis.bbox.x0 + axis.bbox.x1) / 2.0, abs=1.0)
    assert axis.bbox.y0 + axis.bbox.height / 2.0 < box.y0 and box.y1 <= axis.bbox.y1
    assert "estimate" not in said(figure)
    assert "no leak established" not in said(DRAWN)
    unknown = replace(NO_DETAILS.leak, onset_s=None)
    assert not [
        each
        for each in said(batch_figure(made_night(summary=replace(NIGHT.summary, leak=unknown))))
        if each.startswith("began") or each == "no leak established"
    ]


def test_panels_without_data_are_left_out() -> None:
    bare = replace(NIGHT.traces[0], room_k=None, wall_k=None, gas_k=None, leak_pa_per_s=None)
    figure = batch_figure(made_night(traces=(bare,)))
    assert len(figure.axes) == 1
    warm = batch_figure(made_night(traces=(replace(bare, gas_k=293.15),)))
    assert [axis.get_title(loc="left") for axis in warm.axes] == ["", "Temperature, °C"]
    leaking = replace(bare, leak_pa_per_s=Interval(0.0, 0.0, 0.0))
    titles = [axis.get_title(loc="left") for axis in batch_figure(made_night(traces=(leaking,))).axes]
    assert titles == ["", "Air lost, psi/h, with its 95 % band"]


# --- the temperatures


def test_each_thermometer_has_its_line_and_dash_and_is_named_at_its_last_value() -> None:
    drawn = {line.get_linestyle(): line for line in WARMTH.lines if len(line.get_xdata()) > 10}
    assert len(drawn) == 3
    low, high = WARMTH.get_ylim()
    last = {"gas": 20.0, "wall": 21.0, "room": 19.0 - NIGHT.traces[-1].t_s / 36_000.0}
    for place, degrees in last.items():
        (text,) = [text for text, _ in texts(DRAWN) if text.get_text() == place]
        assert text.xy[1] == pytest.approx((degrees - low) / (high - low), abs=0.01)
    room = next(line for line in WARMTH.lines if line.get_linestyle() == "-.")
    assert room.get_ydata() == pytest.approx([each.room_k - 273.15 for each in NIGHT.traces])
    for place in Place:
        if f"{place}" not in last:
            assert f"{place}" not in said(DRAWN)


def test_the_lines_of_thermometers_differ_in_weight_or_dash() -> None:
    four = tuple(replace(each, contents_k=300.0) for each in NIGHT.traces)
    lines = [x for x in batch_figure(made_night(traces=four)).axes[2].lines if len(x.get_xdata()) > 10]
    looks = [(line._unscaled_dash_pattern, line.get_linewidth()) for line in lines]
    assert looks == [((0, None), 1.6), (DASHED, 1.2), (looks[2][0], 0.9), (DOTTED, 1.6)]
    assert len({repr(look) for look in looks}) == 4


def test_the_heat_of_the_fill_does_not_widen_the_temperature_panel() -> None:
    rows = [trace(2000.0 + 100.0 * i, gas_k=293.15 + 0.01 * i) for i in range(300)]
    hot = [trace(100.0 + share * 36_400.0, gas_k=368.15) for share in (0.01, 0.02, 0.0299)]
    low, high = batch_figure(made_night(traces=(*hot, *rows))).axes[2].get_ylim()
    # three at either end of three hundred may lie outside
    assert (low, high) == (pytest.approx(20.03 - 0.1 * 2.93 - 0.2), pytest.approx(22.96 + 0.1 * 2.93 + 0.2))


# --- marks through all panels


def test_marks_cross_all_panels_and_alarms_are_heaviest() -> None:
    expected = [
        (hours(7300.0), ALARM, 1.3),
        (hours(10_900.0), QUIET, 0.9),  # gel
        (hours(14_500.0), ALARM, 1.3),
        (hours(18_100.0), INK, 0.7),  # topped up
        (hours(35_100.0), QUIET, 0.9),  # cure done
        (hours(36_110.0), QUIET, 0.9),  # vented
    ]
    for axis in DRAWN.axes:
        assert vertical(axis) == [(pytest.approx(x), colour, width) for x, colour, width in expected]


def test_marks_are_named_by_alarm_and_time_beside_their_lines() -> None:
    names = {
        "△ leak 00:00": 7300.0,
        "gel 01:00": 10_900.0,
        "▲ leak: floor ahead 02:00": 14_500.0,
        "topped up 03:00": 18_100.0,
        "cure done 07:43": 35_100.0,
        "vented 08:00": 36_110.0,
    }
    for name, t_s in names.items():
        box, (x, _) = box_of(DRAWN, name), PRESSURE.transData.transform((hours(t_s), 50.0))
        away = box.x0 - x if box.x0 > x else x - box.x1
        assert 1.0 < away < 4.0, name
        above = (box.y0 - PRESSURE.bbox.y1 - 4.0) / (0.155 * 72.0)
        assert above == pytest.approx(round(above), abs=0.25) and round(above) >= 0


def test_only_names_above_the_lowest_row_have_a_leader() -> None:
    close = tuple(
        alarm(7300.0 + 60.0 * i, which) for i, which in enumerate((AlarmId.LEAK, AlarmId.RAPID_LOSS))
    )
    figure = batch_figure(made_night(events=close, gel_s=None, summary=replace(NIGHT.summary, stages={})))
    axis = figure.axes[0]
    leaders = [each for each in axis.texts if not each.get_text() and each.arrow_patch is not None]
    names = [box for text, box in texts(figure) if text.get_text().startswith("▲")]
    raised = [box for box in names if box.y0 > axis.bbox.y1 + 10.0]
    assert len(leaders) == len(raised)
    for leader, box in zip(leaders, raised, strict=True):
        line = leader.arrow_patch.get_window_extent()
        assert line.y0 == pytest.approx(axis.bbox.y1, abs=1.0)
        assert line.y1 == pytest.approx(box.y0, abs=3.0)
        assert leader.arrow_patch.get_linewidth() == 0.5


# --- the sheet


@pytest.mark.parametrize("width_in", [WIDE_IN, NARROW_IN])
def test_panels_have_their_heights_and_share_their_hours(width_in) -> None:
    figure = batch_figure(NIGHT, width_in)
    boxes = [axis.bbox for axis in figure.axes]
    assert [box.height / 72.0 for box in boxes] == pytest.approx([2.1, 0.9, 0.9])
    gaps = [(a.y0 - b.y1) / 72.0 for a, b in pairwise(boxes)]
    assert gaps == pytest.approx([0.3 + 0.16, 0.3])
    assert {axis.get_xlim() for axis in figure.axes} == {(0.0, hours(36_500.0))}
    assert figure.get_figwidth() == width_in
    right_in = 1.02 if width_in == WIDE_IN else 0.84
    for box in boxes:
        assert (box.x0 / 72.0, box.x1 / 72.0) == pytest.approx((0.46, width_in - right_in))


def report_of(alarms, end_s, cure_s, gel_s, units):
    which = list(AlarmId)
    events = (
        *EVENTS[:4],
        *(alarm(t_s, which[i % len(which)]) for i, t_s in enumerate(sorted(alarms))),
        StageEvent(end_s - 60.0, None, Stage.VENTING),
    )
    summary = replace(
        NIGHT.summary,
        end_s=end_s,
        cure=Cure(1.0, cure_s),
        stages={**STAGES, Stage.VENTING: end_s - 60.0},
    )
    return made_night(events=events, summary=summary, gel_s=gel_s, pot=replace(POT, pressure_unit=units))


@pytest.mark.parametrize("seed", range(6))
def test_all_text_is_on_the_sheet_and_no_names_overlap(seed) -> None:
    random = Random(seed)
    alarms = [random.uniform(200.0, 36_000.0) for _ in range(seed % 4)]
    end_s, gel_s = random.choice([36_500.0, 80_000.0, 200_000.0]), random.choice([None, 8000.0, 30_000.0])
    units, width_in = ("psi", "bar", "kPa")[seed % 3], (WIDE_IN, NARROW_IN)[seed % 2]
    cure_s = random.uniform(20_000.0, 34_000.0)
    figure = batch_figure(report_of(alarms, end_s, cure_s, gel_s, units), width_in)
    sheet = figure.bbox
    for text, box in texts(figure):
        assert sheet.x0 - 2.0 <= box.x0 and box.x1 <= sheet.x1 + 2.0, text.get_text()
        assert sheet.y0 - 1.0 <= box.y0 and box.y1 <= sheet.y1 + 1.0, text.get_text()
    top = figure.axes[0].bbox.y1
    above = {text.get_text() for text, box in texts(figure) if box.y0 > top + 2.0}
    assert [pair for pair in touching(figure) if set(pair) <= above] == []
    beside = {text.get_text() for text, box in texts(figure) if box.x0 > figure.axes[0].bbox.x1}
    assert [pair for pair in touching(figure) if set(pair) <= beside - above] == []


@pytest.mark.parametrize(("end_s", "foot_in"), [(36_500.0, 0.36), (90_000.0, 0.48)])
def test_the_sheet_has_no_blank_margin_at_top_or_bottom(end_s, foot_in) -> None:
    figure = batch_figure(report_of([5000.0, 5100.0], end_s, 30_000.0, None, "psi"))
    assert figure.axes[-1].bbox.y0 / 72.0 == pytest.approx(foot_in)
    names = [box for text, box in texts(figure) if re.match(r"[▲△]", text.get_text())]
    heading = box_of(figure, "Pressure, psi gauge")
    free = heading.y0 - max(box.y1 for box in names)
    assert 0.0 <= free < 0.155 * 72.0


def test_value_axes_have_few_round_ticks() -> None:
    for axis, most in ((PRESSURE, 7), (LEAK, 5), (WARMTH, 5)):
        low, high = axis.get_ylim()
        ticks = [tick for tick in axis.get_yticks() if low <= tick <= high]
        assert 2 <= len(ticks) <= most
        step = ticks[1] - ticks[0]
        assert step / 10.0 ** np.floor(np.log10(step) + 1e-9) == pytest.approx(1.0) or round(
            step / 10.0 ** np.floor(np.log10(step) + 1e-9), 6
        ) in (2.0, 5.0)


def test_only_the_last_panel_shows_the_hours() -> None:
    for axis in DRAWN.axes[:-1]:
        assert {label.get_text() for label in axis.get_xticklabels()} == {""}
    labels = [label.get_text() for label in WARMTH.get_xticklabels()]
    assert labels == [f"{(22 + n) % 24:02d}:00" for n in range(11)]
    assert list(WARMTH.get_xticks()) == pytest.approx(list(range(11)))


# --- the file


@pytest.mark.parametrize("width_in", [WIDE_IN, NARROW_IN])
def test_each_mark_in_the_svg_lies_where_the_ticks_put_it(width_in) -> None:
    """Reads the file as XML and inverts its axis by two ticks: SVG 1.1, chapters 8 and 10."""
    svg = chart_svg(NIGHT, width_in)
    root = ElementTree.fromstring(svg)
    space = {"s": "http://www.w3.org/2000/svg"}
    at = {}
    for text in root.iterfind(".//s:text", space):
        where = re.search(r"translate\(([\d.]+)", text.get("transform", "")) or re.match(
            r"()([\d.]+)", text.get("x", "")
        )
        if where is not None:
            at["".join(text.itertext())] = float(where[where.lastindex])
    early, late = (at[each] for each in ("00:00", "06:00"))
    per_hour = (late - early) / 6.0
    lines = [
        [float(number) for number in re.findall(r"-?[\d.]+", path.get("d"))]
        for path in root.iterfind(".//s:path", space)
        if f"stroke: {ALARM.lower()}" in path.get("style", "").lower()
    ]
    upright = sorted({round(line[0], 1) for line in lines if len(line) == 4 and line[0] == line[2]})
    moments = [2.0 + (x - early) / per_hour for x in upright]
    assert moments == pytest.approx([2.0, 4.0], abs=0.03)
