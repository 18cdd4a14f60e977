"""A report of a batch made by hand, a night of the demo studio, of which a test changes what it looks at."""

from dataclasses import replace
from datetime import UTC
from typing import Any

import numpy as np

from demo_pot import LANTERN, PSI, UTC_S
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchOpened,
    Interval,
    NoteEvent,
    NoteId,
    Priority,
    Stage,
    StageEvent,
)
from potvigil.model.pot import Resin
from potvigil.record.rows import BatchRow, RunRow, TraceRow
from potvigil.reports.model import BatchReport, Bubble, Pressed, ReadingGap
from record_night import SUMMARY

# 2026-01-01 22:00 UTC is 100 s of the axis
LESS_T_S = UTC_S - 100.0
RUN = RunRow(1, "boot-a", 0.0, 0.0, UTC_S, "{}", None, "1.0", True)
POT = replace(LANTERN, tz=UTC)
NO_DETAILS = replace(SUMMARY, details={})
BUBBLE = Bubble(Pressed(60 * PSI, 0.58), Pressed(59.5 * PSI, 0.6), Pressed(54 * PSI, 0.64), None)


def made_report(**changes: Any) -> BatchReport:
    summary = changes.pop("summary", NO_DETAILS)
    details = changes.pop("details", {})
    row = BatchRow(
        *(
            7,
            "lantern",
            1,
            summary.start_s,
            UTC_S,
            summary.end_s,
            None,
            details,
            changes.pop("rehearsed", None),
        ),
        *(summary.verdict, summary),
    )
    known: dict[str, Any] = {
        "row": row,
        "pot": POT,
        "summary": summary,
        "events": (),
        "edits": (),
        "runs": (RUN,),
        "gauge": (),
        "traces": (),
        "silences": (),
        "bubble": BUBBLE,
        "resin": Resin(36_000.0),
        "gel_s": None,
        "settings": {},
        "earlier_settings": False,
        "utc_less_t_s": LESS_T_S,
    }
    return BatchReport(**(known | changes))


def trace(t_s: float, **changes: Any) -> TraceRow:
    """Return what the watch knew at a moment of the hold: 59 psi, no leak established, 20 C in the gas."""
    known = TraceRow(
        t_s=t_s,
        stage=Stage.HOLDING,
        gauge_pa=59.0 * PSI,
        corrected_gauge_pa=59.5 * PSI,
        gas_k=293.15,
        wall_k=None,
        room_k=None,
        contents_k=None,
        leak_pa_per_s=Interval(0.0, -0.1 * PSI / 3600.0, 0.1 * PSI / 3600.0),
        leak_established=False,
        floor_s=None,
        floor_earliest_s=None,
        floor_latest_s=None,
        cure_progress=0.5,
        cure_done_s=35_100.0,
    )
    return replace(known, **changes)


# The night begins at 100 s, which is ten in the evening, and ends at 36 500 s: 10.11 h
HOUR_PSI = PSI / 3600.0
STAGES = {Stage.FILLING: 160.0, Stage.SETTLING: 700.0, Stage.HOLDING: 2500.0, Stage.VENTING: 36_110.0}


def alarm(t_s: float, which: AlarmId, priority: Priority = Priority.HIGH, **more: object) -> AlarmEvent:
    event = AlarmEvent(t_s, LESS_T_S + t_s, which, AlarmState.UNACKNOWLEDGED, priority, "Air is lost.")
    return replace(event, **more)


EVENTS = (
    BatchOpened(100.0, None),
    *(StageEvent(t_s, None, stage) for stage, t_s in STAGES.items()),
    alarm(7300.0, AlarmId.LEAK, Priority.LOW),
    alarm(14_500.0, AlarmId.FLOOR_AHEAD),
    alarm(14_600.0, AlarmId.FLOOR_AHEAD, repeat=True),
    alarm(14_700.0, AlarmId.FLOOR_AHEAD, state=AlarmState.ACKNOWLEDGED),
    NoteEvent(18_100.0, None, NoteId.TOP_UP, "by 3 psi"),
)


def pressure_psi(t_s: float) -> float | None:
    """What was read: filled to 60 psi, a fall of 6 psi over the hold, twenty minutes of silence, vented."""
    if 20_000.0 <= t_s < 21_200.0:
        return None
    return float(np.interp(t_s, [100.0, 700.0, 36_110.0, 36_300.0], [0.0, 60.0, 54.0, 0.0]))


def made_night(**changes: object) -> BatchReport:
    """Return a report of that night: a leak, an alarm of each priority, a top-up, gel, cure and vent."""
    gauge = tuple(
        (float(t_s), None if (psi := pressure_psi(t_s)) is None else psi * PSI)
        for t_s in range(100, 36_501, 100)
    )
    traces = tuple(
        trace(
            float(t_s),
            stage=next((each for each, at_s in reversed(STAGES.items()) if t_s >= at_s), Stage.OPEN),
            gauge_pa=None if (psi := pressure_psi(t_s)) is None else psi * PSI,
            corrected_gauge_pa=(60.0 - 4.0 * (t_s - 700.0) / 36_000.0) * PSI if t_s > 700 else None,
            wall_k=294.15 if t_s < 30_000 else None,
            room_k=292.15 - t_s / 36_000.0,
            leak_pa_per_s=None if t_s < 3000 else Interval(*(x * HOUR_PSI for x in (0.5, 0.4, 0.7))),
            leak_established=t_s > 7000,
        )
        for t_s in range(160, 36_500, 60)
    )
    known: dict[str, object] = {
        "events": EVENTS,
        "gauge": gauge,
        "traces": traces,
        "silences": (ReadingGap(20_000.0, 21_200.0, "bus error"),),
        "gel_s": 10_900.0,
        "summary": replace(NO_DETAILS, stages=STAGES),
    }
    return made_report(**(known | changes))
