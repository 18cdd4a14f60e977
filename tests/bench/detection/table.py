"""The tables: figures of the watch beside the goals, the peers and the limits, in markdown, by simulator."""

from collections.abc import Callable, Sequence
from itertools import chain
from math import inf

import cells
import numpy as np
import peers
from campaign import NightResult
from draw import END_RATE, FLOOR, FROM_START, KINDS, MID_HOLD, QUICK, SIMULATORS, SOUND
from said import COMBINATIONS, name_of
from watched import AHEAD, CURE_DONE_S, Outcome, Raised

Alarms = tuple[Raised, ...]

GAS, WALL, ROOM, BOTH, NONE = USUAL = tuple(map(name_of, COMBINATIONS))
# "What must be shown" of issue 14, and of the design where that is silent; minutes
GOALS: dict[str, dict[str, str]] = {
    SOUND: dict.fromkeys(USUAL, "0 of 350") | {NONE: "0 of 100"},
    MID_HOLD: {GAS: "4 (7)", WALL: "5 (20)", ROOM: "15 (45)", BOTH: "4 (15)", NONE: "90"},
    FROM_START: {GAS: "80", WALL: "100", ROOM: "130", BOTH: "70"},
    "learnt": {GAS: "45", WALL: "55", ROOM: "90", BOTH: "45"},
    QUICK: {GAS: "15", WALL: "30", ROOM: "40", BOTH: "25"},
    "in time": dict.fromkeys(USUAL, "all"),
    "rate": {GAS: "3 %", WALL: "10 %", ROOM: "15 %", NONE: "honest"},
    "cover": dict.fromkeys(USUAL, "93-99 %") | {NONE: "93-100 %"},
    "forecast": {GAS: "10 %", WALL: "20 %", ROOM: "25 %"},
    "": {},
}
OWN_BOUND = "- the bound of the watch's own model, median"


def print_tables(results: Sequence[NightResult]) -> None:
    """Print all that is known of each simulator."""
    for simulator in SIMULATORS:
        own = [each for each in results if each.simulator == simulator]
        if own:
            print(f"\n## {simulator}")
            SimulatorTables(own).print_all()


