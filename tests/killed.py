"""Watches that are killed, and checks of what they leave behind."""

import random
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS

NIGHT = NIGHTS["lost-before-gel"]
PROGRAM = Path(__file__).with_name("night_process.py")
POT = "lantern"
ALLOWED_LOSS_S = 15.0


@dataclass
class Life:
    """What one process announced until its end. events: of finished ticks; standing: after the first tick."""

    ticks: list[tuple[float, float]] = field(default_factory=list)  # boot_s, t_s
    events: list[str] = field(default_factory=list)
    standing_first: set[str] = field(default_factory=set)
    standing_last: set[str] = field(default_factory=set)
    start_s: float = 0.0  # real seconds from opening the record to the first finished tick


# Seconds of the night before a fill, a leak, the floor and a vent.
PHASES_S = {"fill": 100.0, "leak": 2300.0, "floor": 4700.0, "vent": 10_740.0}


def live_and_die(
    folder: Path, rng: random.Random, from_s: float, kill_at_s: float | None, *options: str
) -> Life:
    """Watch from a second of the night until killed about `kill_at_s`, in the midst of whatever it does then.

    None: until the options end it. Raises AssertionError if it ends otherwise.
    """
    command = [sys.executable, str(PROGRAM), str(folder), "--night", NIGHT.name]
    command += ["--from-s", repr(from_s), *options]
    begun_s = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None and process.stderr is not None
    life, pending, is_killed = Life(), [], False
    for line in process.stdout:
        if not line.endswith(b"\n"):
            break
        word, _, rest = line.decode().strip().partition(" ")
        if word == "ready":
            begun_s = time.monotonic()
        elif word == "event":
            pending.append(rest)
        elif word == "tick":
            _keep_tick(life, rest)
            life.events += pending
            pending.clear()
            if len(life.ticks) == 1:
                life.start_s = time.monotonic() - begun_s
            if kill_at_s is not None and not is_killed and life.ticks[-1][0] >= kill_at_s:
                time.sleep(rng.uniform(0.0, 0.004))  # a tick lasts less
                process.kill()
                is_killed = True
    process.wait()
    said = process.stderr.read().decode()
    process.stdout.close()
    process.stderr.close()
    assert is_killed or (kill_at_s is None and process.returncode == 0), said
    return life


def _keep_tick(life: Life, rest: str) -> None:
    boot, t, *standing = rest.split(" ")
    life.ticks.append((float(boot), float(t)))
    life.standing_last = set(standing[0].split(",")) if standing else set()
    if len(life.ticks) == 1:
        life.standing_first = life.standing_last


@dataclass(frozen=True)
class Loss:
    """What killed watches lost. curve_s: the longest stretch before a kill that was lost."""

    kills: int
    events: int
    curve_s: float
    alarms_not_again: int
    batches: int
    runs: int
    slowest_start_s: float


def before(folder: Path, phase: str) -> Path:
    """Watch the night until shortly before a phase, then kill; return the folder with what is left."""
    folder.mkdir(parents=True)
    live_and_die(folder, random.Random(0), 0.0, PHASES_S[phase], "--period-s", "5")
    return folder


def killed_in(folder: Path, prepared: Path, phase: str, seed: int, kills: int = 2) -> Loss:
    """Kill the watch repeatedly in a phase of the night, and compare announced with recorded events."""
    shutil.copytree(prepared, folder)
    rng = random.Random(seed)
    lives: list[Life] = []
    at_s, not_again = PHASES_S[phase] + 10.0, 0
    for left in range(kills, 0, -1):
        longest_s = min(150.0, (NIGHT.duration_s - at_s) / left - 30.0)  # none may reach the night's end
        lives.append(live_and_die(folder, rng, at_s, at_s + rng.uniform(5.0, longest_s)))
        check_integrity(folder / "record.db")
        at_s = lives[-1].ticks[-1][0] + rng.uniform(2.0, 20.0)
    lives.append(live_and_die(folder, rng, at_s, None, "--until-s", repr(at_s + 20.0)))
    for earlier, later in pairwise(lives):
        not_again += len(_unseen(earlier.standing_last) - _unseen(later.standing_first))
    with Store.open_read_only(folder / "record.db") as store:
        kept_t_s = {sample.t_s for sample in store.samples(POT, float("-inf"))}
        kept = {(kind, t_s) for kind, t_s in store._db.rows("SELECT kind, t_s FROM event")}
        batches, runs = len(store.batches()), len(store.runs())
    words = [event.split(" ") for life in lives for event in life.events]
    told = {(kind, float(t)) for kind, t, *_ in words if kind != "edit"}
    curve_s = max(life.ticks[-1][1] - max(t for _, t in life.ticks if t in kept_t_s) for life in lives)
    assert all(t in kept_t_s for life in lives for _, t in life.ticks) or curve_s > 0.0, "a hole in the curve"
    slowest_s = max(life.start_s for life in lives)
    return Loss(kills, len(told - kept), curve_s, not_again, batches, runs, slowest_s)


def _unseen(standing: set[str]) -> set[str]:
    return {one.split(":")[0] for one in standing if one.endswith(":unacknowledged")}


def check_integrity(path: Path) -> None:
    """Ask SQLite itself; raises AssertionError."""
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


_MIGRATION = """
import sys
from pathlib import Path
from potvigil.record.store import Store
print("ready", flush=True)
Store.open(Path(sys.argv[1])).close()
print("done", flush=True)
"""


def killed_while_migrating(path: Path, older: Path, seed: int) -> bool:
    """Kill a process while it brings an older record up to date; return whether it was killed in time.

    Raises AssertionError where the record is then neither the complete old one nor the complete new one.
    """
    shutil.copyfile(older, path)
    with closing(sqlite3.connect(path)) as db:
        count = db.execute("SELECT count(*) FROM sample").fetchone()
    process = subprocess.Popen(
        [sys.executable, "-c", _MIGRATION, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(random.Random(seed).uniform(0.0, 0.08))
    process.kill()
    in_time = "done" not in process.stdout.read()
    process.wait()
    process.stdout.close()
    check_integrity(path)
    with Store.open(path) as store:
        assert store._db.rows("SELECT count(*) FROM sample")[0] == count
    check_integrity(path)
    return in_time
