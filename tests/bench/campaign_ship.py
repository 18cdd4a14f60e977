"""Many machines ship their records to one studio while everything breaks; in the end every row is compared.

    .venv/bin/python tests/bench/campaign_ship.py --machines 10 --kills 1000 --crashes 100 --cuts 20

Each machine is two processes: one lives (reads, batches, edits, thinned samples, mended times, restarts; see
tests/shipped.py), one ships, and is killed with SIGKILL at any moment and begun anew. PostgreSQL is crashed
and recovers; the way to it is cut for seconds at a time.
"""

import argparse
import os
import signal
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1]))

from postgres import Postgres, address
from potvigil.studio.address import Address
from potvigil.studio.preparing import MACHINE, admit, prepare
from shipped import WORKSHOP, Life, differing, rows_here, shipper
from way import Way

POTS = ("lantern", "harbour", "jetty")


def live(path: Path, seed: int, steps: int) -> int:
    """Begin a process in which a record lives; return its number."""
    if child := os.fork():
        return child
    life, random = Life(path, seed, POTS), Random(seed)
    for _ in life.steps(steps):
        time.sleep(random.random() * 0.2)
    life.close()
    os._exit(0)


def ship(path: Path, address: Address) -> int:
    """Begin a process that ships a record for ever; return its number."""
    if child := os.fork():
        return child
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    shipping = shipper(path, address.engine())
    while True:
        with suppress(Exception):
            shipping.try_once(threading.Event())
        time.sleep(0.05)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--machines", type=int, default=10)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--crashes", type=int, default=100)
    parser.add_argument("--cuts", type=int, default=20)
    parser.add_argument("--steps", type=int, default=400, help="things that happen to each record")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    random = Random(args.seed)
    folder = Path(tempfile.mkdtemp(prefix="potvigil-"))
    with Postgres() as server:
        prepare(server.owner())
        way = Way(server.port)
        records, addresses = [], []
        for i in range(args.machines):
            password = admit(server.owner(), f"pi-{i}", MACHINE, [WORKSHOP])
            addresses.append(address(f"pi-{i}", password, way.port))
            records.append(folder / f"{i}.db")
        lives = {live(path, args.seed * 1000 + i, args.steps) for i, path in enumerate(records)}
        time.sleep(2.0)
        shipping = [ship(path, to) for path, to in zip(records, addresses, strict=True)]
        deeds = ["kill"] * args.kills + ["crash"] * args.crashes + ["cut"] * args.cuts
        random.shuffle(deeds)
        began_s = time.monotonic()
        for deed in deeds:
            time.sleep(random.random() * 0.3)
            if deed == "kill":
                i = random.randrange(len(records))
                os.kill(shipping[i], signal.SIGKILL)
                os.waitpid(shipping[i], 0)
                shipping[i] = ship(records[i], addresses[i])
            elif deed == "crash":
                server.stop("immediate")
                server.start()
            else:
                way.cut()
                time.sleep(random.random() * 5.0)
                way.mend()
        for each in lives:
            os.waitpid(each, 0)
        for each in shipping:
            os.kill(each, signal.SIGKILL)
            os.waitpid(each, 0)
        took_s = time.monotonic() - began_s
        rows = wrong = 0
        for path, to in zip(records, addresses, strict=True):
            shipper(path, to.engine()).ship()
            found = differing(path, server.owner())
            rows += sum(map(len, rows_here(path).values()))
            wrong += sum(found.values())
            if found:
                print(f"{path.name}: {found}")
    print(
        f"{args.machines} machines, {args.kills} shippers killed, {args.crashes} crashes of PostgreSQL, "
        f"{args.cuts} cuts, {took_s:.0f} s: {rows} rows compared, {wrong} lost, doubled or different"
    )


if __name__ == "__main__":
    main()
