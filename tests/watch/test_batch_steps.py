"""A batch fed reading by reading: what it keeps and counts, and its verdict; figures worked out by hand."""

from dataclasses import replace

import pytest

from potvigil.leak.estimator import Leak
from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    Command,
    Detail,
    Interval,
    LeakEstimate,
    Priority,
    Stage,
    Verdict,
)
from potvigil.model.pot import Resin, Supply
from potvigil.model.reading import Sample
from potvigil.units import span
from potvigil.watch.batch import Batch
from potvigil.watch.replay import feed_again
from potvigil.watch.stages import TopUp
from potvigil.watch.verdict import Facts, judge
from shut_pot import PSI, pot, reading

HOUR = 3600.0
POT = pot(hold_s=10 * HOUR, gel_s=4 * HOUR)


def shut(*gauges_psi: float, step_s: float = 10.0, stage: Stage = Stage.HOLDING) -> Batch:
    """A batch with a reading every ten seconds from 0 s."""
    batch = Batch(POT, 0.0, None)
    batch.stages = {Stage.OPEN: 0.0, Stage.FILLING: 0.0, Stage.SETTLING: 0.0, Stage.HOLDING: 0.0}
    for i, psi in enumerate(gauges_psi):
        batch.take_good(step_s * i, stage, reading(step_s * i, psi))
        batch.clock.take(step_s * i, None)
    return batch


# -- details -----------------------------------------------------------------------------------------


def test_a_carried_over_detail_never_replaces_an_entered_one() -> None:
    batch = Batch(POT, 0.0, None)
    assert batch.edit(Detail.LABEL, "harbour", taken_over=False) == ""
    assert batch.edit(Detail.LABEL, "pier", taken_over=True) is None
    assert batch.edit(Detail.LABEL, "harbour", taken_over=False) is None  # nothing changes
    assert batch.edit(Detail.LABEL, "quay", taken_over=False) == "harbour"
    assert batch.details == {Detail.LABEL: "quay"}


def test_entering_a_carried_over_detail_again_makes_it_entered() -> None:
    batch = Batch(POT, 0.0, None)
    assert batch.edit(Detail.LABEL, "harbour", taken_over=True) == ""
    assert batch.edit(Detail.LABEL, "harbour", taken_over=False) == "harbour"
    assert batch.edit(Detail.LABEL, "harbour", taken_over=False) is None


def test_changing_the_resin_changes_the_cure_times() -> None:
    batch = Batch(replace(POT, resins={"quick": Resin(2 * HOUR)}), 0.0, None)
    batch.clock.take(HOUR, None)
    batch.edit(Detail.RESIN, "quick", taken_over=False)
    assert batch.resin.hold_s == 2 * HOUR
    assert batch.clock.cure().progress == pytest.approx(0.5)


def test_the_resin_mass_is_known_only_once_entered() -> None:
    batch = Batch(POT, 0.0, None)
    assert batch.resin_kg is None
    batch.edit(Detail.MASS, "350 g", taken_over=False)
    assert batch.resin_kg == pytest.approx(0.35)


# -- top-ups -----------------------------------------------------------------------------------------


def test_top_ups_replace_what_was_lost_between_them() -> None:
    batch = Batch(POT, 0.0, None)
    batch.top_ups = [TopUp(100.0 * i, 100.0 * i + 20.0, 1000.0 + i) for i in range(6)]
    # five rises over five times of 80 s; the first replaced what was lost before the watch began
    assert batch.put_back_pa_per_s(600.0) == pytest.approx((5 * 1000.0 + 15.0) / 400.0)
    assert batch.put_back_pa_per_s(1821.0) is None  # half an hour after the first, five are too few
    assert batch.put_back_pa_per_s(1819.0) is not None


def test_only_top_ups_during_the_hold_count_in_the_change() -> None:
    batch = Batch(POT, 50.0, None)
    batch.top_ups = [TopUp(t_s - 10.0, t_s, 1.0 + t_s) for t_s in (40.0, 100.0, 200.0, 300.0)]
    assert batch.top_up_pa(200.0) == 101.0 + 201.0
    batch.hold_start = reading(100.0)
    assert batch.top_up_pa(1000.0) == 201.0 + 301.0


@pytest.mark.parametrize(("supply", "is_fed"), [(Supply.SHUT, False), (Supply.REGULATED, True)])
def test_a_pot_without_a_supply_is_never_fed(supply: Supply, is_fed: bool) -> None:
    assert Batch(replace(POT, supply=supply), 0.0, None).is_fed(0.0, 60.0 * PSI) is is_fed


# -- readings ----------------------------------------------------------------------------------------


def test_the_floor_crossing_is_dated_to_the_start_of_half_a_minute_below() -> None:
    assert shut(60.0, 44.0, 44.0, 44.0, 46.0).floor_crossed_s is None
    assert shut(60.0, 44.0, 44.0, 44.0, 44.0, 60.0).floor_crossed_s == 10.0
    assert shut(60.0, 44.0, 46.0, 44.0, 44.0, 44.0, 44.0).floor_crossed_s == 30.0
    again = [60.0, *[44.0] * 5, 60.0, *[44.0] * 5]
    assert shut(*again).floor_crossed_s == 10.0  # the first time


