"""The extremes of a bucket by its kind of reading; when each sample is read; runs and roundings."""

from dataclasses import replace

import pytest

from demo_pot import HOLDING, LANTERN, PSI, T_S
from potvigil.live_reader import LivePot
from potvigil.model.events import Cure, FloorForecast, NoteEvent, NoteId, Stage, StageEvent
from potvigil.model.pot import Reference, Transducer
from potvigil.model.reading import Sample
from potvigil.model.signal import LIVE_ZERO, TEN_VOLT
from potvigil.page.views import curve as curve_views
from potvigil.page.views.curve import CurveQuery, _Extremes, curve
from potvigil.record.curve import Bucket
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from quick_page import SETTINGS, quick_record

# A millivolt a count, so 5000 counts of a 5 V supply.
SPAN_PA, USUAL = 8e5, 5000.0
WIRE = Transducer(0.001, SPAN_PA, supply_volts_per_count=0.001)
POT = replace(LANTERN, transducer=WIRE)
NOTHING = Bucket(0.0, 10.0, 0, *(None,) * 9)


class Samples:
    """A record of these samples. read: how often they were asked for; asked: how the buckets were."""

    def __init__(self, *samples: Sample) -> None:
        self._samples, self.read, self.asked = samples, 0, {}

    def samples(self, _pot_id, from_s, to_s):
        self.read += 1
        return [each for each in self._samples if from_s <= each.t_s <= to_s]

    def curve(self, *_, **asked):
        self.asked = asked
        return []


def share_pa(share: float) -> float:
    """Return the pressure of a ratiometric signal: 10 % to 90 % of the supply is the span."""
    return (share - 0.1) / 0.8 * SPAN_PA


def extremes(bucket: Bucket, pot=POT, *samples: Sample):
    """Return the extremes of a bucket, and how often its samples were read one by one."""
    store = Samples(*samples)
    return _Extremes(store, pot, True).of(bucket), store.read


def counted(low: float, high: float, **changes) -> Bucket:
    return replace(NOTHING, counts=9, low_count=low, high_count=high, **changes)


# --- kinds of bucket


@pytest.mark.parametrize(
    ("bucket", "found"),
    [
        (NOTHING, (None, None)),
        (replace(NOTHING, low_gauge_pa=2e5, high_gauge_pa=3e5), (2e5, 3e5)),
        (
            replace(NOTHING, low_absolute_pa=2e5, high_absolute_pa=3e5, ambient_pa=95_000.0),
            (105_000.0, 205_000.0),
        ),
        (replace(NOTHING, low_gauge_pa=-2e5, high_gauge_pa=3e5), (None, None)),  # below a vacuum
        (counted(0.3, 0.5), (share_pa(0.3), share_pa(0.5))),
        (replace(counted(0.3, 0.3), counts=1), (share_pa(0.3), share_pa(0.3))),
    ],
)
def test_one_kind_of_reading_needs_its_two_extremes_only(bucket, found) -> None:
    ends, read = extremes(bucket)
    assert ends == (pytest.approx(found) if found[0] is not None else found)
    assert read == 0


def test_mixed_kinds_of_reading_are_each_converted() -> None:
    mixed = replace(counted(0.3, 0.3), counts=1, low_gauge_pa=2e5, high_gauge_pa=2e5)
    samples = (Sample(1.0, transducer_count=1500.0), Sample(2.0, gauge_pa=2.5e5), Sample(3.0))
    assert extremes(mixed, POT, *samples) == ((pytest.approx(share_pa(0.3)), 2.5e5), 1)
    later = Sample(10.0, gauge_pa=6e5)  # the first of the next bucket
    assert extremes(mixed, POT, *samples, later)[0][1] == 2.5e5
    assert extremes(mixed, POT, Sample(3.0)) == ((None, None), 1)


# --- wiring faults


@pytest.mark.parametrize(("low", "high"), [(0.02, 0.04), (0.96, 0.99)])
def test_a_bucket_of_a_broken_or_shorted_wire_has_no_extremes(low, high) -> None:
    assert extremes(counted(low, high)) == ((None, None), 0)


