"""MQTT against a real broker, with the broker's own tools as listeners."""

import logging
import os
import signal
import socket
import ssl
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from broker import HOST, Broker, free_port, make_certificates, retained, settle
from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, PSI, WORKSHOP, alarm, with_alarms
from homie_rules import faults
from patience import PATIENCE_S, wait_until
from potvigil.model.events import Action, AlarmId, Command, Detail, Priority
from potvigil.outputs.broker import homie
from potvigil.outputs.broker.homie_set import SetCommand
from potvigil.outputs.broker.mqtt import MqttOutput
from potvigil.outputs.broker.mqtt_address import opened_tls
from potvigil.outputs.broker.mqtt_link import MqttLink, MqttLinkError, MqttPasswordError, read_password

ROOT = "homie/5/harbour-models"
POT = f"{ROOT}-lantern"
LEAK = f"{POT}/$alert/leak"


@pytest.fixture
def broker(tmp_path):
    with Broker(tmp_path / "broker") as running:
        yield running


@pytest.fixture
def outputs():
    """Make outputs that are stopped after the test."""
    made = []

    def make(broker, link=None, rehearsed=False, on_command=lambda *_: None, slow_interval_s=0.0):
        link = link or MqttLink(HOST, broker.port)
        output = MqttOutput(link, WORKSHOP, [LANTERN], rehearsed, on_command, slow_interval_s)
        made.append(output)
        output.start()
        return output

    yield make
    for output in made:
        output.stop()


def tick(output, snapshot=HOLDING):
    output.publish({"lantern": snapshot}, {"lantern": 7})


def edit(field, text):
    return SetCommand("lantern", Action.EDIT, text=text, field=field)


def tick_until(output, done, snapshot=HOLDING, failure="it never came"):
    def ticked():
        tick(output, snapshot)
        return done()

    wait_until(ticked, failure)


def tick_until_heard(output, listener, topic, payload=None, snapshot=HOLDING):
    """Tick until a topic's last payload is this one (b"": deleted; None: anything)."""

    def heard():
        found = listener.last().get(topic, b"")
        return bool(found) if payload is None else found == payload

    tick_until(
        output, heard, snapshot, failure=lambda: f"{topic} is {listener.last().get(topic)}, not {payload}"
    )


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_the_broker_has_the_whole_state_by_the_convention(broker, outputs, version):
    output = outputs(broker, MqttLink(HOST, broker.port, version=version))
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready", with_alarms(alarm()))
    found = retained(broker)
    assert faults(found, "homie", WORKSHOP) == []
    assert found[f"{POT}/pressure/gauge"] == b"59.50"
    assert found[f"{POT}/$state"] == b"ready"
    assert b"Air is being lost" in found[LEAK]


def test_init_is_first_ready_last_and_only_numbers_are_unconfirmed(broker, outputs):
    with broker.listen() as listener:
        output = outputs(broker)
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready")
        order = [(message.topic, message.payload) for message in listener.heard]
        numbers = {message.topic for message in homie.values(WORKSHOP, LANTERN, HOLDING, 7) if message.slow}
        assert {message.topic for message in listener.heard if message.qos == 0} <= numbers
        assert {message.qos for message in listener.heard if message.topic not in numbers} == {1}
    states = {(f"{device}/$state", state) for device in (ROOT, POT) for state in (b"init", b"ready")}
    assert set(order[:2]) == {state for state in states if state[1] == b"init"}
    assert set(order[-2:]) == {state for state in states if state[1] == b"ready"}
    assert not states & set(order[2:-2])


def test_an_alarm_is_raised_and_deleted(broker, outputs):
    output = outputs(broker, slow_interval_s=60.0)
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready")
        tick_until_heard(output, listener, LEAK, snapshot=with_alarms(alarm()))
        tick_until_heard(output, listener, LEAK, b"")
    assert LEAK not in retained(broker)


def test_a_confirmed_alarm_is_known_to_be_delivered(broker, outputs):
    output = outputs(broker, link=MqttLink(HOST, free_port()))
    tick(output)
    assert not output.has_told("lantern", AlarmId.TEST) and "is unreachable" in output.fault
    output = outputs(broker)
    tick_until(output, lambda: output.has_told("lantern", AlarmId.TEST))
    assert not output.has_told("kettle", AlarmId.TEST) and "does not confirm" in output.fault


