"""The report of a batch: the core's findings in words, tables and charts, as one self-contained HTML file."""

import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from potvigil import __version__
from potvigil.model.batch_details import is_flawed
from potvigil.model.events import (
    LAST_BATCH,
    Detail,
    Verdict,
)
from potvigil.record.errors import MissingLibraryError
from potvigil.reports.happenings import Happenings
from potvigil.reports.html import template
from potvigil.reports.model import BatchReport
from potvigil.reports.phrases import Phrases
from potvigil.reports.pictures import as_data_uri
from potvigil.reports.pressure_words import BAR_WIDE, PressureWords
from potvigil.units import span
from potvigil.wording.quantities import shown
from potvigil.wording.verdict import HELD_ABOVE_MAXIMUM, VERDICT_WORDS, was_above_maximum

# Shape and word repeat what the colour says; colours as in IEC 60073.
_SIGNS = {
    Verdict.HELD: ("●", "held"),
    Verdict.LEAKED: ("▲", "warned"),
    Verdict.FELL_BELOW_FLOOR: ("■", "failed"),
    Verdict.VENTED_EARLY: ("■", "failed"),
    Verdict.INCOMPLETE: ("○", "warned"),
}
_REPLAY = "replay of "  # how `potvigil replay` names its runs
_LONGEST_TITLE, _LONGEST_NAME = 90, 40


def report_html(report: BatchReport) -> str:
    """Return the report as HTML. Raises MissingLibraryError."""
    page = template("report.html")
    try:
        from potvigil.reports.charts.batch_chart import chart_svg
        from potvigil.reports.charts.chart_style import NARROW_IN, WIDE_IN
    except ImportError as error:
        raise MissingLibraryError.of(error.name or "a library", error) from error
    charts = {"wide": chart_svg(report, WIDE_IN), "narrow": chart_svg(report, NARROW_IN)}
    return page(charts=charts, **_Words(report).all())