@pytest.mark.parametrize(("low", "high"), [(0.02, 0.5), (0.3, 0.97), (0.02, 0.97)])
def test_a_wiring_fault_within_a_bucket_spoils_no_other_reading(low, high) -> None:
    samples = [Sample(float(n), transducer_count=USUAL * share) for n, share in enumerate((low, 0.4, high))]
    valid = [share_pa(share) for share in (low, 0.4, high) if 0.05 < share < 0.95]
    assert extremes(counted(low, high), POT, *samples) == (pytest.approx((min(valid), max(valid))), 1)


def test_a_transducer_without_a_valid_count_has_no_extremes() -> None:
    mute = replace(POT, transducer=replace(WIRE, volts_per_count=1e-9))
    assert extremes(counted(0.0, 0.5), mute) == ((None, None), 0)
    assert extremes(counted(0.0, 0.5), replace(POT, transducer=None)) == ((None, None), 0)


# --- the supply


@pytest.mark.parametrize(
    ("low", "high", "read"),
    [(4500.0, 5500.0, 0), (4499.0, 5000.0, 1), (5000.0, 5501.0, 1), (None, None, 0), (None, 9e9, 0),
     (1.0, None, 0)],
)  # fmt: skip
def test_a_supply_out_of_tolerance_has_each_sample_converted(low, high, read) -> None:
    """It may be off by a tenth: conversion.SUPPLY_TOLERANCE."""
    bucket = counted(0.3, 0.5, low_supply=low, high_supply=high)
    assert extremes(bucket, POT, Sample(1.0, gauge_pa=2e5))[1] == read


def test_without_a_supply_channel_any_supply_is_good() -> None:
    alone = replace(POT, transducer=replace(WIRE, supply_volts_per_count=None))
    bucket = counted(1500.0, 2500.0, low_supply=1.0, high_supply=9e9)
    assert extremes(bucket, alone) == (pytest.approx((share_pa(0.3), share_pa(0.5))), 0)


@pytest.mark.parametrize("signal", [LIVE_ZERO, TEN_VOLT])
def test_counts_of_a_voltage_are_not_shares_of_the_supply(signal) -> None:
    volt = replace(POT, transducer=replace(WIRE, signal=signal))
    (low_pa, high_pa), read = extremes(counted(1500.0, 4000.0), volt)
    wide = (signal.full - signal.zero) / SPAN_PA
    assert (low_pa, high_pa) == pytest.approx(((1.5 - signal.zero) / wide, (4.0 - signal.zero) / wide))
    assert read == 0


# --- what is asked of the record


@pytest.mark.parametrize(
    ("wire", "supply", "ambient"),
    [
        (WIRE, USUAL, False),
        (replace(WIRE, supply_volts_per_count=None), None, False),
        (replace(WIRE, signal=LIVE_ZERO), None, False),
        (replace(WIRE, signal=TEN_VOLT), None, False),
        (replace(WIRE, reference=Reference.ABSOLUTE), USUAL, True),
        (None, None, False),
    ],
)
@pytest.mark.parametrize("thinned", [True, False])
def test_the_supply_is_asked_for_by_ratiometric_and_the_barometer_by_absolute_ones(
    wire, supply, ambient, thinned
) -> None:
    store = Samples()
    _Extremes(store, replace(POT, transducer=wire), thinned).buckets(0.0, 9.0, 3)
    assert store.asked == {"usual_supply": supply, "ambient": ambient, "thinned": thinned}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return quick_record(tmp_path_factory.mktemp("extremes") / "record.db")


@pytest.fixture
def store(path):
    with Store.open_read_only(path) as store:
        yield store


def pots_of(settings_json):
    return load_text(settings_json, "settings of a run").core_pots()


@pytest.mark.parametrize(
    ("changes", "thinned"), [({}, False), ({"end_t_s": 5000.0}, True), (None, True)], ids=str
)
def test_only_samples_of_an_open_batch_are_never_thinned(store, monkeypatch, changes, thinned) -> None:
    seen = []

    class Seen(_Extremes):
        def __init__(self, *given) -> None:
            seen.append(given[-1])
            super().__init__(*given)

    monkeypatch.setattr(curve_views, "_Extremes", Seen)
    row = None if changes is None else replace(store.batch(2), **changes)
    curve(store, pots_of, CurveQuery("lantern", row, None, None, None, 50))
    assert seen == [thinned]


# --- runs


