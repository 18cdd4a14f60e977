"""Sixteen pots at 4 Hz on one core keep their pace, and a hold does not grow; longer: bench_load.py."""

import re
import subprocess
import sys
from pathlib import Path

from patience import PATIENCE_S

BENCH = Path(__file__).parents[1] / "bench" / "bench_load.py"


def bench(*options: str) -> str:
    ran = subprocess.run(
        [sys.executable, str(BENCH), *options], capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


def test_sixteen_pots_at_four_hertz_keep_their_pace_on_one_core():
    said = bench("--seconds", "5")
    ticks = int(re.search(r"(\d+) ticks", said)[1])
    median_ms = float(re.search(r"took\s+median\s+([\d.]+)", said)[1])
    assert ticks >= 10  # of 20; the machine that tests is shared, the pace itself is for bench_load.py
    assert median_ms < 125.0  # half the period


def test_a_ten_hour_hold_does_not_grow_in_memory():
    mb = [float(one) for one in re.findall(r"([\d.]+) MB", bench("--days", "0.4"))]
    assert len(mb) == 10
    assert mb[-1] - mb[2] < 4.0  # buffers fill first
