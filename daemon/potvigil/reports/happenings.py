"""The sections of a report that say what happened, and when: events, deliveries, edits, gaps."""

from collections.abc import Iterator
from dataclasses import dataclass

from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Event,
    NoteEvent,
    Priority,
    StageEvent,
)
from potvigil.reports.charts.chart_data import thermometer_gaps
from potvigil.reports.phrases import Phrases
from potvigil.units import span
from potvigil.wording.alarm import in_words
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import TimeTeller, alarm_state, shown

# By the kind of a delivery; any other "was notified".
_DELIVERED = {"again": "was notified again", "changed": "was sent the outcome", "test": "was sent a test"}


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the table of events. sign: of an alarm's priority. day: makes it a heading."""

    time: str
    what: str
    text: str
    sign: str = ""
    day: str = ""


class Happenings(Phrases):
    """The sections of a report that follow the clock."""

    def gaps(self) -> Iterator[str]:
        for silence in self.report.silences:
            yield (
                f"No good reading from {self._clock(silence.from_s)} to {self._clock(silence.to_s)} "
                f"({span(silence.to_s - silence.from_s)}): {shown(silence.why)}."
            )
        for place, from_s, to_s in thermometer_gaps(self.report):
            yield (
                f"No reading of the {place} thermometer from {self._clock(from_s)} to {self._clock(to_s)} "
                f"({span(to_s - from_s)}); what the temperature did then is not known."
            )
        if not self.pot.thermometers:
            yield "Temperature: no thermometer is fitted, so cooling and air loss are hard to tell apart."
        for run in self.report.runs[1:]:
            unsure = "" if run.gap_known else "; how long the machine was off before is not known"
            yield f"The watch was started again at {self._clock(run.start_t_s)}{unsure}."

    def rows(self) -> Iterator[Row]:
        report = self.report
        timed = [(event.t_s, row) for event in report.events if (row := self._event(event)) is not None]
        timed += self._deliveries()
        if report.gel_s is not None:
            timed.append((report.gel_s, Row(self._moment(report.gel_s), "cure", "Gel, by the cure clock.")))
        if self.summary.floor_crossed_s is not None:
            at_s = self.summary.floor_crossed_s
            timed.append(
                (at_s, Row(self._moment(at_s), "floor", f"Below {self._p(self.pot.floor_pa)} from here."))
            )
        timed.sort(key=lambda each: each[0])
        day = None
        for t_s, row in timed:
            local = report.local(t_s)
            if local is not None and local.date() != day:
                day = local.date()
                yield Row("", "", "", day=f"{local:%A} {local.day} {local:%B %Y}")
            yield row

    def _deliveries(self) -> Iterator[tuple[float, Row]]:
        """Yield who was notified; of consecutive failures only the first."""
        failed: set[tuple[str, AlarmId]] = set()
        for each in self.report.deliveries:
            key = each.target, each.alarm
            name = ALARM_WORDS[each.alarm] if each.pot_id is not None else "the watch is silent"
            if each.fault is None:
                failed.discard(key)
                text = f"{shown(each.target)} {_DELIVERED.get(each.kind, 'was notified')}: {name}."
            elif key not in failed:
                failed.add(key)
                text = f"{shown(each.target)} was not reached: {name} ({shown(each.fault)})."
            else:
                continue
            yield each.t_s, Row(self._moment(each.t_s), "notice", text)

    def edits(self) -> Iterator[Row]:
        for edit in self.report.edits:
            at = "" if edit.utc_s is None else f"{self.report.local_of_utc(edit.utc_s):%d %b %H:%M}"
            before = (
                f", before: {self._detail(edit.field, edit.old)}" if edit.old not in ("", edit.new) else ""
            )
            text = self._detail(edit.field, edit.new) or "(cleared)"
            yield Row(at, edit.field.replace("-", " "), f"{text} ({shown(edit.by) or 'unknown'}{before})")

    def _alarm_text(self, alarm: AlarmEvent) -> str:
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
                    return Row(time, ALARM_WORDS[event.alarm], self._alarm_text(event), sign)
                state = alarm_state(event, self.pot.tz)
                return Row(time, ALARM_WORDS[event.alarm], f"{state[:1].upper()}{state[1:]}.")
            case NoteEvent():
                return Row(time, event.note.value, shown(event.text))
            case BatchOpened():
                return Row(time, "batch", "Opened.")
            case BatchClosed():
                return Row(time, "batch", "Closed.")
        return None