def test_a_value_that_becomes_unknown_is_deleted(broker, outputs):
    output = outputs(broker)
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{POT}/leak/rate", b"1.500")
        tick_until_heard(output, listener, f"{POT}/leak/rate", b"", NOTHING_KNOWN)
    assert f"{POT}/pressure/gauge" not in retained(broker)


def test_only_changes_are_sent(broker, outputs):
    output = outputs(broker)
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready")
        settle(lambda: len(listener.heard))
        before = len(listener.heard)
        for _ in range(50):
            tick(output)
        tick_until_heard(
            output,
            listener,
            f"{POT}/batch/label",
            b"changed",
            replace(HOLDING, details=HOLDING.details | {Detail.LABEL: "changed"}),
        )
        assert [message.topic for message in listener.heard[before:]] == [f"{POT}/batch/label"]


def test_numbers_are_throttled_and_alarms_sent_at_once(broker, outputs):
    output = outputs(broker, slow_interval_s=60.0)
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready")
        for step in range(50):
            moved = replace(
                with_alarms(alarm()), reading=replace(HOLDING.reading, gauge_pa=(50 - step / 10) * PSI)
            )
            tick(output, moved)
        listener.wait_for(LEAK)
        settle(lambda: len(listener.heard))
        gauges = [message.payload for message in listener.heard if message.topic == f"{POT}/pressure/gauge"]
    assert gauges == [b"59.50"]


def test_a_set_reaches_the_watch_and_is_answered(broker, outputs):
    commands = []
    output = outputs(broker, on_command=commands.append)
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready")
        broker.publish(f"{POT}/alarms/acknowledge/set", b"leak", qos=0)
        broker.publish(f"{POT}/alarms/acknowledge/set", b"all")
        broker.publish(f"{POT}/batch/label/set", "Lens 4 ♯".encode())
        broker.publish(f"{POT}/batch/note/set", b"second pour")
        broker.publish(f"{POT}/batch/mixed-at/set", b"2026-01-01T21:40:00+01:00")
        tick_until(output, lambda: len(commands) == 5)
        output.reflect("lantern", Command(Action.ACKNOWLEDGE, 0.0))
        tick_until_heard(output, listener, f"{POT}/alarms/acknowledge", b"all")
    assert commands == [
        SetCommand("lantern", Action.ACKNOWLEDGE, AlarmId.LEAK),
        SetCommand("lantern", Action.ACKNOWLEDGE),
        edit(Detail.LABEL, "Lens 4 ♯"),
        edit(Detail.NOTE, "second pour"),
        edit(Detail.MIXED_AT, "2026-01-01T20:40:00Z"),
    ]
    assert f"{POT}/alarms/acknowledge" not in retained(broker)


def test_hostile_sets_are_refused_and_the_next_valid_one_accepted(broker, outputs, caplog):
    commands = []
    # left on the broker by somebody: it must not be obeyed at each connection
    broker.publish(f"{POT}/alarms/acknowledge/set", b"all", retain=True)
    output = outputs(broker, on_command=commands.append)
    with caplog.at_level(logging.WARNING, "potvigil.mqtt"):
        tick_until(output, lambda: output.connected)
        broker.publish(f"{POT}/batch/label/set", b"\xff\xfe")
        broker.publish(f"{POT}/batch/label/set", b"a\x00b")
        broker.publish(f"{POT}/batch/note/set", b"x" * 9000)
        broker.publish(f"{POT}/batch/note/set", b"x" * 1_000_000)  # the broker keeps this one to itself
        broker.publish(f"{POT}/pressure/working/set", b"90")
        broker.publish(f"{POT}/batch/label/set", b"good")
        tick_until(output, lambda: bool(commands))
    assert commands == [edit(Detail.LABEL, "good")]
    refused = [record.getMessage() for record in caplog.records]
    assert [reason.rsplit(": ", 1)[1].split(";")[0] for reason in refused] == [
        "retained",
        "not UTF-8",
        "control characters in the text",
        "9000 bytes",
    ]


