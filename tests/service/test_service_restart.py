"""However a service ends in the night, the next one continues where it stopped."""

import pytest

from failing_disk import FullDisk
from potvigil.model.events import Action, AlarmId, AlarmState, BatchOpened, Stage, Verdict
from potvigil.record.errors import RecordError
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import FaultKind, SensorFault
from rehearsal import Bench, raised, rehearse

POT = "lantern"
# Leaks from 2400 s on; the floor is passed near 4850 s, and the pot is vented at 10 800 s.
NIGHT = NIGHTS["lost-before-gel"]
CUT_S, AWAY_S = 4000.0, 90.0


def standing(bench: Bench) -> dict[AlarmId, AlarmState]:
    return {alarm.alarm: alarm.state for alarm in bench.service.watches[POT].snapshot().alarms}


@pytest.fixture(scope="module")
def uninterrupted(tmp_path_factory):
    return rehearse(NIGHT, tmp_path_factory.mktemp("uninterrupted")).summary


def end_and_begin(bench: Bench, end: str, boot: str) -> None:
    """Stop the service, let time pass, and start the next one in the same boot or a new one."""
    bench.power_cut() if end == "power cut" else bench.service.stop()
    bench.pass_unwatched(AWAY_S)
    if boot == "same boot":
        bench.begin("boot-1")
    else:
        bench.begin("boot-2", boot_at_s=bench.now_s - 20.0)


@pytest.mark.parametrize(
    ("end", "boot"),
    [
        ("clean stop", "same boot"),
        ("clean stop", "new boot"),
        ("power cut", "same boot"),
        ("power cut", "new boot"),
    ],
)
def test_a_batch_continues_after_a_restart_as_if_uninterrupted(end, boot, tmp_path, uninterrupted):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(CUT_S)
    assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.UNACKNOWLEDGED
    stage = bench.service.watches[POT].stage

    end_and_begin(bench, end, boot)
    told_before = len(bench.heard)
    bench.service.tick()
    assert bench.service.batch_ids == {POT: 1}
    assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.UNACKNOWLEDGED
    assert bench.service.watches[POT].stage is stage
    # only the new event is announced: the pot was not monitored
    assert [event.alarm for _, _, event in bench.heard[told_before:]] == [AlarmId.READINGS_STOPPED]

    bench.run_until()
    bench.service.stop()
    assert sum(isinstance(event, BatchOpened) for event in bench.events) == 1
    summary = bench.summary
    assert summary.verdict is uninterrupted.verdict is Verdict.FELL_BELOW_FLOOR
    assert summary.start_s == uninterrupted.start_s
    # the gap shifts the minutes at which the leak filter runs
    assert summary.hold_start_s == pytest.approx(uninterrupted.hold_start_s, abs=60.0)
    assert summary.floor_crossed_s == pytest.approx(uninterrupted.floor_crossed_s, abs=30.0)
    assert summary.end_s == pytest.approx(uninterrupted.end_s, abs=10.0)
    said, would_say = summary.leak.rate_pa_per_s, uninterrupted.leak.rate_pa_per_s
    assert said.value == pytest.approx(would_say.value, rel=0.03)
    assert said.high - said.low == pytest.approx(would_say.high - would_say.low, rel=0.2)
    with Store.open_read_only(bench.record) as store:
        (row,) = store.batches()
        assert row.summary == summary
        kept = raised(store.events(row.id))
    assert [one.alarm for one in kept if one.alarm is not AlarmId.READINGS_STOPPED] == [
        AlarmId.FLOOR_AHEAD,
        AlarmId.BELOW_FLOOR,
    ]


