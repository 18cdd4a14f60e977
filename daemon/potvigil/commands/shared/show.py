"""What the verbs print: lines as things happen, tables, a batch's verdict. Plain off a terminal."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rich.cells import cell_len
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from potvigil.model.batch_details import mixed_utc_s
from potvigil.model.events import (
    LAST_BATCH,
    AlarmEvent,
    AlarmState,
    BatchClosed,
    BatchOpened,
    BatchSummary,
    Detail,
    EditEvent,
    Event,
    LeakEstimate,
    NoteEvent,
    Priority,
    StageEvent,
    Verdict,
)
from potvigil.model.pot import Pot, Reference
from potvigil.model.reading import Place
from potvigil.record.rows import EditRow, ListedBatch
from potvigil.reports.pot_status import HEADS
from potvigil.sensing.resolution import USUAL_NOISE, resolution
from potvigil.units import PRESSURE_UNITS_PA, SECONDS_PER_HOUR, span
from potvigil.wording.alarm import in_words
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.change import why
from potvigil.wording.quantities import TimeTeller, alarm_state, pressure, rate, shown, two_digits
from potvigil.wording.verdict import cast, was_above_maximum

if TYPE_CHECKING:
    from potvigil.checking.finding import Finding
    from potvigil.notifying.schedule import Recipient
    from potvigil.settings.schema import Settings  # a list of batches is printed without any

T = TypeVar("T")
_LONG_TABLE = 200

# Shape and word repeat what the colour says; colours as in IEC 60073.
_ALARM_MARK = {
    Priority.HIGH: ("!!", "bold red"),
    Priority.MEDIUM: ("! ", "yellow"),
    Priority.LOW: ("! ", "yellow"),
}
_SMALL_LEAK = {"psi": 0.1, "bar": 0.01, "kPa": 1.0}  # per hour; about the same leak in each unit
_VERDICT_STYLE = {Verdict.HELD: "green", Verdict.LEAKED: "yellow", Verdict.INCOMPLETE: "yellow"}


class Printer:
    """Prints events of pots, and results."""

    def __init__(self, console: Console, settings: "Settings") -> None:
        self._console = console
        self._unit = settings.units.pressure
        self._tz: tzinfo | None = settings.timezone
        self._several = len(settings.pots) > 1

    def line(self, text: str, style: str | None = None) -> None:
        self._console.print(escape(shown(text)), style=style)

    def moment(self, t_s: float, utc_s: float | None, text: str) -> None:
        """Print a change of state, less prominently than an event."""
        self._console.print(f"{self._moment(t_s, utc_s)}    {escape(text)}", style="dim")

    def progress(self, items: Sequence[T], what: str) -> Iterable[T]:
        """Iterate over the items, with a progress bar on a terminal."""
        if not self._console.is_terminal:
            return items
        from rich.progress import track  # as slow to import as the rest of this file

        return track(items, what, console=self._console)

    def event(self, pot_id: str, batch: int | None, event: Event) -> None:
        style = None
        match event:
            case StageEvent():
                text = f"   {event.stage}"
            case AlarmEvent():
                if event.repeat:
                    return
                mark, style = _ALARM_MARK[event.priority]
                if event.state is AlarmState.UNACKNOWLEDGED:
                    words = in_words(event, TimeTeller(event.t_s, event.utc_s, self._tz))
                    text = f"{mark} {ALARM_WORDS[event.alarm]}: {words}"
                else:
                    text, style = f"   {ALARM_WORDS[event.alarm]}: {alarm_state(event, self._tz)}", None
            case NoteEvent():
                text = f"   {event.note}: {event.text}"
            case EditEvent():
                text = f"   {event.field}: {_one_line(event.new)} ({event.by})"
            case BatchOpened():
                text = "   batch opened" if batch is None else f"   batch {batch} opened"
            case BatchClosed():
                text = "   batch closed" if batch is None else f"   batch {batch} closed"
        pot = f"{pot_id} " if self._several else ""
        self._console.print(f"{self._moment(event.t_s, event.utc_s)} {pot}{escape(text)}", style=style)

    def summary(self, summary: BatchSummary, batch: int | None) -> None:
        """Print the verdict on a batch and its reasons."""
        start_utc_s = summary.start_utc_s
        end_utc_s = None if start_utc_s is None else start_utc_s + summary.end_s - summary.start_s
        teller = TimeTeller(summary.end_s, end_utc_s, self._tz)
        table = Table(show_header=False, box=None, pad_edge=False)
        table.add_column(style="dim")
        table.add_column()
        number = "" if batch is None else f" {batch}"
        label = f" ({escape(summary.label)})" if summary.label else ""
        verdict_style = _VERDICT_STYLE.get(summary.verdict, "red")
        if was_above_maximum(summary) and summary.verdict is Verdict.HELD:
            verdict_style = "yellow"
        open_still = "" if summary.complete else ", still open"
        table.add_row(
            f"batch{number}{f', {summary.pot_id}' if self._several else ''}",
            f"[bold {verdict_style}]{summary.verdict}[/]{label}{open_still}: {escape(summary.reason)}",
        )
        start_pa, end_pa = summary.hold_start_gauge_pa, summary.hold_end_gauge_pa
        if start_pa is not None and end_pa is not None:
            lowest = "" if summary.lowest_gauge_pa is None else f", lowest {self._p(summary.lowest_gauge_pa)}"
            table.add_row("pressure", f"{self._p(start_pa)} to {self._p(end_pa)}{lowest}")
        if summary.change is not None:
            table.add_row("why", why(summary.change, self._unit))
        if summary.leak is not None:
            when = "at the end of the hold" if summary.complete else "now"
            table.add_row("leak", self._leak(summary.leak, teller, when))
        if summary.floor_crossed_s is not None:
            table.add_row(
                "floor", f"crossed {span(summary.floor_crossed_s - summary.start_s)} into the batch"
            )
        done = f"{100.0 * summary.cure.progress:.0f} %"
        since = f"{done}, {span(summary.end_s - summary.start_s)} since the fill began"
        cure = summary.cure
        if cure.progress < 1.0 and cure.early_s is not None:
            since += f", done {teller.ahead(cure.done_s, cure.early_s, cure.late_s)}"
        table.add_row("cure", since)
        if summary.top_ups:
            table.add_row("top-ups", str(summary.top_ups))
        if summary.alarms:
            table.add_row(
                "alarms", ", ".join(dict.fromkeys(ALARM_WORDS[alarm.alarm] for alarm in summary.alarms))
            )
        self._console.print()
        self._console.print(table)

    def details(self, details: Mapping[Detail, str], edits: Sequence[EditRow]) -> None:
        """Print the details of a batch and every change of them, or nothing where none were entered."""
        by = {edit.field: edit.by for edit in edits}
        table = Table(show_header=False, box=None, pad_edge=False)
        table.add_column(style="dim")
        table.add_column()
        for field in Detail:
            if text := details.get(field, ""):
                if field is Detail.MIXED_AT:
                    text = self._date(mixed_utc_s(text))
                taken_over = " [dim](as the last batch)[/]" if by.get(field) == LAST_BATCH else ""
                table.add_row(field, escape(shown(text)) + taken_over)
        if table.row_count:
            self._console.print()
            self._console.print(table)
        if edits:
            self._console.print()
        for edit in edits:
            when = "time unknown" if edit.utc_s is None else self._date(edit.utc_s)
            old, new = _one_line(edit.old) or "nothing", _one_line(edit.new) or "nothing"
            self.line(f"{when} {edit.field}: {old} -> {new} ({edit.by or 'unknown'})", style="dim")

    def _date(self, utc_s: float) -> str:
        return f"{datetime.fromtimestamp(utc_s, UTC).astimezone(self._tz):%F %H:%M}"

    def _leak(self, leak: LeakEstimate, teller: TimeTeller, when: str) -> str:
        rates, flow = leak.rate_pa_per_s, leak.std_cm3_per_min
        bounds = f"{rate(rates.low, self._unit)} to {rate(rates.high, self._unit)}"
        if not leak.established or leak.onset_s is None:
            return f"none established; {when} {rate(rates.value, self._unit)} ({bounds})"
        return (
            f"{rate(rates.value, self._unit)} ({bounds}) {when}, {teller.since(leak.onset_s)}; "
            f"{two_digits(flow.value)} ({two_digits(flow.low)} to {two_digits(flow.high)}) "
            "standard cm3/min (0 C, 101325 Pa), "
            f"as through a hole of {1e6 * leak.orifice_m:.0f} um"
        )

    def _p(self, pa: float) -> str:
        return pressure(pa, self._unit)

    def _moment(self, t_s: float, utc_s: float | None) -> str:
        if utc_s is not None:
            return f"{datetime.fromtimestamp(utc_s, UTC).astimezone(self._tz):%H:%M:%S}"
        minutes, seconds = divmod(round(t_s), 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}"


def nights(console: Console, rows: Iterable[tuple[str, str]]) -> None:
    _table(console, ("night", "what happens"), rows, "what happens")


def settings(console: Console, settings: "Settings", path: Path) -> None:
    """Print the settings, pot by pot."""
    rows = []
    for pot_id, pot in settings.core_pots().items():
        unit = pot.pressure_unit
        places = ", ".join(place for place in Place if place in pot.thermometers) or "none"
        rows.append(
            (
                pot_id,
                pressure(pot.working_pa, unit),
                pressure(pot.floor_pa, unit),
                pressure(pot.maximum_pa, unit),
                places,
                span(pot.hold_s),
            )
        )
    _table(console, ("pot", "working", "floor", "maximum", "thermometer", "cure"), rows, "thermometer")
    console.print(f"{path}: settings are good; record {settings.record_file}")


def targets(console: Console, recipients: Iterable["Recipient"]) -> None:
    """Print who is notified of what on a phone."""
    rows = []
    for who in recipients:
        quiet = who.quiet_hours
        low = [priority for priority in who.priorities if priority is not Priority.HIGH]
        rows.append(
            (
                who.name,
                ", ".join(priority for priority in Priority if priority in who.priorities),
                f"{quiet.begin:%H:%M}-{quiet.end:%H:%M}" if quiet is not None and low else "",
                span(who.after_s) if who.after_s else "at once",
            )
        )
    if rows:
        _table(console, ("notified", "of", "quiet hours", "if unacknowledged for"), rows, "of")


def findings(console: Console, found: Iterable["Finding"]) -> None:
    """Print the results of a check."""
    _table(console, ("", "what", "state"), [(f.mark, f.what, f.says) for f in found], "state")


def wires(console: Console, rows: Iterable[tuple[str, bool, str]]) -> None:
    _table(
        console,
        ("wire", "answers", "says"),
        ((what, "yes" if ok else "NO", detail) for what, ok, detail in rows),
        "wire",
        "says",
    )


def pressures(console: Console, rows: Iterable[tuple[str, str, str]]) -> None:
    """Print the reading of each pot, and the likely fault of its wiring."""
    lines = list(rows)
    _table(console, ("pot", "reads", "worth checking"), lines, "worth checking")


def resolutions(console: Console, pots: Iterable[Pot], period_s: float) -> None:
    """Print how finely each pot's wiring resolves, and how soon it can show a small leak."""
    for pot in pots:
        if pot.transducer is not None:
            fine = resolution(pot.transducer, period_s)
            unit, leak = pot.pressure_unit, _SMALL_LEAK[pot.pressure_unit]
            pa = PRESSURE_UNITS_PA[unit]
            shown_s = fine.shown_after_s(leak * pa / SECONDS_PER_HOUR)
            console.print(
                f"{pot.pot_id}: this wiring resolves {_fine(fine.resolved_pa / pa)} {unit} "
                f"(one count is {_fine(fine.count_pa / pa)} {unit}); "
                f"the wiring alone would show a leak of {leak:g} {unit}/h in about {_roughly(shown_s)}"
            )
            if pot.transducer.reference is Reference.GAUGE and pot.transducer.span_pa < pot.maximum_pa:
                console.print(
                    f"{pot.pot_id}: its transducer ends at {pressure(pot.transducer.span_pa, unit)}, below "
                    f"the pot's maximum of {pressure(pot.maximum_pa, unit)}: it cannot see above that; "
                    "fit one that reaches beyond the maximum"
                )
    console.print(
        f"That is the wiring alone: air at constant temperature, a reading every {period_s:g} s, and a "
        f"transducer that scatters by {100.0 * USUAL_NOISE:g} % of its span. In a pot whose air warms and "
        "cools the watch takes longer: hours for a small leak."
    )


