"""What a report says of the pressure: its change and the causes, the air lost, the effect on the cast."""

from collections.abc import Iterator
from dataclasses import dataclass

from potvigil.model.reading import Place
from potvigil.reports.model import Bubble, Pressed
from potvigil.reports.phrases import Phrases
from potvigil.units import PRESSURE_UNITS_PA, degrees, span
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.change import adding_up, causes, why
from potvigil.wording.quantities import rate, two_digits

BAR_WIDE = 260.0
_LEAST_WIDER = 0.005  # a bubble is called wider only if that rounds to at least 1 %


@dataclass(frozen=True, slots=True)
class Bar:
    """One part of the pressure change: its words, its signed size, and its bar in the drawing's units."""

    words: str
    size: str
    left: float
    wide: float
    is_total: bool = False


class PressureWords(Phrases):
    """The pressure's sections of a report."""

    def facts(self) -> Iterator[tuple[str, str, str]]:
        """Yield the key figures as (name, value, remark)."""
        summary, pot = self.summary, self.pot
        start_pa, end_pa, lowest_pa = (
            summary.hold_start_gauge_pa, summary.hold_end_gauge_pa, summary.lowest_gauge_pa,
        )  # fmt: skip
        if start_pa is not None and end_pa is not None:
            lowest = "" if lowest_pa is None else f"lowest {self._p(lowest_pa)}, "
            yield (
                "Pressure in the hold",
                f"{self._n(start_pa)} → {self._p(end_pa)}",
                f"{lowest}floor {self._p(pot.floor_pa)}",
            )
        leak = summary.leak
        if leak is None:
            yield "Air lost", "not known", "no estimate"
        elif leak.established:
            rates = leak.rate_pa_per_s
            between = self._between(rates.low, rates.high)
            yield "Air lost", rate(rates.value, self.unit), f"at the end of the hold; 95 %: {between}"
        elif leak.rate_pa_per_s.high < 0.0:
            yield "Air lost", "none", "the pressure rose"
        else:
            most = rate(leak.rate_pa_per_s.high, self.unit)
            yield "Air lost", "no leak established", f"at most {most} (95 %)"
        yield (
            "Cure",
            f"{100.0 * summary.cure.progress:.0f} %",
            f"{span(summary.end_s - summary.start_s)} since the fill began",
        )
        names = list(dict.fromkeys(ALARM_WORDS[alarm.alarm] for alarm in summary.alarms))
        yield "Alarms", str(len(summary.alarms)) if names else "none", ", ".join(names)

    def change(self) -> str:
        change = self.summary.change
        if change is None:
            return "The pot was not held long enough to say."
        rest = (
            ""
            if Place.GAS in self.pot.thermometers
            else " The cooling is what remains after the other parts: no thermometer was in the gas."
        )
        said = why(change, self.unit).replace("-", "−")
        return f"From the hold's start to its end the gauge {said}.{rest}"

    def bars(self) -> list[Bar]:
        change = self.summary.change
        if change is None:
            return []
        sizes = adding_up(change, self.unit)
        numbers = [float(size) for size in sizes]
        low, high = min(*numbers, 0.0), max(*numbers, 0.0)
        # a part that is small against the margin above the floor must look small
        margin = (self.pot.working_pa - self.pot.floor_pa) / PRESSURE_UNITS_PA[self.unit]
        low = min(low, high - margin)
        scale = BAR_WIDE / (high - low)
        names = ["gauge, total", *causes(change)]
        bars = [
            Bar(words, size.replace("-", "−"), (min(n, 0.0) - low) * scale, abs(n) * scale, is_total=i == 0)
            for i, (words, size, n) in enumerate(zip(names, sizes, numbers, strict=True))
        ]
        return [*bars[1:], bars[0]]

    def leak(self) -> str:
        leak = self.summary.leak
        if leak is None:
            return "No leak rate could be estimated."
        rates, flow = leak.rate_pa_per_s, leak.std_cm3_per_min
        if rates.high < 0.0:
            return (
                f"No air was lost: the pressure rose, at the end by {self._between(-rates.high, -rates.low)}."
            )
        if not leak.established:
            return (
                f"No leak was established. The estimate at the end is {self._rate(rates.value)} "
                f"(95 %: {self._between(rates.low, rates.high)})."
            )
        since = ""
        if leak.onset_s is not None:
            low, high = self._clock(leak.onset_s.low), self._clock(leak.onset_s.high)
            since = f" since about {self._clock(leak.onset_s.value)}" + (
                f" ({low} to {high})" if low != high else ""
            )
        return (
            f"Air was lost at {rate(rates.value, self.unit)} at the end (95 %: "
            f"{self._between(rates.low, rates.high)}){since}. That is {two_digits(flow.value)} "
            f"({two_digits(flow.low)} to {two_digits(flow.high)}) standard cm³/min (0 °C, 101 325 Pa), "
            f"as through an ideal hole of {1e6 * leak.orifice_m:.0f} µm."
        )

    def cure(self) -> str:
        summary, report, resin = self.summary, self.report, self.report.resin
        parts = [f"The resin needs {span(resin.hold_s)} under pressure"]
        if resin.gel_s is not None:
            parts.append(f", gel after {span(resin.gel_s)}")
        if resin.at_k is not None:
            parts.append(f", counted as at {degrees(resin.at_k, report.pot.temperature_unit)}")
        parts.append(". ")
        if report.gel_s is not None:
            parts.append(f"By that clock the resin had gelled at {self._clock(report.gel_s)}")
        elif resin.gel_s is not None:
            parts.append("By that clock the resin had not gelled")
        if resin.gel_s is not None:
            parts.append(" and " if summary.cure.progress >= 1.0 else ". ")
        if summary.cure.progress >= 1.0:
            parts.append(
                f"{'the' if resin.gel_s is not None else 'The'} cure was done at "
                f"{self._clock(summary.cure.done_s)}."
            )
        else:
            parts.append(
                f"{100.0 * summary.cure.progress:.0f} % of the cure was reached when this record ends."
            )
        if summary.floor_crossed_s is not None:
            parts.append(f" The pressure fell below the floor at {self._clock(summary.floor_crossed_s)}")
            if report.gel_s is not None:
                before = summary.floor_crossed_s < report.gel_s
                parts.append(f", {'before' if before else 'after'} gel")
            parts.append(".")
        return "".join(parts)

    def bubble(self) -> str:
        bubble, gel_s = self.report.bubble, self.report.gel_s
        if bubble is None:
            return "The pot was not held, so nothing can be said."
        if bubble.gel is not None and gel_s is not None:
            words = self._bubble_at_gel(bubble, bubble.gel, gel_s)
        else:
            words = self._bubble_in_hold(bubble)
        return f"{words} (Boyle's law; dissolving and surface tension left out.)"

    def _bubble_at_gel(self, bubble: Bubble, gel: Pressed, gel_s: float) -> str:
        working, start = bubble.working, bubble.start
        words = (
            f"At gel ({self._clock(gel_s)}) the pot was at {self._p(gel.gauge_pa)}: a bubble 1.00 mm wide "
            f"at room pressure was {gel.share:.2f} mm wide then, against {working.share:.2f} mm at the "
            f"working pressure of {self._p(working.gauge_pa)}. "
        )
        if cost := _wider(gel, start):
            words += f"The pressure lost before gel left it {cost} than at the hold's start. "
        return f"{words}What the pressure does after gel widens a bubble less and less."

    def _bubble_in_hold(self, bubble: Bubble) -> str:
        start, lowest = bubble.start, bubble.lowest
        words = (
            f"A bubble 1.00 mm wide at room pressure was pressed to {start.share:.2f} mm at "
            f"{self._p(start.gauge_pa)}, the pressure at the hold's start"
        )
        if cost := _wider(lowest, start):
            words += (
                f", and had grown back to {lowest.share:.2f} mm ({cost}) at {self._p(lowest.gauge_pa)}, the "
                "lowest of the hold"
            )
        return f"{words}. That counts only while the resin is liquid; when it gelled is not known here."


def _wider(one: Pressed, other: Pressed) -> str:
    """Return '9 % wider', or '' where it rounds to nothing."""
    growth = one.share / other.share - 1.0
    return f"{100.0 * growth:.0f} % wider" if growth > _LEAST_WIDER else ""