class SimulatorTables:
    """The tables of one simulator."""

    def __init__(self, results: Sequence[NightResult]) -> None:
        self._alone = [each for each in results if not each.batches]
        self._series = [each for each in results if each.batches]
        self._outcomes = [each for result in self._alone for each in result.outcomes]
        self._in_series = [each for result in self._series for each in result.outcomes]
        found = {each.combination for each in chain(self._outcomes, self._in_series)}
        self.columns = [each for each in USUAL if each in found] + sorted(found - set(USUAL))

    def print_all(self) -> None:
        nights = {kind: sum(each.kind == kind for each in self._alone) for kind in KINDS}
        told = [f"{count} {kind}" for kind, count in nights.items() if count]
        if self._series:
            told.append(f"{len(self._series)} {FROM_START} after {self._series[0].batches} batches")
        print(f"\nNights: {', '.join(told)}. In brackets: the goal.\n")
        self._head("")
        self._print_alarms()
        self._print_delays()
        self._print_estimates()
        self._print_by_resin()
        self._print_lost()
        self._print_peers()

    def _head(self, title: str) -> None:
        print(f"| {title} | {' | '.join(self.columns)} |\n|{'---|' * (1 + len(self.columns))}")

    def _of(self, column: str, *kinds: str) -> list[Outcome]:
        return [each for each in self._outcomes if each.combination == column and each.kind in kinds]

    def _of_series(self, column: str, kind: str) -> list[Outcome]:
        return [each for each in self._in_series if each.combination == column and each.kind == kind]

    def _row(self, name: str, goal: str, tell: Callable[[str], str]) -> None:
        told = []
        for column in self.columns:
            cell, wanted = tell(column), GOALS[goal].get(column)
            told.append(cell if wanted is None or cell == "-" else f"{cell} [{wanted}]")
        if any(cell != "-" for cell in told):
            print(f"| {name} | {' | '.join(told)} |")

    # -- the rows ------------------------------------------------------------------------------------------

    def _print_alarms(self) -> None:
        leaky = [kind for kind in KINDS if kind != SOUND]

        def false(column: str) -> list[Alarms]:
            return [each.false_alarms for each in self._of(column, SOUND)]

        def early(column: str) -> list[Alarms]:
            return [each.early_alarms for each in self._of(column, MID_HOLD)]

        def other(column: str) -> list[Alarms]:
            # no warning of a loss, whenever it came: those too early are in the row above
            found = [each.false_alarms for each in self._of(column, *leaky)]
            return [tuple(raised for raised in each if raised.alarm not in AHEAD) for each in found]

        def false_before(column: str) -> list[Alarms]:
            return [each.false_alarms for each in self._of_series(column, SOUND)]

        self._row("any alarm on sound nights", SOUND, lambda c: cells.false_nights(self._of(c, SOUND)))
        self._print_which(false)
        self._row(
            "any alarm on the sound batches before a leak",
            SOUND,
            lambda c: cells.false_nights(self._of_series(c, SOUND)),
        )
        self._print_which(false_before)
        self._row(
            "any alarm before the onset, mid-hold", SOUND, lambda c: cells.early_nights(self._of(c, MID_HOLD))
        )
        self._print_which(early)
        self._row(
            "alarms of another kind on leaking nights", "", lambda c: cells.told_by_alarm(other(c)) or "-"
        )

    def _print_which(self, alarms: Callable[[str], list[Alarms]]) -> None:
        counts = {column: cells.by_alarm(alarms(column)) for column in self.columns}
        for alarm in sorted(set().union(*counts.values())):
            self._row(f"- of these `{alarm}`", "", lambda column, alarm=alarm: str(counts[column][alarm]))

    def _print_delays(self) -> None:
        self._row(
            "1.5 psi/h in mid-hold: median delay (95 %), min",
            MID_HOLD,
            lambda column: cells.delay(self._of(column, MID_HOLD)),
        )
        self._print_bound(OWN_BOUND, self._alone_of(MID_HOLD), own=True)
        self._row(
            "0.3 psi/h from the start: the same",
            FROM_START,
            lambda column: cells.delay(self._of(column, FROM_START)),
        )
        alone = self._alone_of(FROM_START)
        self._print_bound("- the bound that knows the pot (limit.py), median", alone)
        self._print_bound(OWN_BOUND, alone, own=True)
        if self._series:
            self._row(
                f"the same after {self._series[0].batches} sound batches of that pot",
                "learnt",
                lambda column: cells.delay(self._of_series(column, FROM_START)),
            )
            self._print_bound("- the bound that knows the pot, median", self._series)
            self._print_bound(OWN_BOUND, self._series, own=True)
        self._row(
            "quick resin, 3 psi/h from the start: the same",
            QUICK,
            lambda column: cells.delay(self._of(column, QUICK)),
        )
        self._print_bound(OWN_BOUND, self._alone_of(QUICK), own=True)
        self._row(
            "floors passed before the cure is done: told in time",
            "in time",
            lambda column: cells.floors(self._of(column, *KINDS)),
        )

    def _alone_of(self, kind: str) -> list[NightResult]:
        return [each for each in self._alone if each.kind == kind]

    def _print_bound(self, name: str, results: Sequence[NightResult], *, own: bool = False) -> None:
        def bounds_min(column: str) -> str:
            bounds = [each.own_bounds_min if own else each.bounds_min for each in results]
            return cells.median_min(each[column] for each in bounds if column in each)

        self._row(name, "", bounds_min)

    def _print_estimates(self) -> None:
        self._row(
            "0.5 psi/h: error of the rate at the end, median (95 %)",
            "rate",
            lambda column: cells.rate_error(self._of(column, END_RATE)),
        )
        for kind in KINDS:
            self._row(
                f"95 % interval of the rate holds the truth: {kind}",
                "cover",
                lambda column, kind=kind: cells.rate_cover(self._of(column, kind)),
            )
        for kind in (MID_HOLD, FROM_START):
            self._row(
                f"95 % interval of the onset holds it: {kind}",
                "cover",
                lambda column, kind=kind: cells.onset_cover(self._of(column, kind)),
            )
        self._row(
            "forecast of the floor, an hour after the onset, mid-hold: error, median (95 %)",
            "forecast",
            lambda column: cells.forecast_error(self._of(column, MID_HOLD)),
        )
        self._row(
            "its 95 % interval holds the truth",
            "cover",
            lambda column: cells.forecast_cover(self._of(column, MID_HOLD)),
        )
        self._row(
            "CPU a watched night, median, s",
            "",
            lambda column: (
                f"{np.median([each.cpu_s for each in self._of(column, *KINDS)]):.1f}"
                if self._of(column, *KINDS)
                else "-"
            ),
        )

    def _print_by_resin(self) -> None:
        resins = sorted({each.resin for each in self._outcomes if each.kind == SOUND})
        if not resins:
            return
        print(
            "\nSound nights with any alarm, by resin; told: opened by hand with resin, mass, time of mixing\n"
        )
        self._head("resin")
        groups: list[tuple[str, Callable[[Outcome], bool]]] = [
            (resin, lambda each, resin=resin: each.resin == resin) for resin in resins
        ]
        groups += [("told", lambda each: each.told), ("not told", lambda each: not each.told)]
        groups += [
            (f"{step_s:g} s a sample", lambda each, step_s=step_s: each.step_s == step_s)
            for step_s in (1.0, 5.0, 10.0)
        ]
        for name, belongs in groups:
            self._row(name, "", lambda column, belongs=belongs: self._false_of(column, belongs))

    def _false_of(self, column: str, belongs: Callable[[Outcome], bool]) -> str:
        nights = [each for each in self._of(column, SOUND) if belongs(each)]
        if not nights:
            return "-"
        alarms = [each.false_alarms for each in nights]
        which = cells.told_by_alarm(alarms)
        return f"{sum(map(bool, alarms))} of {len(nights)}" + (f": {which}" if which else "")

    def _print_lost(self) -> None:
        if not self._outcomes:
            return
        print("\nAir lost, told by the decomposition: median error (95 %), psi\n")
        self._head("")
        for kind in KINDS:
            self._row(kind, "", lambda column, kind=kind: cells.lost_error(self._of(column, kind)))

    # -- the peers -----------------------------------------------------------------------------------------

    def _print_peers(self) -> None:
        sound = [each for each in self._alone if each.kind == SOUND]
        if not sound:
            return
        cried = [sum(each.alarm_s is not None for each in self._of(column, SOUND)) for column in self.columns]
        allowed = min(max(cried), len(sound) - 1)
        print(f"\nPeers, each at the threshold that gives {allowed} false alarms on these sound nights:\n")
        print(
            f"| rule | at | {MID_HOLD}: median (95 %), min | before onset | {FROM_START} | {FLOOR}: in time |"
        )
        print("|---|---|---|---|---|---|")
        for peer in peers.PEERS:
            threshold = peers.tune([each.scores[peer.name] for each in sound], allowed)
            mid_hold, too_early = self._peer_delays(peer, MID_HOLD, threshold)
            from_start, _ = self._peer_delays(peer, FROM_START, threshold)
            told = (mid_hold, str(too_early), from_start, self._peer_floors(peer, threshold))
            print(f"| {peer.name} | {threshold:.2f} {peer.unit} | {' | '.join(told)} |")
        for kind in (MID_HOLD, FROM_START):
            limits = [each.limit_min for each in self._alone_of(kind) if each.limit_min is not None]
            if limits:
                middle = np.median(limits)
                print(f"\nLimit of a test that knows all but the leak, {kind}: median {middle:.1f} min")

    def _peer_delays(self, peer: peers.Peer, kind: str, threshold: float) -> tuple[str, int]:
        """Return the delays, and how many nights were accused before the onset."""
        nights = self._alone_of(kind)
        scores = [each.scores[peer.name] for each in nights]
        delays = peers.delays(scores, [each.onset_s or 0.0 for each in nights], threshold)
        seen = [inf if each is None else each for each in delays if each is None or each >= 0.0]
        return cells.spread(seen), len(delays) - len(seen)

    def _peer_floors(self, peer: peers.Peer, threshold: float) -> str:
        due = []
        for night in self._alone:
            crossing_s = night.outcomes[0].crossing_s if night.kind == FLOOR else None
            if crossing_s is not None and crossing_s < CURE_DONE_S:
                alarm_s = night.scores[peer.name].alarm_s(threshold)
                due.append(alarm_s is not None and alarm_s < crossing_s)
        return cells.share(sum(due), len(due))
