"""What a batch that began at 1000 s counts, on both sides of each limit, and what its verdict rests on."""

from dataclasses import replace

import pytest

from potvigil.leak.estimator import Leak
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchAlarm,
    BatchSummary,
    Change,
    Detail,
    FloorForecast,
    Interval,
    LeakEstimate,
    Priority,
    Stage,
    Verdict,
)
from potvigil.model.pot import Supply
from potvigil.watch import batch as batch_module
from potvigil.watch.batch import Batch
from potvigil.watch.stages import TopUp
from potvigil.watch.verdict import Facts, judge
from shut_pot import PSI, UTC_S, pot, reading

START_S, HOLD_S = 1000.0, 36_000.0
POT = pot(hold_s=HOLD_S, gel_s=14_400.0)


def begun(**pot_fields: object) -> Batch:
    return Batch(replace(POT, **pot_fields), START_S, UTC_S)  # type: ignore[arg-type]


def held(*readings: tuple[float, float]) -> Batch:
    """A batch that holds, with readings (s since its start, psi)."""
    batch = begun()
    for after_s, gauge_psi in readings:
        batch.clock.take(START_S + after_s, None)
        batch.take_good(START_S + after_s, Stage.HOLDING, reading(START_S + after_s, gauge_psi))
    return batch


def facts(batch: Batch, after_s: float, monkeypatch: pytest.MonkeyPatch, *, complete: bool = True) -> Facts:
    """What the verdict on a batch rests on, so long after its start."""
    taken: list[Facts] = []

    def kept(of: Facts) -> tuple[Verdict, str]:
        taken.append(of)
        return judge(of)

    monkeypatch.setattr(batch_module, "judge", kept)
    batch.summary(START_S + after_s, complete=complete)
    return taken[-1]


# -- what the verdict rests on -----------------------------------------------------------------------


def test_the_times_of_a_verdict_count_from_the_start_of_the_batch(monkeypatch: pytest.MonkeyPatch) -> None:
    batch = held((0.0, 60.0))
    batch.stages[Stage.VENTING] = START_S + 5000.0
    batch.floor_crossed_s = START_S + 2000.0
    known = facts(batch, 5200.0, monkeypatch)
    assert (known.end_s, known.hold_s, known.floor_crossed_s) == (5000.0, HOLD_S, 2000.0)
    assert facts(batch, 5200.0, monkeypatch, complete=False).end_s == 5200.0
    del batch.stages[Stage.VENTING]
    batch.floor_crossed_s = None
    known = facts(batch, 5200.0, monkeypatch)
    assert (known.end_s, known.floor_crossed_s) == (5200.0, None)


