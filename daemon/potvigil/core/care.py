"""Care that a pot was given."""

from dataclasses import dataclass
from enum import StrEnum


class Part(StrEnum):
    """What of the pot was seen to."""

    SEAL = "seal"
    VALVE = "valve"
    RELIEF_VALVE = "relief-valve"
    INSPECTION = "inspection"
    TRANSDUCER = "transducer"  # calibrated: it leaks no less than before
    OTHER = "other"


# After these the pot may leak otherwise than before. An inspection changes nothing; of anything else nobody
# knows, and a baseline begun for nothing leaves the pot unjudged for five batches.
TIGHTNESS = (Part.SEAL, Part.VALVE, Part.RELIEF_VALVE)


@dataclass(frozen=True, slots=True)
class Care:
    """Care given to a pot. t_s: on the record's axis; utc_s: None where the wall clock was not known."""

    utc_s: float | None
    t_s: float
    part: Part
    text: str
    by: str
