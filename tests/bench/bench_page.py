"""What the page costs: time of its answers, its memory with ten pages open, the watch's tick with them.

    .venv/bin/python tests/bench/bench_page.py [--ticks 1200]

The record holds 10,000 batches, among them a night of 10 h and a hold of 72 h at 1 Hz. The watch rehearses a
night at twenty times real time, so that a minute gives 1200 ticks; each open page holds a stream of events
and asks for the curve and /metrics every ten seconds.
"""

import argparse
import http.client
import os
import random
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from potvigil.clock import ManualClock
from potvigil.commands.rehearsal.own_wiring import simulated_station
from potvigil.model.events import (
    BatchClosed,
    BatchOpened,
    BatchSummary,
    Cure,
    Detail,
    Interval,
    Stage,
    Verdict,
)
from potvigil.model.reading import Sample
from potvigil.outputs.live import LiveFile
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import World

NIGHT = NIGHTS["two-in-the-morning"]
BATCHES, PAGES = 10_000, 10
NIGHT_S, HOLD_S = 36_000, 259_200
BASE_UTC_S = 1_767_304_800.0
ASKED_EACH_S = 10.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--ticks", type=int, default=1200, help="of the watch, each way")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        record = folder / "season.db"
        night, hold = _season(record)
        with _page(record, folder / "none.json") as (port, pid):
            print(f"memory, nothing asked yet: {_memory_mb(pid):.1f} MB")
            for what, path in (
                ("/api/now", "/api/now"),
                ("/metrics", "/metrics"),
                ("/batches of 10,000", "/batches"),
                ("/batches, page 150", "/batches?page=150"),
                ("/batches, words found", "/batches?find=lens+77"),
                ("/batches, words not found", "/batches?find=nothing+like+it"),
                ("/batch", f"/batch/{night}"),
                ("/api/curve of a 10 h night", f"/api/curve?batch={night}"),
                ("/api/curve of a 72 h hold", f"/api/curve?batch={hold}"),
                ("/api/curve of an hour of it", f"/api/curve?batch={hold}&from=90000&to=93600"),
            ):
                taken = sorted(_ask(port, path)[0] for _ in range(9))
                size = _ask(port, path)[1]
                print(
                    f"{what}: {1e3 * taken[4]:.0f} ms, at most {1e3 * taken[-1]:.0f} ms, {size / 1e3:.0f} kB"
                )
            print(f"memory after that: {_memory_mb(pid):.1f} MB (aim 64)")
        alone = _ticks(folder / "a", args.ticks, live=False)
        _tell("tick of the watch alone", alone)
        _tell("with the live file", _ticks(folder / "b", args.ticks, live=True))
        _tell(f"with the live file and {PAGES} pages open", _ticks(folder / "c", args.ticks, pages=PAGES))


# --- a season


def _season(record: Path) -> tuple[int, int]:
    """Write the record; return the numbers of the night and of the long hold."""
    settings = load_text(NIGHT.settings_yaml, "night")
    rng = random.Random(1)
    with Store.open(record) as store:
        store.begin_run(settings.as_json(), "bench", 0.0, BASE_UTC_S, None)
        db = store._db
        with db.transaction(durable=False):
            db.execute("INSERT INTO pot (name) VALUES ('lantern')")
            for number in range(1, BATCHES - 1):
                t_s = float(number)
                summary = _text_of(replace(_SUMMARY, start_s=t_s, end_s=t_s + NIGHT_S))
                db.execute(
                    "INSERT INTO batch (id, pot, run, start_t_s, start_utc_s, end_t_s, end_utc_s, verdict, "
                    "summary) VALUES (?, 1, 1, ?, ?, ?, ?, 'leaked', ?)",
                    (number, t_s, BASE_UTC_S + t_s, t_s + NIGHT_S, BASE_UTC_S + t_s + NIGHT_S, summary),
                )
                for field, text in (
                    ("label", f"lens {number}"),
                    ("resin", "clear, slow"),
                    ("mould", "no. 3"),
                ):
                    db.execute(
                        "INSERT INTO edit (batch, field, new, by) VALUES (?, ?, ?, 'bench')",
                        (number, field, text),
                    )
    with Store.open(record) as store:
        store.begin_run(settings.as_json(), "bench", 20_000.0, BASE_UTC_S + 20_000.0, None)
        night = _batch(store, rng, 20_000.0, NIGHT_S)
        hold = _batch(store, rng, 90_000.0, HOLD_S)
    return night, hold


def _batch(store: Store, rng: random.Random, start_s: float, seconds: int) -> int:
    batch = store.open_batch("lantern", BatchOpened(start_s, BASE_UTC_S + start_s))
    for second in range(seconds):
        t_s = start_s + second
        store.append(
            "lantern",
            Sample(
                t_s=t_s,
                utc_s=BASE_UTC_S + t_s,
                transducer_count=15_000.0 + 8.0 * rng.random(),
                supply_count=26_666.0 + 8.0 * rng.random(),
                wall_c=21.0 + rng.randrange(32) / 16.0,
                room_c=20.0,
                ambient_pa=101_000.0 + 50.0 * rng.random(),
            ),
        )
        if second % 60 == 0:
            rate = Interval(0.001, 0.0009, 0.0011)
            store.append_trace(
                "lantern",
                TraceRow(
                    *(t_s, Stage.HOLDING, 4e5, 4.1e5, None, 294.0, 293.0, None, rate, True),
                    *(None, None, None, second / seconds, start_s + seconds),
                ),
            )
        if second % 20_000 == 0:
            store.flush()
    end_s = start_s + seconds
    closed = replace(_SUMMARY, start_s=start_s, end_s=end_s)
    store.close_batch(batch, BatchClosed(end_s, BASE_UTC_S + end_s, closed))
    return batch


