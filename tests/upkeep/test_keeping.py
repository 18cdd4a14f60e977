"""Thinned, checked, copied: the record stays sound while a watch writes it and processes are killed."""

import json
import random
import signal
import sqlite3
import statistics
import subprocess
import sys
import textwrap
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from failing_disk import FullDisk
from own_tables import names_of
from potvigil.history.feeding import FED_BEFORE_S
from potvigil.leak import estimator
from potvigil.model.events import (
    AlarmState,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    NoteEvent,
    NoteId,
    Stage,
    StageEvent,
)
from potvigil.model.reading import Fault, Place, Sensor
from potvigil.record.codec import faults_to_text
from potvigil.record.errors import (
    DamagedRecordError,
    ExistingFileError,
    MissingRecordError,
    NotARecordError,
    RecordError,
    RecordWriteError,
)
from potvigil.record.store import Store
from potvigil.service import restart
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.upkeep import thinning
from potvigil.upkeep.backup import backup
from potvigil.upkeep.check import check, check_lines
from potvigil.upkeep.thinning import BETWEEN_BIN_S, BIN_S, KEPT_AROUND_S, Spans, mean_of, thin
from potvigil.watch import replay
from potvigil.watch.pot_watch import PotWatch
from record_night import CLOSED, POT, SUMMARY, UTC_S, alarm, night, sample
from rehearsal import rehearse

DAY_S = 86_400.0
KEEP_S = 90 * DAY_S
LATER_S = UTC_S + 200 * DAY_S
HOUR_S = 3600


def every_row(path: Path, but: tuple[str, ...] = ()) -> dict[str, list[Any]]:
    db = sqlite3.connect(path)
    names = names_of(db)
    rows = {name: db.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall() for name in names}
    db.close()
    return {name: each for name, each in rows.items() if name not in but}


def rows_of(path: Path) -> list[tuple[float, str | None]]:
    """Each sample's time and spread."""
    db = sqlite3.connect(path)
    rows = db.execute("SELECT t_s, spread FROM sample ORDER BY t_s").fetchall()
    db.close()
    return rows


def stood_for(path: Path) -> int:
    """How many samples the rows stand for."""
    return sum(1 if spread is None else json.loads(spread)["n"] for _, spread in rows_of(path))


def workshop(path: Path, *, regulated: bool = False, dated: bool = True, closed: bool = True) -> Path:
    """Three hours: open, a batch from 2000 s to 8000 s with a top-up at 5000 s, open again."""
    with Store.open(path) as store:
        supply = {"pots": {POT: {"supply": "regulated" if regulated else "shut"}}}
        store.begin_run(json.dumps(supply), "boot-a", 0.0, UTC_S if dated else None, None)
        for one in night(3 * HOUR_S):
            one = replace(one, utc_s=one.utc_s if dated else None, wall_c=21.0, room_c=20.5, contents_c=24.0)
            store.append(POT, one)
        batch_id = store.open_batch(POT, BatchOpened(2000.0, UTC_S if dated else None))
        store.add_event(POT, batch_id, StageEvent(2000.0, None, Stage.FILLING))
        store.add_event(POT, batch_id, NoteEvent(5000.0, None, NoteId.TOP_UP, "topped up"))
        if closed:
            summary = replace(SUMMARY, hold_start_s=2600.0, hold_end_s=7900.0)
            store.close_batch(batch_id, BatchClosed(8000.0, UTC_S + 8000.0 if dated else None, summary))
    return path


@pytest.fixture
def record(tmp_path) -> Path:
    return workshop(tmp_path / "record.db")


# --- thinning


def test_thinning_averages_as_the_core_does_and_spares_what_a_restart_replays():
    assert thinning.BIN_S == estimator.BIN_S
    assert (thinning.FED_BEFORE_S, thinning.FED_AFTER_S) == (FED_BEFORE_S, restart._FEED_AFTER_S)
    assert thinning.STEP_S % thinning.BETWEEN_BIN_S == thinning.BETWEEN_BIN_S % thinning.BIN_S == 0.0


# no reading is a number so small that it has fewer digits than others
NUMBERS = st.none() | st.floats(allow_nan=False, allow_infinity=False, allow_subnormal=False)