@pytest.mark.parametrize(("silent_s", "unseen_s"), [(59.0, 0.0), (60.0, 0.0), (61.0, 61.0)])
def test_more_than_a_minute_without_a_reading_before_the_end_is_unseen(
    silent_s: float, unseen_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = facts(held((0.0, 60.0), (50.0, 60.0)), 50.0 + silent_s, monkeypatch)
    assert (known.unseen_s, known.longest_gap_s) == (unseen_s, silent_s)


@pytest.mark.parametrize(("silent_s", "longest_s"), [(150.0, 200.0), (250.0, 250.0)])
def test_a_silent_end_is_added_to_the_gaps_before_it(
    silent_s: float, longest_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = facts(held((0.0, 60.0), (200.0, 60.0), (300.0, 60.0)), 300.0 + silent_s, monkeypatch)
    assert (known.unseen_s, known.longest_gap_s) == (200.0 + 100.0 + silent_s, longest_s)


def test_a_gap_that_begins_as_the_cure_ends_is_not_unseen(monkeypatch: pytest.MonkeyPatch) -> None:
    batch = held((0.0, 60.0), (HOLD_S, 60.0), (HOLD_S + 500.0, 60.0))
    assert facts(batch, HOLD_S + 500.0, monkeypatch).unseen_s == HOLD_S


def test_a_batch_reached_pressure_once_it_was_shut(monkeypatch: pytest.MonkeyPatch) -> None:
    batch = held((0.0, 60.0))
    assert facts(batch, 10.0, monkeypatch).pressurised is False
    batch.stages[Stage.SETTLING] = START_S + 5.0
    assert facts(batch, 10.0, monkeypatch).pressurised is True


@pytest.mark.parametrize(("vented", "gelled"), [(True, False), (False, True)])
def test_the_verdict_knows_of_vent_and_gel(
    vented: bool, gelled: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = held((0.0, 60.0))
    batch.vented, batch.vented_gelled = vented, gelled
    known = facts(batch, 10.0, monkeypatch)
    assert (known.vented, known.gelled, known.gel_known) == (vented, gelled, True)
    assert facts(begun(gel_s=None), 10.0, monkeypatch).gel_known is False


@pytest.mark.parametrize(("alarm", "is_above"), [(AlarmId.OVER_PRESSURE, True), (AlarmId.LEAK, False)])
def test_the_verdict_knows_of_a_pressure_above_the_maximum(
    alarm: AlarmId, is_above: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = held((0.0, 60.0))
    batch.take_alarm(AlarmEvent(5.0, None, alarm, AlarmState.UNACKNOWLEDGED, Priority.HIGH, ""))
    assert facts(batch, 10.0, monkeypatch).above_maximum is is_above


ONE = Interval(1e-6, 1e-6, 1e-6)


def estimate(established: bool) -> tuple[LeakEstimate, Leak]:
    onset = Interval(START_S, START_S, START_S) if established else None
    return (
        LeakEstimate(START_S, ONE, ONE, ONE, 1e-4, onset, established),
        Leak(ONE, onset, 3000.0 if established else 0.0, established, 0.0),
    )


@pytest.mark.parametrize("established", [True, False])
def test_the_verdict_knows_of_an_established_leak(established: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    batch = held((0.0, 60.0))
    assert facts(batch, 10.0, monkeypatch).leak_established is False  # no estimate yet
    batch.take_estimate(START_S + 10.0, *estimate(established))
    assert facts(batch, 20.0, monkeypatch).leak_established is established


# -- the summary -------------------------------------------------------------------------------------


def test_the_summary_of_a_batch_that_just_began_knows_nothing_yet() -> None:
    batch = begun()
    batch.stages[Stage.OPEN] = START_S
    said = batch.summary(START_S + 10.0, complete=False)
    assert said == BatchSummary(
        pot_id="lantern",
        verdict=Verdict.INCOMPLETE,
        reason="the pot never reached pressure",
        complete=False,
        start_s=START_S,
        start_utc_s=UTC_S,
        end_s=START_S + 10.0,
        stages={Stage.OPEN: START_S},
        hold_start_s=None,
        hold_end_s=None,
        hold_start_gauge_pa=None,
        hold_end_gauge_pa=None,
        lowest_gauge_pa=None,
        change=None,
        leak=None,
        floor_crossed_s=None,
        floor_forecast_s=None,
        cure=batch.clock.cure(),
        top_ups=0,
        alarms=(),
    )
    assert (said.details, said.known_from) == ({}, 0)


def test_the_summary_has_every_figure_of_the_batch() -> None:
    batch = held((0.0, 60.0), (30.0, 59.0), (60.0, 58.0), (90.0, 57.0))
    batch.stages |= {Stage.SETTLING: START_S, Stage.HOLDING: START_S}
    batch.known_from = 3
    batch.floor_crossed_s = START_S + 70.0
    batch.forecast = FloorForecast(8000.0, 7000.0, 9000.0, True, None)
    batch.top_ups = [
        TopUp(START_S + 40.0, START_S + 45.0, 700.0),
        TopUp(START_S + 61.0, START_S + 66.0, 90.0),
    ]
    batch.take_estimate(START_S + 60.0, *estimate(True))
    batch.take_alarm(
        AlarmEvent(START_S + 50.0, None, AlarmId.LEAK, AlarmState.UNACKNOWLEDGED, Priority.LOW, "")
    )
    batch.edit(Detail.LABEL, "harbour", taken_over=False)
    said = batch.summary(START_S + 100.0, complete=True)
    assert (said.hold_start_s, said.hold_end_s, said.end_s) == (START_S, START_S + 60.0, START_S + 100.0)
    assert (said.hold_start_gauge_pa, said.hold_end_gauge_pa) == (60.0 * PSI, 58.0 * PSI)
    assert said.lowest_gauge_pa == 58.0 * PSI
    assert (said.floor_crossed_s, said.floor_forecast_s) == (START_S + 70.0, 8000.0)
    assert (said.top_ups, said.known_from, said.complete) == (2, 3, True)
    assert said.alarms == (BatchAlarm(AlarmId.LEAK, START_S + 50.0, None),)
    assert said.details == {Detail.LABEL: "harbour"}
    assert said.leak == estimate(True)[0]
    assert isinstance(said.change, Change)
    assert said.change.top_up_pa == 700.0  # the second ended after the last sure reading
    assert said.change.total_pa == pytest.approx(-2.0 * PSI)


# -- readings at a limit -----------------------------------------------------------------------------


def test_a_pot_exactly_at_its_floor_is_not_below_it() -> None:
    assert held(*((10.0 * i, 45.0) for i in range(10))).floor_crossed_s is None
    assert held(*((10.0 * i, 44.99) for i in range(10))).floor_crossed_s == START_S


@pytest.mark.parametrize(("began_s", "counts"), [(HOLD_S - 10.0, True), (HOLD_S, False)])
def test_a_floor_passed_as_the_cure_ends_does_not_count(began_s: float, counts: bool) -> None:
    batch = held((0.0, 60.0), *((began_s + 10.0 * i, 40.0) for i in range(10)))
    assert batch.floor_crossed_s == (START_S + began_s if counts else None)


def test_a_reading_without_a_pressure_is_left_out() -> None:
    batch = held((0.0, 60.0))
    for i in range(1, 10):
        t_s = START_S + 10.0 * i
        batch.take_good(t_s, Stage.HOLDING, reading(t_s, gauge_pa=None))
    assert (batch.hold_end, batch.lowest_gauge_pa) == (None, None)


def test_the_lowest_pressure_stays_the_lowest() -> None:
    batch = held(*((30.0 * i, psi) for i, psi in enumerate((60.0, 58.0, 59.0, 57.5, 58.5, 58.5))))
    assert batch.lowest_gauge_pa == 57.5 * PSI
    assert batch.hold_end is not None
    assert batch.hold_end.t_s == START_S + 120.0


def test_the_first_reading_of_a_hold_can_be_its_end_too() -> None:
    batch = held((0.0, 60.0), (30.0, 59.0))
    assert batch.hold_start is batch.hold_end is not None


def test_a_reading_from_before_the_hold_is_not_its_end() -> None:
    batch = begun()
    batch.take_good(START_S, Stage.SETTLING, reading(START_S, 61.0))
    batch.take_good(START_S + 10.0, Stage.HOLDING, reading(START_S + 10.0, 60.0))
    batch.take_good(START_S + 30.0, Stage.HOLDING, reading(START_S + 30.0, 59.0))
    assert batch.hold_end is None
    assert batch.lowest_gauge_pa == 61.0 * PSI


# -- air let in --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("supply", "gauge_psi", "fed_before_s", "is_fed"),
    [
        (Supply.REGULATED, 54.0, None, False),  # 90 % of 60 psi
        (Supply.REGULATED, 54.01, None, True),
        (Supply.REGULATED, 50.0, 1799.0, True),
        (Supply.REGULATED, 50.0, 1800.0, False),
        (Supply.SHUT, 59.0, 10.0, False),
    ],
)
def test_a_regulator_feeds_within_a_tenth_of_working_or_half_an_hour_of_a_top_up(
    supply: Supply, gauge_psi: float, fed_before_s: float | None, is_fed: bool
) -> None:
    batch = begun(supply=supply)
    if fed_before_s is not None:
        batch.top_ups = [TopUp(100.0, 200.0, PSI), TopUp(4900.0, 5000.0, PSI)]
    assert batch.is_fed(5000.0 + (fed_before_s or 0.0), gauge_psi * PSI) is is_fed


def test_the_rate_of_top_ups_needs_six_of_them_in_half_an_hour() -> None:
    batch = begun()
    batch.top_ups = [TopUp(100.0 * i, 100.0 * i + 20.0, 1000.0) for i in range(5)]
    assert batch.put_back_pa_per_s(500.0) is None
    batch.top_ups.append(TopUp(500.0, 520.0, 1000.0))
    assert batch.put_back_pa_per_s(600.0) == pytest.approx(5000.0 / 400.0)
    assert batch.put_back_pa_per_s(20.0 + 1800.0) is None  # the first ended half an hour ago
    batch.top_ups = [TopUp(float(i), i + 1.0, 1000.0) for i in range(6)]  # one after the other
    assert batch.put_back_pa_per_s(10.0) == 5000.0


def test_a_top_up_counts_from_after_the_start_of_the_hold_to_now() -> None:
    batch = begun()
    batch.top_ups = [TopUp(t_s - 5.0, t_s, 1.0 + t_s) for t_s in (1000.0, 1100.0, 1200.0, 1300.0)]
    assert batch.top_up_pa(1200.0) == 1101.0 + 1201.0
    batch.hold_start = reading(1100.0)
    assert batch.top_up_pa(1300.0) == 1201.0 + 1301.0


def test_an_estimate_exactly_half_a_minute_before_the_vent_is_used() -> None:
    batch = begun()
    for t_s in (0.0, 10.0, 20.0):
        batch.take_estimate(t_s, *estimate(False))
    batch.take_estimate(30.0, *estimate(True))
    batch.vented, batch.stages[Stage.VENTING] = True, 60.0
    assert batch.leak_at_the_end() == estimate(True)
    batch.stages[Stage.VENTING] = 59.0
    assert batch.leak_at_the_end() == estimate(False)
