"""One cell of a table each: a figure told of some outcomes of the watch, as a text."""

from collections import Counter
from collections.abc import Iterable, Sequence
from math import inf

import numpy as np
from scipy.stats import beta
from watched import Outcome, Raised


def false_nights(outcomes: Sequence[Outcome]) -> str:
    """How many nights had a false alarm of any kind, and the share that this leaves possible."""
    return _nights(outcomes, [each.false_alarms for each in outcomes])


def early_nights(leaks: Sequence[Outcome]) -> str:
    """The same, of alarms before the leak began."""
    return _nights(leaks, [each.early_alarms for each in leaks])


def _nights(outcomes: Sequence[Outcome], alarms: Sequence[tuple[Raised, ...]]) -> str:
    if not outcomes:
        return "-"
    false = sum(bool(each) for each in alarms)
    return f"{false} of {len(outcomes)} (< {upper_bound(false, len(outcomes)):.1%})"


def upper_bound(found: int, n: int) -> float:
    """One-sided 95 % bound of Clopper and Pearson (Biometrika 26 (1934) 404)."""
    return float(beta.ppf(0.95, found + 1, n - found)) if found < n else 1.0


def by_alarm(alarms: Iterable[tuple[Raised, ...]]) -> Counter[str]:
    """Return in how many nights each alarm was raised."""
    return Counter(alarm for each in alarms for alarm in {raised.alarm for raised in each})


def told_by_alarm(alarms: Iterable[tuple[Raised, ...]]) -> str:
    """Which alarms, in how many nights each."""
    return ", ".join(f"{alarm} {nights}" for alarm, nights in by_alarm(alarms).most_common())


def delay(leaks: Sequence[Outcome]) -> str:
    """Minutes from the onset to the alarm, median and 95 %, of the nights without an alarm before it."""
    return spread(each for each in _delays_min(leaks) if each >= 0.0)


def _delays_min(leaks: Sequence[Outcome]) -> list[float]:
    return [inf if each.alarm_s is None else (each.alarm_s - (each.onset_s or 0.0)) / 60.0 for each in leaks]


def spread(values: Iterable[float]) -> str:
    """Median and 95 %; inf is missed."""
    each = np.array(list(values))
    if not len(each):
        return "-"
    middle, late = np.quantile(each, (0.5, 0.95), method="higher")
    missed = int(np.isinf(each).sum())
    late_told = "missed" if np.isinf(late) else f"{late:.0f}"
    middle_told = "missed" if np.isinf(middle) else f"{middle:.1f}"
    return f"{middle_told} ({late_told})" + (f", {missed} of {len(each)} not seen" if missed else "")


def median_min(values: Iterable[float]) -> str:
    each = list(values)
    return f"{np.median(each):.0f}" if each else "-"


def floors(leaks: Sequence[Outcome]) -> str:
    """How many floors passed were told before, and the least share of the time from the onset left then."""
    passed = [each for each in leaks if each.passes_floor]
    if not passed:
        return "-"
    left = [_share_left(each) for each in passed]
    return f"{share(sum(each.told_in_time for each in passed), len(passed))}, least {min(left):.2f} left"


def _share_left(leak: Outcome) -> float:
    if leak.crossing_s is None or leak.onset_s is None or leak.alarm_s is None or not leak.told_in_time:
        return 0.0
    return (leak.crossing_s - leak.alarm_s) / (leak.crossing_s - leak.onset_s)


def rate_error(leaks: Sequence[Outcome]) -> str:
    errors = [abs(each.rate.value / each.true_rate - 1.0) for each in leaks if each.rate is not None]
    return percent(errors) + _unknown(len(leaks) - len(errors))


def rate_cover(nights: Sequence[Outcome]) -> str:
    """How often the rate's interval holds the truth."""
    known = [each for each in nights if each.rate is not None]
    held = sum(each.rate.low <= each.true_rate <= each.rate.high for each in known if each.rate is not None)
    return share(held, len(known)) + _unknown(len(nights) - len(known))


def onset_cover(leaks: Sequence[Outcome]) -> str:
    """The same of the onset's, where a leak is known."""
    seen = [(each.onset, each.onset_s) for each in leaks]
    known = [(onset, onset_s) for onset, onset_s in seen if onset is not None and onset_s is not None]
    held = sum(onset.low <= onset_s <= onset.high for onset, onset_s in known)
    return share(held, len(known)) + _unknown(len(leaks) - len(known))


def _unknown(nights: int) -> str:
    return f", none told in {nights}" if nights else ""


def forecast_error(leaks: Sequence[Outcome]) -> str:
    """How far the forecast of the floor is off, as a share of the time left when it was made."""
    errors = []
    for each in leaks:
        if each.forecast is not None and each.crossing_s is not None and each.forecast_s is not None:
            off_s = abs(each.forecast.crossing_s - each.crossing_s)
            errors.append(off_s / (each.crossing_s - each.forecast_s))
    return percent(errors)


def forecast_cover(leaks: Sequence[Outcome]) -> str:
    """How often its interval holds the truth; one with an open end holds all that is later."""
    foretold = [(each.forecast, each.crossing_s) for each in leaks if each.forecast is not None]
    known = [(forecast, crossing_s) for forecast, crossing_s in foretold if crossing_s is not None]
    held = sum(each.earliest_s <= crossing_s <= (each.latest_s or inf) for each, crossing_s in known)
    return share(held, len(known)) + _unknown(len(leaks) - len(known))


def lost_error(nights: Sequence[Outcome]) -> str:
    """How far the air lost is off, median and 95 %, psi."""
    errors = [
        abs(each.lost - each.true_lost)
        for each in nights
        if each.lost is not None and each.true_lost is not None
    ]
    if not errors:
        return "-"
    middle, late = np.quantile(errors, (0.5, 0.95))
    return f"{middle:.2f} ({late:.2f})"


def percent(errors: Sequence[float]) -> str:
    if not errors:
        return "-"
    middle, late = np.quantile(errors, (0.5, 0.95))
    return f"{middle:.1%} ({late:.0%})"


def share(found: int, n: int) -> str:
    """A share with its two-sided 95 % interval of Clopper and Pearson."""
    if not n:
        return "-"
    low = beta.ppf(0.025, found, n - found + 1) if found else 0.0
    high = beta.ppf(0.975, found + 1, n - found) if found < n else 1.0
    return f"{found} of {n}: {100.0 * found / n:.0f} % ({100.0 * low:.0f}-{100.0 * high:.0f})"