@given(
    st.lists(st.tuples(st.none() | st.floats(0, 1e9), *[NUMBERS] * 9), min_size=2, max_size=30),
    st.integers(0, 10**6),
)
def test_a_mean_is_within_the_range_of_its_samples(columns, start):
    rows = [(start + i * 0.7, *read, None, None) for i, read in enumerate(columns)]
    t_s, utc_s, *means, faults, spread = mean_of(rows)
    kept = json.loads(spread)
    assert rows[0][0] <= t_s <= rows[-1][0] and kept["n"] == len(rows) and faults == ()
    assert (utc_s is None) == all(row[1] is None for row in rows)
    for i, (name, mean) in enumerate(zip(thinning._COLUMNS, means, strict=True), start=2):
        values = [row[i] for row in rows if row[i] is not None]
        assert (mean is None) == (not values) == (name not in kept)
        if values:
            assert min(values) <= mean <= max(values)
            assert kept[name] == pytest.approx([min(values), max(values)], rel=1e-5)
            if max(map(abs, values)) < 1e300:  # beyond, the sum of statistics.fmean overflows
                size = max(map(abs, values))
                assert mean == pytest.approx(statistics.fmean(values), rel=1e-9, abs=1e-12 * size)


def test_on_a_ramp_the_mean_equals_the_reading_at_its_time():
    rows = [(t_s, UTC_S + t_s, 15_000 - 0.25 * t_s, *[None] * 9) for t_s in (0.3, 1.1, 2.0, 7.7, 19.2)]
    t_s, utc_s, count, *_ = mean_of(rows)
    assert count == pytest.approx(15_000 - 0.25 * t_s, abs=1e-9)
    assert utc_s == pytest.approx(UTC_S + t_s, abs=1e-6)


def test_a_clock_that_was_set_within_the_bin_still_dates_its_mean():
    rows = [(float(i), UTC_S + i if i >= 15 else None, 5.0, *[None] * 9) for i in range(20)]
    assert mean_of(rows)[:2] == (9.5, UTC_S + 9.5)


def test_a_constant_reading_is_kept_exactly():
    rows = [(float(i), None, 0.1, *[None] * 9) for i in range(3)]  # 0.1 * 3 / 3 is not 0.1 in binary
    assert mean_of(rows)[2] == 0.1


def test_each_fault_of_a_bin_is_kept_once():
    absent = Fault(Sensor.THERMOMETER, "28-0316 does not answer", Place.GAS)
    dead = Fault(Sensor.BAROMETER, "0x76 does not answer")
    texts = [faults_to_text(faults) for faults in ((absent,), (absent, dead), (dead,))]
    rows = [
        (float(i), None, *[None] * len(thinning._COLUMNS), text, None)
        for i, text in enumerate((*texts, None))
    ]
    assert mean_of(rows)[-2] == (absent, dead)


def test_stretches_of_the_axis_match_a_brute_force_search():
    rng = random.Random(5)
    for _ in range(200):
        spans = [(a, a + rng.randrange(6)) for a in (rng.randrange(60) for _ in range(rng.randrange(7)))]
        found = Spans(spans)
        for from_s in range(70):
            to_s = from_s + rng.randrange(4)
            assert found.touches(from_s, to_s) == any(a <= to_s and from_s <= b for a, b in spans)


def test_old_samples_become_means_and_what_matters_is_kept(record):
    other = every_row(record, but=("sample",))
    before = [t_s for t_s, _ in rows_of(record)]
    done = thin(record, KEEP_S, LATER_S, rest_s=0.0)
    rows = rows_of(record)
    full = [t_s for t_s, spread in rows if spread is None]
    for moment_s in (0.0, 2000.0, 5000.0, 8000.0):  # run, batch with its fill, top-up, end
        around = [t_s for t_s in before if abs(t_s - moment_s) <= KEPT_AROUND_S]
        assert set(around) <= set(full)
    assert len(full) < 4 * (2 * KEPT_AROUND_S + 2 * BETWEEN_BIN_S) + BETWEEN_BIN_S
    means = [t_s for t_s, spread in rows if spread is not None]
    in_batch = [b - a for a, b in pairwise(means) if a > 2200 and b < 4800]
    assert statistics.median(in_batch) == pytest.approx(BIN_S, abs=0.1)
    assert statistics.median(b - a for a, b in pairwise(means) if b < 1800) == pytest.approx(
        BETWEEN_BIN_S, abs=0.1
    )
    assert stood_for(record) == len(before) == len(full) + done.samples
    assert (done.means, done.steps) == (len(means), 9)
    assert every_row(record, but=("sample",)) == other
    assert check(record).problems == () and check(record).means == len(means)


