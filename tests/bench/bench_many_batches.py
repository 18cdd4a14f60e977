"""What a record with many batches costs: seconds to list them, to report the newest, to judge the pot.

    .venv/bin/python tests/bench/bench_many_batches.py                  # 10,000 batches
    .venv/bin/python tests/bench/bench_many_batches.py --keep many.db   # and keep the record

One rehearsed night at 1 Hz is copied under new numbers and times, a night each day, with a leak of its own
that grows until the seal is changed every forty batches. Samples and traces are kept of the newest only, as
in a record that was thinned; events, edits, commands, runs and summaries of all. Each command runs five times
as a process of its own; the store's calls run within this one.
"""

import argparse
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from statistics import median
from typing import Any

from potvigil.model.events import AlarmId, Verdict
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.store import Store

POTVIGIL = (sys.executable, "-m", "potvigil")
RUNS = 5
LIST_AIM_S, REPORT_AIM_S = 0.3, 3.0
WITH_SAMPLES = 3  # of the newest
SEAL_LASTS, NEW_SEAL, WORN_SEAL = 40, 0.03, 0.6  # batches; psi/h
LEAKED_PSI_PER_H = 0.1  # as the night copied from: above it a leak is told
SECOND_POT = 5  # every so many batches one is of another pot
DAY_S = 86_400.0

_TIMES = ("t_s", "utc_s", "start_t_s", "start_utc_s", "end_t_s", "end_utc_s", "written_utc_s")
_Row = dict[str, Any]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--batches", type=int, default=10_000)
    parser.add_argument("--keep", type=Path, help="make the record here, or use the one that is there")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="potvigil-many-") as folder:
        record = args.keep or Path(folder) / "many.db"
        if not record.exists():
            build(record, args.batches)
        measure(record, Path(folder))


# --- the record ------------------------------------------------------------------------------------------


def build(record: Path, batches: int) -> None:
    """Rehearse one night into a new record and copy it."""
    start_s = time.perf_counter()
    potvigil = [*POTVIGIL, "rehearse", "small-leak", "--record", str(record)]
    subprocess.run(potvigil, check=True, stdout=subprocess.DEVNULL)
    said = ["--resin", "clear, slow", "--mould", "lantern lens no. 3", "--colour", "clear", "--mass", "250 g"]
    told = ["--label", "lens 00001", "--note", "two bubbles at the rim"]
    edit = [*POTVIGIL, "batch", "edit", "1", *said, *told, "--record", str(record)]
    subprocess.run(edit, check=True, stdout=subprocess.DEVNULL)
    rehearsed_s = time.perf_counter() - start_s
    db = sqlite3.connect(record)
    with db:
        _copy(db, batches)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    made_s = time.perf_counter() - start_s
    print(f"record of {batches} batches: {record.stat().st_size / 1e6:.0f} MB, made in {made_s:.0f} s")
    print(f"  (a night to copy: {rehearsed_s:.0f} s)")


def _copy(db: sqlite3.Connection, batches: int) -> None:
    random = Random(1)
    night = {table: _rows(db, table) for table in ("run", "batch", "event", "edit", "sample", "trace")}
    db.execute("INSERT INTO pot (id, name) VALUES (2, 'beacon')")
    for number in range(2, batches + 1):
        by_s = (number - 1) * DAY_S
        pot = 2 if number % SECOND_POT == 0 and number < batches else 1
        psi_per_h = NEW_SEAL * (WORN_SEAL / NEW_SEAL) ** (number % SEAL_LASTS / SEAL_LASTS)
        psi_per_h *= random.uniform(0.85, 1.15)
        leaked = psi_per_h > LEAKED_PSI_PER_H
        place = {"pot": pot, "batch": number, "run": number}
        _insert(db, "run", ({**row, "id": number, "boot_id": f"boot-{number}"} for row in night["run"]), by_s)
        _insert(
            db, "batch", (_batch(row, number, psi_per_h, leaked, by_s) for row in night["batch"]), by_s, place
        )
        events = (row for row in night["event"] if leaked or row["alarm"] is None)
        _insert(
            db,
            "event",
            ({**row, "id": None, "line": _later(row["line"], by_s)} for row in events),
            by_s,
            place,
        )
        _insert(db, "edit", (_edit(row, number) for row in night["edit"]), by_s, place)
        _insert(db, "command", _commands(night["batch"][0], leaked), by_s, place)
        if number > batches - WITH_SAMPLES:
            for table in ("sample", "trace"):
                _insert(db, table, night[table], by_s, place)
        if number % SEAL_LASTS == 0:
            _insert(db, "care", [_care(night["batch"][0])], by_s, {"pot": 1})


