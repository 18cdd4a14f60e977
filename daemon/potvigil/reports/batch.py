"""The report of a batch: what the core said of it, in words and tables, one HTML file that needs no other."""

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from potvigil import __version__
from potvigil.model.batch_details import is_flawed, mixed_utc_s
from potvigil.model.events import (
    LAST_BATCH,
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Detail,
    Event,
    NoteEvent,
    Priority,
    StageEvent,
    Verdict,
)
from potvigil.model.reading import Place
from potvigil.record.errors import MissingLibraryError
from potvigil.reports.charts.chart_data import unseen_heat
from potvigil.reports.html import template
from potvigil.reports.model import Bubble, Pressed, Told
from potvigil.reports.pictures import as_data_uri
from potvigil.units import PRESSURE_UNITS_PA, degrees, span
from potvigil.wording.alarm import in_words
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.change import adding_up, causes, why
from potvigil.wording.quantities import TimeTeller, alarm_state, pressure, rate, shown, two_digits
from potvigil.wording.verdict import HELD_ABOVE_MAXIMUM, was_above_maximum

# Shape and word say the same as the colour; colours as in IEC 60073.
_VERDICTS = {
    Verdict.HELD: ("●", "held", "The pressure held"),
    Verdict.LEAKED: ("▲", "warned", "It leaked, but held long enough"),
    Verdict.FELL_BELOW_FLOOR: ("■", "failed", "It fell below the floor"),
    Verdict.VENTED_EARLY: ("■", "failed", "Vented early"),
    Verdict.INCOMPLETE: ("○", "warned", "Not enough was seen to judge"),
}
# As what somebody was told on a phone: the kinds of a delivery.
_TOLD = {"again": "was told again", "changed": "was told what became of it", "test": "was sent a test"}
_REPLAY = "replay of "  # how `potvigil replay` names its runs
_LONGEST_TITLE, _LONGEST_NAME = 90, 40
_BAR_WIDE = 260.0
_LEAST_WIDER = 0.005  # before a bubble is called wider, it must show as a per cent


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table of events; sign: of an alarm's priority, day: a heading instead of a line."""

    time: str
    what: str
    text: str
    sign: str = ""
    day: str = ""


@dataclass(frozen=True, slots=True)
class Bar:
    """A part of the change of pressure: its words, its size with sign, and its bar in the drawing's units."""

    words: str
    size: str
    left: float
    wide: float
    is_total: bool = False


def report_html(told: Told) -> str:
    """Return the report as HTML. Raises MissingLibraryError."""
    page = template("report.html")
    try:
        from potvigil.reports.charts.batch_chart import chart_svg
        from potvigil.reports.charts.chart_style import NARROW_IN, WIDE_IN
    except ImportError as error:
        raise MissingLibraryError.of(error.name or "a library", error) from error
    charts = {"wide": chart_svg(told, WIDE_IN), "narrow": chart_svg(told, NARROW_IN)}
    return page(charts=charts, **_Words(told).all())


def harmless_name(batch_id: int, label: str) -> str:
    """Return a file name for a batch, of lower-case ASCII letters, digits and hyphens, without an ending."""
    plain = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    words = "".join(letter if letter.isalnum() else " " for letter in plain).split()
    return "-".join([f"batch-{batch_id}", *words])[:_LONGEST_NAME].rstrip("-")


