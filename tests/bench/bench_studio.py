"""What a studio costs as it grows: shipping a night, the room it takes, what a page would ask for.

    .venv/bin/python tests/bench/bench_studio.py --pots 1 10 100 1000

A record of three pots and one night is shipped for real, its curve by the second and by the minute. Then so
many pots are copied from it within the database: a night of curve by the minute each, and a year of batches
with their events. What a page asks for is asked as one that may look at all of it, with row security in
force: median of nine, each in a connection of its own.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from sqlalchemy import Engine

from postgres import Postgres
from potvigil.model.events import AlarmState, BatchClosed, BatchOpened, Stage, StageEvent
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.studio.preparing import ANY_WORKSHOP, MACHINE, READER, admit, prepare
from record_night import SUMMARY, UTC_S, alarm, night
from shipped import WORKSHOP, identity, shipper

POTS = ("lantern", "harbour", "jetty")
NIGHT_S, NIGHTS_A_YEAR = 36_000, 365
ASKED = {
    "all pots, newest moment of each": (
        "SELECT p.record, p.id, t.* FROM potvigil.pot p CROSS JOIN LATERAL (SELECT * FROM potvigil.trace t "
        "WHERE t.record = p.record AND t.pot = p.id ORDER BY t_s DESC LIMIT 1) t"
    ),
    "all active alarms": (
        "SELECT e.record, e.line FROM potvigil.pot p CROSS JOIN LATERAL (SELECT DISTINCT ON (alarm) * FROM "
        "potvigil.event e WHERE e.record = p.record AND e.pot = p.id AND e.alarm IS NOT NULL "
        "ORDER BY alarm, id DESC) e WHERE e.line NOT LIKE '%%\"normal\"%%'"
    ),
    "the newest 50 batches of all": (
        "SELECT b.record, b.id, b.verdict, p.name FROM potvigil.batch b JOIN potvigil.pot p "
        "ON (p.record, p.id) = (b.record, b.pot) ORDER BY b.start_utc_s DESC LIMIT 50"
    ),
    "one curve, a night": (
        "SELECT t_s, transducer_count FROM potvigil.sample WHERE (record, pot) = "
        "(SELECT record, pot FROM potvigil.sample LIMIT 1) ORDER BY t_s"
    ),
    "one pot's health, a year": (
        "SELECT start_utc_s, leak_pa_per_s, leak_low_pa_per_s, leak_high_pa_per_s FROM potvigil.batch "
        "WHERE (record, pot) = (SELECT record, id FROM potvigil.pot LIMIT 1) ORDER BY id"
    ),
}


def a_night(path: Path) -> None:
    """A record of one night of three pots."""
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        for number, pot in enumerate(POTS):
            batch = store.open_batch(pot, BatchOpened(1.0, UTC_S))
            for each in night(NIGHT_S, start_s=number * 0.01, seed=number):
                store.append(pot, each)
            for minute in range(600):
                row = TraceRow(60.0 * minute, Stage.HOLDING, 4e5, *(None,) * 6, False, *(None,) * 5)
                store.append_trace(pot, row)
            store.add_event(pot, batch, StageEvent(2.0, UTC_S, Stage.HOLDING))
            store.add_event(pot, batch, alarm(3.0, AlarmState.UNACKNOWLEDGED))
            store.close_batch(batch, BatchClosed(36_000.0, UTC_S + 36_000.0, SUMMARY))
            store.flush()


def grow(owner: Engine, record: str, pots: int) -> None:
    """Make so many pots of those of a record, three to a machine."""
    machines = -(-pots // len(POTS))
    with owner.begin() as connection:
        say = connection.exec_driver_sql
        of_all = f"generate_series(1, {machines})"
        say(f"CREATE TEMP TABLE machine AS SELECT gen_random_uuid() AS mid FROM {of_all}")
        say(f"INSERT INTO potvigil.record (id, owner, workshop) SELECT mid, 'pi', '{WORKSHOP}' FROM machine")
        for table in ("pot", "run", "trace", "sample"):
            columns = ", ".join(_columns(connection, table))
            of = f"{table} WHERE record = '{record}'" + (
                " AND spread IS NOT NULL" if table == "sample" else ""
            )
            say(
                f"INSERT INTO potvigil.{table} SELECT mid, {columns} FROM machine m, "
                f"(SELECT {columns} FROM potvigil.{of}) AS s"
            )
        for table, key in (("batch", "id"), ("event", "batch")):
            names = _columns(connection, table)
            shifted = [
                f"{each} + n * 1000"
                if each in ("id", key)
                else f"{each} + n * 86400"
                if each == "start_utc_s"
                else each
                for each in names
            ]
            say(
                f"INSERT INTO potvigil.{table} SELECT mid, {', '.join(shifted)} FROM machine m, "
                f"generate_series(0, {NIGHTS_A_YEAR - 1}) AS n, "
                f"(SELECT {', '.join(names)} FROM potvigil.{table} WHERE record = '{record}') AS s"
            )
        say("DROP TABLE machine")
    with owner.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE")


def _columns(connection: object, table: str) -> list[str]:
    names = connection.exec_driver_sql(f"SELECT * FROM potvigil.{table} LIMIT 0").keys()  # type: ignore[attr-defined]
    return [name for name in names if name != "record"]


def _answer_ms(reader: Engine, sql: str) -> float:
    took: list[float] = []
    for _ in range(9):
        begun_s = time.perf_counter()
        with reader.connect() as connection:
            connection.exec_driver_sql(sql).all()
        took.append(time.perf_counter() - begun_s)
    return 1000.0 * statistics.median(took)


def _bytes(owner: Engine, *tables: str) -> int:
    named = " + ".join(f"pg_total_relation_size('potvigil.{table}')" for table in tables)
    with owner.connect() as connection:
        return int(connection.exec_driver_sql(f"SELECT {named}").scalar() or 0)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pots", type=int, nargs="+", default=[1, 10, 100])
    args = parser.parse_args()
    path = Path(tempfile.mkdtemp()) / "record.db"
    a_night(path)
    for curve in ("full", "minute"):
        with Postgres() as server:
            prepare(server.owner())
            to = server.address("pi", admit(server.owner(), "pi", MACHINE, [WORKSHOP])).engine()
            before, begun_s, cpu_s = (
                _bytes(server.owner(), "sample"),
                time.perf_counter(),
                time.process_time(),
            )
            rows = shipper(path, to, by_the_minute=curve == "minute").ship()
            wall_s, cpu_s = time.perf_counter() - begun_s, time.process_time() - cpu_s
            room = (_bytes(server.owner(), "sample") - before) / len(POTS)
            print(
                f"{curve}: {rows} rows of {len(POTS)} pots; {cpu_s / len(POTS):.2f} s of CPU and "
                f"{wall_s / len(POTS):.1f} s a pot and night, {room / 1e6:.2f} MB of samples"
            )
            if curve == "full":
                continue
            reader = server.address("page", admit(server.owner(), "page", READER, [ANY_WORKSHOP])).engine()
            there = len(POTS)
            with server.owner().begin() as connection:
                connection.exec_driver_sql("ANALYZE")
            for pots in args.pots:
                if pots > there:
                    grow(server.owner(), identity(path), pots - there)
                    there = pots
                size = _bytes(server.owner(), "sample", "trace", "batch", "event", "pot", "run")
                print(f"{pots} pots: {size / 1e6:.0f} MB")
                for what, sql in ASKED.items():
                    print(f"    {what}: {_answer_ms(reader, sql):.0f} ms")


if __name__ == "__main__":
    main()