def _rows(db: sqlite3.Connection, table: str) -> list[_Row]:
    # generated columns are none of table_info's
    columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
    found = db.execute(f"SELECT {', '.join(columns)} FROM {table}")
    return [dict(zip(columns, row, strict=True)) for row in found]


def _insert(
    db: sqlite3.Connection,
    table: str,
    rows: Iterator[_Row] | Sequence[_Row],
    by_s: float,
    place: _Row | None = None,
) -> None:
    """Write rows, their times moved by by_s; place: pot, batch and run, where a row has them."""
    for row in rows:
        moved = {
            column: value + by_s if column in _TIMES and value is not None else value
            for column, value in row.items()
        } | {column: value for column, value in (place or {}).items() if column in row}
        db.execute(
            f"INSERT INTO {table} ({', '.join(moved)}) VALUES ({', '.join('?' * len(moved))})",
            tuple(moved.values()),
        )


def _batch(row: _Row, number: int, psi_per_h: float, leaked: bool, by_s: float) -> _Row:
    summary = _moved(json.loads(row["summary"]), by_s)
    rate = summary["leak"]["rate_pa_per_s"]
    share = psi_per_h * 6894.757 / 3600.0 / rate["value"]
    summary["leak"]["rate_pa_per_s"] = {key: share * value for key, value in rate.items()}
    summary["leak"]["established"] = leaked
    summary["alarms"] = summary["alarms"] if leaked else []
    verdict = Verdict.LEAKED if leaked else Verdict.HELD
    for every, other in (
        (97, Verdict.FELL_BELOW_FLOOR),
        (211, Verdict.VENTED_EARLY),
        (307, Verdict.INCOMPLETE),
    ):
        verdict = other if number % every == 0 else verdict
    summary["verdict"] = verdict
    rate = summary["leak"]["rate_pa_per_s"]
    return {
        **row,
        "id": number,
        "verdict": verdict,
        "summary": json.dumps(summary, separators=(",", ":")),
        "leak_t_s": summary["leak"]["t_s"],
        "leak_pa_per_s": rate["value"],
        "leak_low_pa_per_s": rate["low"],
        "leak_high_pa_per_s": rate["high"],
        "leak_established": summary["leak"]["established"],
        "alarms": len(summary["alarms"]),
    }


def _edit(row: _Row, number: int) -> _Row:
    new = f"lens {number:05d}" if row["field"] == "label" else row["new"]
    return {**row, "id": None, "new": new}


def _commands(batch: _Row, leaked: bool) -> list[_Row]:
    asked = {"pot": 1, "text": "", "by": "mara", "written_utc_s": batch["end_utc_s"], "t_s": batch["end_t_s"]}
    note = {**asked, "action": "edit", "field": "note", "text": "clear as water"}
    return [note, {**asked, "action": "acknowledge"}] if leaked else [note]


def _care(batch: _Row) -> _Row:
    utc_s = batch["start_utc_s"] - 3600.0
    return {
        "pot": 1,
        "utc_s": utc_s,
        "part": "seal",
        "text": "new ring",
        "by": "mara",
        "written_utc_s": utc_s,
    }


def _later(line: str, by_s: float) -> str:
    return json.dumps(_moved(json.loads(line), by_s), ensure_ascii=False, separators=(",", ":"))


def _moved(value: Any, by_s: float, is_time: bool = False) -> Any:
    """Return what JSON holds with all its moments later; a moment's name ends in _s, a rate's in _per_s."""
    if isinstance(value, dict):
        return {
            key: _moved(each, by_s, is_time or key == "stages" or (key.endswith("_s") and "_per_" not in key))
            for key, each in value.items()
        }
    if isinstance(value, list):
        return [_moved(each, by_s, is_time) for each in value]
    return value + by_s if is_time and isinstance(value, float) else value


# --- what it costs ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cost:
    wall_s: float
    cpu_s: float


