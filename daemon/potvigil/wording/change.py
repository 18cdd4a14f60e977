"""Why the gauge changed, in signed figures that add up as shown."""

from collections.abc import Iterator

from potvigil.model.events import Change
from potvigil.units import LEAST_SHOWN, PRESSURE_DECIMALS, PRESSURE_UNITS_PA


def adding_up(change: Change, unit: str) -> list[str]:
    """Return total, heat, barometer, leak and top-up as signed figures, rounded so that the parts add up."""
    step = LEAST_SHOWN[unit]
    exact = [
        pa / PRESSURE_UNITS_PA[unit] / step
        for pa in (change.total_pa, change.cooling_pa, change.barometer_pa, change.leak_pa, change.top_up_pa)
    ]
    whole = [round(each) for each in exact]
    short = whole[0] - sum(whole[1:])
    # the parts nearest to the next figure are rounded the other way
    by_need = sorted(range(1, 5), key=lambda i: (whole[i] - exact[i]) * (1 if short > 0 else -1))
    for i in by_need[: abs(short)]:
        whole[i] += 1 if short > 0 else -1
    return [f"{each * step + 0.0:.{PRESSURE_DECIMALS[unit]}f}" for each in whole]


def causes(change: Change) -> list[str]:
    """Name the four parts of a change by their direction: heat, barometer, leak, top-up."""
    return [
        "cooling" if change.cooling_pa <= 0.0 else "warming",
        "barometer up" if change.barometer_pa <= 0.0 else "barometer down",
        "air lost" if change.leak_pa <= 0.0 else "unexplained gain",
        "let out" if change.top_up_pa < 0.0 else "topped up",
    ]


def why(change: Change, unit: str) -> str:
    """Return e.g. 'fell by 1.0 psi: -1.1 psi cooling, +0.1 psi barometer down; no visible air loss'."""
    total, *sizes = adding_up(change, unit)
    went = f"{'fell' if float(total) < 0.0 else 'rose'} by {total.lstrip('-')} {unit}"
    if not float(total):
        went = "did not change"
    said = ", ".join(_signed(sizes, causes(change), unit))
    none_lost = "" if float(sizes[2]) else "; no visible air loss"
    return f"{went}{': ' if said else ''}{said}{none_lost}"


def _signed(sizes: list[str], words: list[str], unit: str) -> Iterator[str]:
    for size, word in zip(sizes, words, strict=True):
        if float(size):
            yield f"{'' if size.startswith('-') else '+'}{size} {unit} {word}"
