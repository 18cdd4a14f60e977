"""What each converter's resolution does to the leak's interval: one night of a fine leak behind each.

    .venv/bin/python tests/bench/bench_converters.py [NIGHT] [--period SECONDS]

Prints a table: one count, what the wiring is said to resolve and when it is said to show this leak, and what
the watch made of it in the end.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from other_wires import TRANSDUCERS, behind
from potvigil.model.events import AlarmId
from potvigil.sensing.resolution import resolution
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR
from rehearsal import raised, rehearse

PSI_PER_H = PA_PER_PSI / SECONDS_PER_HOUR


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("night", nargs="?", default="small-leak")
    parser.add_argument("--period", type=float, default=1.0, metavar="SECONDS")
    asked = parser.parse_args()
    print(f"{asked.night}, a sample each {asked.period:g} s; pressures in psi, rates in psi/h")
    print("wiring            count   resolves  leak told  at the end: rate (interval)         true   seconds")
    for name, transducer in TRANSDUCERS.items():
        night = behind(asked.night, transducer)
        began = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            bench = rehearse(night, Path(folder), sample_period_s=asked.period)
        took = time.monotonic() - began
        pot = bench.settings.core_pots()["lantern"]
        assert pot.transducer is not None
        fine = resolution(pot.transducer, asked.period)
        of_leaks = (AlarmId.LEAK, AlarmId.FLOOR_AHEAD)
        told = [one.t_s for one in raised(bench.events) if one.alarm in of_leaks]
        leak = bench.summary.leak
        said, true = "no estimate", 0.0
        if leak is not None:
            rate = leak.rate_pa_per_s
            low, high = rate.low / PSI_PER_H, rate.high / PSI_PER_H
            said = f"{rate.value / PSI_PER_H:.3f} ({low:.3f} to {high:.3f}), {high - low:.3f} wide"
            true = bench.true_rate_at(leak.t_s) / PSI_PER_H
        after = f"{told[0] / 60.0:.0f} min" if told else "never"
        count, resolved = fine.count_pa / PA_PER_PSI, fine.resolved_pa / PA_PER_PSI
        print(f"{name:17s} {count:.4f}  {resolved:.4f}    {after:9s}  {said:36s}  {true:.3f}  {took:.0f}")


if __name__ == "__main__":
    main()
