"""Break everything that can be broken here, again and again, and print what came of it: two tables.

    .venv/bin/python tests/bench/campaign_faults.py --seeds 30    # an hour on two cores
    .venv/bin/python tests/bench/campaign_faults.py --seeds 2 --wires 1

The first rows of the first table are counted here: watches killed in a fill, at a leak, at the floor and at
a vent, and processes killed while they bring an old record up to date. Its others are tests of tests/faults,
each a fault injected; the row says what they hold to. The second, of the wires, is tests/faults/table.py's.
"""

import argparse
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(TESTS))

from killed import (  # noqa: E402
    ALLOWED_LOSS_S,
    PHASES_S,
    Loss,
    before,
    killed_in,
    killed_while_migrating,
)
from potvigil.record.database import Database  # noqa: E402

KILLS = 3


@dataclass(frozen=True)
class Row:
    """Tests of one fault. select: file and -k expression; the rest is what the tests hold to."""

    fault: str
    file: str
    select: str
    lost: str
    alarm: str
    recovers: str


ROWS = (
    Row(
        "power cut, log torn anywhere",
        "power",
        "torn or missing",
        "what lay behind the tear",
        "-",
        "next start",
    ),
    Row("power cut in an alarm", "power", "told_again", "none of the alarm", "stands again", "first tick"),
    Row(
        "damaged record at the start",
        "power",
        "moved_aside or never_replace",
        "nothing; kept beside, batch begun anew",
        "record-failing",
        "same start",
    ),
    Row(
        "no clock, weeks behind, ahead, an hour",
        "clock",
        "rate or true_one or unset",
        "0",
        "clock-unset",
        "ten min of curve a tick",
    ),
    Row("killed while times are mended", "clock", "killed_while", "0", "-", "next start"),
    Row("summer time begins, ends", "clock", "summer", "0", "-", "-"),
    Row(
        "disk full at the start",
        "disk",
        "full_disk or cannot_be_written",
        "0",
        "record-failing",
        "10 s after there is room",
    ),
    Row("card that answers with errors only", "disk", "nothing_but_errors", "0", "record-failing", "10 s"),
    Row("disk read-only at the start", "disk", "read_only", "what comes after", "record-failing", "restart"),
    Row(
        "record's medium missing, no record",
        "disk",
        "stick or turns_up or no_record",
        "0",
        "record-failing",
        "10 s after it is there",
    ),
    Row(
        "slow card; record held by another",
        "disk",
        "slow or held",
        "0",
        "record-failing if over 30 s",
        "10 s",
    ),
    Row(
        "no broker, silent, hanging up, nonsense",
        "broker",
        "none or hours",
        "0",
        "-",
        "next connect, 60 s at most",
    ),
    Row("broker flaps, forgets all", "broker", "flaps", "0", "told again", "next connect"),
    Row("wrong password, expired certificate", "broker", "password or expired", "0", "-", "when mended"),
    Row(
        "mess retained, 10,000 commands, 100 kB",
        "broker",
        "mess or ten_thousand",
        "commands beyond 100 a tick",
        "-",
        "same tick",
    ),
    Row(
        "hung loop",
        "watchdog",
        "a_hung_loop_is_ended_and or of_a_hung_watch",
        "0",
        "-",
        "30 s of the unit, and a start",
    ),
    Row("not hung: killed, no broker, no record", "watchdog", "nothing_but or manager", "0", "-", "-"),
    Row("dead watch", "watchdog", "dead_watch", "-", "last will, page, lamp", "told in 5 s, 8 s, 4 s"),
    Row("sixteen pots at 4 Hz; a long hold", "load", "pots or grow", "0", "-", "-"),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, default=30, help="of each phase")
    parser.add_argument("--wires", type=int, default=5, help="times each fault of a wire is played, by three")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    print("| fault | times injected | survived | lost | alarm raised | time to recover |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for phase in PHASES_S:
            print(_killed(Path(folder), phase, args.seeds, args.jobs), flush=True)
        print(_migrations(Path(folder), args.seeds), flush=True)
        for row in ROWS:
            print(_tested(Path(folder), row), flush=True)
    if args.wires:
        print(flush=True)
        table = TESTS / "faults" / "table.py"
        command = [sys.executable, str(table), "--times", str(args.wires), "--workers", str(args.jobs)]
        subprocess.run(command, check=True)


def _killed(folder: Path, phase: str, seeds: int, jobs: int) -> str:
    prepared = before(folder / phase, phase)
    with ThreadPoolExecutor(jobs) as pool:
        losses = list(
            pool.map(
                lambda seed: killed_in(folder / f"{phase}-{seed}", prepared, phase, seed, KILLS), range(seeds)
            )
        )
    kills = sum(loss.kills for loss in losses)
    survived = sum(loss.kills for loss in losses if _is_whole(loss))
    events, curve_s = sum(loss.events for loss in losses), max(loss.curve_s for loss in losses)
    silent = sum(loss.alarms_not_again for loss in losses)
    again = "each stands again" if silent == 0 else f"{silent} did not stand again"
    slowest_s = max(loss.slowest_start_s for loss in losses)
    lost = f"{events} events, {curve_s:.0f} s of curve"
    return f"| SIGKILL: {phase} | {kills} | {survived} | {lost} | {again} | {slowest_s:.1f} s at most |"


def _is_whole(loss: Loss) -> bool:
    is_one_batch = loss.batches == 1 and loss.runs == loss.kills + 2
    return is_one_batch and loss.events == loss.alarms_not_again == 0 and loss.curve_s <= ALLOWED_LOSS_S


def _migrations(folder: Path, seeds: int) -> str:
    older = folder / "older.db"
    with closing(Database.new(older, 1)) as db, db.transaction(durable=True):
        db.execute("INSERT INTO pot (name) VALUES ('lantern')")
        db.execute("INSERT INTO run VALUES (1, 'b', 0, 0, NULL, 1, '{}', NULL, '0.1.0')")
        rows = [(i, float(i)) for i in range(1, 1201)]
        db.execute_many("INSERT INTO batch (id, pot, run, start_t_s, label) VALUES (?, 1, 1, ?, 'a')", rows)
        db.execute_many("INSERT INTO sample (pot, t_s) VALUES (1, ?)", [(t_s,) for _, t_s in rows])
    in_time = sum(killed_while_migrating(folder / f"old-{seed}.db", older, seed) for seed in range(seeds))
    return f"| SIGKILL: migration | {in_time} | {in_time} | 0 | - | next start |"


def _tested(folder: Path, row: Row) -> str:
    report = folder / "report.xml"
    command = [sys.executable, "-m", "pytest", "-q", f"--junitxml={report}", "-k", row.select]
    command.append(str(TESTS / "faults" / f"test_{row.file}.py"))
    subprocess.run(command, cwd=TESTS.parent, capture_output=True, check=False)
    suite = ElementTree.parse(report).getroot()[0]
    ran = int(suite.attrib["tests"])
    survived = ran - int(suite.attrib["failures"]) - int(suite.attrib["errors"])
    return f"| {row.fault} | {ran} | {survived} | {row.lost} | {row.alarm} | {row.recovers} |"


if __name__ == "__main__":
    main()