def _roughly(seconds: float) -> str:
    """Return a span to two digits: 12 min, 5 h, 5 h 20 min."""
    step_s = 60.0 if seconds < SECONDS_PER_HOUR else 600.0
    return span(round(seconds / step_s) * step_s)


def _fine(value: float) -> str:
    """Return a small number to two digits, never as a power of ten."""
    return f"{float(f'{value:.2g}'):.7f}".rstrip("0").rstrip(".")


def batches(console: Console, rows: Iterable[ListedBatch], unit: str, tz: tzinfo | None) -> None:
    """Print one line a batch."""
    lines = []
    for row in rows:
        began = ""
        if row.start_utc_s is not None:
            began = f"{datetime.fromtimestamp(row.start_utc_s, UTC).astimezone(tz):%F %H:%M}"
        verdict = "open" if row.verdict is None else str(row.verdict)
        lines.append(
            (
                str(row.id),
                row.pot_id,
                began,
                verdict,
                _leak_in_short(row, unit),
                str(row.alarms or ""),
                cast(row.details.get(Detail.OUTCOME, "")).removeprefix("cast "),
                row.rehearsed or "",
                row.label,
            )
        )
    heads = ("batch", "pot", "began", "verdict", "leak at end", "alarms", "cast", "rehearsed", "label")
    _table(console, heads, lines, "label")


