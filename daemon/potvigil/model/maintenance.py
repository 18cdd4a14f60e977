"""Maintenance done on a pot, and what is due again."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from potvigil.model.events import Interval


class Part(StrEnum):
    """Which part of the pot was maintained."""

    SEAL = "seal"
    VALVE = "valve"
    RELIEF_VALVE = "relief-valve"
    INSPECTION = "inspection"
    TRANSDUCER = "transducer"  # calibrated or changed: that does not affect the leak
    THERMOMETER = "thermometer"  # a probe was moved or changed
    TIGHTNESS_TEST = "tightness-test"  # of the empty pot
    OTHER = "other"


# After these the pot may leak more or less than before. An inspection changes nothing; of anything else we do
# not know, and a baseline restarted for nothing leaves the pot unjudged for five batches.
TIGHTNESS = (Part.SEAL, Part.VALVE, Part.RELIEF_VALVE)


@dataclass(frozen=True, slots=True)
class Care:
    """Maintenance on a pot. t_s: on the record's axis; utc_s: None where the wall clock was unknown.

    due_utc_s: when it should be done again. leak_pa_per_s: what a tightness test found.
    """

    utc_s: float | None
    t_s: float
    part: Part
    text: str
    by: str
    due_utc_s: float | None = None
    leak_pa_per_s: Interval | None = None


def due(cares: Iterable[Care], within_s: float, now_utc_s: float) -> list[Care]:
    """Return what is due, or will be within so long, most urgent first.

    Only the newest care of each part counts.
    """
    newest = {care.part: care for care in sorted(cares, key=lambda care: (care.t_s, care.utc_s or 0.0))}
    dated = [(care.due_utc_s, care) for care in newest.values() if care.due_utc_s is not None]
    return [care for at_s, care in sorted(dated, key=lambda each: each[0]) if at_s <= now_utc_s + within_s]