def two_runs(folder, first, second, points, to_s):
    """Return the curve's times over two runs; the second, from 3000 s on, has settings of its own."""
    other = SETTINGS.replace("45 psi", "44 psi")
    with Store.open(folder / "record.db") as store:
        for begin_s, settings, times in ((0.0, SETTINGS, first), (3000.0, other, second)):
            store.begin_run(load_text(settings, "settings").as_json(), "boot", begin_s, None, None)
            for t_s in times:
                store.append("lantern", Sample(float(t_s), gauge_pa=3e5))
            store.flush()
        return curve(store, pots_of, CurveQuery("lantern", None, None, 0.0, to_s, points))["t"]


def test_a_reading_at_the_start_of_a_run_is_drawn_once(tmp_path) -> None:
    assert two_runs(tmp_path, range(2950, 3000, 10), range(3000, 3050, 10), 4000, 3040.0) == [
        float(t_s) for t_s in range(2950, 3050, 10)
    ]


def test_the_shortest_run_has_a_point_of_its_own(tmp_path) -> None:
    times = two_runs(tmp_path, range(0, 3000, 5), (3001, 3002), 200, 3002.0)
    assert [t_s for t_s in times if t_s >= 3000.0] == [pytest.approx(3001.0, abs=0.1)]


def test_a_gap_is_as_long_late_on_the_records_axis(tmp_path) -> None:
    begin = 1_000_000
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run(load_text(SETTINGS, "settings").as_json(), "boot", 0.0, None, None)
        for t_s in (*range(0, 500, 5), *range(600, 1000, 5)):
            store.append("lantern", Sample(float(begin + t_s), gauge_pa=3e5))
        store.flush()
        query = CurveQuery("lantern", None, None, float(begin), begin + 995.0, 400)
        found = curve(store, pots_of, query)
    holes = [t_s for t_s, low in zip(found["t"], found["low"], strict=True) if low is None]
    assert holes == [begin + (495.0 + 600.0) / 2.0]


def test_a_pot_without_a_sample_shows_the_hours_before_zero(store) -> None:
    found = curve(store, pots_of, CurveQuery("mast", None, None, None, None, 1200))
    assert (found["from"], found["to"], found["t"]) == (-21_600.0, 0.0, [])


# --- roundings


def test_every_time_is_rounded_to_hundredths_of_a_second(tmp_path) -> None:
    with Store.open(quick_record(tmp_path / "record.db")) as store:
        store.add_event("lantern", 2, StageEvent(2000.126, None, Stage.SETTLING))
        store.add_event("lantern", 2, NoteEvent(2100.126, None, NoteId.TOP_UP, "by 3 psi"))
        store.append_trace("lantern", replace(TraceRow.of(HOLDING), t_s=2200.126))
        store.flush()
        forecast = FloorForecast(T_S + 100.126, T_S + 50.126, T_S + 200.126, True, None)
        leak = replace(HOLDING.leak, t_s=T_S)
        snapshot = replace(
            HOLDING, t_s=T_S + 9.126, leak=leak, forecast=forecast, cure=Cure(0.5, T_S + 300.126)
        )
        live = LivePot(2, snapshot, ((T_S + 4.126, 3e5),))
        found = curve(store, pots_of, CurveQuery("lantern", store.batch(2), live, 900.126, None, 1200))
        closed = store.batch(1)
        summary = replace(closed.summary, cure=Cure(1.0, 300.126))
        row = replace(closed, summary=summary)
        done = curve(store, pots_of, CurveQuery("lantern", row, None, None, None, 1200))["cure_done"]
    assert (found["from"], found["to"], found["t"][-1]) == (900.13, T_S + 9.13, T_S + 4.13)
    assert found["stages"][-1]["t"] == 2000.13
    assert found["marks"] == [{"t": 2100.13, "kind": "top-up", "text": "by 3 psi", "level": "note"}]
    assert found["trace"]["t"] == [2200.13, T_S + 9.13]
    assert found["cone"] == {
        "t0": T_S + 9.13,
        "p0": 59.5,
        "t": T_S + 100.13,
        "early": T_S + 50.13,
        "late": T_S + 200.13,
        "floor": 45.0,
    }
    assert (found["cure_done"], done) == (T_S + 300.13, 300.13)
    assert found["low"][-1] == round(3e5 / PSI, 3)
