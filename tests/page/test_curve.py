"""The curve keeps every peak and dip and invents none, compared with each sample converted by the core."""

import json
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_pot import HOLDING
from potvigil.model.pot import Reference
from potvigil.model.reading import UNSEEN_AFTER_S, Fault, Place, Quality, Reading, Sample, Sensor
from potvigil.page.views.curve import CurveQuery, curve
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.sensing.conversion import convert
from potvigil.settings.loading import load_text
from potvigil.units import PA_PER_PSI

SETTINGS = """
workshop: harbour-models
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {place: gas}
    supply: shut
    cure: {hold: 10 h}
    transducer: {%s}
"""
KINDS = {
    "supply measured": "supply_channel: 1",
    "supply assumed": "",
    "absolute": "reference: absolute, span: 150 psi, supply_channel: 1",
}
POTS = {kind: load_text(SETTINGS % keys, "test").core_pots()["lantern"] for kind, keys in KINDS.items()}
LOADED = {kind: load_text(SETTINGS % keys, "test") for kind, keys in KINDS.items()}
USUAL = 26_666.0  # 5 V through the converter's 6.144 V range: 32768 / 6.144 * 5


def pots_of(settings_json):
    return load_text(settings_json, "settings of a run").core_pots()


def samples(number, count, strange):
    """Return samples as they occur: steady, with spikes, wiring and supply faults, and gaps."""
    seed = random.Random(number)
    made, t_s = [], 100.0
    for i in range(count):
        t_s += 1.0 if seed.random() > 0.005 else 500.0 * seed.random() + 1.0
        sample = Sample(t_s, None, 14_000.0 + 40.0 * seed.random(), USUAL + 20.0 * seed.random())
        sample = replace(sample, ambient_pa=101_325.0, gas_c=21.0)
        if seed.random() < strange:
            sample = seed.choice(
                [
                    replace(sample, transducer_count=None, faults=(Fault(Sensor.TRANSDUCER, "bus error"),)),
                    replace(sample, transducer_count=10.0),  # a broken wire
                    replace(sample, transducer_count=32_767.0),  # a short
                    replace(sample, supply_count=0.5 * USUAL),
                    replace(sample, supply_count=None),
                    replace(sample, transducer_count=14_000.0 + 8_000.0 * seed.random()),  # a real jump
                    replace(sample, transducer_count=4_000.0 + 8_000.0 * seed.random()),
                    replace(sample, transducer_count=None, gauge_pa=300_000.0 * seed.random()),
                    replace(sample, transducer_count=None, absolute_pa=150_000.0 + i),
                ]
            )
        made.append(sample)
    return made


def record_of(folder, kind, made):
    store = Store.open(folder / "record.db")
    store.begin_run(LOADED[kind].as_json(), "boot", 0.0, None, None)
    for sample in made:
        store.append("lantern", sample)
    store.flush()
    return store


