"""What goes into the watch besides samples (commands), and what comes out (events and the snapshot)."""

from dataclasses import dataclass
from dataclasses import field as dataclass_field
from enum import StrEnum

from potvigil.model.reading import Reading

LAST_BATCH = "last batch"  # who gave a carried-over detail
NORMAL_95 = 1.959964  # 95 % of a normal distribution is within so many sigma


class Stage(StrEnum):
    OPEN = "open"
    FILLING = "filling"
    SETTLING = "settling"
    HOLDING = "holding"
    VENTING = "venting"


class Priority(StrEnum):
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class AlarmState(StrEnum):
    """As in IEC 62682 / ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    SHELVED = "shelved"


class AlarmId(StrEnum):
    OVER_PRESSURE = "over-pressure"
    RAPID_LOSS = "rapid-loss"
    BELOW_FLOOR = "below-floor"
    FLOOR_AHEAD = "floor-ahead"
    LEAK = "leak"
    SUPPLY_MASKING = "supply-masking"
    SLOW_TO_PRESSURE = "slow-to-pressure"
    VENTED_EARLY = "vented-early"
    PRESSURE_SENSOR = "pressure-sensor"
    THERMOMETER = "thermometer"
    READINGS_STOPPED = "readings-stopped"
    WATCH_FAILING = "watch-failing"
    RECORD_FAILING = "record-failing"
    CLOCK_UNSET = "clock-unset"
    SIGNALS_FAILING = "signals-failing"
    NOTIFY_FAILING = "notify-failing"
    TEST = "test"

    __hash__ = str.__hash__  # enum's own is Python code, and these are keys many times a sample


class Verdict(StrEnum):
    """The one-word verdict on a batch."""

    HELD = "held"
    LEAKED = "leaked"  # air was lost, but stayed above the floor until the cure was done
    FELL_BELOW_FLOOR = "fell-below-floor"
    VENTED_EARLY = "vented-early"
    INCOMPLETE = "incomplete"  # the record's gaps are too large to judge


class NoteId(StrEnum):
    TOP_UP = "top-up"
    CURE_LENGTH = "cure-length"  # the cure takes longer or shorter than the resin's nominal hold time
    CURE_DONE = "cure-done"
    THERMOMETER_BACK = "thermometer-back"
    REFUSED = "refused"  # the watch refused a command, and why
    CARE_DUE = "care-due"  # a part of the pot is due for maintenance
    READINGS_LOST = "readings-lost"  # the record could not be written for longer than memory holds


class Detail(StrEnum):
    """What a person may enter about a batch; each is a text, see model/batch_details.py."""

    LABEL = "label"
    RESIN = "resin"
    MOULD = "mould"
    COLOUR = "colour"
    MASS = "mass"
    MIXED_AT = "mixed-at"
    NOTE = "note"
    PICTURES = "pictures"  # file names, one a line
    OUTCOME = "outcome"  # good or flawed, with an optional remark


class Action(StrEnum):
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    EDIT = "edit"
    OPEN = "open"
    CLOSE = "close"
    TEST_ALARM = "test-alarm"


@dataclass(frozen=True, slots=True)
class Command:
    """A request to a watch.

    alarm: None for all active ones. duration_s: of a shelving. field: which detail an edit changes to `text`.
    text: of a test alarm, its priority; empty for low. row: the number of the record's row that holds the
    request, None for none.
    """

    action: Action
    t_s: float
    alarm: AlarmId | None = None
    text: str = ""
    duration_s: float | None = None
    by: str = ""
    field: Detail | None = None
    row: int | None = dataclass_field(default=None, compare=False)


class Outcome(StrEnum):
    DONE = "done"
    REFUSED = "refused"  # nothing changed
    FAILED = "failed"  # attempted, but part of it did not work


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a command, and the words for it."""

    outcome: Outcome
    text: str


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its 95 % interval; all three in the unit named by the field."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class LeakEstimate:
    """The air being lost at t_s.

    rate_pa_per_s: fall of the corrected pressure, positive = air lost; pa_m3_per_s: the same as a pV flow at
    the gas temperature; std_cm3_per_min: at 0 C and 101325 Pa; orifice_m: diameter of the ideal hole that
    loses as much. onset_s: when it started, on the record's axis, None while no leak is established.
    established: lost beyond doubt.
    """

    t_s: float
    rate_pa_per_s: Interval
    pa_m3_per_s: Interval
    std_cm3_per_min: Interval
    orifice_m: float
    onset_s: Interval | None
    established: bool


@dataclass(frozen=True, slots=True)
class FloorForecast:
    """When the floor is passed if nothing is done, on the record's axis. latest_s None: perhaps never.

    top_up_until_s: how long a top-up to working pressure now lasts, by its early 95 % end; None without a
    leak.
    """

    crossing_s: float
    earliest_s: float
    latest_s: float | None
    before_cure_done: bool
    top_up_until_s: float | None