class _Words:
    """What the page says, section by section."""

    def __init__(self, told: Told) -> None:
        self.told, self.summary, self.pot = told, told.summary, told.pot
        self.unit = told.pot.pressure_unit

    def all(self) -> dict[str, Any]:
        told, summary = self.told, self.summary
        sign, mood, verdict = _VERDICTS[summary.verdict]
        if summary.verdict is Verdict.HELD and was_above_maximum(summary):
            sign, mood, verdict = "▲", "warned", HELD_ABOVE_MAXIMUM
        title, bars = self._title(), self._bars()
        return {
            "batch": told.row.id,
            "pot": shown(told.row.pot_id),
            "workshop": shown(str(told.settings.get("workshop", ""))),
            "title": title,
            "when": self._when(),
            "rehearsed": self._rehearsed(),
            "sign": sign,
            "mood": mood,
            "verdict": verdict,
            "reason": _sentence(summary.reason),
            "unfinished": self._unfinished(),
            "facts": list(self._facts()),
            "note": shown(told.row.note),
            "details": list(self._details()),
            "cast": self._cast(),
            "pictures": [
                (shown(name), uri)
                for name, content in told.pictures
                if (uri := as_data_uri(content)) is not None
            ],
            "change": self._change(),
            "bars": bars,
            "bar_wide": _BAR_WIDE,
            "leak": self._leak(),
            "cure": self._cure(),
            "bubble": self._bubble(),
            "gaps": list(self._gaps()),
            "chart_words": self._chart_words(),
            "rows": list(self._rows()),
            "edits": list(self._edits()),
            "settings": list(_flat(told.settings)),
            "calibration": self._calibration(),
            "earlier_settings": told.earlier_settings,
            "versions": ", ".join(dict.fromkeys(run.version for run in told.runs)),
            "version": __version__,
            "zone": self._zone(),
        }

    # -- at one glance -----------------------------------------------------------------------------

    def _title(self) -> str:
        label = " ".join(shown(self.told.row.label).split())
        if not label:
            return f"Batch {self.told.row.id}"
        return label if len(label) <= _LONGEST_TITLE else f"{label[:_LONGEST_TITLE].rstrip()}…"

    def _when(self) -> str:
        start, end = self.told.local(self.summary.start_s), self.told.local(self.summary.end_s)
        lasted = span(self.summary.end_s - self.summary.start_s)
        if start is None or end is None:
            return f"{lasted}; the wall clock was not known"
        last_day = "" if start.date() == end.date() else f"{end:%a} {end.day} {end:%B %Y} "
        return f"{start:%a} {start.day} {start:%B %Y} {start:%H:%M} to {last_day}{end:%H:%M}, {lasted}"

    def _rehearsed(self) -> tuple[str, str] | None:
        night = self.told.row.rehearsed
        if night is None:
            return None
        if night.startswith(_REPLAY):
            log = shown(night.removeprefix(_REPLAY))
            return (
                "Replayed recording",
                f"Put through the watch afterwards from {log}; nobody was warned by it.",
            )
        return "Rehearsal", f"A simulated night ({shown(night)}): no pot, no resin, nothing measured."

    def _unfinished(self) -> str:
        if self.summary.complete:
            return ""
        why = "Still open" if self.told.row.end_t_s is None else "The record ends before the pot was vented"
        return f"{why}: this is how it stood at {self._clock(self.summary.end_s)}."

    def _facts(self) -> Iterator[tuple[str, str, str]]:
        """Yield what matters most as (name, value, what goes with it)."""
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
            yield "Air lost", "not known", "no estimate was reached"
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

    # -- in words ----------------------------------------------------------------------------------

    def _change(self) -> str:
        change = self.summary.change
        if change is None:
            return "The pot was not held long enough to say."
        rest = (
            ""
            if Place.GAS in self.pot.thermometers
            else " The cooling is what the other parts leave over: no thermometer was in the gas."
        )
        said = why(change, self.unit).replace("-", "−")
        return f"From the hold's start to its end the gauge {said}.{rest}"

    def _bars(self) -> list[Bar]:
        change = self.summary.change
        if change is None:
            return []
        sizes = adding_up(change, self.unit)
        numbers = [float(size) for size in sizes]
        low, high = min(*numbers, 0.0), max(*numbers, 0.0)
        # what is small beside the way down to the floor must look small
        whole_way = (self.pot.working_pa - self.pot.floor_pa) / PRESSURE_UNITS_PA[self.unit]
        low = min(low, high - whole_way)
        scale = _BAR_WIDE / (high - low)
        names = ["gauge, in all", *causes(change)]
        bars = [
            Bar(words, size.replace("-", "−"), (min(n, 0.0) - low) * scale, abs(n) * scale, is_total=i == 0)
            for i, (words, size, n) in enumerate(zip(names, sizes, numbers, strict=True))
        ]
        return [*bars[1:], bars[0]]

    def _leak(self) -> str:
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
                f"No leak was established. The estimate at the end is {rate(rates.value, self.unit)}, and "
                f"with 95 % confidence it lies between {self._between(rates.low, rates.high)}."
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

    def _cure(self) -> str:
        summary, told, resin = self.summary, self.told, self.told.resin
        parts = [f"The resin needs {span(resin.hold_s)} under pressure"]
        if resin.gel_s is not None:
            parts.append(f", gel after {span(resin.gel_s)}")
        if resin.at_k is not None:
            parts.append(f", counted as at {degrees(resin.at_k, told.pot.temperature_unit)}")
        parts.append(". ")
        if told.gel_s is not None:
            parts.append(f"By that clock the resin had gelled at {self._clock(told.gel_s)}")
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
            parts.append(f" The floor was passed at {self._clock(summary.floor_crossed_s)}")
            if told.gel_s is not None:
                before = summary.floor_crossed_s < told.gel_s
                parts.append(f", {'before' if before else 'after'} gel")
            parts.append(".")
        return "".join(parts)

    def _bubble(self) -> str:
        bubble, gel_s = self.told.bubble, self.told.gel_s
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
            f"At gel ({self._clock(gel_s)}) the pot stood at {self._p(gel.gauge_pa)}: a bubble 1.00 mm wide "
            f"at room pressure was {gel.share:.2f} mm wide then, against {working.share:.2f} mm at the "
            f"working pressure of {self._p(working.gauge_pa)}. "
        )
        if cost := _wider(gel, start):
            words += f"What was lost before gel left it {cost} than at the hold's start. "
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

    def _gaps(self) -> Iterator[str]:
        for silence in self.told.silences:
            yield (
                f"No good reading from {self._clock(silence.from_s)} to {self._clock(silence.to_s)} "
                f"({span(silence.to_s - silence.from_s)}): {shown(silence.why)}."
            )
        for place, from_s, to_s in unseen_heat(self.told):
            yield (
                f"No reading of the {place} thermometer from {self._clock(from_s)} to {self._clock(to_s)} "
                f"({span(to_s - from_s)}); what the temperature did then is not known."
            )
        if not self.pot.thermometers:
            yield "The temperature: no thermometer is fitted, so cooling and loss are hard to tell apart."
        for run in self.told.runs[1:]:
            unsure = "" if run.gap_known else "; how long the machine was off before is not known"
            yield f"The watch was started again at {self._clock(run.start_t_s)}{unsure}."

    def _chart_words(self) -> str:
        """Return what the chart shows, for those who hear the page."""
        change = self._change()
        return f"Pressure, leak rate and temperature over time. {change} {len(self.summary.alarms)} alarms."

    # -- what happened -----------------------------------------------------------------------------

    def _rows(self) -> Iterator[Row]:
        told = self.told
        timed = [(event.t_s, row) for event in told.events if (row := self._event(event)) is not None]
        timed += self._deliveries()
        if told.gel_s is not None:
            timed.append((told.gel_s, Row(self._moment(told.gel_s), "cure", "Gel, by the cure clock.")))
        if self.summary.floor_crossed_s is not None:
            at_s = self.summary.floor_crossed_s
            timed.append(
                (at_s, Row(self._moment(at_s), "floor", f"Below {self._p(self.pot.floor_pa)} from here."))
            )
        timed.sort(key=lambda each: each[0])
        day = None
        for t_s, row in timed:
            local = told.local(t_s)
            if local is not None and local.date() != day:
                day = local.date()
                yield Row("", "", "", day=f"{local:%A} {local.day} {local:%B %Y}")
            yield row

    def _deliveries(self) -> Iterator[tuple[float, Row]]:
        """Yield who was told on a phone; of tries that failed one after another, the first."""
        failed: set[tuple[str, AlarmId]] = set()
        for each in self.told.deliveries:
            key = each.target, each.alarm
            name = ALARM_WORDS[each.alarm] if each.pot_id is not None else "nobody is watching"
            if each.fault is None:
                failed.discard(key)
                said = f"{shown(each.target)} {_TOLD.get(each.kind, 'was told')}: {name}."
            elif key not in failed:
                failed.add(key)
                said = f"{shown(each.target)} was not reached: {name} ({shown(each.fault)})."
            else:
                continue
            yield each.t_s, Row(self._moment(each.t_s), "told", said)

    def _edits(self) -> Iterator[Row]:
        for edit in self.told.edits:
            at = "" if edit.utc_s is None else f"{self.told.local_of_utc(edit.utc_s):%d %b %H:%M}"
            before = (
                f", before: {self._detail(edit.field, edit.old)}" if edit.old not in ("", edit.new) else ""
            )
            text = self._detail(edit.field, edit.new) or "(taken back)"
            yield Row(at, edit.field.replace("-", " "), f"{text} ({shown(edit.by) or 'unknown'}{before})")

    def _said(self, alarm: AlarmEvent) -> str:
        return shown(in_words(alarm, TimeTeller(alarm.t_s, alarm.utc_s, self.pot.tz)))

    def _event(self, event: Event) -> Row | None:
        time = self._moment(event.t_s)
        match event:
            case StageEvent():
                return Row(time, "stage", event.stage.value.capitalize())
            case AlarmEvent():
                if event.repeat:
                    return None
                sign = "▲" if event.priority is Priority.HIGH else "△"
                if event.state is AlarmState.UNACKNOWLEDGED:
                    return Row(time, ALARM_WORDS[event.alarm], self._said(event), sign)
                return Row(time, ALARM_WORDS[event.alarm], f"{alarm_state(event, self.pot.tz).capitalize()}.")
            case NoteEvent():
                return Row(time, event.note.value, shown(event.text))
            case BatchOpened():
                return Row(time, "batch", "Opened.")
            case BatchClosed():
                return Row(time, "batch", "Closed.")
        return None

    # -- what was in force -------------------------------------------------------------------------

    def _cast(self) -> tuple[str, str, str] | None:
        """Return what the cast came out as: sign, mood, words; None where nobody said."""
        outcome = self.told.row.details.get(Detail.OUTCOME, "")
        flawed = is_flawed(outcome)
        if flawed is None:
            return None
        more = outcome.partition(":")[2].strip()
        said = ("The cast is flawed" if flawed else "The cast is good") + (f": {shown(more)}" if more else "")
        return ("■", "failed", f"{said}.") if flawed else ("●", "held", f"{said}.")

    def _details(self) -> Iterator[tuple[str, str]]:
        """Yield what somebody wrote of the batch; the label is the title, the note stands apart."""
        by = {edit.field: edit.by for edit in self.told.edits}
        label = " ".join(shown(self.told.row.label).split())
        if len(label) > _LONGEST_TITLE:
            yield "label", label
        for field in Detail:
            text = self.told.row.details.get(field, "")
            if text and field not in (Detail.LABEL, Detail.NOTE, Detail.OUTCOME):
                taken_over = " (as the last batch)" if by.get(field) == LAST_BATCH else ""
                yield field.replace("-", " "), self._detail(field, text) + taken_over

    def _detail(self, field: Detail, text: str) -> str:
        if field is Detail.MIXED_AT and text:
            return f"{self.told.local_of_utc(mixed_utc_s(text)):%d %b %H:%M}"
        return shown(text)

    def _calibration(self) -> str:
        transducer = self.pot.transducer
        if transducer is None:
            return "The pressure came from a recorded log."
        if transducer.zero_pa == 0.0 and transducer.slope == 1.0:
            return "The transducer was used as delivered; it was not calibrated against the pot's own gauge."
        return (
            f"The transducer was calibrated: zero {self._p(transducer.zero_pa)}, slope {transducer.slope:g} "
            "(true over reported)."
        )

    def _zone(self) -> str:
        local = self.told.local(self.summary.start_s)
        if local is None:
            return "Times are counted from the batch's start."
        zone = shown(str(self.told.settings.get("timezone", "")))
        offset = local.isoformat()[-6:]
        return f"Times are local{f' ({zone})' if zone else ''}, {offset} from UTC."

    def _p(self, pa: float) -> str:
        return pressure(pa, self.unit)

    def _n(self, pa: float) -> str:
        return pressure(pa, self.unit).split()[0]

    def _between(self, low: float, high: float) -> str:
        return f"{rate(low, self.unit).split()[0]} to {rate(high, self.unit)}".replace("-", "−")

    def _clock(self, t_s: float) -> str:
        return self.told.clock(t_s)

    def _moment(self, t_s: float) -> str:
        local = self.told.local(t_s)
        return self._clock(t_s) if local is None else f"{local:%H:%M:%S}"


def _flat(tree: Mapping[str, object], above: str = "") -> Iterator[tuple[str, str]]:
    """Yield settings as (path, value), in the file's own words."""
    for key, value in tree.items():
        path = f"{above}{key}".replace("_", " ")
        if isinstance(value, Mapping):
            yield from _flat(value, f"{path}, ")
        elif isinstance(value, list):
            for item in value:
                words = ", ".join(map(str, item.values())) if isinstance(item, Mapping) else str(item)
                yield path, shown(words)
        else:
            yield path, shown(str(value))


def _wider(one: Pressed, other: Pressed) -> str:
    """Return '9 % wider', and nothing where it does not show."""
    growth = one.share / other.share - 1.0
    return f"{100.0 * growth:.0f} % wider" if growth > _LEAST_WIDER else ""


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text else ""