_SUMMARY = BatchSummary(
    *("lantern", Verdict.LEAKED, "air was lost", True, 0.0, BASE_UTC_S, 36_000.0, {Stage.FILLING: 10.0}),
    *(600.0, 35_900.0, 4.1e5, 3.6e5, 3.6e5, None, None, None, None, Cure(1.0, 36_000.0), 0, ()),
    {Detail.LABEL: "lens"},
)


def _text_of(summary: BatchSummary) -> str:
    from potvigil.record.codec import to_text

    return to_text(summary)


# --- the page


@contextmanager
def _page(record: Path, live: Path) -> Iterator[tuple[int, int]]:
    """Run `potvigil page`; yield its port and process."""
    words = ["page", "--record", str(record), "--live", str(live), "--port", "0"]
    process = subprocess.Popen([sys.executable, "-m", "potvigil", *words], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        found = re.search(r":(\d+)/", process.stdout.readline())
        assert found
        yield int(found[1]), process.pid
    finally:
        process.terminate()
        process.wait()


def _ask(port: int, path: str) -> tuple[float, int]:
    """Return seconds and bytes of an answer."""
    start_s = time.perf_counter()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", path)
    answer = connection.getresponse()
    size = len(answer.read())
    assert answer.status == 200, (path, answer.status)
    connection.close()
    return time.perf_counter() - start_s, size


def _memory_mb(pid: int) -> float:
    found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text(encoding="ascii"))
    assert found
    return int(found[1]) / 1024.0


def _look(port: int, stop: threading.Event) -> None:
    """One open page: a stream of events, and the curve now and then."""
    for path in ("/", "/pot/lantern"):
        _ask(port, path)
    stream = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    stream.request("GET", "/api/events")
    answer = stream.getresponse()
    due_s = time.monotonic() + random.random() * ASKED_EACH_S
    while not stop.is_set():
        answer.readline()
        if time.monotonic() >= due_s:
            _ask(port, "/api/curve?pot=lantern")
            _ask(port, "/metrics")
            due_s += ASKED_EACH_S
    stream.close()


# --- the watch


def _ticks(folder: Path, ticks: int, *, live: bool = True, pages: int = 0) -> list[float]:
    """Return the seconds of each tick of a rehearsed watch."""
    folder.mkdir()
    settings = load_text(NIGHT.settings_yaml, "night")
    world = World(NIGHT, folder)
    clock = ManualClock(utc_s=NIGHT.start_utc_s, on_advance=world.advance)
    station = simulated_station(settings, world)
    record = folder / "night.db"
    store = Store.open(record)
    memory = Path("/dev/shm")  # in memory, as /run is
    path = (memory if memory.is_dir() else folder) / f"potvigil-bench-{os.getpid()}.json"
    file = LiveFile(path, settings.workshop, NIGHT.name, 0.05) if live else None
    service = Service(settings, clock, "bench", station, store, None, NIGHT.name, live=file)
    service.start()
    for _ in range(int(5 * 3600.0)):  # into the leak, as fast as it goes
        service.tick()
        clock.sleep_until(clock.now().boot_s + 1.0)
    store.flush()

    def run() -> list[float]:
        taken = []
        for _ in range(ticks):
            start_s = time.perf_counter()
            service.tick()
            taken.append(time.perf_counter() - start_s)
            clock.sleep_until(clock.now().boot_s + 1.0)
            time.sleep(0.05)
        return taken

    try:
        return run() if not pages else _looked_at(record, path, pages, run)
    finally:
        service.stop()
        path.unlink(missing_ok=True)


def _looked_at(record: Path, live: Path, pages: int, run: Callable[[], list[float]]) -> list[float]:
    stop = threading.Event()
    with _page(record, live) as (port, pid):
        # in a process of its own, so that the browsers do not share the watch's interpreter
        browsers = os.fork()
        if browsers == 0:
            threads = [threading.Thread(target=_look, args=(port, stop), daemon=True) for _ in range(pages)]
            for thread in threads:
                thread.start()
            time.sleep(3600.0)
            os._exit(0)
        time.sleep(3.0)
        try:
            taken = run()
            print(f"memory with {pages} pages open: {_memory_mb(pid):.1f} MB (aim 64)")
        finally:
            os.kill(browsers, 9)
            os.waitpid(browsers, 0)
    return taken


def _tell(what: str, taken: list[float]) -> None:
    ordered = sorted(taken)
    p50, p99 = ordered[len(ordered) // 2], ordered[int(0.99 * len(ordered))]
    print(f"{what}: p50 {1e3 * p50:.2f} ms, p99 {1e3 * p99:.2f} ms, longest {1e3 * ordered[-1]:.1f} ms")


if __name__ == "__main__":
    main()
