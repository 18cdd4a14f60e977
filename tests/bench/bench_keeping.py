"""What thinning saves and costs: bytes, ms a step is held, and whether a thinned night is judged as before.

    python tests/bench/bench_keeping.py
    python tests/bench/bench_keeping.py small-leak top-ups --period 5

Each night is rehearsed, thinned as if it were old, and its samples fed to a watch again. Bytes: the
pages in use, for a file does not shrink.
"""

import argparse
import sqlite3
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from potvigil.model.events import BatchClosed, BatchOpened, BatchSummary
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR
from potvigil.upkeep.thinning import FED_BEFORE_S, thin
from potvigil.watch.pot_watch import PotWatch
from potvigil.watch.replay import feed_again
from rehearsal import rehearse

KEEP_S = 90 * 86_400.0


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("nights", nargs="*", default=["sound", "small-leak", "two-in-the-morning"])
    parser.add_argument("--period", type=float, default=1.0, help="seconds between samples (default: 1)")
    arguments = parser.parse_args()
    print(
        f"{'night':20} {'MB':>6} {'thinned':>8} {'saved':>6} {'rows':>7} {'thinned':>8} {'step ms':>8}  "
        "verdict, leak in psi/h (95 %)"
    )
    for name in arguments.nights:
        with tempfile.TemporaryDirectory() as folder:
            measure(name, Path(folder), arguments.period)


def measure(name: str, folder: Path, period_s: float) -> None:
    bench = rehearse(NIGHTS[name], folder, sample_period_s=period_s)
    was = bench.summary
    with Store.open(bench.record) as store:  # a later batch, so that no restart feeds this one
        later = store.open_batch(was.pot_id, BatchOpened(was.end_s + 9000.0, None))
        store.close_batch(later, BatchClosed(was.end_s + 9100.0, None, was))
    bytes_before, rows_before = _used(bench.record)
    now_utc_s = NIGHTS[name].start_utc_s + was.end_s + KEEP_S + 86_400.0
    done = thin(bench.record, KEEP_S, now_utc_s, rest_s=0.0)
    bytes_after, rows_after = _used(bench.record)
    again = _fed_again(bench.record)
    print(
        f"{name:20} {bytes_before / 1e6:6.2f} {bytes_after / 1e6:8.2f} {1 - bytes_after / bytes_before:6.0%} "
        f"{rows_before:7} {rows_after:8} {done.longest_step_s * 1e3:8.1f}  {_judged(was)}"
    )
    print(f"{'':69}{_judged(again)}")


def _used(record: Path) -> tuple[int, int]:
    db = sqlite3.connect(record)
    pages, free, size = (
        db.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_count", "freelist_count", "page_size")
    )
    (rows,) = db.execute("SELECT count(*) FROM sample").fetchone()
    db.close()
    return (pages - free) * size, rows


def _fed_again(record: Path) -> BatchSummary:
    with Store.open_read_only(record) as store:
        row = store.batch(1)
        pot = load_text(store.runs()[0].settings_json, "run").core_pots()[row.pot_id]
        samples = store.samples(row.pot_id, row.start_t_s - FED_BEFORE_S, row.end_t_s)
        commands = store.commands(row.pot_id, row.start_t_s, row.end_t_s)
        for _, events in feed_again(PotWatch(pot), samples, commands):
            for event in events:
                if isinstance(event, BatchClosed):
                    return event.summary
    raise SystemExit(f"{record}: the batch did not close again")


def _judged(summary: BatchSummary) -> str:
    if summary.leak is None:
        return f"{summary.verdict}, no estimate"
    rate, psi_per_h = summary.leak.rate_pa_per_s, PA_PER_PSI / SECONDS_PER_HOUR
    value, low, high = (each / psi_per_h for each in (rate.value, rate.low, rate.high))
    return f"{summary.verdict}, {value:.3f} ({low:.3f} to {high:.3f})"


if __name__ == "__main__":
    main()
