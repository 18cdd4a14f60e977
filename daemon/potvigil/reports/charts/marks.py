"""The moments marked through all panels of a batch's chart, and where their names go."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from potvigil.model.events import AlarmEvent, AlarmState, NoteEvent, NoteId, Priority, Stage
from potvigil.reports.charts.chart_style import (
    ALARM,
    DASHED,
    DOTTED,
    INK,
    QUIET,
    width_of,
)
from potvigil.reports.charts.time_axis import TimeAxis
from potvigil.wording.alarm_names import ALARM_WORDS

NAMED_TOP_UPS, NAMED_ALARMS = 4, 8


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment marked through all panels and named above them."""

    hours: float
    text: str
    colour: str
    style: Any
    width: float = 0.9


def marks_of(across: TimeAxis) -> list[Mark]:
    """Return the marks of a batch, ordered by time."""
    return sorted(_marks(across), key=lambda mark: mark.hours)


def _marks(across: TimeAxis) -> Iterator[Mark]:
    report = across.report
    alarms = [
        event
        for event in report.events
        if isinstance(event, AlarmEvent) and event.state is AlarmState.UNACKNOWLEDGED and not event.repeat
    ]
    for number, alarm in enumerate(alarms):
        sign = "▲" if alarm.priority is Priority.HIGH else "△"
        text = f"{sign} {ALARM_WORDS[alarm.alarm]} {report.clock(alarm.t_s)}" if number < NAMED_ALARMS else ""
        yield Mark(across.hours(alarm.t_s), text, ALARM, "-", 1.3)
    top_ups = [
        event for event in report.events if isinstance(event, NoteEvent) and event.note is NoteId.TOP_UP
    ]
    for number, note in enumerate(top_ups):
        text = f"topped up {report.clock(note.t_s)}"
        if len(top_ups) > NAMED_TOP_UPS:
            text = f"topped up {len(top_ups)} times" if number == 0 else ""
        yield Mark(across.hours(note.t_s), text, INK, DASHED, 0.7)
    if report.gel_s is not None and across.hours(report.gel_s) <= across.end_h:
        yield Mark(across.hours(report.gel_s), f"gel {report.clock(report.gel_s)}", QUIET, DOTTED)
    if report.summary.cure.progress >= 1.0:
        done_s = report.summary.cure.done_s
        yield Mark(across.hours(done_s), f"cure done {report.clock(done_s)}", QUIET, DOTTED)
    vent_s = report.summary.stages.get(Stage.VENTING)
    if vent_s is not None:
        yield Mark(across.hours(vent_s), f"vented {report.clock(vent_s)}", QUIET, "-.")


def places_of(marks: list[Mark], across: TimeAxis) -> list[tuple[int, int]]:
    """Return (row, side) of each mark's name, so that it meets no other name and no other mark's line.

    side: 1 right of its line, -1 left of it. A name goes right where there is room; where names would cross,
    one of them is tried on its other side.
    """
    usual = [1 if _fits(mark, across, 1) else -1 for mark in marks]
    tries = [usual]
    for i, mark in enumerate(marks):
        if _fits(mark, across, -usual[i]):
            tries.append([*usual[:i], -usual[i], *usual[i + 1 :]])
    placed = min(
        (_placed_by(marks, across, sides, first) for sides in tries for first in (-1, 1)),
        key=lambda each: each[:2],
    )
    return placed[2]


def _placed_by(
    marks: list[Mark], across: TimeAxis, sides: list[int], first: int
) -> tuple[int, int, list[tuple[int, int]]]:
    """Place the names of side `first`, then the others; return how many cross, the top row, the places."""
    # of names left of their lines the leftmost is lowest, of those on the right the rightmost
    order = sorted(range(len(marks)), key=lambda i: (sides[i] != first, -sides[i] * marks[i].hours))
    placed: list[tuple[float, float, float, int]] = []
    rows = [0] * len(marks)
    crossing = 0
    for i in order:
        at = marks[i].hours
        low, high = sorted((at, at + across.hours_of(width_of(marks[i].text) + 0.06) * sides[i]))
        free = [
            row
            for row in range(len(marks) + 1)
            if not any(
                (low < other_high and other_low < high and row == other_row)
                or (other_low <= at <= other_high and other_row <= row)
                or (low <= other_at <= high and row <= other_row)
                for other_at, other_low, other_high, other_row in placed
            )
        ]
        crossing += not free
        rows[i] = free[0] if free else 1 + max(row for *_, row in placed)
        placed.append((at, low, high, rows[i]))
    return crossing, max(rows, default=0), list(zip(rows, sides, strict=True))


def _fits(mark: Mark, across: TimeAxis, side: int) -> bool:
    room_in = across.inches(across.end_h - mark.hours) + across.right_in
    if side < 0:
        room_in = across.inches(mark.hours) + across.left_in
    return width_of(mark.text) + 0.05 < room_in
