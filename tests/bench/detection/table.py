"""The table: figures of the watch beside the goals, the peers and the limit, in markdown."""

from collections.abc import Callable, Iterable, Sequence
from math import inf
from typing import TYPE_CHECKING

import numpy as np
import peers
from draw import END_RATE, FILL_AT_S, FLOOR, FROM_START, HOLD_S, KINDS, MID_HOLD, SOUND
from scipy.stats import beta
from watched import Outcome

if TYPE_CHECKING:
    from __main__ import NightResult

PLACES = ("gas", "wall", "room", "none")
CURE_DONE_S = FILL_AT_S + HOLD_S
GOALS = {
    "false": ("0 in 1000", "0 in 1000", "0 in 1000", "0 in 300"),
    MID_HOLD: ("5 (7)", "12 (30)", "25 (60)", "120"),
    FROM_START: ("45", "150", "180", "-"),
    "in time": ("all, 1/2 left", "all, 1/3 left", "all", "all"),
    "rate": ("3 %", "10 %", "15 %", "honest"),
    "cover": ("93-99 %", "93-99 %", "93-99 %", "93-100 %"),
    "forecast": ("10 %", "20 %", "25 %", "-"),
}


def print_table(results: "Sequence[NightResult]") -> None:
    outcomes = [outcome for result in results for outcome in result.outcomes]

    def of(kind: str, place: str) -> list[Outcome]:
        return [each for each in outcomes if each.kind == kind and each.place == place]

    def row(name: str, goal: str, tell: Callable[[str], str]) -> None:
        told = [f"{tell(place)} [{wanted}]" for place, wanted in zip(PLACES, GOALS[goal], strict=True)]
        print(f"| {name} | {' | '.join(told)} |")

    nights = ", ".join(f"{sum(each.kind == kind for each in results)} {kind}" for kind in KINDS)
    print(f"\nNights: {nights}. In brackets: the goal.\n")
    print("| | gas | wall | room | none |\n|---|---|---|---|---|")
    row("false alarms on sound nights", "false", lambda place: _false(of(SOUND, place)))
    row("before the onset, mid-hold", "false", lambda place: _early(of(MID_HOLD, place)))
    row(
        "1.5 psi/h in mid-hold: median delay (95 %), min", MID_HOLD, lambda place: _delay(of(MID_HOLD, place))
    )
    row("0.3 psi/h from the start: the same", FROM_START, lambda place: _delay(of(FROM_START, place)))
    row(
        "passes the floor before the cure is done: alarmed in time",
        "in time",
        lambda place: _in_time(of(FLOOR, place)),
    )
    row(
        "0.5 psi/h: error of the rate at the end, median (95 %)",
        "rate",
        lambda place: _rate(of(END_RATE, place)),
    )
    for kind in KINDS:
        row(
            f"95 % interval of the rate holds the truth: {kind}",
            "cover",
            lambda place, kind=kind: _cover(of(kind, place)),
        )
    row(
        "95 % interval of the onset holds it: mid-hold",
        "cover",
        lambda place: _onset_cover(of(MID_HOLD, place)),
    )
    row(
        "forecast of the floor, an hour after onset: error, median (95 %)",
        "forecast",
        lambda place: _forecast(of(MID_HOLD, place)),
    )
    row("its interval holds the truth", "cover", lambda place: _forecast_cover(of(MID_HOLD, place)))
    print("\nAir lost, told by the decomposition: median error (95 %), psi\n")
    print("| | gas | wall | room | none |\n|---|---|---|---|---|")
    for kind in KINDS:
        print(f"| {kind} | {' | '.join(_lost(of(kind, place)) for place in PLACES)} |")
    _print_peers(results, outcomes)


def _print_peers(results: "Sequence[NightResult]", outcomes: list[Outcome]) -> None:
    sound = [each for each in results if each.kind == SOUND]
    allowed = max(
        sum(each.alarm_s is not None for each in outcomes if each.kind == SOUND and each.place == place)
        for place in PLACES
    )
    print(f"\nPeers, each at the threshold that gives {allowed} false alarms on these sound nights:\n")
    print(f"| rule | at | {MID_HOLD}: median (95 %), min | before onset | {FROM_START} | {FLOOR}: in time |")
    print("|---|---|---|---|---|---|")
    for peer in peers.PEERS:
        threshold = peers.tune([each.scores[peer.name] for each in sound], allowed)
        told = []
        for kind in (MID_HOLD, FROM_START, FLOOR):
            nights = [each for each in results if each.kind == kind]
            scores = [each.scores[peer.name] for each in nights]
            delays = peers.delays(scores, [each.onset_s or 0.0 for each in nights], threshold)
            if kind == FLOOR:
                alarms = [each.alarm_s(threshold) for each in scores]
                pairs = zip(alarms, nights, strict=True)
                due = [(a, n.outcomes[0].crossing_s) for a, n in pairs if _matters(n.outcomes[0].crossing_s)]
                told.append(_share(sum(a is not None and a < c for a, c in due), len(due)))
                continue
            told.append(
                _spread(inf if each is None else each for each in delays if each is None or each >= 0.0)
            )
            if kind == MID_HOLD:
                told.append(str(sum(each is not None and each < 0.0 for each in delays)))
        print(f"| {peer.name} | {threshold:.2f} {peer.unit} | {' | '.join(told)} |")
    for kind in (MID_HOLD, FROM_START):
        limits = [each.limit_min for each in results if each.kind == kind and each.limit_min is not None]
        if limits:
            print(
                f"\nLimit of a test that knows all but the leak, {kind}: median {np.median(limits):.1f} min"
            )


