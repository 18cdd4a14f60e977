"""What the watch costs: microseconds per PotWatch.feed, seconds per rehearsed night, memory.

    .venv/bin/python tests/bench/bench_watch.py

The night is the default rehearsal, 10 h at 1 Hz through registers, drivers, core and record. Memory is
that of a rehearsal paced so that one of its hours passes, simulator included: an upper bound for the watch.
"""

import argparse
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.watch.pot_watch import PotWatch

POTVIGIL = (sys.executable, "-m", "potvigil")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", type=int, default=3, help="nights to rehearse; the quickest counts")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "night.db"
        seconds = min(_rehearse(record) for _ in range(args.runs))
        print(f"rehearsed night, 10 h at 1 Hz: {seconds:.1f} s (aim 5, bound 10)")
        micros = min(_feed(record) for _ in range(args.runs))
        print(f"PotWatch.feed: {micros:.1f} us a sample (aim 50)")
        print(f"memory after an hour: {_memory_mb(Path(folder) / 'hour.db'):.1f} MB (aim 48)")
        early_mb, late_mb = _long_hold_mb(record)
        print(f"memory of a hold without record: {early_mb:.1f} MB after 8 h, {late_mb:.1f} MB after 72 h")


def _rehearse(record: Path) -> float:
    record.unlink(missing_ok=True)
    start = time.perf_counter()
    subprocess.run([*POTVIGIL, "rehearse", "--record", str(record)], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def _feed(record: Path) -> float:
    pot, samples = _recorded(record)
    watch = PotWatch(pot)
    start = time.perf_counter()
    for sample in samples:
        watch.feed(sample)
    return 1e6 * (time.perf_counter() - start) / len(samples)


def _long_hold_mb(record: Path) -> tuple[float, float]:
    """Feed the same eight hours of a hold again and again, air and all, as one hold of 72 h."""
    pot, samples = _recorded(record)
    watch = PotWatch(pot)
    hours_8 = [sample for sample in samples if sample.t_s < samples[0].t_s + 8 * 3600.0]
    filled = next(i for i, sample in enumerate(hours_8) if sample.t_s > hours_8[0].t_s + 900.0)
    for sample in hours_8:
        watch.feed(sample)
    early_mb = _resident_mb("self")
    hold = hours_8[filled:]
    span_s = hold[-1].t_s - hold[0].t_s + 1.0
    for again in range(1, 10):
        for sample in hold:
            watch.feed(replace(sample, t_s=sample.t_s + again * span_s, utc_s=None))
    return early_mb, _resident_mb("self")


def _recorded(record: Path) -> tuple[Pot, list[Sample]]:
    with Store.open_read_only(record) as store:
        pot = load_text(store.runs()[0].settings_json, "bench").core_pots()["lantern"]
        return pot, list(store.samples("lantern", 0.0))


def _memory_mb(record: Path) -> float:
    command = [*POTVIGIL, "rehearse", "sound", "--speed", "600", "--record", str(record)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        time.sleep(8.0)  # 6 s are an hour of that night, the rest is the start
        resident_mb = _resident_mb(str(process.pid))
        process.terminate()
    return resident_mb


def _resident_mb(process: str) -> float:
    found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{process}/status").read_text(encoding="ascii"))
    return int(found[1]) / 1024 if found else float("nan")


if __name__ == "__main__":
    main()