def test_thinning_again_changes_nothing(record):
    thin(record, KEEP_S, LATER_S, rest_s=0.0)
    once = every_row(record)
    again = thin(record, KEEP_S, LATER_S, rest_s=0.0)
    assert (again.samples, again.means, again.steps) == (0, 0, 0)
    assert every_row(record) == once


def test_thinning_in_steps_equals_thinning_at_once(tmp_path):
    bit, once = workshop(tmp_path / "bit.db"), workshop(tmp_path / "once.db")
    for hours in (0.4, 0.5, 1.7, 2.999, 3.5):
        thin(bit, KEEP_S, UTC_S + KEEP_S + hours * HOUR_S, rest_s=0.0)
    thin(once, KEEP_S, UTC_S + KEEP_S + 3.5 * HOUR_S, rest_s=0.0)
    assert every_row(bit) == every_row(once)


def test_recent_samples_are_kept(record):
    before = every_row(record)
    assert thin(record, KEEP_S, UTC_S + KEEP_S, rest_s=0.0).samples == 0
    assert every_row(record) == before
    thin(record, KEEP_S, UTC_S + KEEP_S + 4000.0, rest_s=0.0)
    means = [t_s for t_s, spread in rows_of(record) if spread is not None]
    assert 3800.0 < max(means) < 4000.0  # to the minute


@pytest.mark.parametrize("kind", ["open", "unseen", "regulated"])
def test_a_batch_that_may_be_replayed_is_never_touched(tmp_path, kind):
    record = workshop(tmp_path / "record.db", closed=kind != "open", regulated=kind == "regulated")
    if kind == "unseen":
        with Store.open(record) as store:
            store.add_event(POT, 1, alarm(7000.0, AlarmState.UNACKNOWLEDGED))
            assert store.latest_unseen_batch(POT) is not None
    thin(record, KEEP_S, LATER_S, rest_s=0.0)
    means = [t_s for t_s, spread in rows_of(record) if spread is not None]
    assert means and min(means) < 1800.0  # before it
    untouched_until_s = 8000.0 + KEPT_AROUND_S if kind == "regulated" else 8000.0 + thinning.FED_AFTER_S
    assert not [t_s for t_s in means if 2000.0 - KEPT_AROUND_S <= t_s <= untouched_until_s]


def test_samples_without_a_clock_are_dated_by_later_ones_or_left(tmp_path):
    record = workshop(tmp_path / "record.db", dated=False)
    assert thin(record, KEEP_S, LATER_S, rest_s=0.0).samples == 0
    with Store.open(record) as store:
        store.append(POT, sample(11_000.0, utc_s=UTC_S))
    assert thin(record, KEEP_S, LATER_S, rest_s=0.0).samples > 5000


def test_nothing_after_a_recent_dated_moment_is_old(record):
    """A clock that was believed and was years behind must not make the newest samples old ones."""
    with Store.open(record) as store:
        store.add_event(POT, None, alarm(3000.0, AlarmState.NORMAL, utc_s=LATER_S))
    thin(record, KEEP_S, LATER_S, rest_s=0.0)
    assert max(t_s for t_s, spread in rows_of(record) if spread is not None) < 3000.0


def test_an_outlier_is_not_averaged_in(tmp_path):
    record = workshop(tmp_path / "record.db")
    with sqlite3.connect(record) as db:
        db.execute("UPDATE sample SET transducer_count = 40 WHERE t_s BETWEEN 3105 AND 3106")
        db.execute("UPDATE sample SET wall_c = 85 WHERE t_s BETWEEN 3305 AND 3306")
    db.close()
    thin(record, KEEP_S, LATER_S, rest_s=0.0)
    full = [t_s for t_s, spread in rows_of(record) if spread is None and 2200 < t_s < 4800]
    assert full and all(3100 <= t_s < 3120 or 3300 <= t_s < 3320 for t_s in full)


def test_a_few_samples_are_left_where_a_mean_saves_no_space(tmp_path):
    record = damage(workshop(tmp_path / "record.db"), "DELETE FROM sample WHERE CAST(t_s AS INTEGER) % 5 > 0")
    thin(record, KEEP_S, LATER_S, rest_s=0.0)
    means = [t_s for t_s, spread in rows_of(record) if spread is not None]
    assert means and not [t_s for t_s in means if 2000.0 < t_s < 8000.0]  # four in 20 s, twelve in 60 s