def _leak_in_short(row: ListedBatch, unit: str) -> str:
    leak = row.leak_pa_per_s
    if leak is None:
        return ""
    return rate(leak.value, unit) if row.leak_established else f"< {rate(max(leak.high, 0.0), unit)}"


def pots(console: Console, rows: Iterable[Sequence[str]]) -> None:
    """Print the state of each pot, one line each; empty columns are left out."""
    lines = list(rows)
    filled = [i for i, head in enumerate(HEADS) if any(row[i] for row in lines)]
    heads = [HEADS[i] for i in filled]
    _table(console, heads, [[row[i] for i in filled] for row in lines], heads[-1])


def alarms(console: Console, standing: Iterable[tuple[str, AlarmEvent]], tz: tzinfo | None) -> None:
    rows = [
        (
            pot_id,
            ALARM_WORDS[event.alarm],
            event.alarm.value,
            event.priority.value,
            alarm_state(event, tz),
            in_words(event, TimeTeller(event.t_s, event.utc_s, tz)),
        )
        for pot_id, event in standing
    ]
    if rows:
        _table(console, ("pot", "alarm", "name", "priority", "state", "what to do"), rows, "what to do")
    else:
        console.print("no active alarms")


def _table(console: Console, heads: Sequence[str], rows: Iterable[Sequence[str]], *wraps: str) -> None:
    """Print a table; if it is too wide, only the columns `wraps` are folded.

    Off a terminal, and in a long table, each row is one line: rich takes a millisecond a row.
    """
    plain = [tuple(_one_line(cell) for cell in row) for row in rows]
    if not console.is_terminal or len(plain) > _LONG_TABLE:
        _plain_table(console, [tuple(heads), *plain])
        return
    lines = [tuple(escape(cell) for cell in row) for row in plain]
    table = Table(box=None, pad_edge=False)
    for i, head in enumerate(heads):
        widest = max([cell_len(head), *(cell_len(row[i]) for row in lines)])
        table.add_column(head, min_width=None if head in wraps else widest)
    for line in lines:
        table.add_row(*line)
    console.print(table)


def _plain_table(console: Console, rows: Sequence[tuple[str, ...]]) -> None:
    wide = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    wide[-1] = 0  # nothing follows it
    for row in rows:
        cells = (cell + " " * (width - cell_len(cell)) for cell, width in zip(row, wide, strict=True))
        console.file.write("  ".join(cells).rstrip() + "\n")


def _one_line(text: str) -> str:
    return " ".join(shown(text).split())