def test_no_floor_crossing_is_recorded_after_the_cure() -> None:
    batch = shut(60.0)
    batch.clock.take(11 * HOUR, None)
    for i in range(10):
        batch.take_good(11 * HOUR + 10.0 * i, Stage.HOLDING, reading(11 * HOUR + 10.0 * i, 40.0))
    assert batch.floor_crossed_s is None


def test_the_end_and_lowest_pressure_of_a_hold_leave_out_the_last_half_minute() -> None:
    batch = shut(60.0, 59.0, 58.0, 57.0, 56.0, 55.0, 54.0, 20.0)
    assert batch.hold_start is not None
    assert batch.hold_start.t_s == 0.0
    assert batch.hold_end is not None
    assert batch.hold_end.t_s == 30.0
    assert batch.lowest_gauge_pa == 57.0 * PSI


def test_settling_counts_towards_the_lowest_pressure_and_venting_does_not() -> None:
    settling = shut(60.0, 59.0, 58.0, 57.0, 56.0, stage=Stage.SETTLING)
    assert settling.hold_start is settling.hold_end is None
    assert settling.lowest_gauge_pa == 60.0 * PSI
    assert shut(60.0, 59.0, 58.0, 57.0, 56.0, stage=Stage.VENTING).lowest_gauge_pa is None


def test_the_corrected_gauge_is_at_the_temperature_of_the_start_of_the_hold() -> None:
    batch = shut(60.0)
    warmer = reading(3600.0, 61.0, 297.15)
    corrected_pa = batch.corrected_gauge_pa(warmer)
    # 0.258 psi a kelvin: air at 60 psig and 20 C, CoolProp (Lemmon et al. 2000)
    assert corrected_pa == pytest.approx((61.0 - 4.0 * 0.258) * PSI, abs=0.02 * PSI)
    assert batch.corrected_gauge_pa(reading(3600.0, 61.0, None)) is None
    assert batch.corrected_gauge_pa(reading(3600.0, 61.0, None, contents_k=300.0)) is None
    assert Batch(POT, 0.0, None).corrected_gauge_pa(warmer) is None
    assert Batch(POT, 0.0, None).change(warmer, None) is None
    assert batch.change(warmer, None) is not None


# -- alarms and estimates ----------------------------------------------------------------------------


def alarm(t_s: float, state: AlarmState, which: AlarmId = AlarmId.LEAK, repeat: bool = False) -> AlarmEvent:
    return AlarmEvent(t_s, None, which, state, Priority.LOW, "", repeat=repeat)


def test_a_batch_keeps_when_each_alarm_was_raised_and_returned() -> None:
    batch = Batch(POT, 0.0, None)
    for event in (
        alarm(10.0, AlarmState.UNACKNOWLEDGED),
        alarm(20.0, AlarmState.UNACKNOWLEDGED, repeat=True),
        alarm(25.0, AlarmState.UNACKNOWLEDGED, AlarmId.THERMOMETER),
        alarm(30.0, AlarmState.RETURNED),
        alarm(35.0, AlarmState.NORMAL),
        alarm(40.0, AlarmState.UNACKNOWLEDGED),
        alarm(45.0, AlarmState.ACKNOWLEDGED),
        alarm(50.0, AlarmState.NORMAL),
    ):
        batch.take_alarm(event)
    kept = [
        (str(each.alarm), each.raised_s, each.returned_s)
        for each in batch.summary(60.0, complete=True).alarms
    ]
    assert kept == [("leak", 10.0, 30.0), ("thermometer", 25.0, None), ("leak", 40.0, 50.0)]


def estimate(t_s: float) -> tuple[LeakEstimate, Leak]:
    one = Interval(t_s, t_s, t_s)
    return LeakEstimate(t_s, one, one, one, 1e-4, None, False), Leak(one, None, 0.0, False, 0.0)


def test_the_last_leak_estimate_of_a_vented_batch_predates_the_vent_by_half_a_minute() -> None:
    batch = Batch(POT, 0.0, None)
    assert batch.leak_at_the_end() == (None, None)
    for t_s in range(0, 200, 10):
        batch.take_estimate(float(t_s), *estimate(float(t_s)))
    assert batch.leak_at_the_end()[0] == estimate(190.0)[0]
    batch.stages[Stage.VENTING] = 195.0
    assert batch.leak_at_the_end()[0] == estimate(190.0)[0]  # bled a little, not vented
    batch.vented = True
    assert batch.leak_at_the_end() == estimate(160.0)
    batch.stages[Stage.VENTING] = 10.0
    assert batch.leak_at_the_end() == estimate(160.0)  # no older one is left


# -- verdict -----------------------------------------------------------------------------------------


