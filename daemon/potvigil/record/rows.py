"""What the record gives back besides samples, events and commands."""

from dataclasses import dataclass

from potvigil.core.event import BatchSummary, Detail, Verdict


@dataclass(frozen=True, slots=True)
class RunRow:
    """One start of the watch; t_s = boot time + axis_offset_s.

    gap_known: False where nobody can say how long the machine was off before it. rehearsed: what night was
    rehearsed, None when it was real.
    """

    id: int
    boot_id: str
    start_t_s: float
    axis_offset_s: float
    start_utc_s: float | None
    settings_json: str
    rehearsed: str | None
    version: str
    gap_known: bool


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One batch. End, verdict and summary are None while it is open; run_id, rehearsed: as of its opening."""

    id: int
    pot_id: str
    run_id: int | None
    start_t_s: float
    start_utc_s: float | None
    end_t_s: float | None
    end_utc_s: float | None
    details: dict[Detail, str]
    rehearsed: str | None
    verdict: Verdict | None
    summary: BatchSummary | None

    @property
    def label(self) -> str:
        return self.details.get(Detail.LABEL, "")

    @property
    def note(self) -> str:
        return self.details.get(Detail.NOTE, "")


@dataclass(frozen=True, slots=True)
class EditRow:
    """A change of a detail of a batch. t_s: on the record's axis, None where the watch had no part in it."""

    field: Detail
    old: str
    new: str
    by: str
    t_s: float | None
    utc_s: float | None