def test_a_killed_thinning_loses_nothing(tmp_path):
    record, whole = workshop(tmp_path / "record.db"), workshop(tmp_path / "whole.db")
    count = len(rows_of(record))
    script = f"""
        import pathlib, sys
        from potvigil.upkeep import thinning
        thinning.STEP_S = 120.0  # many steps
        print("begun", flush=True)
        thinning.thin(pathlib.Path(sys.argv[1]), {KEEP_S}, {LATER_S}, rest_s=0.0)
    """
    rng, killed = random.Random(3), 0
    for _ in range(8):
        thinner = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(script), str(record)], stdout=subprocess.PIPE, text=True
        )
        assert thinner.stdout is not None and thinner.stdout.readline() == "begun\n"
        time.sleep(rng.random() * 0.05)
        thinner.send_signal(signal.SIGKILL)
        killed += thinner.wait() == -signal.SIGKILL
        thinner.stdout.close()
        assert stood_for(record) == count
    assert killed > 0
    thin(record, KEEP_S, LATER_S, rest_s=0.0)
    thin(whole, KEEP_S, LATER_S, rest_s=0.0)
    assert every_row(record) == every_row(whole)
    assert check(record).problems == ()


def test_a_watch_runs_on_while_its_record_is_thinned(record):
    script = """
        import sys, pathlib
        from potvigil.model.reading import Sample
        from potvigil.record.store import Store
        with Store.open(pathlib.Path(sys.argv[1])) as store:
            for second in range(20_000, 22_000):
                store.append("lantern", Sample(float(second)))
                store.flush()  # raises where it is held for longer than its patience
                if second == 20_100:
                    print("writing", flush=True)
    """
    watch = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script), str(record)], stdout=subprocess.PIPE, text=True
    )
    assert watch.stdout is not None and watch.stdout.readline() == "writing\n"
    assert thin(record, KEEP_S, LATER_S, rest_s=0.01).samples > 5000
    watch.communicate()
    assert watch.returncode == 0
    assert len([t_s for t_s, spread in rows_of(record) if t_s >= 20_000 and spread is None]) == 2000


def test_thinning_a_damaged_record_reports_the_damage(record):
    damage(record, "UPDATE sample SET faults = '[5]' WHERE t_s BETWEEN 3000 AND 3001")
    with pytest.raises(DamagedRecordError, match="unreadable row"):
        thin(record, KEEP_S, LATER_S, rest_s=0.0)
    with pytest.raises(MissingRecordError):
        thin(record.with_name("none.db"), KEEP_S, LATER_S)


def fed_again(record: Path) -> BatchSummary:
    """Replay batch 1 of a record through a separate watch, as a restart would; return its summary."""
    with Store.open_read_only(record) as store:
        row = store.batch(1)
        pot = load_text(store.runs()[0].settings_json, "run").core_pots()[row.pot_id]
        samples = store.samples(row.pot_id, row.start_t_s - thinning.FED_BEFORE_S, row.end_t_s)
        commands = store.commands(row.pot_id, row.start_t_s, row.end_t_s)
        told = [
            event.summary
            for _, events in replay.feed_again(PotWatch(pot), samples, commands)
            for event in events
            if isinstance(event, BatchClosed)
        ]
    (summary,) = told
    return summary


@pytest.mark.parametrize("name", ["small-leak", "two-in-the-morning", "top-ups"])
def test_a_replayed_thinned_night_gets_the_same_verdict(tmp_path, name):
    bench = rehearse(NIGHTS[name], tmp_path, sample_period_s=2.0)
    last_s = bench.summary.end_s
    with Store.open(bench.record) as store:  # a later batch, so that no restart feeds this one
        store.close_batch(
            store.open_batch(bench.summary.pot_id, BatchOpened(last_s + 9000.0, None)),
            BatchClosed(last_s + 9100.0, None, CLOSED.summary),
        )
    before = len(rows_of(bench.record))
    assert fed_again(bench.record).verdict == bench.summary.verdict  # as it was
    thin(bench.record, KEEP_S, NIGHTS[name].start_utc_s + last_s + KEEP_S + DAY_S, rest_s=0.0)
    assert len(rows_of(bench.record)) < 0.4 * before  # ten in a bin, but full where things happened
    again, was = fed_again(bench.record), bench.summary
    assert (again.verdict, again.top_ups) == (was.verdict, was.top_ups)
    assert {one.alarm for one in again.alarms} == {one.alarm for one in was.alarms}
    assert again.leak is not None and was.leak is not None and was.leak.established
    rate, of_then = again.leak.rate_pa_per_s, was.leak.rate_pa_per_s
    assert again.leak.established and rate.low <= of_then.value <= rate.high
    true_rate = bench.true_rate_at(again.leak.t_s)  # by the simulated pot itself
    assert rate.low <= true_rate <= rate.high


