"""Care that a pot was given, and what of it is due again."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from potvigil.model.events import Interval


class Part(StrEnum):
    """What of the pot was seen to."""

    SEAL = "seal"
    VALVE = "valve"
    RELIEF_VALVE = "relief-valve"
    INSPECTION = "inspection"
    TRANSDUCER = "transducer"  # calibrated or changed: it leaks no less than before
    THERMOMETER = "thermometer"  # a probe was moved or changed
    TIGHTNESS_TEST = "tightness-test"  # of the empty pot
    OTHER = "other"


# After these the pot may leak otherwise than before. An inspection changes nothing; of anything else nobody
# knows, and a baseline begun for nothing leaves the pot unjudged for five batches.
TIGHTNESS = (Part.SEAL, Part.VALVE, Part.RELIEF_VALVE)


@dataclass(frozen=True, slots=True)
class Care:
    """Maintenance to a pot. t_s: on the record's axis; utc_s: None where the wall clock was not known.

    due_utc_s: when somebody wants it done again. leak_pa_per_s: what a tightness test found.
    """

    utc_s: float | None
    t_s: float
    part: Part
    text: str
    by: str
    due_utc_s: float | None = None
    leak_pa_per_s: Interval | None = None


def due(cares: Iterable[Care], within_s: float, now_utc_s: float) -> list[Care]:
    """Return what is due, or will be within so long, the most pressing first.

    Only the newest care of each part counts: it was done again since.
    """
    newest = {care.part: care for care in sorted(cares, key=lambda care: (care.t_s, care.utc_s or 0.0))}
    dated = [(care.due_utc_s, care) for care in newest.values() if care.due_utc_s is not None]
    return [care for at_s, care in sorted(dated, key=lambda each: each[0]) if at_s <= now_utc_s + within_s]
