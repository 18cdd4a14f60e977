"""The parts of BatchTracker one by one, with stages, holds and batches in a state given by hand."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

import shut_pot
from potvigil.leak.estimator import Leak
from potvigil.model.events import (
    BatchOpened,
    Cure,
    Event,
    FloorForecast,
    Interval,
    NoteEvent,
    NoteId,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.pot import Supply
from potvigil.model.reading import Place, Quality, Reading
from potvigil.sensing.before_fill import BeforeFill
from potvigil.watch import batch_tracker as tracker_module
from potvigil.watch.batch import Batch
from potvigil.watch.batch_tracker import BatchTracker
from potvigil.watch.stages import TopUp
from shut_pot import ATMOSPHERE_PA, PSI, UTC_S, pot

HOUR = 3600.0
POT = pot(hold_s=10 * HOUR, gel_s=4 * HOUR)
RATE = Interval(1e-6, 0.9e-6, 1.1e-6)
SHUT = {Stage.SETTLING, Stage.HOLDING}


def reading(t_s: float = 5000.0, gauge_psi: float | None = 60.0, **fields: object) -> Reading:
    return shut_pot.reading(t_s, gauge_psi, **({"utc_s": UTC_S + t_s, "gas_k": None} | fields))  # type: ignore[arg-type]


def tracker(stage: Stage = Stage.HOLDING, **pot_fields: object) -> BatchTracker:
    """A tracker in a stage, of which the fill is long over, with a batch since 1000 s and no hold."""
    made = BatchTracker(replace(POT, **pot_fields), BeforeFill(), None)  # type: ignore[arg-type]
    made._stages.stage = stage
    if stage is not Stage.OPEN:
        made.open(1000.0, UTC_S + 1000.0)
    return made


def batch_of(known: BatchTracker) -> Batch:
    """Return its batch, or one that was opened by hand."""
    return known.batch or Batch(known._pot, 1000.0, None)


class Hold:
    """A hold in a state given by hand; notes what it is told."""

    def __init__(self, **state: object) -> None:
        usual = {"doubt": None, "teaches": True, "believed": True, "news": False, "jump": None}
        self.__dict__ |= usual | state
        self.follower = SimpleNamespace(estimate=state.get("leak"), taught=lambda: state.get("taught"))
        self.is_distrusted = False

    def distrust(self) -> None:
        self.is_distrusted = True

    def top_up(self, now: Reading) -> TopUp | None:
        return self.jump  # type: ignore[attr-defined, no-any-return]

    def take(self, now: Reading) -> bool:
        return self.news  # type: ignore[attr-defined, no-any-return]


def enter(of: BatchTracker, stage: Stage, before: Stage, now: Reading | None = None) -> list[Event]:
    events: list[Event] = []
    of._stages.stage = stage
    of._enter(stage, before, reading() if now is None else now, events)
    return events


# -- what is doubted, and what is not explained ------------------------------------------------------


@pytest.mark.parametrize("stage", Stage)
@pytest.mark.parametrize(("fault", "doubt"), [(None, None), (None, "stuck"), ("open wire", None)])
def test_a_hold_doubts_the_pressure_only_while_the_pot_is_shut(
    stage: Stage, fault: str | None, doubt: str | None
) -> None:
    known = tracker(stage)
    known._fault = fault
    assert known.pressure_fault == fault  # without a hold
    known._hold = Hold(doubt=doubt)  # type: ignore[assignment]
    assert known.pressure_fault == (fault or (doubt if stage in SHUT else None))


def test_a_fault_of_the_newest_reading_comes_before_the_doubt_of_the_hold() -> None:
    known = tracker()
    known._hold, known._fault = Hold(doubt="stuck"), "open wire"  # type: ignore[assignment]
    assert known.pressure_fault == "open wire"


@pytest.mark.parametrize("stage", Stage)
@pytest.mark.parametrize(
    ("leak", "falls"),
    [
        (None, False),
        (Leak(RATE, None, 0.0, False, 0.0), False),
        (Leak(RATE, None, 0.0, False, 9.0), True),
        (Leak(RATE, RATE, 1.0, True, 9.0), None),
    ],
)
def test_a_shut_pot_falls_unexplained_where_a_leak_is_suspected(
    stage: Stage, leak: Leak | None, falls: bool | None
) -> None:
    known = tracker(stage)
    assert known.leak is None
    known._hold = Hold(leak=leak)  # type: ignore[assignment]
    assert known.leak is leak
    assert known.falls_unexplained(60.0) is (falls if stage in SHUT else None)
    assert known.falls_unexplained(59.0) is None  # the gas is stirred for a minute


@pytest.mark.parametrize(
    ("doubted", "fault", "is_distrusted"),
    [(False, None, False), (True, None, True), (False, "open wire", True)],
)
def test_a_doubted_reading_keeps_the_hold_from_teaching(
    doubted: bool, fault: str | None, is_distrusted: bool
) -> None:
    known = tracker()
    known._hold = hold = Hold()  # type: ignore[assignment]
    known.take(reading(fault=fault), thermometer_doubted=doubted)
    assert hold.is_distrusted is is_distrusted


@pytest.mark.parametrize(
    ("fields", "is_counted"),
    [
        ({}, True),
        ({"quality": Quality.SUSPECT}, True),
        ({"quality": Quality.SUSPECT, "fault": "out of range"}, False),
        ({"quality": Quality.BAD}, False),
        ({"gauge_psi": None}, False),
    ],
)
def test_only_a_believed_pressure_counts_as_a_good_reading(
    fields: dict[str, object], is_counted: bool
) -> None:
    known = tracker()
    known.take(reading(**fields), thermometer_doubted=False)  # type: ignore[arg-type]
    assert known.batch is not None
    assert (known.batch._last_good_s == 5000.0) is is_counted


# -- the temperature of the resin --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stage", "t_s", "kelvins", "resin_k"),
    [
        (Stage.HOLDING, 10.0, {"contents_k": 310.0, "gas_k": 300.0, "room_k": 290.0}, 310.0),
        (Stage.HOLDING, 901.0, {"gas_k": 300.0, "room_k": 290.0}, 300.0),  # the fill's heat is gone
        (Stage.HOLDING, 900.0, {"gas_k": 300.0, "room_k": 290.0}, 290.0),
        (Stage.HOLDING, 900.0, {"gas_k": 300.0, "wall_k": 295.0}, 295.0),
        (Stage.HOLDING, 900.0, {"gas_k": 300.0, "wall_k": 295.0, "room_k": 290.0}, 290.0),
        (Stage.HOLDING, 900.0, {"gas_k": 300.0}, 291.0),  # as it was before the fill
        (Stage.SETTLING, 900.0, {"gas_k": 300.0}, 291.0),
        (Stage.OPEN, 9000.0, {"gas_k": 300.0, "wall_k": 295.0}, 295.0),
    ],
)
def test_the_resin_is_as_warm_as_what_no_fill_has_warmed(
    stage: Stage, t_s: float, kelvins: dict[str, float], resin_k: float | None
) -> None:
    known = tracker(stage)
    known._before.kelvin = {Place.GAS: 291.0}
    assert known._resin_k(reading(t_s, **kelvins), batch_of(known)) == resin_k


@pytest.mark.parametrize("stage", [Stage.OPEN, Stage.FILLING])
@pytest.mark.parametrize(("label_k", "resin_k"), [(291.0, 291.0), (290.9, None)])
def test_air_warmer_than_the_label_says_nothing_of_the_resin(
    stage: Stage, label_k: float, resin_k: float | None
) -> None:
    known = tracker(stage, cure_at_k=label_k)
    known._before.kelvin = {Place.GAS: 291.0}
    assert known._resin_k(reading(9000.0, gas_k=300.0), batch_of(known)) == resin_k
    assert known._resin_k(reading(9000.0, gas_k=300.0, wall_k=295.0), batch_of(known)) == 295.0


# -- stages ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("utc_s", [None, UTC_S + 5000.0])
def test_a_fill_opens_a_batch_at_its_first_pressure(utc_s: float | None) -> None:
    known = tracker(Stage.OPEN)
    known._stages.pressurised_since_s = 4990.0
    events = enter(known, Stage.FILLING, Stage.OPEN, reading(utc_s=utc_s))
    opened_utc_s = None if utc_s is None else UTC_S + 4990.0
    assert events == [BatchOpened(4990.0, opened_utc_s), StageEvent(5000.0, utc_s, Stage.FILLING)]
    assert known.batch is not None
    assert known.batch.stages == {Stage.OPEN: 4990.0, Stage.FILLING: 5000.0}


def test_a_fill_of_an_open_batch_opens_no_other() -> None:
    known = tracker(Stage.FILLING)
    batch = known.batch
    assert enter(known, Stage.FILLING, Stage.OPEN) == [StageEvent(5000.0, UTC_S + 5000.0, Stage.FILLING)]
    assert known.batch is batch


def test_no_change_of_stage_is_no_event() -> None:
    events: list[Event] = []
    tracker()._enter(None, Stage.HOLDING, reading(), events)
    assert events == []


def test_an_empty_pot_without_a_batch_only_changes_its_stage() -> None:
    known = tracker(Stage.OPEN)
    assert enter(known, Stage.OPEN, Stage.VENTING) == [StageEvent(5000.0, UTC_S + 5000.0, Stage.OPEN)]
    assert (known.batch, known.vented_early_s) == (None, None)


@pytest.mark.parametrize("back", [Stage.HOLDING, Stage.SETTLING, Stage.FILLING])
def test_a_pot_that_was_only_bled_is_not_vented(back: Stage) -> None:
    known = tracker()
    enter(known, Stage.VENTING, Stage.HOLDING)
    batch = known.batch
    assert batch is not None
    assert (batch.vented, batch.stages[Stage.VENTING]) == (True, 5000.0)
    enter(known, back, Stage.VENTING, reading(5100.0))
    assert batch.vented is False
    assert Stage.VENTING not in batch.stages


@pytest.mark.parametrize(
    ("age_s", "before", "early_s"),
    [
        (4 * HOUR - 1.0, Stage.VENTING, 20_000.0),
        (4 * HOUR, Stage.VENTING, None),
        (4 * HOUR - 1.0, Stage.SETTLING, None),  # emptied by a leak
        (4 * HOUR - 1.0, Stage.HOLDING, None),
    ],
)
def test_a_vent_before_the_gel_is_early(age_s: float, before: Stage, early_s: float | None) -> None:
    known = tracker()
    batch = known.batch
    assert batch is not None
    batch.clock.take(1000.0 + age_s, None)
    enter(known, Stage.VENTING, Stage.HOLDING, reading(19_900.0))
    assert batch.vented_gelled is (age_s >= 4 * HOUR)
    enter(known, Stage.OPEN, before, reading(20_000.0))
    assert known.vented_early_s == early_s
    assert batch.vented is True
    known.open(30_000.0, None)
    assert known.vented_early_s is None


def test_a_hold_begins_with_the_shut_valve_and_what_is_known_then(monkeypatch: pytest.MonkeyPatch) -> None:
    known = tracker(Stage.FILLING)
    enter(known, Stage.SETTLING, Stage.FILLING)
    assert known._hold is not None
    assert known.batch is not None
    assert known.batch.known_from == 0
    monkeypatch.setattr(tracker_module, "LeakFilter", lambda *args: SimpleNamespace(args=args))
    known.know(SimpleNamespace(batches=7))  # type: ignore[arg-type]
    enter(known, Stage.SETTLING, Stage.VENTING, reading(6000.0))
    assert known.batch.known_from == 7
    assert known._hold.follower.args[2:4] == (1000.0, known.known)  # type: ignore[attr-defined]
    assert known.batch.stages[Stage.SETTLING] == 5000.0  # the first time


@pytest.mark.parametrize(
    ("needs_h", "early_s", "kelvin", "is_said"),
    [
        (10.9, 1.0, 290.0, False),
        (11.0, 1.0, 290.0, True),  # a tenth longer
        (12.0, 1.0, 290.0, True),
        (9.1, 1.0, 290.0, False),
        (9.0, 1.0, 290.0, True),
        (10.0, 1.0, 290.0, False),
        (12.0, None, 290.0, False),
        (12.0, 1.0, None, False),
    ],
)
def test_a_cure_a_tenth_longer_or_shorter_than_usual_is_noted(
    needs_h: float, early_s: float | None, kelvin: float | None, is_said: bool
) -> None:
    known, events = tracker(), []
    cure = Cure(0.5, 1000.0 + needs_h * HOUR, early_s, early_s)
    batch = SimpleNamespace(
        clock=SimpleNamespace(cure=lambda: cure, start_s=1000.0), resin=SimpleNamespace(hold_s=10 * HOUR)
    )
    known._tell_cure_length(reading(contents_k=kelvin), batch, events)  # type: ignore[arg-type]
    assert [event.note for event in events] == [NoteId.CURE_LENGTH] * is_said
    if is_said:
        assert f"{needs_h:.0f} h instead of 10 h" in events[0].text


def test_the_length_of_the_cure_is_noted_at_the_first_hold_only(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[float] = []
    monkeypatch.setattr(
        BatchTracker, "_tell_cure_length", lambda self, now, batch, events: told.append(now.t_s)
    )
    known = tracker()
    enter(known, Stage.HOLDING, Stage.SETTLING)
    enter(known, Stage.HOLDING, Stage.VENTING, reading(6000.0))
    enter(known, Stage.VENTING, Stage.HOLDING, reading(7000.0))
    assert told == [5000.0]


def test_the_end_of_the_cure_is_told_once_even_without_a_pressure() -> None:
    known = tracker()
    end_s = 1000.0 + 10 * HOUR
    dead = {"gauge_psi": None, "quality": Quality.BAD}
    told = [
        known.take(reading(t_s, **dead), thermometer_doubted=False) for t_s in (end_s - 1, end_s, end_s + 1)
    ]  # type: ignore[arg-type]
    assert [[event.note for event in events] for events in told] == [[], [NoteId.CURE_DONE], []]  # type: ignore[union-attr]


# -- air let in --------------------------------------------------------------------------------------


@pytest.mark.parametrize("supply", Supply)
def test_a_top_up_is_noted_unless_a_regulator_feeds_the_pot(supply: Supply) -> None:
    known, events = tracker(supply=supply), []
    jump = TopUp(4950.0, 5000.0, 2.0 * PSI)
    known._follow(Hold(jump=jump), reading(), events)  # type: ignore[arg-type]
    assert known.batch is not None
    assert known.batch.top_ups == [jump]
    said = "Topped up by 2.0 psi to 60.0 psi in 50 s."
    expected = [NoteEvent(5000.0, UTC_S + 5000.0, NoteId.TOP_UP, said)]
    assert events == ([] if supply is Supply.REGULATED else expected)


@pytest.mark.parametrize("believed", [True, False])
def test_the_tracker_says_whether_the_hold_believed_the_reading(believed: bool) -> None:
    known = tracker()
    known._follow(Hold(believed=believed), reading(), [])  # type: ignore[arg-type]
    assert known.believed is believed
    known.take(reading(5010.0, None), thermometer_doubted=False)
    assert known.believed is False


@pytest.mark.parametrize(
    ("stage", "news", "has_settled", "settles"),
    [
        (Stage.SETTLING, True, True, True),
        (Stage.SETTLING, True, False, False),
        (Stage.SETTLING, False, True, False),
        (Stage.HOLDING, True, True, False),
    ],
)
def test_a_pot_settles_with_a_new_estimate_only(
    stage: Stage, news: bool, has_settled: bool, settles: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float] = []
    monkeypatch.setattr(tracker_module, "has_settled", lambda shut_s, _: asked.append(shut_s) or has_settled)
    known, events = tracker(stage), []
    known._stages.since_s = 4000.0
    known._follow(Hold(news=news), reading(), events)  # type: ignore[arg-type]
    assert [type(event) for event in events] == [StageEvent] * settles
    assert (known.stage is Stage.HOLDING) is (settles or stage is Stage.HOLDING)
    assert asked == [1000.0] * (news and stage is Stage.SETTLING)


# -- estimates ---------------------------------------------------------------------------------------

AHEAD = FloorForecast(9000.0, 8000.0, 10_000.0, True, None)


@pytest.mark.parametrize(
    ("established", "is_fed", "is_forecast"),
    [(True, False, True), (True, True, False), (False, False, False)],
)
def test_a_forecast_needs_an_established_leak_and_no_regulator_that_feeds(
    established: bool, is_fed: bool, is_forecast: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[object, ...]] = []
    monkeypatch.setattr(tracker_module, "forecast_floor", lambda *args: asked.append(args) or AHEAD)
    known = tracker()
    leak = Leak(RATE, RATE if established else None, 1.0, established, 9.0)
    known._hold = Hold(leak=leak)  # type: ignore[assignment]
    batch = known.batch
    assert batch is not None
    monkeypatch.setattr(Batch, "is_fed", lambda self, t_s, gauge_pa: is_fed)
    batch.forecast, batch.words = FloorForecast(1.0, 1.0, 1.0, True, None), {"leak": None}  # type: ignore[dict-item]
    known._take_estimate(reading(), batch)
    assert batch.words == {}
    assert batch.forecast is (AHEAD if is_forecast else None)
    assert batch.leak is not None
    assert asked == (
        [(5000.0, 60.0 * PSI, ATMOSPHERE_PA, 45.0 * PSI, 60.0 * PSI, RATE, 1000.0 + 10 * HOUR)]
        if is_forecast
        else []
    )


@pytest.mark.parametrize(
    ("has_leak", "fields"), [(False, {}), (True, {"gauge_pa": None}), (True, {"absolute_pa": None})]
)
def test_without_estimate_or_pressure_the_batch_keeps_what_it_has(
    has_leak: bool, fields: dict[str, object]
) -> None:
    known = tracker()
    known._hold = Hold(leak=Leak(RATE, RATE, 1.0, True, 9.0) if has_leak else None)  # type: ignore[assignment]
    batch = known.batch
    assert batch is not None
    batch.forecast = AHEAD
    known._take_estimate(replace(reading(), **fields), batch)  # type: ignore[arg-type]
    assert (batch.forecast, batch.leak) == (AHEAD, None)


# -- the end -----------------------------------------------------------------------------------------


def closed(
    monkeypatch: pytest.MonkeyPatch,
    *,
    verdict: Verdict = Verdict.HELD,
    teaches: bool = True,
    top_ups: int = 0,
    taught: object = "taught",
) -> BatchTracker:
    """A tracker whose batch was closed; it learns by naming what it learns from."""
    monkeypatch.setattr(tracker_module, "learn", lambda known, taught, sizes: (known, taught))
    known = tracker()
    known._known = "before"  # type: ignore[assignment]
    known._hold = Hold(teaches=teaches, taught=taught)  # type: ignore[assignment]
    known.batch = SimpleNamespace(  # type: ignore[assignment]
        summary=lambda t_s, complete: SimpleNamespace(verdict=verdict, complete=complete, end_s=t_s),
        top_ups=[None] * top_ups,
    )
    (event,) = known.close(9000.0, UTC_S)
    assert (event.t_s, event.utc_s, event.summary.end_s) == (9000.0, UTC_S, 9000.0)  # type: ignore[union-attr]
    assert event.summary.complete is True  # type: ignore[union-attr]
    assert known.batch is None
    return known


def test_a_sound_batch_teaches(monkeypatch: pytest.MonkeyPatch) -> None:
    known = closed(monkeypatch)
    assert known.taught == known.known == ("before", "taught")
    known.open(9500.0, None)
    assert known.taught is None
    assert known.known == ("before", "taught")


@pytest.mark.parametrize(
    "flaw",
    [
        {"verdict": Verdict.LEAKED},
        {"verdict": Verdict.INCOMPLETE},
        {"teaches": False},
        {"top_ups": 1},
        {"taught": None},
    ],
)
def test_a_batch_with_a_flaw_teaches_nothing(
    flaw: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    known = closed(monkeypatch, **flaw)  # type: ignore[arg-type]
    assert (known.taught, known.known) == (None, "before")


def test_the_hold_ends_with_the_batch_only_where_the_pot_is_empty(monkeypatch: pytest.MonkeyPatch) -> None:
    assert closed(monkeypatch)._hold is not None
    known = tracker(Stage.OPEN)
    known._hold = Hold()  # type: ignore[assignment]
    assert known.close(9000.0, UTC_S) == []  # no batch is open
    assert known._hold is None


def test_new_knowledge_forgets_what_the_last_batch_taught(monkeypatch: pytest.MonkeyPatch) -> None:
    known = closed(monkeypatch)
    known.know("given")  # type: ignore[arg-type]
    assert (known.known, known.taught) == ("given", None)
