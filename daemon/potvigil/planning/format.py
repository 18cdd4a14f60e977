"""How a plan words pressures, times, sizes and spans: no more exactly than they are known."""

from datetime import datetime, timedelta

from potvigil.model.events import Interval
from potvigil.planning.plan import Plan
from potvigil.planning.request import PourRequest
from potvigil.units import PRESSURE_UNITS_PA, degrees, degrees_apart, span
from potvigil.wording.quantities import rate, two_digits


class Say:
    """One plan and its request; words times by the clock and pressures in the pot's unit."""

    def __init__(self, plan: Plan, asked: PourRequest) -> None:
        self.plan, self.pour, self.pot, self.asked = plan, plan.pour, plan.pour.pot, asked
        self.unit = self.pot.pressure_unit
        filling = plan.work.filling_s
        before_s = plan.work.hands_s.value + (0.0 if filling is None else filling.value)
        self.shut = asked.start + timedelta(seconds=before_s)  # at pressure

    def then(self, after_s: float) -> str:
        """Return the time so long after the pot is at pressure."""
        moment = self.shut + timedelta(seconds=after_s)
        step = 60 if after_s < 5_400.0 else 600 if after_s < 43_200.0 else 1800
        return self.when(_rounded(moment, step))

    def between(self, early_s: float, late_s: float) -> str:
        early, late = self.then(early_s), self.then(late_s)
        if early.partition(" ")[2] == late.partition(" ")[2]:
            return f"{early[:5]} to {late[:5]}"
        return f"{early} to {late}"

    def when(self, moment: datetime) -> str:
        days = (moment.date() - self.asked.start.date()).days
        if not days:
            return f"{moment:%H:%M}"
        return f"{moment:%H:%M on %A}" if days < 7 else f"{moment:%H:%M on} {moment.day} {moment:%B}"

    def pressure(self, pa: float) -> str:
        return f"{self.figure(pa)} {self.unit}"

    def figure(self, pa: float) -> str:
        """Return a pressure without its unit."""
        value = pa / PRESSURE_UNITS_PA[self.unit]
        if self.unit == "kPa":
            return f"{round(value):d}"
        return f"{value:.1f}".removesuffix(".0") if value < 10.0 else f"{value:.3g}".split(".")[0]

    def degrees(self, kelvin: float) -> str:
        return degrees(kelvin, self.pot.temperature_unit)

    def degrees_apart(self, kelvin: float) -> str:
        return degrees_apart(kelvin, self.pot.temperature_unit)

    def rates(self, leak: Interval) -> str:
        low, high = (rate(max(each, 0.0), self.unit).split()[0] for each in (leak.low, leak.high))
        return f"{rate(max(leak.value, 0.0), self.unit)} ({low} to {high})"


def millimetre(metres: float) -> str:
    return f"{metres * 100.0:.0f} cm" if metres >= 0.1 else f"{metres * 1000.0:.0f} mm"


def litres(m3: float) -> str:
    return f"{two_digits(m3 * 1e3)} L"


def rough(seconds: float) -> str:
    """Return a span as exactly as it is known: minutes up to three hours, ten minutes to ten, then hours."""
    step_s = 60.0 if seconds < 10_800.0 else 600.0 if seconds < 36_000.0 else 3600.0
    return span(seconds if seconds < 60.0 else round(seconds / step_s) * step_s)


def with_range(of: Interval) -> str:
    return span(of.value) if of.low == of.high else f"{span(of.value)} ({_from_to(of)})"


def about(of: Interval) -> str:
    return f"about {span(of.value)} ({_from_to(of)})"


def _from_to(of: Interval) -> str:
    low, high = span(of.low), span(of.high)
    if of.low < 0.5:
        return f"up to {high}"
    number, _, unit = low.partition(" ")
    return f"{number if high.endswith(unit) and ' ' not in unit else low} to {high}"


def listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _rounded(moment: datetime, step_s: int) -> datetime:
    into_s = (moment.minute * 60 + moment.second) % step_s
    return moment.replace(microsecond=0) + timedelta(
        seconds=(step_s - into_s) if into_s * 2 >= step_s else -into_s
    )
