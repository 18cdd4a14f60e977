"""A report collected from an hour's record: what was kept is returned, the rest computed."""

import json
from dataclasses import replace
from io import BytesIO
from itertools import accumulate
from pathlib import Path

import pytest
from PIL import Image

from demo_pot import PSI
from made_report import POT, trace
from potvigil.model.events import BatchClosed, BatchOpened, Cure, Detail, EditEvent, Stage, StageEvent
from potvigil.model.reading import UNSEEN_AFTER_S, Fault, Sample, Sensor
from potvigil.record.errors import UnknownBatchError
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.reports.collect import _Read, collect_report
from potvigil.reports.model import ReadingGap
from potvigil.settings.loading import load_text
from potvigil.upkeep import pictures
from record_night import SUMMARY, UTC_S

SETTINGS = """
workshop: harbour-models
timezone: Europe/London
units: {pressure: psi}
mqtt: {host: broker.example, username: anna, password_file: /keys/broker}
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {place: wall}
    supply: shut
    cure: {hold: 10 h, gel: 1 h}
"""
BEGUN_S, ENDED_S = 1000.0, 4600.0
RUN_JSON = load_text(SETTINGS, "settings").as_json()


def gauge_pa(t_s: float) -> float:
    return (60.0 - (t_s - BEGUN_S) / 3600.0) * PSI


def kept(
    path: Path,
    *,
    settings_json: str = RUN_JSON,
    traces: bool = True,
    closed: bool = True,
    bad: range = range(0),
    missing: range = range(0),
    step_s: int = 10,
) -> Path:
    """Write an hour of a batch, sampled every ten seconds. bad: failed readings; missing: no samples."""
    with Store.open(path) as store:
        store.begin_run(settings_json, "boot-a", 0.0, UTC_S - 5.0, None)
        batch = store.open_batch("lantern", BatchOpened(BEGUN_S, UTC_S + BEGUN_S))
        store.add_event("lantern", batch, StageEvent(BEGUN_S + 60.0, None, Stage.HOLDING))
        for t_s in range(int(BEGUN_S), int(ENDED_S) + 1, step_s):
            if t_s in missing:
                continue
            sample = Sample(float(t_s), UTC_S + t_s, gauge_pa=gauge_pa(t_s), wall_c=20.0)
            if t_s in bad:
                fault = Fault(Sensor.TRANSDUCER, f"bus error at {t_s}")
                sample = replace(sample, gauge_pa=None, faults=(fault,))
            store.append("lantern", sample)
        if traces:
            for t_s in range(int(BEGUN_S) + 20, int(ENDED_S), 60):
                share = (t_s - BEGUN_S) / 36_000.0
                known = trace(float(t_s), gauge_pa=gauge_pa(t_s), cure_progress=share, leak_pa_per_s=None)
                store.append_trace("lantern", known)
        if closed:
            summary = replace(SUMMARY, start_s=BEGUN_S, end_s=ENDED_S, details={})
            store.close_batch(batch, BatchClosed(ENDED_S, UTC_S + ENDED_S, summary))
    return path


def data_of(path: Path):
    with Store.open_read_only(path) as store:
        return collect_report(store, 1)


# --- readings


