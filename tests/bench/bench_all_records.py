"""What the page of all records costs a studio: seconds an answer, by many records of many batches.

    .venv/bin/python tests/bench/bench_all_records.py                       # 20 records of 500 batches
    .venv/bin/python tests/bench/bench_all_records.py --records 50 --batches 2000

Each record has one pot under pressure for an hour, and its first batch again and again, a day earlier each
time. PostgreSQL runs on the same machine; each answer is the median of five.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from starlette.testclient import TestClient

from many_records import Studio, kept, page_config
from postgres import Postgres
from potvigil.commands.page import pots_of
from potvigil.page.many.all_pots import AllPots
from potvigil.page.many.site import ManyPage
from potvigil.record.database import Database
from potvigil.studio.preparing import prepare

RUNS = 5
DAY_S = 86_400.0
LISTS = ("", "?page=20", "?page=200", "?find=lenses", "?verdict=leaked&alarm=leak")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--records", type=int, default=20)
    parser.add_argument("--batches", type=int, default=500)
    args = parser.parse_args()
    with Postgres() as server, tempfile.TemporaryDirectory(prefix="potvigil-all-") as folder:
        prepare(server.owner())
        studio = Studio(server)
        for number in range(args.records):
            record = kept(Path(folder) / f"{number}.db", f"workshop-{number}", "pot")
            repeat(record, args.batches)
            shipped = studio.ship(record)
        with server.owner().connect() as connection:
            connection.exec_driver_sql("ANALYZE")
            connection.commit()
        all_pots = AllPots(studio.reader("first", "*"), pots_of, None, may_ask=False)
        print(f"all pots, first: {seconds(all_pots.state):.3f} s")
        print(f"all pots, nothing new: {median(seconds(all_pots.state) for _ in range(RUNS)):.3f} s")
        page = ManyPage(page_config(studio.reader("second", "*")))
        here = f"/of/{shipped}"
        with TestClient(page.app, "http://localhost") as client:
            views = [*(f"/batches{each}" for each in LISTS), "/health"]
            for view in (*views, f"{here}/pot/pot", f"{here}/batch/2", f"{here}/api/curve?batch=2"):
                times = [seconds(lambda view=view: client.get(view).raise_for_status()) for _ in range(RUNS)]
                print(f"{view.replace(here, '/of/...')}: {median(times):.3f} s")
        page.close()


def repeat(record: Path, batches: int) -> None:
    """Give a record its first batch so many times more."""
    db = Database.open(record, create=False)
    columns = ", ".join(name for name in db.columns("batch") if name not in ("id", "start_utc_s"))
    earlier = f"SELECT {columns}, start_utc_s - ? FROM batch WHERE id = 1"
    sql = f"INSERT INTO batch ({columns}, start_utc_s) {earlier}"
    with db.transaction(durable=False):
        db.execute_many(sql, [(DAY_S * (days + 1),) for days in range(batches)])
    db.close()


def seconds(done) -> float:
    begun_s = time.monotonic()
    done()
    return time.monotonic() - begun_s


if __name__ == "__main__":
    main()