@pytest.mark.parametrize("kind", KINDS)
@given(
    number=st.integers(0, 2**32),
    count=st.integers(300, 900),
    strange=st.sampled_from([0.0, 0.005, 0.05, 0.3]),
    points=st.integers(100, 400),
)
@settings(max_examples=15, deadline=None)
def test_peaks_and_dips_are_kept_and_none_invented(tmp_path_factory, kind, number, count, strange, points):
    made = samples(number, count, strange)
    with record_of(tmp_path_factory.mktemp("curve"), kind, made) as store:
        query = CurveQuery("lantern", None, None, made[0].t_s, made[-1].t_s, points)
        found = curve(store, pots_of, query)
    read = {sample.t_s: convert(sample, POTS[kind]).gauge_pa for sample in made}
    known = [pa / PA_PER_PSI for pa in read.values() if pa is not None]
    low = [value for value in found["low"] if value is not None]
    high = [value for value in found["high"] if value is not None]
    # rounded to 0.001 psi; a bucket uses one barometer value, here constant
    assert min(low) == pytest.approx(min(known), abs=1e-3)
    assert max(high) == pytest.approx(max(known), abs=1e-3)
    assert found["t"] == sorted(found["t"])
    assert made[0].t_s - 0.01 <= found["t"][0] and found["t"][-1] <= made[-1].t_s + 0.01  # rounded
    assert len(found["t"]) <= 2 * points + 2  # a gap adds a point
    # each reading lies between the extremes of a nearby point
    wide_s = (made[-1].t_s - made[0].t_s) / min(points, len(made) // 3)
    near = [
        (t, lo, hi)
        for t, lo, hi in zip(found["t"], found["low"], found["high"], strict=True)
        if lo is not None
    ]
    for t_s, pa in read.items():
        if pa is not None:
            assert any(
                abs(t - t_s) <= wide_s + 0.02 and lo - 2e-3 <= pa / PA_PER_PSI <= hi + 2e-3
                for t, lo, hi in near
            ), t_s


@pytest.mark.parametrize("kind", KINDS)
def test_there_is_no_line_without_readings(tmp_path, kind):
    made = [Sample(float(i), None, 14_000.0, USUAL, ambient_pa=101_325.0) for i in range(1000)]
    dead = [replace(each, transducer_count=5.0) for each in made[300:400]]  # a broken wire, read on
    made = made[:300] + dead + made[400:600] + made[800:]  # then no samples at all
    with record_of(tmp_path, kind, made) as store:
        found = curve(store, pots_of, CurveQuery("lantern", None, None, 0.0, 999.0, 200))
    for t, low in zip(found["t"], found["low"], strict=True):
        if 305.0 < t < 395.0:
            assert low is None
    assert any(600.0 < t < 800.0 and low is None for t, low in zip(found["t"], found["low"], strict=True))
    assert not any(
        600.0 < t < 800.0 and low is not None for t, low in zip(found["t"], found["low"], strict=True)
    )


def test_a_thinned_sample_keeps_the_peak_of_those_it_replaces(tmp_path):
    made = [Sample(float(20 * i), None, 14_000.0, USUAL) for i in range(1000)]
    with record_of(tmp_path, "supply measured", made) as store:
        spread = json.dumps({"n": 20, "transducer_count": [13_000.0, 15_500.0]})
        with store._db.transaction(durable=False):
            store._db.execute("UPDATE sample SET spread = ? WHERE t_s = 9000", (spread,))
        found = curve(store, pots_of, CurveQuery("lantern", None, None, 0.0, 20_000.0, 200))
    pot = POTS["supply measured"]
    for count, extreme in ((13_000.0, min(found["low"])), (15_500.0, max(found["high"]))):
        gauge_pa = convert(Sample(0.0, None, count, USUAL), pot).gauge_pa
        assert extreme == pytest.approx(gauge_pa / PA_PER_PSI, abs=1e-3)


def test_each_run_is_converted_by_its_own_settings(tmp_path):
    made = [Sample(float(i), None, 14_000.0, USUAL) for i in range(2000)]
    with record_of(tmp_path, "supply measured", made[:1000]) as store:
        other = load_text(SETTINGS % "supply_channel: 1, span: 150 psi", "test")
        store.begin_run(other.as_json(), "boot", 1000.0, None, None)
        for sample in made[1000:]:
            store.append("lantern", sample)
        store.flush()
        found = curve(store, pots_of, CurveQuery("lantern", None, None, 0.0, 1999.0, 200))
    shares = {round(low, 1) for low in found["low"]}
    zero = (
        14_000.0 / USUAL
    )  # a share of the supply; (share - 0.1) / 0.8 of the span, as transducers of 0.5-4.5 V
    assert shares == {round((zero - 0.1) / 0.8 * span, 1) for span in (100.0, 150.0)}


def test_every_thermometer_has_its_line(tmp_path):
    kelvin = {f"{place}_k": 293.15 + i for i, place in enumerate(Place)}
    read = Reading(0.0, None, 4e5, 5e5, 101_325.0, quality=Quality.GOOD, **kelvin)
    known = TraceRow.of(replace(HOLDING, t_s=60.0, reading=read))
    with record_of(tmp_path, "supply measured", samples(1, 300, 0.0)) as store:
        store.append_trace("lantern", known)
        store.flush()
        assert store.traces("lantern", 0.0) == [known]
        found = curve(store, pots_of, CurveQuery("lantern", None, None, 0.0, 400.0, 200))
    lines = {name: found["trace"][name] for name in ("gas", "wall", "room", "contents")}
    assert lines == {"gas": [20.0], "wall": [21.0], "room": [22.0], "contents": [23.0]}
    assert found["temperature_unit"] == "C"


def test_the_curve_is_in_fahrenheit_if_the_workshop_is(tmp_path):
    read = Reading(0.0, None, 4e5, 5e5, 101_325.0, 293.15, None, None, Quality.GOOD)
    fahrenheit = load_text(SETTINGS % "" + "units: {temperature: F}", "test").core_pots()
    with record_of(tmp_path, "supply measured", samples(1, 300, 0.0)) as store:
        store.append_trace("lantern", TraceRow.of(replace(HOLDING, t_s=60.0, reading=read)))
        store.flush()
        found = curve(store, lambda _: fahrenheit, CurveQuery("lantern", None, None, 0.0, 400.0, 200))
    assert (found["trace"]["gas"], found["temperature_unit"]) == ([68.0], "F")


def test_a_gap_is_longer_than_a_watch_that_reads_slowly():
    assert UNSEEN_AFTER_S > 3 * 10.0  # the longest sample period there is, see settings


def test_the_absolute_kind_is_absolute(tmp_path):
    assert POTS["absolute"].transducer.reference is Reference.ABSOLUTE
