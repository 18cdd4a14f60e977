"""The watch's estimates are kept once a minute; reports show them, and replay the night only without."""

import shutil
import sqlite3
from dataclasses import replace
from itertools import pairwise

import pytest

from potvigil.model.events import Stage
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.record.tables.ledger import TRACE_PERIOD_S
from potvigil.reports.collect import collect_report
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench

POT = "lantern"


def test_the_trace_holds_the_estimates_of_that_minute(tmp_path):
    bench = Bench(NIGHTS["lost-before-gel"], tmp_path)
    bench.begin()
    known = {}
    while bench.now_s < 6000.0:
        bench.run_until(bench.now_s + 5.0)
        snapshot = bench.service.watches[POT].snapshot()
        known[snapshot.t_s] = TraceRow.of(snapshot)
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        rows, batch = store.traces(POT, 0.0), store.batch(1)
    assert len(rows) > 90
    assert rows == [known[row.t_s] for row in rows]
    assert any(row.leak_established and row.floor_s is not None for row in rows)
    assert all(row.t_s >= batch.start_t_s for row in rows)  # nothing of a pot without a batch
    gaps = [after.t_s - row.t_s for row, after in pairwise(rows)]
    assert all(gap == pytest.approx(TRACE_PERIOD_S, abs=5.1) for gap in gaps)


def test_a_stale_estimate_is_not_kept_as_current(data):
    settled = [row for row in data.traces if row.leak_pa_per_s is not None]
    assert settled
    vented_s = data.summary.stages["venting"]
    assert all(row.leak_pa_per_s is None for row in data.traces if row.t_s >= vented_s)


def test_a_night_without_traces_is_replayed_to_the_same_curves(night_record, data, tmp_path):
    """A record of format 2, brought up to date, has no trace of its older batches."""
    old = shutil.copy(night_record, tmp_path / "old.db")
    with sqlite3.connect(old) as db:
        db.execute("DELETE FROM trace")
    db.close()
    with Store.open_read_only(old) as store:
        again = collect_report(store, 1)
    assert replace(again, traces=(), gel_s=None, bubble=None) == replace(
        data, traces=(), gel_s=None, bubble=None
    )
    assert again.gel_s == pytest.approx(data.gel_s, abs=2.0)
    for fed in again.traces[5:-5]:
        kept = min(data.traces, key=lambda row: abs(row.t_s - fed.t_s))
        assert abs(kept.t_s - fed.t_s) <= 5.0
        if kept.stage is fed.stage is Stage.HOLDING:
            assert fed.corrected_gauge_pa == pytest.approx(kept.corrected_gauge_pa, abs=500.0)
            assert fed.leak_established is kept.leak_established
            assert fed.leak_pa_per_s.value == pytest.approx(
                kept.leak_pa_per_s.value,
                rel=0.05,
                abs=0.01,  # 0.005 psi/h
            )
