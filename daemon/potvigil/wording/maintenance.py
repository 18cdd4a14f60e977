"""Maintenance that is due again, in words."""

from collections.abc import Iterable
from datetime import tzinfo

from potvigil.model.maintenance import Care, Part, due
from potvigil.wording.quantities import shown, whole_date

SOON_S = 30 * 86_400.0


_DUE = {
    Part.SEAL: "the seal",
    Part.VALVE: "the valves",
    Part.RELIEF_VALVE: "the relief valve",
    Part.INSPECTION: "an inspection",
    Part.TRANSDUCER: "transducer calibration",
    Part.THERMOMETER: "the thermometer",
    Part.TIGHTNESS_TEST: "a tightness test",
    Part.OTHER: "maintenance",
}


def reminders(cares: Iterable[Care], now_utc_s: float, tz: tzinfo | None) -> tuple[list[str], list[str]]:
    """Return a sentence for each part that is overdue, and for each that will be due within a month."""
    overdue: list[str] = []
    soon: list[str] = []
    for care in due(cares, SOON_S, now_utc_s):
        assert care.due_utc_s is not None
        is_late = care.due_utc_s < now_utc_s
        told = f": {shown(care.text)}" if care.text else ""
        last = "" if care.utc_s is None else f" (last on {whole_date(care.utc_s, tz)}{told})"
        when = f"{'Overdue since' if is_late else 'Due on'} {whole_date(care.due_utc_s, tz)}"
        (overdue if is_late else soon).append(f"{when}: {_DUE[care.part]}{last}.")
    return overdue, soon