def _matters(crossing_s: float | None) -> bool:
    return crossing_s is not None and crossing_s < CURE_DONE_S


def _false(sound: list[Outcome]) -> str:
    if not sound:
        return "-"
    false = sum(each.alarm_s is not None for each in sound)
    return f"{false} of {len(sound)} (< {_upper_bound(false, len(sound)):.1%})"


def _upper_bound(found: int, n: int) -> float:
    """One-sided 95 % bound of Clopper and Pearson (Biometrika 26 (1934) 404)."""
    return float(beta.ppf(0.95, found + 1, n - found)) if found < n else 1.0


def _delays(leaks: list[Outcome]) -> list[float]:
    return [inf if each.alarm_s is None else (each.alarm_s - (each.onset_s or 0.0)) / 60.0 for each in leaks]


def _early(leaks: list[Outcome]) -> str:
    return f"{sum(each < 0.0 for each in _delays(leaks))} of {len(leaks)}" if leaks else "-"


def _delay(leaks: list[Outcome]) -> str:
    return _spread(each for each in _delays(leaks) if each >= 0.0)


def _spread(values: Iterable[float]) -> str:
    each = np.array(list(values))
    if not len(each):
        return "-"
    middle, late = np.quantile(each, (0.5, 0.95), method="higher")
    missed = int(np.isinf(each).sum())
    late_told = "missed" if np.isinf(late) else f"{late:.0f}"
    middle_told = "missed" if np.isinf(middle) else f"{middle:.1f}"
    return f"{middle_told} ({late_told})" + (f", {missed} of {len(each)} not seen" if missed else "")


def _in_time(leaks: list[Outcome]) -> str:
    """How many were told before the floor was passed, and the least share of the time that was left then."""
    left = []
    for each in leaks:
        if each.crossing_s is None or each.onset_s is None or not _matters(each.crossing_s):
            continue
        alarm_s = inf if each.alarm_s is None else each.alarm_s
        left.append((each.crossing_s - alarm_s) / (each.crossing_s - each.onset_s))
    if not left:
        return "-"
    return f"{_share(sum(each > 0.0 for each in left), len(left))}, least {min(left):.2f} left"


def _rate(leaks: list[Outcome]) -> str:
    errors = [abs(each.rate.value / each.true_rate - 1.0) for each in leaks]
    return _percent(errors)


def _percent(errors: list[float]) -> str:
    if not errors:
        return "-"
    middle, late = np.quantile(errors, (0.5, 0.95))
    return f"{middle:.1%} ({late:.0%})"


def _cover(nights: list[Outcome]) -> str:
    return _share(sum(each.rate.low <= each.true_rate <= each.rate.high for each in nights), len(nights))


def _onset_cover(leaks: list[Outcome]) -> str:
    seen = [each for each in leaks if each.onset is not None and each.onset_s is not None]
    return _share(sum(each.onset.low <= each.onset_s <= each.onset.high for each in seen), len(seen))


def _forecast(leaks: list[Outcome]) -> str:
    return _percent(
        [
            abs(each.forecast.crossing_s - each.crossing_s) / (each.crossing_s - each.forecast_s)
            for each in _foretold(leaks)
        ]
    )


def _forecast_cover(leaks: list[Outcome]) -> str:
    foretold = _foretold(leaks)
    inside = sum(
        each.forecast.earliest_s <= each.crossing_s <= (each.forecast.latest_s or inf) for each in foretold
    )
    return f"{_share(inside, len(foretold))}, none yet in {len(leaks) - len(foretold)}"


def _foretold(leaks: list[Outcome]) -> list[Outcome]:
    return [each for each in leaks if each.forecast is not None and each.crossing_s is not None]


def _share(found: int, n: int) -> str:
    """A share with its two-sided 95 % interval of Clopper and Pearson."""
    if not n:
        return "-"
    low = beta.ppf(0.025, found, n - found + 1) if found else 0.0
    high = beta.ppf(0.975, found + 1, n - found) if found < n else 1.0
    return f"{found} of {n}: {100.0 * found / n:.0f} % ({100.0 * low:.0f}-{100.0 * high:.0f})"


def _lost(nights: list[Outcome]) -> str:
    if not nights:
        return "-"
    errors = [abs(each.lost - each.true_lost) for each in nights]
    middle, late = np.quantile(errors, (0.5, 0.95))
    return f"{middle:.2f} ({late:.2f})"
