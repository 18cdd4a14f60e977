"""Many machines ship their records to one studio while everything breaks; in the end every row is compared.

    .venv/bin/python tests/bench/campaign_ship.py --machines 10 --kills 1000 --crashes 100 --cuts 40
    .venv/bin/python tests/bench/campaign_ship.py --steps 600   # made-up lives in place of rehearsed nights

Each machine is two processes. In one its three pots are rehearsed for some nights by the real drivers and
watch (tests/rehearsed_pi.py), which are begun anew in each night and mend the times of what they kept without
a clock; meanwhile people acknowledge and edit, and samples are thinned. With --steps the record lives by
chance instead (tests/shipped.py). The other process ships, and is killed with SIGKILL at any moment and begun
anew. PostgreSQL is crashed and recovers; a machine's way to it is cut, half of the times for seconds, else
for one to three hours of the night.
"""

import argparse
import os
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1]))

from postgres import Postgres, address
from potvigil.studio.address import Address
from potvigil.studio.preparing import MACHINE, admit, prepare
from rehearsed_pi import NIGHT_S, POTS, RehearsedPi
from shipped import WORKSHOP, Life, differing, rows_here, shipper
from way import Way

HOUR_S = 3600.0


def begin(work) -> int:
    """Begin a process that does some work; return its number."""
    if child := os.fork():
        return child
    try:
        work()
    except BaseException as error:
        print(f"a process ended: {error!r}", file=sys.stderr, flush=True)
        os._exit(1)
    os._exit(0)


def live(path: Path, seed: int, steps: int) -> None:
    """Let a record live by chance."""
    life, random = Life(path, seed, POTS), Random(seed)
    for _ in life.steps(steps):
        time.sleep(random.random() * 0.2)
    life.close()


def ship(path: Path, to: Address) -> None:
    """Ship a record for ever."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    shipping = shipper(path, to.engine())
    while True:
        with suppress(Exception):
            shipping.try_once(threading.Event())
        time.sleep(0.05)


@dataclass
class Machine:
    """A record, what ships it, and its way to the studio. shipping: number of the process."""

    record: Path
    to: Address
    way: Way
    shipping: int = 0

    def begin_shipping(self) -> None:
        self.shipping = begin(lambda: ship(self.record, self.to))

    def kill_shipping(self) -> None:
        os.kill(self.shipping, signal.SIGKILL)
        os.waitpid(self.shipping, 0)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--machines", type=int, default=10)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--crashes", type=int, default=100)
    parser.add_argument("--cuts", type=int, default=40)
    parser.add_argument("--nights", type=int, default=3)
    parser.add_argument("--sample-period", type=float, default=3.0, help="of the nights, s")
    parser.add_argument("--minutes", type=float, default=25.0, help="in which it all happens")
    parser.add_argument("--steps", type=int, help="things that happen to each made-up record")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    random = Random(args.seed)
    folder = Path(tempfile.mkdtemp(prefix="potvigil-"))
    lasts_s = 60.0 * args.minutes
    speed = args.nights * NIGHT_S / lasts_s
    with Postgres() as server:
        prepare(server.owner())
        machines = []
        for i in range(args.machines):
            password, way = admit(server.owner(), f"pi-{i}", MACHINE, [WORKSHOP]), Way(server.port)
            machines.append(Machine(folder / f"{i}.db", address(f"pi-{i}", password, way.port), way))

        def watch(i: int) -> None:
            record, seed = machines[i].record, args.seed * 1000 + i
            if args.steps:
                live(record, seed, args.steps)
            else:
                period_s = args.sample_period
                pi = RehearsedPi(record, WORKSHOP, seed, sample_period_s=period_s, speed=speed)
                pi.play(args.nights)

        begun_s = time.monotonic()
        lives = [begin(lambda i=i: watch(i)) for i in range(args.machines)]
        time.sleep(3.0)
        for each in machines:
            each.begin_shipping()
        deeds = ["kill"] * args.kills + ["crash"] * args.crashes + ["cut"] * args.cuts
        coming = [(random.uniform(4.0, lasts_s), deed, random.randrange(args.machines)) for deed in deeds]
        heapify(coming)
        cut_s, cut_hours = 0.0, 0.0
        while coming:
            at_s, deed, i = heappop(coming)
            time.sleep(max(0.0, begun_s + at_s - time.monotonic()))
            if deed == "kill":
                machines[i].kill_shipping()
                machines[i].begin_shipping()
            elif deed == "crash":
                server.stop("immediate")
                server.start()
            elif deed == "cut":
                is_long = random.random() < 0.5
                takes_s = random.uniform(1.0, 3.0) * HOUR_S / speed if is_long else random.uniform(0.0, 5.0)
                cut_s, cut_hours = cut_s + takes_s, cut_hours + is_long * takes_s * speed / HOUR_S
                machines[i].way.cut()
                heappush(coming, (at_s + takes_s, "mend", i))
            else:
                machines[i].way.mend()
        failed = sum(os.waitstatus_to_exitcode(os.waitpid(each, 0)[1]) != 0 for each in lives)
        took_s = time.monotonic() - begun_s
        rows: Counter[str] = Counter()
        wrong = 0
        for each in machines:
            each.kill_shipping()
            left = shipper(each.record, each.to.engine()).ship()
            found = differing(each.record, server.owner())
            here = rows_here(each.record)
            rows.update({table: len(of) for table, of in here.items()})
            rows["means among samples"] += sum(row[-2] is not None for row in here["sample"])
            wrong += sum(found.values())
            print(f"{each.record.name}: {left} rows were left, then {found or 'no difference'}", flush=True)
    means = rows.pop("means among samples")
    print(
        f"{args.machines} machines, {args.kills} shippers killed, {args.crashes} crashes of PostgreSQL, "
        f"{args.cuts} cuts ({cut_s:.0f} s; the long ones {cut_hours:.0f} h of the night), {took_s:.0f} s: "
        f"{rows.total()} rows compared, {wrong} lost, doubled or different; {failed} lives failed"
    )
    print(f"{dict(rows)}, {means} of the samples means")


if __name__ == "__main__":
    main()
