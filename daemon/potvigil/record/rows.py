"""What the record returns besides samples, events and commands."""

from dataclasses import dataclass
from typing import Self

from potvigil.model.events import AlarmId, Answer, BatchSummary, Detail, Interval, Snapshot, Stage, Verdict
from potvigil.model.maintenance import Care, Part

# A leak estimate comes every 20 s; one older than this is not current.
_STALE_S = 120.0


@dataclass(frozen=True, slots=True)
class RunRow:
    """One start of the watch; t_s = boot time + axis_offset_s.

    gap_known: False where it is unknown how long the machine was off before it. rehearsed: which night was
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
class AskedRow:
    """A command and its result. answer: None where there is none yet; taken: by a watch."""

    pot_id: str
    taken: bool
    answer: Answer | None


@dataclass(frozen=True, slots=True)
class DeliveryRow:
    """A try to notify somebody of an alarm on their phone, on the record's axis.

    pot_id: None where the watch itself had fallen silent. target: their name. kind: of message (see
    notifying/schedule.py). fault: why it failed, None where it was sent.
    """

    t_s: float
    utc_s: float | None
    pot_id: str | None
    alarm: AlarmId
    target: str
    kind: str
    fault: str | None


@dataclass(frozen=True, slots=True)
class EditRow:
    """A change of a detail of a batch. t_s: on the record's axis, None where the watch had no part in it."""

    field: Detail
    old: str
    new: str
    by: str
    t_s: float | None
    utc_s: float | None


@dataclass(frozen=True, slots=True)
class ListedBatch:
    """A batch as one line of a list: BatchRow's fields without the summary, and what people look for.

    end_t_s, end_utc_s, verdict: None while it is open. leak_pa_per_s: at the end of the hold, None where
    there was no estimate. leak_t_s: when that was, on the record's axis. alarms: how many were raised.
    above_maximum: whether over-pressure was one of them.
    """

    id: int
    pot_id: str
    start_t_s: float
    start_utc_s: float | None
    end_t_s: float | None
    end_utc_s: float | None
    rehearsed: str | None
    verdict: Verdict | None
    details: dict[Detail, str]
    leak_pa_per_s: Interval | None
    leak_t_s: float | None
    leak_established: bool
    alarms: int
    above_maximum: bool

    @property
    def label(self) -> str:
        return self.details.get(Detail.LABEL, "")


@dataclass(frozen=True, slots=True)
class LeakRow:
    """The leak of a closed batch at the end of its hold. t_s: when, on the record's axis; utc_s: its start.

    rate_pa_per_s: None where there was no estimate.
    """

    batch_id: int
    t_s: float
    utc_s: float | None
    rate_pa_per_s: Interval | None
    established: bool
    verdict: Verdict
    rehearsed: str | None


@dataclass(frozen=True, slots=True)
class TaughtRow:
    """What was known of a pot after a batch that taught. mould: of that batch, "" where none was named.

    end_t_s: of that batch, on the record's axis. batches: how many had taught by then. found: as JSON.
    """

    batch_id: int
    end_t_s: float
    mould: str
    batches: int
    found: str


@dataclass(frozen=True, slots=True)
class TraceRow:
    """What the watch knew at a moment, on the record's axis: Pa gauge, K, Pa/s. None is unknown.

    leak_pa_per_s: positive = air lost; None where there was no fresh estimate. floor_*: when the floor would
    be passed; floor_latest_s None: perhaps never.
    """

    t_s: float
    stage: Stage
    gauge_pa: float | None
    corrected_gauge_pa: float | None
    gas_k: float | None
    wall_k: float | None
    room_k: float | None
    contents_k: float | None
    leak_pa_per_s: Interval | None
    leak_established: bool
    floor_s: float | None
    floor_earliest_s: float | None
    floor_latest_s: float | None
    cure_progress: float | None
    cure_done_s: float | None

    @classmethod
    def of(cls, snapshot: Snapshot) -> Self:
        """Return the part of a snapshot that is kept."""
        is_shut = snapshot.stage in (Stage.SETTLING, Stage.HOLDING)
        leak = snapshot.leak
        if leak is not None and not (is_shut and snapshot.t_s - leak.t_s < _STALE_S):
            leak = None
        reading, forecast, cure = snapshot.reading, snapshot.forecast, snapshot.cure
        return cls(
            t_s=snapshot.t_s,
            stage=snapshot.stage,
            gauge_pa=reading.gauge_pa,
            corrected_gauge_pa=snapshot.corrected_gauge_pa if is_shut else None,
            gas_k=reading.gas_k,
            wall_k=reading.wall_k,
            room_k=reading.room_k,
            contents_k=reading.contents_k,
            leak_pa_per_s=None if leak is None else leak.rate_pa_per_s,
            leak_established=leak is not None and leak.established,
            floor_s=None if forecast is None else forecast.crossing_s,
            floor_earliest_s=None if forecast is None else forecast.earliest_s,
            floor_latest_s=None if forecast is None else forecast.latest_s,
            cure_progress=None if cure is None else cure.progress,
            cure_done_s=None if cure is None else cure.done_s,
        )


@dataclass(frozen=True, slots=True)
class CareRow:
    """Care of a pot. t_s: on the record's axis, after the last batch that started before it.

    due_utc_s: when it is due again, None where nobody said. leak_pa_per_s: found by a tightness test.
    """

    id: int
    utc_s: float
    t_s: float
    part: str
    text: str
    by: str
    due_utc_s: float | None = None
    leak_pa_per_s: Interval | None = None

    @property
    def care(self) -> Care:
        return Care(
            self.utc_s, self.t_s, Part(self.part), self.text, self.by, self.due_utc_s, self.leak_pa_per_s
        )
