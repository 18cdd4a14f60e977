"""The live curve part by part: span, units and decimals, marks, gaps and cone."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_pot import HOLDING, LANTERN, PSI, T_S
from potvigil.live_reader import LivePot
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    Cure,
    FloorForecast,
    NoteEvent,
    NoteId,
    Priority,
    Stage,
    StageEvent,
)
from potvigil.model.reading import UNSEEN_AFTER_S, Sample
from potvigil.page.views.curve import CurveQuery, _with_gaps, curve
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from quick_page import LESS_S, SETTINGS, quick_record


def pots_of(settings_json):
    return load_text(settings_json, "settings of a run").core_pots()


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = quick_record(tmp_path_factory.mktemp("curve") / "record.db")
    with Store.open(path, create=False) as store:
        row = TraceRow.of(replace(HOLDING, t_s=2000.0, leak=replace(HOLDING.leak, t_s=2000.0)))
        store.append_trace("lantern", row)
        store.append_trace("lantern", replace(row, t_s=2060.0, leak_pa_per_s=None, corrected_gauge_pa=None))
        alarm = AlarmEvent(
            2100.0, None, AlarmId.LEAK, AlarmState.UNACKNOWLEDGED, Priority.LOW, "Air is lost."
        )
        store.add_event("lantern", 2, NoteEvent(2500.0, None, NoteId.TOP_UP, "by 3 psi"))
        for each in (
            alarm,
            replace(alarm, t_s=2110.0, repeat=True),
            replace(alarm, t_s=2120.0, state=AlarmState.ACKNOWLEDGED),
            replace(alarm, t_s=2050.004, alarm=AlarmId.RAPID_LOSS, priority=Priority.HIGH),
            NoteEvent(2600.0, None, NoteId.CURE_DONE, ""),
            NoteEvent(2650.0, None, NoteId.REFUSED, ""),
            StageEvent(2700.0, None, Stage.VENTING),
        ):
            store.add_event("lantern", 2, each)
    return path


@pytest.fixture
def store(path):
    with Store.open_read_only(path) as store:
        yield store


def live(recent=(), batch=2, **changes) -> LivePot:
    return LivePot(batch, replace(HOLDING, **changes), recent)


def curve_for(store, batch: int | None = 2, **given):
    row = None if batch is None else store.batch(batch)
    known = {"live": None, "from_s": None, "to_s": None, "points": 1200} | given
    return curve(store, known.pop("pots_of", pots_of), CurveQuery("lantern", row, **known))


# --- span


@pytest.mark.parametrize(
    ("batch", "given", "span"),
    [
        (2, {}, (880.0, 5000.0)),  # two minutes before it began, to the last reading
        (1, {}, (-20.0, 700.0)),
        (2, {"live": live(t_s=5005.0)}, (880.0, 5005.0)),
        (1, {"live": live(t_s=5005.0)}, (-20.0, 700.0)),  # closed: excludes the live state
        (None, {}, (5000.0 - 21_600.0, 5000.0)),
        (None, {"live": live(t_s=5100.0)}, (5100.0 - 21_600.0, 5100.0)),
        (2, {"from_s": 0.0, "to_s": 9e9}, (880.0, 5000.0)),
        (2, {"from_s": 2000.0, "to_s": 3000.126}, (2000.0, 3000.13)),
        (2, {"from_s": 3000.0, "to_s": 2000.0}, (1999.0, 2000.0)),
        (2, {"from_s": 3000.0, "to_s": 3000.0}, (2999.0, 3000.0)),
        (2, {"to_s": -5.0}, (879.0, 880.0)),
        (None, {"from_s": -90_000.0, "to_s": 9e9}, (-90_000.0, 5000.0)),  # further back is allowed
        (None, {"from_s": 6000.0}, (4999.0, 5000.0)),
    ],
)
def test_the_span_is_the_requested_one_within_the_data(store, batch, given, span) -> None:
    found = curve_for(store, batch, **given)
    assert (found["from"], found["to"]) == span
    assert all(span[0] - 0.01 <= t <= span[1] + 0.01 for t in found["t"])


def test_every_reading_is_returned_in_the_pots_unit(store) -> None:
    found = curve_for(store)
    assert found["t"] == [float(t) for t in range(1000, 5001, 10)]
    expected = [round((4e5 - t) / PSI, 3) for t in range(1000, 5001, 10)]
    assert found["low"] == found["high"] == pytest.approx(expected, abs=1e-9)
    assert (found["unit"], found["temperature_unit"], found["zone"]) == ("psi", "C", "UTC")
    assert (found["pot"], found["batch"]) == ("lantern", 2)
    assert found["utc_less_t_s"] == pytest.approx(LESS_S)
    assert (found["floor"], found["working"]) == (45.0, 60.0)


@pytest.mark.parametrize(("unit", "digits", "pa"), [("psi", 3, PSI), ("bar", 4, 1e5), ("kPa", 2, 1e3)])
def test_values_have_two_decimals_more_than_text(store, unit, digits, pa) -> None:
    """A person reads 0.1 psi, 0.01 bar, 1 kPa: units.PRESSURE_DECIMALS. 1 bar = 100 kPa (NIST SP 811)."""
    pots = {"lantern": replace(LANTERN, pressure_unit=unit)}
    found = curve_for(store, pots_of=lambda _: pots)
    assert found["unit"] == unit
    assert found["low"][7] == round((4e5 - 1070.0) / pa, digits)
    assert found["trace"]["corrected"][0] == round(59.75 * PSI / pa, digits)
    assert found["trace"]["leak"][0] == round(1.5 * PSI / pa, digits)
    assert found["floor"] == round(45.0 * PSI / pa, digits)


def test_a_pot_without_settings_has_no_points_and_no_limits(store) -> None:
    found = curve_for(store, pots_of=lambda _: {}, live=live())
    assert (found["unit"], found["temperature_unit"]) == ("psi", "C")
    assert (found["floor"], found["working"], found["cone"]) == (None, None, None)
    assert found["t"] == [] and found["pot"] == "lantern"


# --- the last minute, from the live file


def test_live_readings_follow_the_recorded_ones_without_overlap(store) -> None:
    recent = ((4995.0, 1.0), (5000.0, 1.0), (5001.0, 3 * PSI), (5002.0, None), (5003.0, 4 * PSI))
    found = curve_for(store, live=live(recent, t_s=5002.5))
    assert found["t"][-3:] == [5000.0, 5001.0, 5002.0]  # nothing beyond the span
    assert found["high"][-2:] == [3.0, None] and found["low"][-3] > 50.0
    alone = curve_for(store, pots_of=lambda _: {}, live=live(recent, t_s=5003.0))
    assert alone["t"] == [4995.0, 5000.0, 5001.0, 5002.0, 5003.0]


@pytest.mark.parametrize(
    ("batch", "to_s", "is_there"), [(2, None, True), (None, None, False), (2, 4000.0, False)]
)
def test_the_live_estimate_ends_the_trace_of_an_open_batch(store, batch, to_s, is_there) -> None:
    found = curve_for(store, live=live(batch=batch), to_s=to_s)
    assert (found["trace"]["t"][-1] == T_S) is is_there


# --- the watch's estimates


def test_leak_rates_are_per_hour_and_unknown_values_null(store) -> None:
    found = curve_for(store)["trace"]
    assert found["t"] == [2000.0, 2060.0]
    assert found["corrected"] == [59.75, None]
    assert (found["leak"], found["leak_low"], found["leak_high"]) == ([1.5, None], [1.4, None], [1.6, None])
    assert found["gas"] == [21.25, 21.25] and found["room"] == [20.0, 20.0]
    assert "wall" not in found  # no thermometer there


# --- marks and stages


def test_marks_are_in_time_order_with_the_level_of_their_alarm(store) -> None:
    marks = curve_for(store)["marks"]
    assert [(each["t"], each["kind"], each["text"], each["level"]) for each in marks] == [
        (2050.0, "alarm", "losing pressure fast", "alarm"),
        (2100.0, "alarm", "leak", "warn"),
        (2500.0, "top-up", "by 3 psi", "note"),
        (2600.0, "cure-done", "cure done", "calm"),
        (2700.0, "vented", "vented", "note"),
    ]


def test_gel_is_marked_when_the_cure_clock_reaches_it(path) -> None:
    with Store.open(path, create=False) as store:
        for t_s, progress in ((2900.0, 0.08), (3000.0, 0.12)):
            row = replace(TraceRow.of(HOLDING), t_s=t_s, cure_progress=progress)
            store.append_trace("lantern", row)
        store.flush()
        marks = [each for each in curve_for(store)["marks"] if each["kind"] == "gel"]
        store._db.execute("DELETE FROM trace WHERE t_s >= 2900", ())
    assert marks == [{"t": 2950.0, "kind": "gel", "text": "gel", "level": "note"}]  # a tenth of ten hours


def test_stages_have_their_words(store) -> None:
    assert curve_for(store)["stages"] == [
        {"t": 1010.0, "stage": "filling", "word": "filling"},
        {"t": 1400.0, "stage": "holding", "word": "holding"},
        {"t": 2700.0, "stage": "venting", "word": "venting"},
    ]
    assert curve_for(store, None)["stages"] == [] == curve_for(store, None)["marks"]
    assert curve_for(store, None)["batch"] is None


# --- forecast


AHEAD = FloorForecast(T_S + 100.004, T_S + 50.0, T_S + 200.006, True, None)


def test_the_cone_runs_from_now_to_the_floor(store) -> None:
    assert curve_for(store, live=live(forecast=AHEAD))["cone"] == {
        "t0": T_S,
        "p0": 59.5,
        "t": T_S + 100.0,
        "early": T_S + 50.0,
        "late": T_S + 200.01,
        "floor": 45.0,
    }
    endless = curve_for(store, live=live(forecast=replace(AHEAD, latest_s=None)))["cone"]
    assert endless["late"] is None and endless["t"] == T_S + 100.0


@pytest.mark.parametrize(
    "changes",
    [
        {"forecast": None},
        {"reading": replace(HOLDING.reading, gauge_pa=None)},
        {"stage": Stage.FILLING},
        {"stage": Stage.VENTING},
        {"stage": Stage.OPEN},
        {"leak": None},
        {"leak": replace(HOLDING.leak, t_s=T_S - 1000.0)},  # stale
    ],
)
def test_without_a_floor_ahead_there_is_no_cone(store, changes) -> None:
    assert curve_for(store, live=live(**changes))["cone"] is None


def test_a_pot_that_settles_has_a_cone_too(store) -> None:
    assert curve_for(store, live=live(stage=Stage.SETTLING))["cone"] is not None


@pytest.mark.parametrize(
    ("batch", "given", "done_s"),
    [
        (1, {}, 35_100.0),
        (1, {"live": live()}, 35_100.0),
        (2, {"live": live()}, T_S + 32_400.0),
        (2, {"live": live(cure=Cure(0.5, 7000.126))}, 7000.13),
        (2, {"live": live(cure=None)}, None),
        (2, {}, None),
        (None, {"live": live()}, None),
    ],
)
def test_the_end_of_cure_is_from_the_summary_or_live(store, batch, given, done_s) -> None:
    assert curve_for(store, batch, **given)["cure_done"] == done_s


# --- gaps


@given(
    st.lists(st.floats(0.5, 200.0), max_size=30),
    st.floats(1.0, 150.0),
)
def test_a_gap_is_an_empty_point_halfway(steps, gap_s) -> None:
    times = [sum(steps[:i]) for i in range(len(steps) + 1)]
    points = [(t_s, 1.0, 2.0) for t_s in times]
    found = list(_with_gaps(points, gap_s))
    assert [each for each in found if each[1] is not None] == points
    wide = [(a + b) / 2.0 for a, b in pairwise(times) if b - a > gap_s]
    assert [t_s for t_s, low, high in found if low is None and high is None] == wide
    assert found == sorted(found, key=lambda each: each[0])


@pytest.mark.parametrize(("length_s", "is_gap"), [(55, False), (60, True)])
def test_a_gap_is_longer_than_the_watch_tolerates(tmp_path, length_s, is_gap) -> None:
    assert UNSEEN_AFTER_S == 60.0
    with Store.open(tmp_path / "r.db") as store:
        store.begin_run(load_text(SETTINGS, "settings").as_json(), "boot", 0.0, None, None)
        for t_s in (*range(0, 500, 5), *range(500 + length_s, 1000, 5)):
            store.append("lantern", Sample(float(t_s), gauge_pa=3e5))
        store.flush()
        found = curve_for(store, None, from_s=0.0, to_s=995.0, points=4000)
    holes = [t for t, low in zip(found["t"], found["low"], strict=True) if low is None]
    assert holes == ([(495.0 + 500.0 + length_s) / 2.0] if is_gap else [])


# --- buckets


def bucketed(tmp_path, values, points, settings=SETTINGS, **fields):
    with Store.open(tmp_path / "r.db") as store:
        store.begin_run(load_text(settings, "settings").as_json(), "boot", 0.0, None, None)
        for t_s, value in enumerate(values):
            store.append("lantern", Sample(float(t_s), **{"gauge_pa": value} | fields))
        store.flush()
        return curve_for(store, None, from_s=0.0, to_s=float(len(values) - 1), points=points)


def test_each_bucket_has_its_extremes_at_its_middle(tmp_path) -> None:
    found = bucketed(tmp_path, [1e5 + (t % 10) * PSI for t in range(3000)], 200)
    assert len(found["t"]) == 200
    steps = [b - a for a, b in zip(found["t"][:-2], found["t"][1:-1], strict=True)]
    assert steps == pytest.approx([3000 / 200] * 198, abs=0.05)
    assert found["t"][0] == pytest.approx(7.5, abs=0.02) and found["t"][-1] <= 2999.0
    assert set(found["low"]) == {round(1e5 / PSI, 3)} and set(found["high"]) == {round(1e5 / PSI + 9.0, 3)}


def test_with_enough_points_the_readings_are_returned_unbucketed(tmp_path) -> None:
    found = bucketed(tmp_path, [1e5 + t for t in range(300)], 300)
    assert found["t"] == [float(t) for t in range(300)]
    assert found["low"] == found["high"]


def test_a_bucket_holds_at_least_three_readings(tmp_path) -> None:
    """With fewer than three readings per bucket, each would be drawn by itself."""
    found = bucketed(tmp_path, [1e5 + (t % 3) * PSI for t in range(303)], 300)
    assert len(found["t"]) == 101


def test_two_runs_share_the_points_by_their_time(tmp_path) -> None:
    with Store.open(tmp_path / "r.db") as store:
        settings = load_text(SETTINGS, "settings").as_json()
        store.begin_run(settings, "boot", 0.0, None, None)
        for t_s in range(3000):
            store.append("lantern", Sample(float(t_s), gauge_pa=1e5))
        store.flush()
        # with the same settings the two would be drawn as one
        other = load_text(SETTINGS.replace("45 psi", "44 psi"), "settings").as_json()
        store.begin_run(other, "boot", 3000.0, None, None)
        for t_s in range(3001, 12_000):
            store.append("lantern", Sample(float(t_s), gauge_pa=1e5))
        store.flush()
        found = curve_for(store, None, from_s=0.0, to_s=11_999.0, points=400)
    first = [t for t in found["t"] if t < 3000.0]
    assert len(first) == pytest.approx(100, abs=1) and len(found["t"]) == pytest.approx(400, abs=3)


def test_an_absolute_log_becomes_gauge_by_the_standard_atmosphere(tmp_path) -> None:
    """101 325 Pa: ISO 2533."""
    found = bucketed(tmp_path, [None] * 900, 200, gauge_pa=None, absolute_pa=3e5, gas_c=20.0)
    assert set(found["low"]) == set(found["high"]) == {round((3e5 - 101_325.0) / PSI, 3)}
