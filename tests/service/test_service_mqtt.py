"""A rehearsed night on a real broker, seen by listeners that share no code with the program."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable

import pytest

from broker import HOST, Broker, Listener, retained
from homie_rules import faults
from patience import PATIENCE_S
from potvigil.live_reader import LiveReader
from potvigil.model.broker import BrokerState
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.live import LiveFile
from potvigil.sim.nights import NIGHTS
from potvigil.units import PA_PER_PSI
from rehearsal import Bench

DOMAIN, WORKSHOP = "potvigil-rehearsal", "harbour-models"
ROOT = f"{DOMAIN}/5/{WORKSHOP}"
POT = f"{ROOT}-lantern"
# Leaks from 2400 s on; floor-ahead comes by 3400 s, the floor is passed near 4850 s.
NIGHT = NIGHTS["lost-before-gel"]
WARNED_S = 3600.0


@pytest.fixture
def broker(tmp_path):
    with Broker(tmp_path / "broker") as running:
        yield running


@pytest.fixture
def bench(tmp_path, broker):
    bench = Bench(NIGHT, tmp_path / "night", link=MqttLink(HOST, broker.port))
    bench.begin()
    yield bench
    bench.service.stop()


def go_on_until(bench: Bench, done: Callable[[], bool], real_s: float = 10.0) -> None:
    """Run the night, 5 s a tick and twenty ticks a second, until `done`."""
    deadline_s = time.monotonic() + real_s
    while not done():
        assert time.monotonic() < deadline_s, "it never came"
        bench.run_until(bench.now_s + 5.0)
        time.sleep(0.05)


def has(listener: Listener, topic: str, part: str = "") -> Callable[[], bool]:
    return lambda: part in listener.last().get(topic, b"\0").decode() and topic in listener.last()


def gone(listener: Listener, topic: str) -> Callable[[], bool]:
    return lambda: topic not in listener.last()


def test_a_night_on_the_broker_follows_the_homie_convention(bench, broker):
    with broker.listen() as listener:
        go_on_until(bench, has(listener, f"{ROOT}/$state", "ready"))
        bench.run_until(WARNED_S)
        go_on_until(bench, has(listener, f"{POT}/$alert/floor-ahead"))
        go_on_until(bench, has(listener, f"{POT}/hold/stage", "holding"))
    held = retained(broker)
    assert faults(held, DOMAIN, WORKSHOP) == []
    assert held[f"{POT}/batch/rehearsed"] == b"true"
    assert held[f"{POT}/batch/id"] == b"1"
    assert held[f"{POT}/alarms/highest"] == b"high"
    assert held[f"{POT}/$alert/floor-ahead"].startswith(b"REHEARSAL: high alarm, not acknowledged")


def test_the_state_of_the_broker_is_in_the_live_file(tmp_path, broker):
    live = LiveFile(tmp_path / "live.json", "harbour-models", "sound", 1.0)
    bench = Bench(NIGHT, tmp_path / "night", link=MqttLink(HOST, broker.port), live=live)
    bench.begin()
    reader = LiveReader(live.path)

    def told() -> BrokerState | None:
        known, _ = reader.read()
        return None if known is None else known.broker

    try:
        go_on_until(bench, lambda: told() == BrokerState(True, None))
        broker.kill()
        go_on_until(bench, lambda: (now := told()) is not None and "is unreachable" in (now.trouble or ""))
        assert not told().is_connected
    finally:
        bench.service.stop()


def test_the_broker_has_the_pressure_of_the_pot(bench, broker):
    def shown() -> bool:  # numbers may wait for some seconds
        psi = float(listener.last().get(f"{POT}/pressure/gauge", b"nan"))
        return abs(psi - bench.world.pot.gauge_pa / PA_PER_PSI) < 0.5

    with broker.listen() as listener:
        bench.run_until(1800.0)
        go_on_until(bench, shown)


def test_an_alarm_is_raised_acknowledged_over_mqtt_and_cleared(bench, broker):
    alert = f"{POT}/$alert/floor-ahead"
    with broker.listen() as listener:
        go_on_until(bench, has(listener, f"{ROOT}/$state", "ready"))
        assert alert not in listener.last()
        bench.run_until(WARNED_S)
        go_on_until(bench, has(listener, alert, "not acknowledged"))
        broker.publish(f"{POT}/alarms/acknowledge/set", b"floor-ahead")
        go_on_until(bench, has(listener, alert, "high alarm, acknowledged"))
        bench.run_until(5600.0)  # below the floor for ten minutes: floor-ahead has returned
        go_on_until(bench, gone(listener, alert))
        go_on_until(bench, has(listener, f"{POT}/$alert/below-floor", "not acknowledged"))
    assert alert not in retained(broker)


def test_a_label_set_over_mqtt_is_the_batch_label_in_the_record(bench, broker):
    with broker.listen() as listener:
        bench.run_until(1800.0)
        go_on_until(bench, has(listener, f"{ROOT}/$state", "ready"))
        broker.publish(f"{POT}/batch/label/set", "lens, grün, no. 3".encode())
        go_on_until(bench, has(listener, f"{POT}/batch/label", "lens, grün, no. 3"))
    assert bench.store.batch(1).label == "lens, grün, no. 3"


def test_an_accepted_setting_is_reflected_and_a_refused_one_only_explained(bench, broker):
    def labels(listener: Listener) -> int:
        return sum(message.topic == f"{POT}/batch/label" for message in listener.heard)

    with broker.listen() as listener:
        bench.run_until(1800.0)
        go_on_until(bench, has(listener, f"{ROOT}/$state", "ready"))
        broker.publish(f"{POT}/batch/label/set", b"lens 4")
        go_on_until(bench, has(listener, f"{POT}/batch/label", "lens 4"))
        before = labels(listener)
        broker.publish(f"{POT}/batch/label/set", b"lens 4")
        go_on_until(bench, lambda: labels(listener) > before)
        broker.publish(f"{POT}/alarms/acknowledge/set", b"leak")
        go_on_until(bench, has(listener, f"{POT}/$log/warn", "leak is not active"))
        assert f"{POT}/alarms/acknowledge" not in listener.last()
        broker.publish(f"{POT}/alarms/acknowledge/set", b"all")
        go_on_until(bench, has(listener, f"{POT}/alarms/acknowledge", "all"))
    assert labels(listener) == before + 1


def test_a_broker_that_lost_everything_overnight_gets_the_current_state_again(bench, broker):
    alert = f"{POT}/$alert/floor-ahead"
    with broker.listen() as listener:
        bench.run_until(WARNED_S)
        go_on_until(bench, has(listener, alert))
    broker.kill()
    bench.run_until(WARNED_S + 300.0)
    broker.start()
    with broker.listen() as listener:
        assert alert not in listener.last()
        go_on_until(bench, has(listener, alert, "high alarm, not acknowledged"))
        go_on_until(bench, has(listener, f"{ROOT}/$state", "ready"))
    assert faults(retained(broker), DOMAIN, WORKSHOP) == []


def test_a_broker_that_appears_overnight_gets_the_current_state(tmp_path):
    broker = Broker(tmp_path / "broker")
    bench = Bench(NIGHT, tmp_path / "night", link=MqttLink(HOST, broker.port))
    bench.begin()
    bench.run_until(WARNED_S)
    with broker:
        with broker.listen() as listener:
            go_on_until(bench, has(listener, f"{POT}/$alert/floor-ahead"))
        bench.service.stop()


def test_a_night_without_a_broker_gets_its_verdict(tmp_path):
    broker = Broker(tmp_path / "broker")  # never started
    bench = Bench(NIGHT, tmp_path / "night", link=MqttLink(HOST, broker.port))
    bench.begin()
    bench.run_until()
    bench.service.stop()
    assert bench.summary.verdict == NIGHT.truth.verdict


# -- the program itself ----------------------------------------------------------------------------


@pytest.fixture
def program(tmp_path, broker):
    """`potvigil rehearse` in a process of its own, five minutes of the night in a second."""
    words = ["rehearse", "slow-lid-leak", "--mqtt", f"{HOST}:{broker.port}", "--speed", "300"]
    process = subprocess.Popen(
        [sys.executable, "-m", "potvigil", *words, "--record", str(tmp_path / "record.db")],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ | {"TMPDIR": str(tmp_path)},
    )
    yield process
    process.kill()
    process.wait(PATIENCE_S)


def test_the_broker_reports_a_killed_watch_as_lost(program, broker):
    with broker.listen(f"{ROOT}/$state") as listener:
        listener.wait_for(f"{ROOT}/$state", b"ready")
        program.send_signal(signal.SIGKILL)
        listener.wait_for(f"{ROOT}/$state", b"lost")


def test_an_interrupted_rehearsal_disconnects_cleans_up_and_sums_up_the_batch(program, broker):
    with broker.listen() as listener:
        listener.wait_for(f"{POT}/batch/id", b"1")
        program.send_signal(signal.SIGINT)
        told, _ = program.communicate(timeout=PATIENCE_S)
        listener.wait_for(f"{ROOT}/$state", b"")
        states = [message.payload for message in listener.heard if message.topic == f"{ROOT}/$state"]
    assert states[-2:] == [b"disconnected", b""]
    assert retained(broker) == {}
    assert program.returncode == 0
    assert "batch 1" in told and "still open" in told and "Traceback" not in told


def test_a_rehearsal_publishes_nothing_on_the_topics_of_real_pots(program, broker):
    with broker.listen() as listener:
        listener.wait_for(f"{ROOT}/$state", b"ready")
        listener.wait_for(f"{POT}/pressure/gauge")
        assert {message.topic.split("/")[0] for message in listener.heard} == {DOMAIN}