def test_an_unacceptable_command_does_not_end_the_connection(broker, outputs, caplog):
    taken = []

    def on_command(asked):
        if asked.text == "first":
            raise OSError("disk full")
        taken.append(asked.text)

    output = outputs(broker, on_command=on_command)
    tick_until(output, lambda: output.connected)
    broker.publish(f"{POT}/batch/label/set", b"first")
    broker.publish(f"{POT}/batch/label/set", b"second")
    tick_until(output, lambda: taken == ["second"])
    assert output.connected
    assert "disk full" in caplog.text


def test_state_and_active_alarm_are_republished_after_a_broken_connection(broker, outputs):
    output = outputs(broker)
    standing = with_alarms(alarm(AlarmId.FLOOR_AHEAD, priority=Priority.HIGH))
    tick_until(output, lambda: f"{POT}/$alert/floor-ahead" in retained(broker), standing)
    broker.kill()  # keeps nothing
    tick_until(output, lambda: not output.connected, standing)
    broker.start()
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready", standing)
    found = retained(broker)
    assert faults(found, "homie", WORKSHOP) == []
    assert found[f"{POT}/$alert/floor-ahead"].startswith(b"high alarm, not acknowledged: ")
    assert found[f"{POT}/pressure/gauge"] == b"59.50"


def test_alarms_missed_by_the_broker_are_one_log_line(tmp_path, outputs):
    with Broker(tmp_path / "broker", persistent=True) as broker:
        output = outputs(broker)
        with broker.listen() as listener:
            tick_until_heard(output, listener, LEAK, snapshot=with_alarms(alarm()))
        broker.stop()  # keeps the alarm
        tick_until(output, lambda: not output.connected, with_alarms(alarm()))
        tick(output, with_alarms(alarm(AlarmId.THERMOMETER)))
        tick(output, HOLDING)
        broker.start()
        with broker.listen() as listener:
            assert listener.wait_for(LEAK)  # the broker still has it
            tick_until_heard(output, listener, f"{ROOT}/$log/warn")
            tick_until_heard(output, listener, LEAK, b"")
            logged = [message for message in listener.heard if "$log" in message.topic]
        assert len(logged) == 1
        assert b"pot lantern: leak, raised" in logged[0].payload
        assert b"pot lantern: thermometer, raised" in logged[0].payload
        assert not [topic for topic in retained(broker) if "$alert" in topic or "$log" in topic]


def test_leftovers_of_an_earlier_run_are_deleted(broker, outputs):
    broker.publish(LEAK, b"an alarm of last week", retain=True)
    broker.publish(f"{POT}/leak/rate", b"9", retain=True)
    output = outputs(broker)
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready", NOTHING_KNOWN)
    assert not {LEAK, f"{POT}/leak/rate"} & set(retained(broker))


def test_a_broker_that_starts_late_is_found(tmp_path, outputs, caplog):
    with Broker(tmp_path / "broker") as broker:
        broker.kill()
        with caplog.at_level(logging.INFO, "potvigil.mqtt"):
            output = outputs(broker)
            tick_until(output, lambda: "refused" in caplog.text)
            assert not output.connected
            broker.start()
            tick_until(output, lambda: output.connected)
        away = [record for record in caplog.records if "is unreachable" in record.getMessage()]
        assert len(away) == 1  # once an outage, not once an attempt


def test_a_broker_that_stops_reading_blocks_nothing_and_gets_the_last_state(broker, outputs):
    output = outputs(broker)
    with broker.listen(f"{POT}/#") as listener:
        tick_until_heard(output, listener, f"{POT}/$state", b"ready")
        before = len(listener.heard)
        broker.pause()
        slowest_s = 0.0
        for step in range(3000):
            gauge_pa = (20 + step / 100) * PSI
            reading = replace(
                HOLDING.reading, gauge_pa=gauge_pa, absolute_pa=gauge_pa, gas_k=280 + step / 100
            )
            moved = replace(HOLDING, reading=reading, corrected_gauge_pa=gauge_pa)
            began_s = time.perf_counter()
            tick(output, moved)
            slowest_s = max(slowest_s, time.perf_counter() - began_s)
        broker.resume()
        tick_until_heard(output, listener, f"{POT}/pressure/gauge", b"49.99", moved)
        assert slowest_s < 0.5
        # not 12000: what the line's buffers do not take is never queued; they took 2600 of 70 bytes
        assert len(listener.heard) - before < 6000