def test_gaps_over_a_minute_count_until_the_cure_ends() -> None:
    batch = shut(60.0)
    for t_s in (60.0, 121.0, 130.0, 1130.0, 11 * HOUR):
        batch.clock.take(t_s, None)
        batch.take_good(t_s, Stage.HOLDING, reading(t_s))
    assert batch._unseen_s == pytest.approx(61.0 + 1000.0 + (11 * HOUR - 1130.0))
    batch.take_good(12 * HOUR, Stage.HOLDING, reading(12 * HOUR))
    assert batch._longest_gap_s == 11 * HOUR - 1130.0  # time after the cure does not count


SOUND = Facts(
    end_s=36_100.0,
    vented=True,
    pressurised=True,
    hold_s=36_000.0,
    gelled=True,
    floor_crossed_s=None,
    leak_established=False,
    unseen_s=0.0,
    longest_gap_s=0.0,
)


@pytest.mark.parametrize(
    ("changed", "verdict"),
    [
        ({}, Verdict.HELD),
        ({"pressurised": False, "floor_crossed_s": 5.0}, Verdict.INCOMPLETE),
        ({"floor_crossed_s": 0.0, "gelled": False, "unseen_s": 9e9}, Verdict.FELL_BELOW_FLOOR),
        ({"gelled": False, "unseen_s": 9e9}, Verdict.VENTED_EARLY),
        ({"gelled": False, "vented": False}, Verdict.HELD),
        ({"longest_gap_s": 3600.0, "unseen_s": 3600.0}, Verdict.HELD),
        ({"longest_gap_s": 3601.0, "unseen_s": 3600.0}, Verdict.INCOMPLETE),
        ({"unseen_s": 3601.0}, Verdict.INCOMPLETE),
        ({"vented": False, "end_s": 35_999.0}, Verdict.INCOMPLETE),
        ({"vented": False, "end_s": 36_000.0}, Verdict.HELD),
        ({"vented": True, "end_s": 30_000.0}, Verdict.HELD),
        ({"leak_established": True}, Verdict.LEAKED),
        ({"leak_established": True, "end_s": 30_000.0}, Verdict.LEAKED),
    ],
)
def test_each_fault_of_a_batch_changes_its_verdict(changed: dict[str, object], verdict: Verdict) -> None:
    assert judge(replace(SOUND, **changed))[0] is verdict  # type: ignore[arg-type]


def test_a_batch_that_exceeded_its_maximum_always_says_so() -> None:
    for changed in ({}, {"leak_established": True}, {"vented": False}):
        plain = judge(replace(SOUND, **changed))  # type: ignore[arg-type]
        above = judge(replace(SOUND, above_maximum=True, **changed))  # type: ignore[arg-type]
        assert above[0] is plain[0]
        assert above[1].startswith(plain[1])
        assert len(above[1]) > len(plain[1])


@pytest.mark.parametrize(
    ("last_good_s", "verdict"), [(31_000.0, Verdict.INCOMPLETE), (35_000.0, Verdict.HELD)]
)
def test_a_gap_that_lasts_until_the_vent_counts_too(last_good_s: float, verdict: Verdict) -> None:
    batch = shut(60.0)
    for t_s in range(0, int(last_good_s) + 1, 50):
        batch.clock.take(float(t_s), None)
        batch.take_good(float(t_s), Stage.HOLDING, reading(float(t_s)))
    batch.clock.take(36_000.0, None)
    batch.stages[Stage.VENTING], batch.vented, batch.vented_gelled = 36_000.0, True, True
    assert batch.summary(36_100.0, complete=True).verdict is verdict


# -- replay ------------------------------------------------------------------------------------------


class Heard:
    """A watch that only records what it is given."""

    def __init__(self) -> None:
        self.order: list[tuple[str, float]] = []

    def feed(self, sample: Sample) -> list[object]:
        self.order.append(("sample", sample.t_s))
        return []

    def handle(self, command: Command) -> list[object]:
        self.order.append(("command", command.t_s))
        return []


def test_replay_feeds_the_commands_of_a_tick_before_its_sample() -> None:
    commands = [Command(Action.OPEN, t_s) for t_s in (0.0, 10.0, 10.0, 15.0, 31.0)]
    heard = Heard()
    steps = list(feed_again(heard, [Sample(10.0 * i) for i in range(4)], commands))  # type: ignore[arg-type]
    assert heard.order == [
        ("command", 0.0),
        ("sample", 0.0),
        ("command", 10.0),
        ("command", 10.0),
        ("sample", 10.0),
        ("command", 15.0),
        ("sample", 20.0),
        ("sample", 30.0),
        ("command", 31.0),
    ]
    assert [step.t_s for step, _ in steps] == [t_s for _, t_s in heard.order]


def test_a_batch_ended_early_says_how_much_of_the_cure_is_missing() -> None:
    ends_early = replace(SOUND, vented=False, end_s=33_000.0)
    assert span(3000.0) in judge(ends_early)[1]
    assert span(3000.0) in judge(replace(ends_early, vented=True))[1]