@pytest.mark.parametrize("end", ["clean stop", "power cut"])
def test_an_acknowledged_alarm_stays_acknowledged_after_a_restart(end, tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(CUT_S)
    bench.store.add_command(POT, Action.ACKNOWLEDGE, None, alarm=AlarmId.FLOOR_AHEAD, by="test")
    bench.run_until(CUT_S + 60.0)
    assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.ACKNOWLEDGED
    end_and_begin(bench, end, "new boot")
    bench.service.tick()
    assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.ACKNOWLEDGED


@pytest.mark.parametrize("boot", ["boot-1", "boot-2"])
def test_a_command_given_while_no_watch_ran_is_never_carried_out(boot, tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(CUT_S)
    bench.service.stop()
    with Store.open(bench.record) as store:
        asked = store.add_command(POT, Action.ACKNOWLEDGE, None, alarm=AlarmId.FLOOR_AHEAD, by="test")
    bench.pass_unwatched(AWAY_S)
    bench.begin(boot, boot_at_s=0.0 if boot == "boot-1" else bench.now_s)
    bench.service.tick()
    assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.UNACKNOWLEDGED
    (row,) = bench.store.asked(asked)
    assert row.answer is not None and "the watch is not running" in row.answer.text and not row.taken
    bench.service.stop()


def test_after_a_reboot_without_a_clock_the_batch_continues_and_clock_not_set_is_raised(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(CUT_S)
    bench.power_cut()
    bench.pass_unwatched(AWAY_S)
    bench.begin("boot-2", boot_at_s=bench.now_s, utc_known=False)
    bench.service.tick()
    assert bench.service.batch_ids == {POT: 1}
    assert standing(bench)[AlarmId.FLOOR_AHEAD] is AlarmState.UNACKNOWLEDGED
    bench.run_until(bench.now_s + 400.0)
    assert standing(bench)[AlarmId.CLOCK_UNSET] is AlarmState.UNACKNOWLEDGED
    bench.run_until()
    bench.service.stop()
    assert bench.summary.verdict is Verdict.FELL_BELOW_FLOOR


def test_a_pot_vented_while_unmonitored_is_not_watched_as_still_pressurised(tmp_path):
    bench = Bench(NIGHTS["vented-early"], tmp_path)
    bench.begin()
    bench.run_until(3600.0)
    bench.power_cut()
    bench.pass_unwatched(900.0)
    bench.begin("boot-2", boot_at_s=bench.now_s)
    bench.run_until(bench.now_s + 120.0)
    assert bench.service.watches[POT].stage is Stage.OPEN
    assert bench.service.batch_ids == {POT: None}
    assert bench.summary.complete
    assert AlarmId.READINGS_STOPPED in standing(bench)


def test_a_high_alarm_of_a_closed_batch_is_active_again_until_acknowledged(tmp_path):
    bench = rehearse(NIGHT, tmp_path)
    bench.pass_unwatched(3600.0)
    bench.begin("boot-2", boot_at_s=bench.now_s)
    bench.service.tick()
    assert AlarmId.BELOW_FLOOR in standing(bench)
    bench.store.add_command(POT, Action.ACKNOWLEDGE, None, by="test")
    bench.run_until(bench.now_s + 1500.0)
    assert AlarmId.BELOW_FLOOR not in standing(bench)
    assert bench.service.batch_ids == {POT: None}


# -- inputs and record that fail -------------------------------------------------------------------


@pytest.mark.parametrize("kind", [FaultKind.BUS_HELD_LOW, FaultKind.CONVERTER_ABSENT])
def test_a_bus_dead_at_the_start_raises_one_alarm_and_is_used_once_it_answers(kind, tmp_path):
    bench = Bench(NIGHTS["sound"], tmp_path, faults=[SensorFault(kind, 0.0, 1800.0)])
    bench.begin()
    bench.run_until(1790.0)
    assert [one.alarm for one in raised(bench.events)] == [AlarmId.PRESSURE_SENSOR]
    assert bench.service.watches[POT].snapshot().reading.gauge_pa is None
    bench.run_until(5400.0)
    assert bench.service.batch_ids == {POT: 1}
    assert standing(bench) == {AlarmId.PRESSURE_SENSOR: AlarmState.RETURNED}
    assert [one.alarm for one in raised(bench.events)] == [AlarmId.PRESSURE_SENSOR]


def test_a_missing_bus_does_not_stop_the_service_from_starting(tmp_path, monkeypatch):
    bench = Bench(NIGHTS["sound"], tmp_path)
    there = bench.world.open_bus

    def open_bus(number: int):
        if bench.now_s < 900.0:
            raise FileNotFoundError(2, "No such file or directory", f"/dev/i2c-{number}")
        return there(number)

    monkeypatch.setattr(bench.world, "open_bus", open_bus)
    bench.begin()
    bench.run_until(890.0)
    assert standing(bench) == {AlarmId.PRESSURE_SENSOR: AlarmState.UNACKNOWLEDGED}
    bench.run_until(1000.0)
    assert bench.service.watches[POT].snapshot().reading.gauge_pa is not None


def test_a_bus_outage_during_a_hold_raises_one_alarm_and_no_loss(tmp_path):
    bench = Bench(NIGHTS["sound"], tmp_path, faults=[SensorFault(FaultKind.BUS_HELD_LOW, 7200.0, 9000.0)])
    bench.begin()
    bench.run_until(12_000.0)
    assert [one.alarm for one in raised(bench.events)] == [AlarmId.PRESSURE_SENSOR]
    assert standing(bench) == {AlarmId.PRESSURE_SENSOR: AlarmState.RETURNED}
    assert bench.service.batch_ids == {POT: 1}
    assert bench.service.watches[POT].stage is Stage.HOLDING


def test_a_full_disk_raises_an_alarm_and_loses_nothing(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(CUT_S)
    with FullDisk(8192):
        bench.run_until(5200.0)
        assert standing(bench)[AlarmId.RECORD_FAILING] is AlarmState.UNACKNOWLEDGED
        assert standing(bench)[AlarmId.BELOW_FLOOR] is AlarmState.UNACKNOWLEDGED
    bench.run_until()
    bench.service.stop()
    assert [one.alarm for one in raised(bench.events)].count(AlarmId.RECORD_FAILING) == 1
    (text,) = (one.text for one in raised(bench.events) if one.alarm is AlarmId.RECORD_FAILING)
    assert "still monitored" in text
    with Store.open_read_only(bench.record) as store:
        (row,) = store.batches()
        assert row.summary == bench.summary
        assert AlarmId.BELOW_FLOOR in [one.alarm for one in raised(store.events(row.id))]
        times_s = [sample.t_s for sample in store.samples(POT, 0.0)]
    assert times_s == [5.0 * i for i in range(len(times_s))]
    assert times_s[-1] > NIGHT.duration_s - 5.0


def test_a_disk_that_fills_up_after_a_restart_does_not_end_the_watch(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.run_until(1500.0)
    bench.service.stop()
    with FullDisk(40_960):
        # room for the write-ahead log's index, which takes 32 KiB, and little more
        bench.begin("boot-2", boot_at_s=bench.now_s)
        bench.run_until(6000.0)
        assert bench.service.batch_ids == {POT: 1}
        assert {AlarmId.RECORD_FAILING, AlarmId.BELOW_FLOOR} <= standing(bench).keys()
        with pytest.raises(RecordError, match="cannot be written"):
            bench.service.stop()