# --- check


def damage(path: Path, *statements: str) -> Path:
    with sqlite3.connect(path) as db:
        for statement in statements:
            db.execute(statement)
    db.close()
    return path


def test_a_sound_record_is_reported_sound(record, night_record):
    for path in (record, night_record):
        checked = check(path)
        assert checked.problems == () and check_lines(checked)[-1] == "no fault found"
        with Store.open_read_only(path) as store:
            assert checked.batches == len(store.batches()) and checked.pots == len(store.pots())
        assert checked.samples == len(rows_of(path)) and checked.means == 0
    assert checked.bytes_per_day is None and "not known" in "\n".join(check_lines(checked))


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE event SET batch = 77 WHERE id = 1", "event 1 belongs to a batch that is not in the record"),
        ("UPDATE event SET line = '{}' WHERE id = 1", "event 1: line: a value in it is missing"),
        ("UPDATE event SET line = 'x' || char(10) || 'y' WHERE id = 1", "event 1: line: "),
        ("UPDATE event SET kind = 'party' WHERE id = 1", "event 1: kind: 'party' is not known"),
        ("UPDATE batch SET summary = '[' WHERE id = 1", "batch 1: summary: "),
        ("UPDATE batch SET verdict = 'superb' WHERE id = 1", "batch 1: verdict: 'superb'"),
        ("UPDATE sample SET faults = '[5]' WHERE t_s < 1", ": faults: "),
        ("UPDATE sample SET spread = '5' WHERE t_s < 1", ": spread: "),
        ("UPDATE run SET settings = ''", "run 1: settings: "),
        ("UPDATE batch SET start_t_s = 50000, end_t_s = 60000", "batch 1 (lantern) has no samples"),
        (
            "INSERT INTO batch (pot, start_t_s) VALUES (1, 9000), (1, 9100)",
            "batch 2 (lantern) was never closed, though later ones were started",
        ),
    ],
)
def test_each_problem_takes_one_line(record, statement, says):
    checked = check(damage(record, statement))
    assert any(says in text for text in checked.problems), checked.problems
    lines = check_lines(checked)
    assert "no fault found" not in lines and not any("\n" in line for line in lines)


def test_many_problems_are_counted_not_listed(record):
    checked = check(damage(record, "UPDATE sample SET faults = '[5]'"))
    assert len(checked.problems) == 21 and checked.problems[-1] == "and 10800 more"


def test_only_gaps_within_the_hold_are_reported(tmp_path):
    # the hold is from 2600 s to 7900 s
    path = damage(
        workshop(tmp_path / "record.db"),
        "DELETE FROM sample WHERE t_s BETWEEN 100 AND 400",
        "DELETE FROM sample WHERE t_s BETWEEN 3000 AND 3050",
        "DELETE FROM sample WHERE t_s BETWEEN 6000 AND 6600",
    )
    (gap,) = check(path).gaps
    assert (gap.batch_id, gap.pot_id) == (1, POT)
    assert gap.from_s == pytest.approx(5999.0, abs=1.1) and gap.to_s == pytest.approx(6601.0, abs=1.1)
    assert "batch 1 (lantern): no samples for 10 min in its hold" in check_lines(check(path))


def test_thinning_makes_no_gaps(record):
    thin(record, KEEP_S, LATER_S, rest_s=0.0)
    assert check(record).gaps == ()


def test_the_time_the_disk_lasts_follows_the_newest_month(tmp_path):
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        for hour in range(60 * 24):  # a month at one sample an hour, then one at ten
            for part in range(1 if hour < 30 * 24 else 10):
                store.append(POT, sample(hour * 3600.0 + part * 360.0))
    checked = check(path)
    assert checked.samples == 30 * 24 * 11
    per_sample = path.stat().st_size / checked.samples
    assert checked.bytes_per_day == pytest.approx(240 * per_sample, rel=0.05)
    assert checked.lasts_days == pytest.approx(checked.disk_free_bytes / checked.bytes_per_day, rel=0.01)
    assert "years at the present rate" in check_lines(checked)[2]