@dataclass(frozen=True, slots=True)
class Change:
    """Why the gauge pressure changed since the hold started, Pa; the four causes add up to the total."""

    total_pa: float
    cooling_pa: float
    barometer_pa: float
    leak_pa: float
    top_up_pa: float


@dataclass(frozen=True, slots=True)
class Cure:
    """progress: 0 to 1. done_s: when the cure is (or was) done, on the record's axis.

    early_s, late_s: its 95 % interval; None where it does not depend on the temperature to come.
    """

    progress: float
    done_s: float
    early_s: float | None = None
    late_s: float | None = None


@dataclass(frozen=True, slots=True)
class StandingAlarm:
    """An alarm that is not normal.

    do: what to do, by when on the record's axis (by_s; None without an end); text: why. until_utc_s: of a
    shelving; None without one, or without a wall clock. wording/alarm.py puts it into words.
    announced_s: when it was last raised or repeated; None where known only from the record.
    by_whom: as of AlarmEvent.
    """

    alarm: AlarmId
    priority: Priority
    state: AlarmState
    since_s: float
    since_utc_s: float | None
    text: str
    until_utc_s: float | None = None
    do: str = ""
    by_s: float | None = None
    announced_s: float | None = None
    by_whom: str = ""


@dataclass(frozen=True, slots=True)
class StageEvent:
    t_s: float
    utc_s: float | None
    stage: Stage


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """An alarm changed its state, or is announced again (repeat).

    text, until_utc_s, do, by_s: as of StandingAlarm; do is empty in records of earlier versions. by_whom: who
    acknowledged it, as in model/who.py; empty where nobody did, or in a record of an earlier version.
    """

    t_s: float
    utc_s: float | None
    alarm: AlarmId
    state: AlarmState
    priority: Priority
    text: str
    leak_rate_pa_per_s: float | None = None
    floor_forecast_s: float | None = None
    repeat: bool = False
    until_utc_s: float | None = None
    do: str = ""
    by_s: float | None = None
    by_whom: str = ""


@dataclass(frozen=True, slots=True)
class NoteEvent:
    t_s: float
    utc_s: float | None
    note: NoteId
    text: str


@dataclass(frozen=True, slots=True)
class EditEvent:
    """A detail of the batch was changed, and by whom: LAST_BATCH where it was carried over."""

    t_s: float
    utc_s: float | None
    field: Detail
    old: str
    new: str
    by: str


@dataclass(frozen=True, slots=True)
class BatchOpened:
    """A batch started; t_s is the time of its first sample (replay starts there)."""

    t_s: float
    utc_s: float | None


@dataclass(frozen=True, slots=True)
class BatchAlarm:
    alarm: AlarmId
    raised_s: float
    returned_s: float | None


@dataclass(frozen=True, slots=True)
class BatchSummary:
    """A batch and its verdict. Times on the record's axis, pressures Pa; None is unknown or did not happen.

    stages: when each was first entered. complete: False while the batch is still open. known_from: how many
    earlier batches of the pot taught its constants.
    """

    pot_id: str
    verdict: Verdict
    reason: str
    complete: bool
    start_s: float
    start_utc_s: float | None
    end_s: float
    stages: dict[Stage, float]
    hold_start_s: float | None
    hold_end_s: float | None
    hold_start_gauge_pa: float | None
    hold_end_gauge_pa: float | None
    lowest_gauge_pa: float | None
    change: Change | None
    leak: LeakEstimate | None
    floor_crossed_s: float | None
    floor_forecast_s: float | None
    cure: Cure
    top_ups: int
    alarms: tuple[BatchAlarm, ...]
    details: dict[Detail, str] = dataclass_field(default_factory=dict)
    known_from: int = 0

    @property
    def label(self) -> str:
        return self.details.get(Detail.LABEL, "")

    @property
    def note(self) -> str:
        return self.details.get(Detail.NOTE, "")


@dataclass(frozen=True, slots=True)
class BatchClosed:
    t_s: float
    utc_s: float | None
    summary: BatchSummary


Event = StageEvent | AlarmEvent | NoteEvent | EditEvent | BatchOpened | BatchClosed


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything known of a pot at this moment. None is unknown.

    corrected_gauge_pa: what the gauge would show had temperature and barometer stayed as at the hold's start.
    batch_start_s: None when no batch is open. alarms: all that are not normal, most urgent first.
    """

    pot_id: str
    t_s: float
    utc_s: float | None
    stage: Stage
    stage_since_s: float
    reading: Reading
    corrected_gauge_pa: float | None
    leak: LeakEstimate | None
    forecast: FloorForecast | None
    change: Change | None
    cure: Cure | None
    batch_start_s: float | None
    details: dict[Detail, str]
    top_ups: int
    alarms: tuple[StandingAlarm, ...]