def test_a_clean_stop_says_disconnected(broker, outputs):
    output = outputs(broker)
    with broker.listen() as listener:
        tick_until_heard(output, listener, f"{ROOT}/$state", b"ready")
        output.stop()
        listener.wait_for(f"{ROOT}/$state", b"disconnected")
        listener.wait_for(f"{POT}/$state", b"disconnected")
    assert not output.connected
    assert faults(retained(broker), "homie", WORKSHOP) == []
    tick(output)  # and a tick after it does nothing


def test_a_stop_takes_two_seconds_at_most(broker, outputs):
    output = outputs(broker)
    tick_until(output, lambda: output.connected)
    broker.pause()
    began_s = time.monotonic()
    output.stop()
    assert time.monotonic() - began_s < 2.5
    broker.resume()


def test_the_last_will_reports_a_killed_watch_as_lost(broker):
    script = (
        "import sys, time; from demo_pot import HOLDING, LANTERN, WORKSHOP\n"
        "from potvigil.outputs.broker.mqtt import MqttOutput\n"
        "from potvigil.outputs.broker.mqtt_link import MqttLink\n"
        f"output = MqttOutput(MqttLink('{HOST}', {broker.port}), WORKSHOP, [LANTERN], False, print)\n"
        "output.start()\n"
        "while True: output.publish({'lantern': HOLDING}, {'lantern': 7}); time.sleep(0.02)\n"
    )
    paths = os.pathsep.join([str(Path(__file__).parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])])
    with broker.listen() as listener:
        watch = subprocess.Popen([sys.executable, "-c", script], env={**os.environ, "PYTHONPATH": paths})
        try:
            listener.wait_for(f"{ROOT}/$state", b"ready")
        finally:
            watch.send_signal(signal.SIGKILL)
            watch.wait(PATIENCE_S)
        listener.wait_for(f"{ROOT}/$state", b"lost")
        assert listener.last()[f"{POT}/$state"] == b"ready"  # a lost root counts for its children
    assert retained(broker)[f"{ROOT}/$state"] == b"lost"


def test_a_wrong_password_is_retried_forever(tmp_path, outputs, caplog):
    with Broker(tmp_path / "broker", password=("pot", "right")) as broker:
        output = outputs(broker, MqttLink(HOST, broker.port, username="pot", password="wrong"))
        log = broker.folder / "mosquitto.log"
        tick_until(output, lambda: log.read_text().count("not authorised") >= 2)
        assert not output.connected
        assert "it refused the connection: Not authorized" in caplog.text
        assert "wrong" not in caplog.text


def test_user_and_password_open_a_protected_broker(tmp_path, outputs):
    secret = tmp_path / "password"
    secret.write_text("right\n")
    with Broker(tmp_path / "broker", password=("pot", "right")) as broker:
        link = MqttLink(HOST, broker.port, username="pot", password=read_password(secret))
        assert "right" not in repr(link)
        output = outputs(broker, link)
        tick_until(output, lambda: output.connected)
        assert f"{ROOT}/$state" in retained(broker)


def test_tls_works_with_the_workshops_own_authority(tmp_path, outputs):
    with Broker(tmp_path / "broker", tls=True) as broker:
        output = outputs(broker, MqttLink(HOST, broker.port, tls=True, ca_file=broker.ca_file))
        with broker.listen() as listener:
            tick_until_heard(output, listener, f"{ROOT}/$state", b"ready")