def test_no_damage_stops_the_check(record, tmp_path):
    sound = record.read_bytes()
    rng, told = random.Random(9), 0
    for number in range(150):
        path = tmp_path / f"{number}.db"
        data = bytearray(sound)
        if number < 40:  # the head of each page (SQLite file format, section 1.6)
            at = number * 4096 + 100 * (number == 0)
            data[at : at + 12] = b"\x55" * 12
        elif number < 50:
            data = data[: rng.randrange(200, len(data))]
        else:
            at = rng.randrange(100, len(data) - 64)
            data[at : at + 64] = rng.randbytes(64)
        path.write_bytes(data)
        try:
            checked = check(path)
        except RecordError as error:
            assert "\n" not in str(error)
            continue
        told += bool(checked.problems)
        assert check_lines(checked) and not any("\n" in line for line in check_lines(checked))
        assert path.read_bytes() == bytes(data)
    assert told > 80


def test_a_missing_or_foreign_file_is_refused(tmp_path):
    with pytest.raises(MissingRecordError):
        check(tmp_path / "none.db")
    (tmp_path / "notes.txt").write_text("hello" * 50)
    with pytest.raises(NotARecordError):
        check(tmp_path / "notes.txt")


# --- backup


def test_a_copy_has_everything_in_the_record(record, tmp_path):
    out = tmp_path / "copy.db"
    for _ in range(2):  # an earlier copy is replaced
        assert backup(record, out) == out.stat().st_size
        assert every_row(out) == every_row(record)
    with Store.open(out) as store:
        store.check()
    assert not list(tmp_path.glob(".*"))


def test_a_copy_is_consistent_while_a_watch_writes(record, tmp_path):
    script = """
        import sys, pathlib, itertools
        from potvigil.model.reading import Sample
        from potvigil.record.store import Store
        with Store.open(pathlib.Path(sys.argv[1])) as store:
            for second in itertools.count(20_000):
                store.append("lantern", Sample(float(second), transducer_count=second + 0.25))
                store.flush()
                if second == 20_100:
                    print("writing", flush=True)
    """
    watch = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script), str(record)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert watch.stdout is not None and watch.stdout.readline() == "writing\n"
        steps: list[int] = []
        backup(record, tmp_path / "copy.db", progress=lambda left, total: steps.append(left))
        assert watch.poll() is None
        assert steps[-1] == 0 and all(before > after for before, after in pairwise(steps))  # never anew
    finally:
        watch.kill()
        watch.communicate()
    with Store.open(tmp_path / "copy.db") as store:
        store.check()
        new = [one.t_s for one in store.samples(POT, 20_000.0)]
    assert len(new) > 100 and new == [20_000.0 + i for i in range(len(new))]
    assert len(rows_of(record)) > len(rows_of(tmp_path / "copy.db"))


def test_only_an_earlier_copy_is_overwritten(record, tmp_path):
    notes = tmp_path / "notes.txt"
    notes.write_text("hello" * 50)
    (tmp_path / "same.db").symlink_to(record)
    in_use = workshop(tmp_path / "in-use.db")
    with Store.open(in_use) as store:
        store.append(POT, sample(99_999.0))
        store.flush()
        before = record.read_bytes()
        for out, error in (
            (notes, NotARecordError),
            (record, ExistingFileError),
            (tmp_path / "same.db", ExistingFileError),
            (tmp_path, ExistingFileError),
            (in_use, ExistingFileError),
        ):
            with pytest.raises(error) as caught:
                backup(record, out)
            assert "\n" not in str(caught.value)
    assert notes.read_text() == "hello" * 50 and record.read_bytes() == before
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize("size", [0, 100_000])
def test_a_full_disk_is_reported_and_the_earlier_copy_kept(record, tmp_path, size):
    backup(record, tmp_path / "copy.db")
    before = (tmp_path / "copy.db").read_bytes()
    with Store.open(record) as watch:  # its log is there already
        watch.batches()
        with FullDisk(size), pytest.raises(RecordWriteError, match=r"copy.db cannot be written") as caught:
            backup(record, tmp_path / "copy.db")
    assert "\n" not in str(caught.value)
    assert (tmp_path / "copy.db").read_bytes() == before and not list(tmp_path.glob(".*"))


def test_an_interrupted_backup_leaves_nothing(record, tmp_path):
    def interrupt(left: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        backup(record, tmp_path / "copy.db", progress=interrupt)
    assert not list(tmp_path.glob("*copy*"))


def test_a_damaged_record_is_not_copied(record, tmp_path):
    data = bytearray(record.read_bytes())
    data[12 * 4096 : 12 * 4096 + 12] = b"\x55" * 12
    record.write_bytes(data)
    with pytest.raises(RecordError, match="damaged"):
        backup(record, tmp_path / "copy.db")
    assert not list(tmp_path.glob("*copy*"))
