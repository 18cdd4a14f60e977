"""The table of wiring faults for FIGURES.md, counted: `.venv/bin/python tests/faults/table.py --times 5`.

Each fault is played on a sound pot and mended, on one whose leak of 3 psi/h begins five minutes into it, and
on one whose leak begins 20 minutes after it was mended. `--pairs` plays every pair of faults at once instead.
Minutes to an hour, by --times; never part of the tests. Sample periods of 2, 5 and 10 s take turns.
"""

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import combinations, product
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults.catalogue import BY_NAME, CATALOGUE, Trouble
from faults.trial import AT_S, LEAK_ALARMS, TEN_MINUTES_S, Outcome, run

PERIODS_S = (2.0, 5.0, 10.0)
LEAK_INTO_S, LEAK_AFTER_S, FOUND_S = 300.0, 1200.0, 1800.0
PAIR_S = 1200.0


@dataclass(frozen=True)
class Played:
    name: str
    kind: str
    outcome: Outcome | None  # None: it ended with an error
    said: str = ""


def play(job: tuple[str, str, int]) -> Played:
    """Play one trial. kind: sound, during, after; or the name of a second fault."""
    name, kind, seed = job
    trouble = BY_NAME[name]
    mended_s = AT_S + trouble.lasts_s
    period_s = PERIODS_S[seed % len(PERIODS_S)]
    with tempfile.TemporaryDirectory() as folder:
        try:
            if kind in BY_NAME:
                until_s = AT_S + PAIR_S + 900.0
                pair = (trouble, BY_NAME[kind])
                outcome = run(
                    pair, Path(folder), lasts_s=PAIR_S, until_s=until_s, seed=seed, sample_period_s=10.0
                )
            else:
                leak_at_s = {"sound": None, "during": AT_S + LEAK_INTO_S, "after": mended_s + LEAK_AFTER_S}[
                    kind
                ]
                until_s = max(mended_s, leak_at_s or 0.0) + FOUND_S
                outcome = run(
                    [trouble],
                    Path(folder),
                    leak_at_s=leak_at_s,
                    until_s=until_s,
                    seed=seed,
                    sample_period_s=period_s,
                )
        except Exception as error:  # whatever it is, it is what the table is about
            return Played(name, kind, None, repr(error))
    return Played(name, kind, outcome)


def row(trouble: Trouble, played: Sequence[Played]) -> str:
    """Return one row: counted over all trials of a fault."""
    survived = sum(each.outcome is not None and each.outcome.one_batch for each in played)
    by_kind = {
        kind: [each.outcome for each in played if each.kind == kind and each.outcome is not None]
        for kind in ("sound", "during", "after")
    }
    sound = by_kind["sound"]
    lies = Counter(
        alarm.alarm for each in sound for alarm in each.raised if alarm.alarm not in _allowed(trouble)
    )
    twice = sum(len({alarm.alarm for alarm in each.raised}) < len(each.raised) for each in sound)
    silent = 0
    alarm = "none"
    if trouble.alarm is not None:
        times_s = [each.first_s(frozenset({trouble.alarm})) for each in sound]
        silent = times_s.count(None)
        alarm = f"`{trouble.alarm}` after {_minutes([t_s - AT_S for t_s in times_s if t_s is not None])}"
        alarm += ", once" if not twice else f", twice in {twice}"
    if lies:
        alarm += "; wrongly " + ", ".join(f"`{name}` in {n} of {len(sound)}" for name, n in lies.items())
    told_as_leak = [each.first_s(LEAK_ALARMS) for each in sound]
    if trouble.may & LEAK_ALARMS and any(told_as_leak):
        alarm += f"; called a leak in {sum(t_s is not None for t_s in told_as_leak)} of {len(sound)}"
    mended_s = AT_S + trouble.lasts_s
    during, lost_during = _found(by_kind["during"], AT_S + LEAK_INTO_S)
    after, lost_after = _found(by_kind["after"], mended_s + LEAK_AFTER_S)
    good = [each.good_again_s - mended_s for each in sound if each.good_again_s is not None]
    lost = silent + lost_during + lost_after + len(sound) - len(good)
    return (
        f"| {trouble.name} | {len(played)} | {survived} | {lost} | {alarm} | {trouble.remains} | {during} | "
        f"{after} | {max(good, default=float('nan')):.0f} s |"
    )


def _allowed(trouble: Trouble) -> frozenset[str]:
    return trouble.may | ({trouble.alarm} if trouble.alarm else set())


def _found(outcomes: Iterable[Outcome], leak_at_s: float) -> tuple[str, int]:
    times_s = [each.first_s(LEAK_ALARMS, leak_at_s) for each in outcomes]
    found_s = [t_s - leak_at_s for t_s in times_s if t_s is not None]
    lost = times_s.count(None)
    return _minutes(found_s) + (f", {lost} not" if lost else ""), lost


def _minutes(seconds: Sequence[float]) -> str:
    if not seconds:
        return "-"
    return f"{median(seconds) / 60.0:.1f} ({max(seconds) / 60.0:.1f}) min"


def pair_faults(each: Played) -> list[str]:
    """Return the faults of a pair; nothing for one handled as required."""
    if each.outcome is None:
        return [each.said]
    pair = (BY_NAME[each.name], BY_NAME[each.kind])
    came = {alarm.alarm for alarm in each.outcome.raised}
    must = {one.alarm for one in pair if one.alarm is not None and one.within_s < PAIR_S}
    wrong = [f"wrongly {alarm}" for alarm in came - _allowed(pair[0]) - _allowed(pair[1])]
    wrong += [f"no {alarm}" for alarm in must - came]
    if each.outcome.closest_s() < TEN_MINUTES_S:
        wrong.append("twice in ten minutes")
    if not each.outcome.one_batch:
        wrong.append("not one batch")
    return wrong


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=3, help="seeds a fault and kind, or a pair")
    parser.add_argument("--only", default="", help="faults whose name has this in it")
    parser.add_argument("--pairs", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    troubles = [each for each in CATALOGUE if asked.only in each.name]
    seeds = range(asked.times)
    with ProcessPoolExecutor(asked.workers) as pool:
        if asked.pairs:
            names = combinations([each.name for each in troubles], 2)
            jobs = [(first, second, seed) for (first, second), seed in product(names, seeds)]
            bad = 0
            for each in pool.map(play, jobs, chunksize=4):
                wrong = pair_faults(each)
                bad += bool(wrong)
                if wrong:
                    print(f"- {each.name} and {each.kind}: {'; '.join(wrong)}", flush=True)
            print(f"{len(jobs)} pairs at once, {bad} not as they must be")
            return
        print(
            "| fault | injected | survived | lost | alarm: median (latest) | what the watch can still do | "
            "leak begun 5 min into it: found after | leak begun 20 min after it was mended: found after | "
            "good again, at most |\n|---|---|---|---|---|---|---|---|---|"
        )
        for trouble in troubles:
            jobs = [(trouble.name, kind, seed) for kind, seed in product(("sound", "during", "after"), seeds)]
            print(row(trouble, list(pool.map(play, jobs))), flush=True)


if __name__ == "__main__":
    main()