def test_a_workshop_authority_needs_no_key_usage(tmp_path, monkeypatch) -> None:
    """Python 3.13 asks that of every authority by itself; the system's own still have to say it."""
    make_certificates(tmp_path)
    usual = ssl.create_default_context

    def strict(**files: object) -> ssl.SSLContext:
        made = usual(**files)
        made.verify_flags |= ssl.VERIFY_X509_STRICT
        return made

    monkeypatch.setattr("ssl.create_default_context", strict)
    own = opened_tls(MqttLink(HOST, 8883, tls=True, ca_file=tmp_path / "ca.crt"))
    systems = opened_tls(MqttLink(HOST, 8883, tls=True))
    assert own is not None and systems is not None
    assert not own.verify_flags & ssl.VERIFY_X509_STRICT and systems.verify_flags & ssl.VERIFY_X509_STRICT
    assert own.verify_mode is ssl.CERT_REQUIRED and own.check_hostname


def test_tls_refuses_a_broker_of_another_authority(tmp_path, outputs, caplog):
    (tmp_path / "other").mkdir()
    make_certificates(tmp_path / "other")
    with Broker(tmp_path / "broker", tls=True) as broker:
        output = outputs(broker, MqttLink(HOST, broker.port, tls=True, ca_file=tmp_path / "other" / "ca.crt"))
        tick_until(output, lambda: "certificate verify failed" in caplog.text)
        assert not output.connected


def test_a_rehearsal_does_not_touch_the_real_pots_topics(broker, outputs):
    output = outputs(broker, rehearsed=True)
    tick_until(output, lambda: "potvigil-rehearsal/5/harbour-models/$state" in retained(broker))
    found = retained(broker)
    assert faults(found, "potvigil-rehearsal", WORKSHOP) == []
    assert not [topic for topic in found if topic.startswith("homie/")]


@pytest.mark.parametrize(
    ("link", "reason"),
    [
        (MqttLink("broker.example", 0), "give a host name and a port"),
        (MqttLink(""), "give a host name and a port"),
        (MqttLink("a..b"), "give a host name and a port"),
        (MqttLink("broker.example", version="4"), "use 5 or 3.1.1"),
        (MqttLink("broker.example", tls=True, ca_file=Path("/no/such/ca.crt")), "/no/such/ca.crt"),
    ],
)
def test_an_impossible_link_is_refused_at_the_start(link, reason):
    output = MqttOutput(link, WORKSHOP, [LANTERN], False, print)
    with pytest.raises(MqttLinkError, match=reason) as caught:
        output.start()
    assert "\n" not in str(caught.value)


def test_an_unresolvable_host_is_retried(outputs, caplog):
    output = outputs(None, MqttLink("broker.invalid", free_port()))  # RFC 2606: .invalid never resolves
    tick_until(output, lambda: "broker.invalid" in caplog.text)
    assert not output.connected


def test_an_unreadable_password_file_is_reported(tmp_path):
    with pytest.raises(MqttPasswordError, match="No such file"):
        read_password(tmp_path / "missing")
    (tmp_path / "empty").touch()
    with pytest.raises(MqttPasswordError, match="no password in the first line"):
        read_password(tmp_path / "empty")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_broker_that_sends_garbage_is_left_and_retried(outputs):
    """The client library's network thread dies of a malformed packet; the output must not stay deaf."""
    with socket.create_server((HOST, 0)) as server:
        server.settimeout(PATIENCE_S)
        output = outputs(None, MqttLink(HOST, server.getsockname()[1]))
        line, _ = server.accept()
        with line:
            line.recv(1000)
            line.sendall(bytes.fromhex("2003 00 00 00"))  # CONNACK: accepted, no properties (MQTT 5, 3.2)
            packet_id = line.recv(1000)[2:4]
            line.sendall(bytes.fromhex("9006") + packet_id + bytes.fromhex("00 01 01 01"))  # SUBACK (3.9)
            packet_id = line.recv(1000)[2:4]
            line.sendall(bytes.fromhex("b005") + packet_id + bytes.fromhex("00 00 00"))  # UNSUBACK (3.11)
            tick_until(output, lambda: output.connected)
            line.sendall(bytes.fromhex("3006 0001 61 02 7f 00"))  # PUBLISH with property 0x7f, which is none
            tick_until(output, lambda: not output.connected)
            server.settimeout(0.05)
            tick_until(output, lambda: accepts(server))


def accepts(server):
    try:
        server.accept()[0].close()
    except TimeoutError:
        return False
    return True
