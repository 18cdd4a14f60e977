"""Thinning in detail: what a mean contains, where each boundary is, what is kept as read."""

import json
from math import inf
from pathlib import Path

import pytest

from potvigil.model.events import AlarmState, BatchOpened, NoteEvent, NoteId
from potvigil.model.reading import Fault, Sample, Sensor
from potvigil.record.codec import faults_to_text
from potvigil.record.errors import MissingRecordError
from potvigil.record.store import Store
from potvigil.upkeep import thinning
from potvigil.upkeep.thinning import Spans, mean_of, thin, thinned
from record_night import CLOSED, POT, UTC_S, alarm

DAY_S = 86_400.0
LOST, SILENT = Fault(Sensor.THERMOMETER, "lost"), Fault(Sensor.BAROMETER, "silent")


def row(t_s: float, utc_s: float | None = None, faults: tuple[Fault, ...] = (), **columns: float) -> tuple:
    sample = Sample(t_s, utc_s, **columns)
    return (*thinning._row(sample)[:-2], faults_to_text(faults), None)


def test_the_constants_of_thinning_are_pinned() -> None:
    assert (thinning.BIN_S, thinning.BETWEEN_BIN_S, thinning.STEP_S) == (20.0, 60.0, 1200.0)
    assert (thinning.KEPT_AROUND_S, thinning.FED_BEFORE_S, thinning.FED_AFTER_S) == (120.0, 120.0, 3600.0)
    assert (thinning.STEADY_SHARE, thinning.STEADY_C, thinning.LEAST_SAMPLES) == (0.01, 1.0, 6)


# --- a mean


def test_a_mean_averages_each_column_over_its_known_values_with_their_range() -> None:
    rows = [
        row(100.0, 1100.0, (LOST,), gauge_pa=400_000.0, wall_c=20.0),
        row(101.0, None, (SILENT, LOST), gauge_pa=400_003.0),
        row(103.0, 1105.0, (), gauge_pa=400_006.0, wall_c=21.0),
    ]
    t_s, utc_s, *read, faults, spread = mean_of(rows)
    assert t_s == pytest.approx(101.0 + 1.0 / 3.0)
    assert utc_s == t_s + 1001.0  # by those that have a wall time
    assert dict(zip(thinning._COLUMNS, read, strict=True)) == {
        **dict.fromkeys(thinning._COLUMNS),
        "gauge_pa": 400_003.0,
        "wall_c": 20.5,
    }
    assert faults == (LOST, SILENT)
    assert json.loads(spread) == {"n": 3, "gauge_pa": [400_000.0, 400_006.0], "wall_c": [20.0, 21.0]}
    assert mean_of([row(1.0)])[1] is None


def test_a_mean_has_the_mean_time_of_its_samples_with_a_pressure() -> None:
    for pressure in ("transducer_count", "supply_count", "gauge_pa", "absolute_pa"):
        rows = [row(0.0, wall_c=20.0), row(10.0, **{pressure: 1.0}), row(12.0, **{pressure: 1.0})]
        assert mean_of(rows)[0] == 11.0
    assert mean_of([row(0.0, wall_c=20.0), row(10.0, wall_c=20.0)])[0] == 5.0


def test_the_range_is_kept_to_six_digits_with_the_mean_within_it() -> None:
    rows = [row(float(n), transducer_count=15_000.123456) for n in range(3)]
    *_, spread = mean_of(rows)
    assert json.loads(spread)["transducer_count"] == [15_000.1, 15_000.1]
    assert mean_of(rows)[2] == 15_000.123456
    assert mean_of([row(0.0, gauge_pa=-3.0), row(1.0, gauge_pa=1.0)])[4] == -1.0


# --- what is steady


