"""Any sensor fault in a sound night: one alarm, the right one, and no leak."""

import pytest

from potvigil.model.events import AlarmId, AlarmState, NoteEvent, NoteId, Verdict
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import ROOM_PROBE_ID, WALL_PROBE_ID, FaultKind, SensorFault
from rehearsal import Bench, raised, rehearse

POT = "lantern"
FAULT_S, MENDED_S, SEEN_S = 7200.0, 9000.0, 12_000.0
PRESSURE_FAULTS = [
    FaultKind.TRANSDUCER_UNPLUGGED,
    FaultKind.CONVERTER_ABSENT,
    FaultKind.BUS_HELD_LOW,
]
PROBE_FAULTS = [
    FaultKind.PROBE_ABSENT,
    FaultKind.PROBE_POWER_ON,
    FaultKind.PROBE_BAD_CRC,
    FaultKind.PROBE_EMPTY,
]


def watch(folder, *faults: SensorFault, until_s: float = SEEN_S, seed: int = 0) -> Bench:
    bench = Bench(NIGHTS["sound"], folder, faults=faults, seed=seed)
    bench.begin()
    bench.run_until(until_s)
    return bench


def standing(bench: Bench) -> dict[AlarmId, AlarmState]:
    return {alarm.alarm: alarm.state for alarm in bench.service.watches[POT].snapshot().alarms}


@pytest.mark.parametrize("kind", PRESSURE_FAULTS)
def test_a_dead_pressure_sensor_raises_one_alarm_within_a_minute_that_returns_once_repaired(kind, tmp_path):
    bench = watch(tmp_path, SensorFault(kind, FAULT_S, MENDED_S))
    (alarm,) = raised(bench.events)
    assert alarm.alarm is AlarmId.PRESSURE_SENSOR
    assert FAULT_S < alarm.t_s <= FAULT_S + 60.0
    assert "pot's own gauge" in alarm.text
    assert standing(bench) == {AlarmId.PRESSURE_SENSOR: AlarmState.RETURNED}
    assert bench.service.batch_ids == {POT: 1}


@pytest.mark.parametrize("probe_id", [WALL_PROBE_ID, ROOM_PROBE_ID])
@pytest.mark.parametrize("kind", PROBE_FAULTS)
def test_a_lost_thermometer_is_one_low_alarm_and_a_note_when_it_is_back(kind, probe_id, tmp_path):
    bench = watch(tmp_path, SensorFault(kind, FAULT_S, MENDED_S, probe_id=probe_id))
    (alarm,) = raised(bench.events)
    assert alarm.alarm is AlarmId.THERMOMETER
    assert FAULT_S < alarm.t_s <= FAULT_S + 300.0
    assert ("wall" if probe_id == WALL_PROBE_ID else "room") in alarm.text.lower().split(":")[0]
    notes = [event.note for event in bench.events if isinstance(event, NoteEvent)]
    assert notes == [NoteId.THERMOMETER_BACK]
    assert standing(bench) == {AlarmId.THERMOMETER: AlarmState.RETURNED}


@pytest.mark.parametrize("kind", [FaultKind.CONVERTER_STUCK, FaultKind.PORT_BLOCKED])
def test_a_stuck_reading_is_doubted_and_never_called_a_leak(kind, tmp_path):
    bench = watch(tmp_path, SensorFault(kind, FAULT_S), until_s=FAULT_S + 5.0 * 3600.0)
    came = {alarm.alarm for alarm in raised(bench.events)}
    assert came <= {AlarmId.PRESSURE_SENSOR}
    if kind is FaultKind.CONVERTER_STUCK:  # a blocked port still scatters like a live one
        assert came == {AlarmId.PRESSURE_SENSOR}


@pytest.mark.parametrize(
    "fault",
    [
        SensorFault(FaultKind.BAROMETER_ABSENT, FAULT_S, MENDED_S),
        SensorFault(FaultKind.BUS_FLAKY, FAULT_S, MENDED_S),
        SensorFault(FaultKind.SUPPLY_SAG, FAULT_S, MENDED_S, volts=4.6),
    ],
    ids=lambda fault: fault.kind,
)
def test_losing_an_optional_sensor_raises_no_pot_alarm(fault, tmp_path):
    bench = watch(tmp_path, fault)
    assert raised(bench.events) == []
    gauge_pa = bench.service.watches[POT].snapshot().reading.gauge_pa
    assert gauge_pa == pytest.approx(bench.world.pot.gauge_pa, abs=3500.0)


@pytest.mark.parametrize("seed", [1, 2])
def test_an_intermittent_plug_raises_one_alarm(seed, tmp_path):
    """EEMUA 191: an operator can take one alarm in ten minutes."""
    loose = [
        SensorFault(FaultKind.TRANSDUCER_UNPLUGGED, FAULT_S + start_s, FAULT_S + start_s + 40.0)
        for start_s in range(0, 1800, 90)
    ]
    bench = watch(tmp_path, *loose, seed=seed)
    assert [alarm.alarm for alarm in raised(bench.events)] == [AlarmId.PRESSURE_SENSOR]


def test_a_leak_is_found_without_the_thermometers(tmp_path):
    faults = [
        SensorFault(FaultKind.PROBE_ABSENT, 1800.0, probe_id=probe_id)
        for probe_id in (WALL_PROBE_ID, ROOM_PROBE_ID)
    ]
    bench = rehearse(NIGHTS["lost-before-gel"], tmp_path, faults=faults)
    came = {alarm.alarm for alarm in raised(bench.events)}
    assert {AlarmId.THERMOMETER, AlarmId.FLOOR_AHEAD, AlarmId.BELOW_FLOOR} <= came
    assert bench.summary.verdict is Verdict.FELL_BELOW_FLOOR