def measure(record: Path, folder: Path) -> None:
    with Store.open_read_only(record) as store:
        newest = store.listed(Wanted(limit=1))[0]
        calls: dict[str, Callable[[], object]] = {
            "Store.listed(), all": store.listed,
            "Store.listed(limit=20)": lambda: store.listed(Wanted(limit=20)),
            "Store.listed(pot)": lambda: store.listed(Wanted(pot_id="lantern")),
            "Store.listed(text)": lambda: store.listed(Wanted(text="lens 00042")),
            "Store.listed(alarm)": lambda: store.listed(Wanted(alarm=AlarmId.LEAK)),
            "Store.listed(verdict)": lambda: store.listed(Wanted(verdict=Verdict.VENTED_EARLY)),
            "Store.cares()": lambda: store.cares("lantern"),
            "Store.standing_alarms()": store.standing_alarms,
            "Store.latest_unseen_batch()": lambda: store.latest_unseen_batch("lantern"),
            "Store.batch(newest)": lambda: store.batch(newest.id),
        }
        print(f"{'within the process, s':40s} {'least':>7s} {'median':>7s} {'most':>7s}")
        for name, call in calls.items():
            _print(name, [_timed(call) for _ in range(RUNS)], None)
    assert newest.start_utc_s is not None
    since = datetime.fromtimestamp(newest.start_utc_s - 30 * DAY_S, UTC).date().isoformat()
    until = datetime.fromtimestamp(newest.start_utc_s - 9000 * DAY_S, UTC).date().isoformat()
    page = str(folder / "newest.html")
    # the pot's health may not be there yet
    commands: list[tuple[float | None, tuple[str, ...]]] = [
        (None, ("--version",)),
        (LIST_AIM_S, ("batch", "list")),
        (LIST_AIM_S, ("batch", "list", "--json")),
        (LIST_AIM_S, ("batch", "list", "--limit", "20")),
        (LIST_AIM_S, ("batch", "list", "--pot", "beacon")),
        (LIST_AIM_S, ("batch", "list", "--verdict", "vented-early")),
        (LIST_AIM_S, ("batch", "list", "--since", since)),
        (LIST_AIM_S, ("batch", "list", "--until", until)),
        (LIST_AIM_S, ("batch", "list", "--find", "lens 00042")),
        (LIST_AIM_S, ("batch", "list", "--alarm", "leak", "--limit", "20")),
        (LIST_AIM_S, ("alarm", "list")),
        (LIST_AIM_S, ("pot", "health", "lantern")),
        (REPORT_AIM_S, ("batch", "report", str(newest.id), "--out", page)),
        (None, ("batch", "report", str(newest.id), "--out", page, "--pdf")),
    ]
    print(f"\n{'as a process, s':40s} {'least':>7s} {'median':>7s} {'most':>7s} {'CPU':>7s}   aim")
    for aim_s, command in commands:
        if not _is_known(command):
            print(f"{' '.join(command):40s} not built yet")
            continue
        costs = [_run(command, record) for _ in range(RUNS)]
        shown = " ".join(command).replace(page, "FILE")
        _print(shown, [cost.wall_s for cost in costs], median(cost.cpu_s for cost in costs), aim_s)


def _is_known(command: tuple[str, ...]) -> bool:
    words = [word for word in command[:2] if not word.startswith("-")]
    asked = subprocess.run([*POTVIGIL, *words, "--help"], capture_output=True, check=False)
    return asked.returncode == 0


def _run(command: tuple[str, ...], record: Path) -> Cost:
    where = () if command[0].startswith("-") else ("--record", str(record))
    start_s = time.perf_counter()
    process = subprocess.Popen([*POTVIGIL, *command, *where], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    wall_s = time.perf_counter() - start_s
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1):  # 1: an alarm stands, the pot is not well
        sys.exit(f"potvigil {' '.join(command)} ended with {process.returncode}")
    return Cost(wall_s, used.ru_utime + used.ru_stime)


def _timed(call: Callable[[], object]) -> float:
    start_s = time.perf_counter()
    call()
    return time.perf_counter() - start_s


def _print(name: str, walls_s: list[float], cpu_s: float | None, aim_s: float | None = None) -> None:
    line = f"{name:40s} {min(walls_s):7.3f} {median(walls_s):7.3f} {max(walls_s):7.3f}"
    if cpu_s is not None:
        line += f" {cpu_s:7.3f}"
    if aim_s is not None:
        line += f"   {aim_s:g}{'' if median(walls_s) <= aim_s else ' missed'}"
    print(line, flush=True)


if __name__ == "__main__":
    main()