@pytest.mark.parametrize(
    ("column", "values", "is_steady"),
    [
        ("gauge_pa", (100_000.0, 101_000.0), True),
        ("gauge_pa", (100_000.0, 101_011.0), False),
        ("gauge_pa", (-100_000.0, -99_000.0), True),
        ("gauge_pa", (-100_000.0, -98_999.0), False),
        ("gauge_pa", (-400.0, 600.0), False),  # an open pot: by the larger of the two
        ("ambient_pa", (100_000.0, 101_011.0), False),
        ("wall_c", (20.0, 21.0), True),
        ("wall_c", (20.0, 21.01), False),
        ("contents_c", (-1.0, 0.5), False),
        ("transducer_count", (15_000.0, 15_151.0), True),
        ("transducer_count", (15_000.0, 15_152.0), False),
    ],
)
def test_a_bin_with_a_step_is_not_steady(column: str, values: tuple[float, float], is_steady: bool) -> None:
    rows = [row(float(n), **{column: value}) for n, value in enumerate(values)]
    assert thinning._is_steady(rows) is is_steady
    assert thinning._is_steady([row(5.0), *rows]) is is_steady  # samples without it do not count


# --- stretches of the axis


@pytest.mark.parametrize(
    ("from_s", "to_s", "touches"),
    [
        *((0.0, 9.9, False), (0.0, 10.0, True), (15.0, 16.0, True), (20.0, 25.0, True), (20.1, 29.9, False)),
        *((20.1, 30.0, True), (0.0, 99.0, True), (50.1, 59.9, False), (60.0, 60.0, True), (1e9, 1e9, True)),
    ],
)
def test_a_stretch_includes_its_ends(from_s: float, to_s: float, touches: bool) -> None:
    spans = Spans([(30.0, 40.0), (10.0, 20.0), (35.0, 50.0), (32.0, 33.0), (60.0, inf)])
    assert spans.touches(from_s, to_s) is touches
    assert not Spans([]).touches(from_s, to_s)


# --- what a restart replays


def night(count: int = 200, **changes: float) -> list[Sample]:
    return [Sample(float(t_s), gauge_pa=400_000.0 + t_s % 7, **changes) for t_s in range(count)]


def times(samples: list[Sample]) -> list[float]:
    return [each.t_s for each in samples]


def test_only_whole_bins_of_a_batch_before_the_limit_become_means() -> None:
    found = list(thinned(night(), [], 119.0))
    assert times(found) == [9.5, 29.5, 49.5, 69.5, 89.5, *(float(n) for n in range(100, 200))]
    assert found[0].gauge_pa == pytest.approx(sum(400_000.0 + n % 7 for n in range(20)) / 20.0)
    assert times(list(thinned(night(), [], 120.0)))[:6] == [9.5, 29.5, 49.5, 69.5, 89.5, 109.5]


@pytest.mark.parametrize(
    ("moment_s", "kept"), [(300.0, []), (299.0, [160]), (180.0, [60, 80, 100, 120, 140, 160])]
)
def test_two_minutes_around_each_event_are_kept(moment_s: float, kept: list[int]) -> None:
    found = times(list(thinned(night(180), [moment_s], 1e9)))
    whole = [n for n in range(0, 180, 20) if float(n) in found]
    assert whole == kept


def test_few_samples_faults_and_steps_are_kept() -> None:
    assert times(list(thinned(night(5), [], 1e9))) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert times(list(thinned(night(6), [], 1e9))) == [2.5]
    with_fault = night(20)
    with_fault[3] = Sample(3.0, gauge_pa=400_000.0, faults=(LOST,))
    assert list(thinned(with_fault, [], 1e9)) == with_fault
    step = [*night(19), Sample(19.0, gauge_pa=410_000.0)]
    assert list(thinned(step, [], 1e9)) == step


# --- a record


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """A pot for two hours: open, then an hour's batch from 1800 s on, then open; all of it long ago."""
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.begin_run('{"pots":{"lantern":{"supply":"shut"}}}', "boot-a", 0.0, UTC_S, None)
        for t_s in range(7200):
            store.append(POT, Sample(float(t_s), UTC_S + t_s, gauge_pa=400_000.0))
        number = store.open_batch(POT, BatchOpened(1800.0, UTC_S + 1800.0))
        store.add_event(POT, number, NoteEvent(3000.0, None, NoteId.TOP_UP, ""))
        closed = CLOSED.__class__(5400.0, UTC_S + 5400.0, CLOSED.summary)
        store.close_batch(number, closed)
    return path


def read(path: Path) -> list[float]:
    with Store.open_read_only(path) as store:
        return times(list(store.samples(POT, 0.0)))


