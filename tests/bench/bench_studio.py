"""What a studio costs as it grows: shipping a night, the room it takes, what its page answers.

    .venv/bin/python tests/bench/bench_studio.py --pots 1 10 100 1000

A machine of three pots is rehearsed by the real watch into the middle of a night, and shipped for real: all
of it at once, its curve by the second and by the minute, and then minute by minute as it comes. So many
machines are then copied from it within the database, with the curve by the minute of that night, a year of
batches and the events of two months. The page of all is asked in this process, as a user who may see all,
with row security in force; each answer is a median of five, with its mean of processor time, the page's and
the server's, which is what a busy machine leaves comparable. `coming`: of each pot something new comes once a
minute. At each size half an hour of the first machine comes by the second.
"""

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from sqlalchemy import Connection, Engine
from starlette.testclient import TestClient

from postgres import Postgres, address
from potvigil.commands.page import pots_of
from potvigil.model.reading import Sample
from potvigil.page.many.all_pots import CACHED_S
from potvigil.page.many.site import ManyPage
from potvigil.page.many.studio_ground import ManyConfig
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from potvigil.studio.preparing import ANY_WORKSHOP, MACHINE, READER, admit, prepare
from potvigil.studio.reading import StudioReader
from rehearsed_pi import DAY_S, POTS, RehearsedPi
from shipped import WORKSHOP, identity, shipper
from way import Way

SEEN_S, MINUTES = 8.0 * 3600.0, 30
SHORT, TONIGHT = "vented-early", ("sound", "small-leak", "two-in-the-morning")
BATCHES_OF, EVENTS_OF, RUNS = 365, 60, 5  # nights
TABLES = ("sample", "trace", "batch", "edit", "event", "pot", "run")


def a_machine(path: Path) -> None:
    """Make a record of a batch of an hour, and of a night whose pots are under pressure when it ends."""
    pi = RehearsedPi(path, WORKSHOP, 1)
    # it ends an hour from now: the page then shows it as of when it was shipped
    start_utc_s = time.time() + 3600.0 - SEEN_S - 2.0 * DAY_S
    courses = {name: replace(NIGHTS[name], start_utc_s=start_utc_s) for name in (SHORT, *TONIGHT)}
    pi.pass_night([courses[SHORT]] * len(POTS), courses[SHORT].duration_s)
    pi.pass_night([courses[name] for name in TONIGHT], SEEN_S)