def test_every_good_reading_is_returned_at_its_time(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db"))
    assert [t_s for t_s, _ in data.gauge] == [float(t_s) for t_s in range(1000, 4601, 10)]
    assert [pa for _, pa in data.gauge] == pytest.approx([gauge_pa(t_s) for t_s, _ in data.gauge])
    assert data.silences == ()
    assert data.utc_less_t_s == pytest.approx(UTC_S)
    assert data.earlier_settings is False


def test_failed_readings_are_a_gap_with_the_first_cause(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db", bad=range(2000, 2101)))
    (silence,) = data.silences
    assert (silence.from_s, silence.to_s, silence.why) == (1990.0, 2110.0, "bus error at 2000")
    assert [t_s for t_s, pa in data.gauge if pa is None] == [*range(2000, 2101, 10), 2110.0]


def test_no_line_is_drawn_across_a_time_without_readings(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db", missing=range(2000, 3000)))
    (silence,) = data.silences
    assert (silence.from_s, silence.to_s, silence.why) == (1990.0, 3000.0, "no readings")
    assert [t_s for t_s, pa in data.gauge if pa is None] == [3000.0]


@pytest.mark.parametrize(("length_s", "is_one"), [(UNSEEN_AFTER_S, False), (UNSEEN_AFTER_S + 10.0, True)])
def test_a_gap_that_the_watch_tolerates_is_not_reported(tmp_path, length_s, is_one) -> None:
    data = data_of(kept(tmp_path / "r.db", bad=range(2000, 1990 + int(length_s))))
    assert bool(data.silences) is is_one


def test_a_silence_at_either_end_counts_from_the_start_or_end_of_the_batch(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db", missing=range(1000, 1500), bad=range(4000, 4601)))
    assert [(each.from_s, each.to_s, each.why) for each in data.silences] == [
        (1000.0, 1500.0, "no readings"),
        (3990.0, 4600.0, "bus error at 4000"),
    ]


def test_each_of_two_silences_has_its_own_cause(tmp_path) -> None:
    path = kept(tmp_path / "r.db", bad=range(2000, 2101), missing=range(3000, 3100))
    assert [each.why for each in data_of(path).silences] == ["bus error at 2000", "no readings"]


# --- means of a minute


def read(gaps_s: list[float], means: int, end_s: float | None = None, bad: frozenset[int] = frozenset()):
    """Return what is read of a batch whose samples follow each other by those gaps. bad: failed ones."""
    times = list(accumulate(gaps_s, initial=BEGUN_S))[1:]
    samples = [
        Sample(t_s, UTC_S, gauge_pa=None if i in bad else gauge_pa(t_s), wall_c=20.0)
        for i, t_s in enumerate(times)
    ]
    row = BatchRow(1, "lantern", 1, BEGUN_S, None, end_s, None, {}, None, None, None)
    return _Read(POT, row, samples, means, "nothing was sent")


@pytest.mark.parametrize(
    ("gaps_s", "means", "is_so"),
    [
        ([60.0] * 4, 4, True),
        ([60.0] * 4, 3, True),
        ([60.0] * 4, 2, False),  # only half of them are means
        ([60.0] * 3 + [10.0] * 2, 5, True),
        ([60.0] * 2 + [10.0] * 2, 4, False),  # only half are a minute apart
        ([41.0] * 4, 4, True),
        ([40.0] * 4, 4, False),  # as thinning leaves them
        ([60.0] * 2, 1, False),
        ([60.0], 1, True),
        ([60.0] * 99, 50, True),
        ([60.0] * 99, 49, False),
        ([], 0, False),
    ],
)
def test_readings_are_by_the_minute_if_most_are_means_that_far_apart(gaps_s, means, is_so) -> None:
    assert read(gaps_s, means).by_the_minute is is_so


@pytest.mark.parametrize(
    ("every_s", "means", "gap_s", "is_silence"),
    [
        (60.0, 9, UNSEEN_AFTER_S + 60.0, False),  # the two means may be of readings a minute nearer
        (60.0, 9, UNSEEN_AFTER_S + 60.5, True),
        (60.0, 0, UNSEEN_AFTER_S + 0.5, True),
        (10.0, 0, UNSEEN_AFTER_S, False),
        (10.0, 0, UNSEEN_AFTER_S + 0.5, True),
    ],
)
def test_by_the_minute_a_silence_is_a_minute_longer(every_s, means, gap_s, is_silence) -> None:
    found = read([every_s] * 5 + [gap_s] + [every_s] * 3, means)
    begun_s = BEGUN_S + 5 * every_s
    assert found.silences == (
        [ReadingGap(begun_s, begun_s + gap_s, "nothing was sent")] if is_silence else []
    )
    assert [t_s for t_s, pa in found.gauge if pa is None] == ([begun_s + gap_s] if is_silence else [])


def test_an_open_batch_ends_with_its_last_sample_and_a_closed_one_when_closed() -> None:
    assert read([10.0] * 3, 0).silences == []
    (after,) = read([10.0] * 3, 0, end_s=BEGUN_S + 200.0).silences
    assert (after.from_s, after.to_s) == (BEGUN_S + 30.0, BEGUN_S + 200.0)
    (failed,) = read([10.0] * 9, 0, bad=frozenset(range(2, 9))).silences
    assert (failed.from_s, failed.to_s, failed.why) == (BEGUN_S + 20.0, BEGUN_S + 90.0, "no reading")


def test_the_clock_is_that_of_the_last_sample_which_had_one() -> None:
    assert read([10.0] * 3, 0).utc_less_t_s == UTC_S - (BEGUN_S + 30.0)
    nothing = read([], 0)
    assert (nothing.utc_less_t_s, nothing.ambient_pa, nothing.silences) == (None, POT.ambient_pa, [])


# --- traces and summary


def test_a_closed_batch_keeps_its_summary_and_traces(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db"))
    assert data.summary.verdict is SUMMARY.verdict and data.summary.reason == SUMMARY.reason
    assert len(data.traces) == 60
    assert data.traces[0].t_s == BEGUN_S + 20.0


def test_a_batch_without_traces_is_replayed_and_keeps_its_summary(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db", traces=False, step_s=60))
    assert data.summary.reason == SUMMARY.reason
    times = [each.t_s for each in data.traces]
    assert times == [BEGUN_S + 60.0 * n for n in range(61)]
    assert data.traces[30].gauge_pa == pytest.approx(gauge_pa(times[30]))


def test_a_replay_keeps_a_trace_a_minute_however_often_was_sampled(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db", traces=False, step_s=30))
    assert [each.t_s for each in data.traces] == [BEGUN_S + 60.0 * n for n in range(61)]


def test_an_open_batch_is_judged_so_far_with_its_kept_traces(tmp_path) -> None:
    path = kept(tmp_path / "r.db", closed=False, step_s=60)
    with Store.open(path, create=False) as store:
        store.add_edit(1, EditEvent(2000.0, None, Detail.LABEL, "", "lens 3", "anna"))
    data = data_of(path)
    assert not data.summary.complete and data.summary.end_s == pytest.approx(ENDED_S)
    assert data.summary.start_s == pytest.approx(BEGUN_S, abs=60.0)
    assert data.summary.details == {Detail.LABEL: "lens 3"}
    assert len(data.traces) == 60 and data.traces[0].t_s == BEGUN_S + 20.0


def test_the_cure_clock_gives_gel_and_the_bubble_at_gel(tmp_path) -> None:
    """Boyle, p V = const: diameter ~ (absolute pressure)^(-1/3). Gel is at 10 %."""
    data = data_of(kept(tmp_path / "r.db"))
    assert data.gel_s is None and data.bubble.gel is None  # the batch ends just before gel
    path = kept(
        tmp_path / "faster.db", settings_json=load_text(SETTINGS.replace("1 h", "30 min"), "s").as_json()
    )
    data = data_of(path)
    assert data.gel_s == pytest.approx(BEGUN_S + 1800.0)
    nearest = min(data.traces, key=lambda each: abs(each.t_s - data.gel_s))
    assert data.bubble.gel.gauge_pa == nearest.gauge_pa
    for pressed in (data.bubble.working, data.bubble.start, data.bubble.lowest, data.bubble.gel):
        assert pressed.share == pytest.approx((101_325.0 / (101_325.0 + pressed.gauge_pa)) ** (1 / 3))
    assert data.bubble.working.gauge_pa == pytest.approx(60 * PSI)
    assert (data.bubble.start.gauge_pa, data.bubble.lowest.gauge_pa) == (
        SUMMARY.hold_start_gauge_pa,
        SUMMARY.lowest_gauge_pa,
    )


@pytest.mark.parametrize(
    ("change", "share"),
    [
        ({"lowest_gauge_pa": -5000.0}, 1.0),
        ({"lowest_gauge_pa": None}, None),
        ({"hold_start_gauge_pa": None}, None),
    ],
)
def test_without_pressure_there_is_no_bubble(tmp_path, change, share) -> None:
    path = kept(tmp_path / "r.db", closed=False, step_s=60)
    with Store.open(path, create=False) as store:
        summary = replace(SUMMARY, start_s=BEGUN_S, end_s=ENDED_S, cure=Cure(0.1, 1e5), **change)
        store.close_batch(1, BatchClosed(ENDED_S, None, summary))
    data = data_of(path)
    assert (None if data.bubble is None else data.bubble.lowest.share) == share


# --- runs, settings, pictures


def test_the_runs_of_a_batch_include_those_started_while_it_was_open(tmp_path) -> None:
    path = tmp_path / "r.db"
    with Store.open(path) as store:
        store.begin_run(RUN_JSON, "boot-z", 0.0, UTC_S, None)
    kept(path)
    with Store.open(path, create=False) as store:
        for _ in range(3):
            store.begin_run(RUN_JSON, "boot-a", ENDED_S, None, None)
        for number, begun_s in ((3, ENDED_S - 1.0), (4, ENDED_S), (5, ENDED_S + 1.0)):
            store._db.execute("UPDATE run SET start_t_s = ? WHERE id = ?", (begun_s, number))
    data = data_of(path)
    assert [run.id for run in data.runs] == [2, 3]
    assert data.earlier_settings is False


def test_earlier_settings_of_the_same_batch_are_mentioned(tmp_path) -> None:
    path = kept(tmp_path / "r.db", closed=False, step_s=60)
    other = load_text(SETTINGS.replace("45 psi", "40 psi"), "settings").as_json()
    with Store.open(path, create=False) as store:
        store.begin_run(other, "boot-a", 4700.0, None, None)
    data = data_of(path)
    assert data.earlier_settings is True
    assert data.pot.floor_pa == pytest.approx(40 * PSI)  # the last ones count


def test_settings_are_shown_without_secrets_or_unrelated_ones(tmp_path) -> None:
    data = data_of(kept(tmp_path / "r.db"))
    text = json.dumps(data.settings)
    assert not [each for each in ("broker", "anna", "/keys") if each in text]
    assert data.settings["workshop"] == "harbour-models" and data.settings["units"]["pressure"] == "psi"
    assert set(data.settings) >= {"working_pressure", "floor_pressure", "cure", "timezone"}
    assert "mqtt" not in data.settings and "pots" not in data.settings


def test_kept_pictures_are_returned_by_name(tmp_path) -> None:
    path, file = kept(tmp_path / "r.db"), BytesIO()
    Image.new("RGB", (4, 4)).save(file, "PNG")
    pictures.keep(path, 1, "rim.png", file.getvalue())
    with Store.open(path, create=False) as store:
        store.edit(1, {Detail.PICTURES: "rim.png\nlost.jpg"}, "anna", UTC_S)
    assert data_of(path).pictures == (("rim.png", file.getvalue()),)


# --- what cannot be reported


@pytest.mark.parametrize(
    ("last", "said"),
    [
        (json.dumps(json.loads(RUN_JSON) | {"pots": {}}), r"settings of run 3"),
        (RUN_JSON.replace('"lantern"', '"mast"'), r"the settings of run 3 do not know the pot 'lantern'"),
    ],
)
def test_settings_that_cannot_be_used_are_named_by_their_run(tmp_path, last, said) -> None:
    path = kept(tmp_path / "r.db", closed=False, step_s=600)
    with Store.open(path, create=False) as store:
        for settings_json in (RUN_JSON, last):
            store.begin_run(settings_json, "boot-a", 4700.0, None, None)
    with pytest.raises(Exception, match=said):
        data_of(path)


def test_a_batch_that_cannot_be_reported_says_why_in_one_line(tmp_path) -> None:
    path = tmp_path / "none.db"
    with Store.open(path) as store:
        store.begin_run(RUN_JSON, "boot-a", 0.0, UTC_S, None)
        store.open_batch("lantern", BatchOpened(BEGUN_S, None))
        store.open_batch("mast", BatchOpened(BEGUN_S, None))
    with Store.open_read_only(path) as store:
        with pytest.raises(UnknownBatchError, match="has no samples yet; let the watch run"):
            collect_report(store, 1)
        with pytest.raises(UnknownBatchError, match="do not know the pot 'mast'"):
            collect_report(store, 2)
    with Store.open(path) as store:
        store._db.execute("UPDATE batch SET run = NULL", ())
    with (
        Store.open_read_only(path) as store,
        pytest.raises(UnknownBatchError, match="names no run, so its settings are not known"),
    ):
        collect_report(store, 1)
