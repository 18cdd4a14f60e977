"""A report of a batch made by hand, a night of the demo studio, of which a test changes what it looks at."""

from dataclasses import replace
from datetime import UTC
from typing import Any

from demo_pot import LANTERN, PSI, UTC_S
from potvigil.model.events import Interval, Stage
from potvigil.model.pot import Resin
from potvigil.record.rows import BatchRow, RunRow, TraceRow
from potvigil.reports.model import BatchReport, Bubble, Pressed
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