def grow(owner: Engine, record: str, pots: int) -> None:
    """Make so many pots of those of a record, each machine of a workshop of its own."""
    with owner.begin() as connection:
        say = connection.exec_driver_sql
        (before,) = say("SELECT count(*) FROM potvigil.record").one()
        machines = -(-pots // len(POTS)) - before
        if machines <= 0:
            return
        say(
            "CREATE TEMP TABLE machine AS SELECT gen_random_uuid() AS mid, n "
            f"FROM generate_series({before}, {before + machines - 1}) AS n"
        )
        say(
            "INSERT INTO potvigil.record (id, owner, workshop) "
            "SELECT mid, 'pi', 'workshop-' || n FROM machine"
        )
        for table in TABLES:
            columns = ", ".join(_columns(connection, table))
            means = " AND spread IS NOT NULL" if table == "sample" else ""
            say(
                f"INSERT INTO potvigil.{table} SELECT mid, {columns} FROM machine, "
                f"(SELECT {columns} FROM potvigil.{table} WHERE record = '{record}'{means}) AS s"
            )
        say("DROP TABLE machine")
    with owner.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE")


def a_year(owner: Engine, record: str) -> None:
    """Give a record the batches of its first evening on each evening of the year before."""
    back = {"batch": ("id", "start_t_s", "end_t_s", "start_utc_s", "end_utc_s", "leak_t_s")}
    back |= {"event": ("id", "batch", "t_s", "utc_s"), "edit": ("id", "batch", "t_s", "utc_s")}
    ended = f"SELECT id FROM potvigil.batch WHERE record = '{record}' AND end_t_s IS NOT NULL"
    with owner.begin() as connection:
        for table, shifted in back.items():
            names, nights = _columns(connection, table), BATCHES_OF if table == "batch" else EVENTS_OF
            values = [
                f"{name} - n * {DAY_S if name.endswith('_s') else 100_000}" if name in shifted else name
                for name in names
            ]
            connection.exec_driver_sql(
                f"INSERT INTO potvigil.{table} (record, {', '.join(names)}) "
                f"SELECT record, {', '.join(values)} FROM potvigil.{table}, "
                f"generate_series(1, {nights}) AS n WHERE record = '{record}' "
                f"AND {'id' if table == 'batch' else 'batch'} IN ({ended})"
            )


def _columns(connection: Connection, table: str) -> list[str]:
    names = connection.exec_driver_sql(f"SELECT * FROM potvigil.{table} LIMIT 0").keys()
    return [name for name in names if name != "record"]


def size(owner: Engine, *tables: str) -> int:
    """Return bytes of these tables with their indexes."""
    named = " + ".join(f"pg_total_relation_size('potvigil.{table}')" for table in tables)
    with owner.connect() as connection:
        return int(connection.exec_driver_sql(f"SELECT {named}").scalar() or 0)


def written(owner: Engine) -> int:
    """Return how many bytes the server has written to its log so far."""
    with owner.connect() as connection:
        return int(connection.exec_driver_sql("SELECT pg_current_wal_lsn() - '0/0'").scalar() or 0)


def server_cpu_s(server: Postgres) -> float:
    """Return the processor time of the server and all its processes so far: proc(5)."""
    first = (server.data / "postmaster.pid").read_text(encoding="ascii").split()[0]
    ticks = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text(encoding="utf-8").rpartition(")")[2].split()
        except OSError:
            continue  # ended meanwhile
        if stat.parent.name == first:
            ticks += sum(map(int, fields[11:15]))
        elif fields[1] == first:
            ticks += sum(map(int, fields[11:13]))
    return ticks / 100.0


class Cost:
    """What shipping costs while it is entered: rows are told by `ship`."""

    def __init__(self, server: Postgres, way: Way) -> None:
        self._server, self._way = server, way
        self.rows = 0

    def __enter__(self) -> "Cost":
        self._before = self._now()
        return self

    def _now(self) -> tuple[float, ...]:
        owner = self._server.owner()
        return time.process_time(), server_cpu_s(self._server), self._way.carried, written(owner)

    def __exit__(self, *_: object) -> None:
        time.sleep(0.2)  # what served it ends
        cpu_s, server_s, carried, log = (
            after - before for after, before in zip(self._now(), self._before, strict=True)
        )
        self.said = (
            f"{self.rows} rows; {cpu_s:.2f} s of CPU, {server_s:.2f} s of the server's, "
            f"{carried / 1e6:.2f} MB on the way, {log / 1e6:.2f} MB of the server's log"
        )


def ship(server: Postgres, path: Path) -> None:
    """Ship a record once by the second, once by the minute, then as it comes."""
    owner = server.owner()
    for curve in ("full", "minute"):
        with owner.begin() as connection:
            for table in ("record", *TABLES, "command", "taught", "fault", "care", "delivery"):
                connection.exec_driver_sql(f"TRUNCATE potvigil.{table}")
        way, empty = Way(server.port), size(owner, *TABLES)
        to = address("pi", admit(owner, "pi", MACHINE, [WORKSHOP]), way.port).engine()
        shipping = shipper(path, to, by_the_minute=curve == "minute")
        with Cost(server, way) as cost:
            cost.rows = shipping.ship()
        hours = (SEEN_S + NIGHTS[SHORT].duration_s) / 3600.0
        print(f"{curve}, {len(POTS)} pots, {hours:.1f} h at once: {cost.said}")
        room = {each: size(owner, each) / 1e6 for each in ("sample", "trace")}
        print(f"    {(size(owner, *TABLES) - empty) / 1e6:.2f} MB there, {room}")
        with Cost(server, way) as cost:
            for _ in range(200):
                shipping.ship()
        print(f"{curve}, 200 times nothing new: {cost.said}")


def as_it_comes(server: Postgres, path: Path) -> None:
    """Print what it costs to ship some minutes, by the second, into what is there."""
    way = Way(server.port)
    to = address("pi", admit(server.owner(), "pi", MACHINE, [WORKSHOP]), way.port).engine()
    shipping = shipper(path, to)
    shipping.ship()
    with Cost(server, way) as cost:
        cost.rows, of_ship_s = minute_by_minute(path, shipping.ship)
    print(f"    {MINUTES} minutes as they come: {cost.said}, {of_ship_s:.2f} s of CPU to ship", flush=True)


def minute_by_minute(path: Path, shipped: Callable[[], int]) -> tuple[int, float]:
    """Let minutes come to a record, shipped one by one; return rows, and s of CPU that shipping took."""
    rows, took_s = 0, 0.0
    with Store.open(path) as store:
        last = {pot: store.last_sample(pot) for pot in POTS}
        traces = {pot: store.traces(pot, 0.0)[-1] for pot in POTS}
        for minute in range(MINUTES):
            for pot, sample in last.items():
                assert isinstance(sample, Sample)
                for second in range(1, 61):
                    ahead_s = 60.0 * minute + second
                    count = (sample.transducer_count or 0.0) + second % 7
                    at_s, at_utc_s = sample.t_s + ahead_s, (sample.utc_s or 0.0) + ahead_s
                    store.append(pot, replace(sample, t_s=at_s, utc_s=at_utc_s, transducer_count=count))
                store.append_trace(pot, replace(traces[pot], t_s=sample.t_s + 60.0 * minute + 1.0))
            store.flush()
            begun_s = time.process_time()
            rows += shipped()
            took_s += time.process_time() - begun_s
    return rows, took_s


def ask(server: Postgres, record: str) -> None:
    """Print what the page of all answers in, at first and on."""
    owner = server.owner()
    password = admit(owner, "page", READER, [ANY_WORKSHOP])
    reader = StudioReader(server.address("page", password).reading_engine())
    page = ManyPage(ManyConfig(reader, pots_of))

    def coming() -> None:
        """Let something of as many records come as in the while for which the page keeps what it was told."""
        with owner.begin() as connection:
            connection.exec_driver_sql(
                "UPDATE potvigil.record SET seen = now() WHERE id IN (SELECT id FROM potvigil.record "
                f"ORDER BY random() LIMIT ceil((SELECT count(*) FROM potvigil.record) * {CACHED_S / 60.0}))"
            )

    here, pot = f"/of/{record}", POTS[1]
    with owner.begin() as connection:
        connection.exec_driver_sql("UPDATE potvigil.record SET seen = now()")
    with TestClient(page.app, "http://localhost") as client:

        def told(what: str, path: str, times: int = RUNS, before: Callable[[], None] = lambda: None) -> None:
            took_s, cpu_s, server_s = [], 0.0, 0.0
            for _ in range(times):
                before()
                page.ground.drop_cached()
                ours_s, theirs_s, begun_s = time.process_time(), server_cpu_s(server), time.perf_counter()
                client.get(path).raise_for_status()
                took_s.append(time.perf_counter() - begun_s)
                cpu_s += time.process_time() - ours_s
                server_s += server_cpu_s(server) - theirs_s
            print(
                f"    {what}: {1e3 * statistics.median(took_s):.0f} ms, "
                f"{1e3 * cpu_s / times:.0f} + {1e3 * server_s / times:.0f} ms of CPU",
                flush=True,
            )

        told("/api/now, the first time", "/api/now", 1)
        told("/api/now, nothing new", "/api/now")
        told("/api/now, coming", "/api/now", before=coming)
        print(f"    {len(client.get('/api/now').content) / 1e3:.0f} kB of it")
        told("/health, the first time", "/health", 1)
        for path in ("/", "/alarms", "/health", "/batches", "/batches?find=lens", "/batches?page=3"):
            told(path, path)
        told("one pot, its year", f"{here}/pot/{pot}")
        told("one curve, tonight's", f"{here}/api/curve?pot={pot}")
    page.close()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pots", type=int, nargs="+", default=[1, 10, 100])
    args = parser.parse_args()
    path = Path(tempfile.mkdtemp()) / "record.db"
    a_machine(path)
    with Postgres() as server:
        prepare(server.owner())
        ship(server, path)
        a_year(server.owner(), identity(path))
        with server.owner().begin() as connection:
            connection.exec_driver_sql("ANALYZE")
        for pots in args.pots:
            grow(server.owner(), identity(path), pots)
            there = {each: size(server.owner(), each) / 1e6 for each in TABLES}
            print(
                f"{pots} pots: {sum(there.values()):.0f} MB, of it "
                + str({k: round(v) for k, v in there.items()})
            )
            ask(server, identity(path))
            as_it_comes(server, path)


if __name__ == "__main__":
    main()