def test_bins_are_a_minute_between_batches_20_s_within_one_and_none_around_events(
    record: Path,
) -> None:
    done = thin(record, DAY_S, UTC_S + 30 * DAY_S, rest_s=0.0)
    found = read(record)
    whole = {t_s for t_s in found if t_s == int(t_s)}
    # the run's begin, the opening, the top-up, the closing; a bin that reaches into it stays
    for begin_s, end_s in ((0, 180), (1680, 1920), (2880, 3121), (5280, 5521)):
        assert whole.issuperset(float(t_s) for t_s in range(begin_s, end_s))
    assert 209.5 in found and 1649.5 in found
    # the bin that begins where the stretch around the opening ends still stays
    assert [t_s for t_s in found if 1935.0 < t_s < 2000.0] == [*range(1936, 1940), 1949.5, 1969.5, 1989.5]
    assert [t_s for t_s in found if 6000.0 < t_s < 6200.0] == [6029.5, 6089.5, 6149.5]
    assert done.samples - done.means == 7200 - len(found)
    assert done.steps == 6  # of twenty minutes each


def test_thinning_makes_no_missing_record(tmp_path: Path) -> None:
    with pytest.raises(MissingRecordError):
        thin(tmp_path / "none.db", DAY_S, UTC_S, rest_s=0.0)
    assert list(tmp_path.iterdir()) == []


def test_only_certainly_older_samples_become_means(record: Path) -> None:
    # the horizon is at 6000 s of the axis
    thin(record, DAY_S, UTC_S + 6000.0 + DAY_S, rest_s=0.0)
    found = read(record)
    assert found[found.index(6000.0) :] == [float(t_s) for t_s in range(6000, 7200)]
    assert 5849.5 in found


def test_the_watch_gets_a_turn_after_each_step(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rests: list[float] = []
    told: list[tuple[str, int]] = []
    monkeypatch.setattr(thinning.time, "sleep", rests.append)
    done = thin(record, DAY_S, UTC_S + 30 * DAY_S, progress=lambda pot, count: told.append((pot, count)))
    assert rests == [0.05] * done.steps
    assert [pot for pot, _ in told] == [POT] * done.steps
    assert [count for _, count in told] == sorted({count for _, count in told})
    assert told[-1][1] == done.samples
    assert done.longest_step_s > 0.0


@pytest.mark.parametrize(
    ("end_s", "is_seen", "stays_from_s", "stays_to_s"),
    [
        (None, True, 3480.0, 7199.0),  # open: from two minutes before it on
        (4800.0, False, 3480.0, 7199.0),  # its alarm is unacknowledged: an hour beyond it
        (4800.0, True, None, None),
    ],
)
def test_samples_that_a_restart_replays_are_not_thinned(
    tmp_path: Path, end_s: float | None, is_seen: bool, stays_from_s: float | None, stays_to_s: float | None
) -> None:
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.begin_run("{}", "boot-a", 0.0, UTC_S, None)
        for t_s in range(7200):
            store.append(POT, Sample(float(t_s), UTC_S + t_s, gauge_pa=400_000.0))
        number = store.open_batch(POT, BatchOpened(3600.0, None))
        if not is_seen:
            store.add_event(POT, number, alarm(3700.0, AlarmState.UNACKNOWLEDGED))
        if end_s is not None:
            store.close_batch(number, CLOSED.__class__(end_s, None, CLOSED.summary))
    thin(path, DAY_S, UTC_S + 30 * DAY_S, rest_s=0.0)
    found = read(path)
    whole = {t_s for t_s in found if t_s == int(t_s)}
    if stays_from_s is None or stays_to_s is None:
        assert 4200.0 not in whole
        return
    assert whole.issuperset(float(t_s) for t_s in range(int(stays_from_s), 7100))
    assert stays_from_s - 30.5 in found  # and the minute before it is a mean


@pytest.mark.parametrize(
    "settings", ["{}", "nonsense", '{"pots":{}}', '{"pots":{"lantern":{"supply":"shut"}}}']
)
def test_only_a_batch_with_a_regulated_supply_is_not_thinned(settings: str) -> None:
    assert not thinning._is_regulated(settings, POT)
    assert not thinning._is_regulated(None, POT)
    assert thinning._is_regulated('{"pots":{"lantern":{"supply":"regulated"}}}', POT)