def file_name(batch_id: int, label: str) -> str:
    """Return a file name for a batch, without extension: lower-case ASCII letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    words = "".join(letter if letter.isalnum() else " " for letter in plain).split()
    return "-".join([f"batch-{batch_id}", *words])[:_LONGEST_NAME].rstrip("-")


class _Words(Phrases):
    """The page's text, section by section."""

    def all(self) -> dict[str, Any]:
        report, summary = self.report, self.summary
        (sign, mood), verdict = _SIGNS[summary.verdict], VERDICT_WORDS[summary.verdict]
        if summary.verdict is Verdict.HELD and was_above_maximum(summary):
            sign, mood, verdict = "▲", "warned", HELD_ABOVE_MAXIMUM
        of_pressure, happenings = PressureWords(report), Happenings(report)
        return {
            "batch": report.row.id,
            "pot": shown(report.row.pot_id),
            "workshop": shown(str(report.settings.get("workshop", ""))),
            "title": self._title(),
            "when": self._when(),
            "rehearsed": self._rehearsed(),
            "sign": sign,
            "mood": mood,
            "verdict": verdict,
            "reason": _sentence(summary.reason),
            "unfinished": self._unfinished(),
            "facts": list(of_pressure.facts()),
            "note": shown(report.row.note),
            "details": list(self._details()),
            "cast": self._cast(),
            "pictures": [
                (shown(name), uri)
                for name, content in report.pictures
                if (uri := as_data_uri(content)) is not None
            ],
            "change": of_pressure.change(),
            "bars": of_pressure.bars(),
            "bar_wide": BAR_WIDE,
            "leak": of_pressure.leak(),
            "cure": of_pressure.cure(),
            "bubble": of_pressure.bubble(),
            "gaps": list(happenings.gaps()),
            "of_minutes": self._of_minutes(),
            "chart_words": self._chart_words(of_pressure.change()),
            "rows": list(happenings.rows()),
            "edits": list(happenings.edits()),
            "settings": list(_flat(report.settings)),
            "calibration": self._calibration(),
            "earlier_settings": report.earlier_settings,
            "versions": ", ".join(dict.fromkeys(run.version for run in report.runs)),
            "version": __version__,
            "zone": self._zone(),
        }

    # -- at a glance ------------------------------------------------------------------------------

    def _title(self) -> str:
        label = " ".join(shown(self.report.row.label).split())
        if not label:
            return f"Batch {self.report.row.id}"
        return label if len(label) <= _LONGEST_TITLE else f"{label[:_LONGEST_TITLE].rstrip()}…"

    def _when(self) -> str:
        start, end = self.report.local(self.summary.start_s), self.report.local(self.summary.end_s)
        lasted = span(self.summary.end_s - self.summary.start_s)
        if start is None or end is None:
            return f"{lasted}; the wall clock was not known"
        last_day = "" if start.date() == end.date() else f"{end:%a} {end.day} {end:%B %Y} "
        return f"{start:%a} {start.day} {start:%B %Y} {start:%H:%M} to {last_day}{end:%H:%M}, {lasted}"

    def _rehearsed(self) -> tuple[str, str] | None:
        night = self.report.row.rehearsed
        if night is None:
            return None
        if night.startswith(_REPLAY):
            log = shown(night.removeprefix(_REPLAY))
            return (
                "Replayed recording",
                f"Replayed afterwards from {log}; it warned nobody.",
            )
        return "Rehearsal", f"A simulated night ({shown(night)}): no pot, no resin, nothing measured."

    def _unfinished(self) -> str:
        if self.summary.complete:
            return ""
        why = "Still open" if self.report.row.end_t_s is None else "The record ends before the pot was vented"
        return f"{why}: this is the state at {self._clock(self.summary.end_s)}."

    def _chart_words(self, change: str) -> str:
        """Return what the chart shows, for screen readers."""
        return f"Pressure, leak rate and temperature over time. {change} {len(self.summary.alarms)} alarms."

    def _of_minutes(self) -> str:
        """Return what the curve lacks if it was shipped by the minute, else ''."""
        if not self.report.by_the_minute:
            return ""
        return (
            "By the minute: the studio was sent the mean of each minute's readings. A shorter dip, or a gap "
            "of up to two minutes, does not show here; the watch judged by every reading."
        )

    # -- what was in force -------------------------------------------------------------------------

    def _cast(self) -> tuple[str, str, str] | None:
        """Return how the cast came out, as (sign, mood, words); None where nobody entered it."""
        outcome = self.report.row.details.get(Detail.OUTCOME, "")
        flawed = is_flawed(outcome)
        if flawed is None:
            return None
        more = outcome.partition(":")[2].strip()
        said = ("The cast is flawed" if flawed else "The cast is good") + (f": {shown(more)}" if more else "")
        return ("■", "failed", f"{said}.") if flawed else ("●", "held", f"{said}.")

    def _details(self) -> Iterator[tuple[str, str]]:
        """Yield the details entered; the label is the title, and the note has its own place."""
        by = {edit.field: edit.by for edit in self.report.edits}
        label = " ".join(shown(self.report.row.label).split())
        if len(label) > _LONGEST_TITLE:
            yield "label", label
        for field in Detail:
            text = self.report.row.details.get(field, "")
            if text and field not in (Detail.LABEL, Detail.NOTE, Detail.OUTCOME):
                taken_over = " (as the last batch)" if by.get(field) == LAST_BATCH else ""
                yield field.replace("-", " "), self._detail(field, text) + taken_over

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
        local = self.report.local(self.summary.start_s)
        if local is None:
            return "Times are counted from the batch's start."
        zone = shown(str(self.report.settings.get("timezone", "")))
        offset = local.isoformat()[-6:]
        return f"Times are local{f' ({zone})' if zone else ''}, {offset} from UTC."


def _flat(tree: Mapping[str, object], above: str = "") -> Iterator[tuple[str, str]]:
    """Yield settings as (path, value), in the wording of the file."""
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


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text else ""
