"""Leftovers of earlier runs on a real broker: versions rise from them, and the rest is cleared."""

import json
from dataclasses import replace

import pytest

from broker import HOST, Broker, retained, settle
from demo_pot import HOLDING, LANTERN, WORKSHOP, alarm, with_alarms
from homie_rules import faults, stream_faults
from patience import wait_until
from potvigil.model.events import Action, Command, Detail, NoteEvent, NoteId
from potvigil.outputs.broker import owner
from potvigil.outputs.broker.mqtt import MqttOutput
from potvigil.outputs.broker.mqtt_link import MqttLink

ROOT = f"homie/5/{WORKSHOP}"
POT = f"{ROOT}-lantern"
BUOY = replace(LANTERN, pot_id="buoy")
CONFIG = f"device/potvigil_{WORKSHOP}/lantern/config"


@pytest.fixture(autouse=True)
def at_once(monkeypatch):
    """Nobody else is waited for, whose pots they could be."""
    monkeypatch.setattr(owner, "GONE_S", 0.0)


@pytest.fixture
def broker(tmp_path):
    with Broker(tmp_path / "broker") as running:
        yield running


def snapshots(pots, snapshot=HOLDING):
    return {pot.pot_id: replace(snapshot, pot_id=pot.pot_id) for pot in pots}


def ran(broker, pots=(LANTERN,), workshop=WORKSHOP, snapshot=HOLDING, stop=True, rehearsed=False, **link):
    """Run until the whole state is published, and stop."""
    output = MqttOutput(MqttLink(HOST, broker.port, **link), workshop, pots, rehearsed, print, 0.0)
    output.start()
    tick(output, lambda: output.connected, pots, snapshot)
    tick(output, lambda: not output._later, pots, snapshot)
    if stop:
        output.stop()
    return output


def tick(output, done, pots=(LANTERN,), snapshot=HOLDING):
    def ticked():
        output.publish(snapshots(pots, snapshot), dict.fromkeys((pot.pot_id for pot in pots), 7))
        return done()

    wait_until(ticked, "it never came")


def versions(broker):
    return {
        topic.split("/")[2]: json.loads(payload)["version"]
        for topic, payload in retained(broker, "homie/5/+/$description").items()
    }


def test_a_restart_keeps_versions_and_a_change_raises_only_its_own(broker):
    ran(broker)
    first = versions(broker)
    ran(broker)
    assert versions(broker) == first
    ran(broker, [replace(LANTERN, pressure_unit="bar")])
    second = versions(broker)
    assert second[f"{WORKSHOP}-lantern"] > first[f"{WORKSHOP}-lantern"]
    assert second[WORKSHOP] == first[WORKSHOP]
    ran(broker, [replace(LANTERN, pressure_unit="bar"), BUOY])
    assert versions(broker)[WORKSHOP] > first[WORKSHOP]


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_broker_that_lost_everything_gets_the_same_version_again(broker, version):
    output = ran(broker, stop=False, version=version)
    first = versions(broker)
    broker.kill()
    tick(output, lambda: not output.connected)
    broker.start()
    tick(output, lambda: output.connected)
    tick(output, lambda: not output._later)
    assert versions(broker) == first
    output.stop()


def test_a_removed_pot_is_cleared_and_no_other(broker):
    ran(broker, [LANTERN, BUOY], snapshot=with_alarms(alarm()), discovery_prefix="homeassistant")
    ran(broker, [replace(LANTERN, pot_id="mole")], workshop="harbour")  # the beginning of our name
    broker.publish("homie/5/bridge/$description", b'{"homie": "5.0", "version": 1}', retain=True)
    others = {topic: payload for topic, payload in retained(broker).items() if WORKSHOP not in topic}
    assert f"{ROOT}-buoy/$alert/leak" in retained(broker)
    with broker.listen("homie/#", "--retain-as-published") as listener:
        settle(lambda: len(listener.heard))
        before = len(listener.heard)
        ran(broker, discovery_prefix="homeassistant")
        published = [(m.topic, m.payload, m.retained, m.qos) for m in listener.heard[before:]]
    found = retained(broker)
    assert not [topic for topic in found if "buoy" in topic]
    assert {topic: found.get(topic) for topic in others} == others
    ours = {topic: payload for topic, payload in found.items() if topic.startswith(f"{ROOT}")}
    assert faults(ours, "homie", WORKSHOP) == []
    assert stream_faults(published, "homie") == []
    # "Removing children": the parent first, then the child, its $state before all else
    order = [topic for topic, payload, _, _ in published]
    buoy = [topic for topic, payload, _, _ in published if "buoy" in topic and not payload]
    assert buoy[0] == f"{ROOT}-buoy/$state" and buoy[-1] == f"{ROOT}-buoy/$description"
    assert order.index(f"{ROOT}/$description") < len(order) - 1 - order[::-1].index(f"{ROOT}-buoy/$state")


def test_alarms_and_values_of_an_earlier_version_are_cleared(broker):
    ran(broker)
    earlier = json.loads(retained(broker)[f"{POT}/$description"])
    earlier["nodes"]["standing"]["properties"]["lid-open"] = {"datatype": "boolean"}
    earlier["nodes"]["leak"]["properties"]["age"] = {"datatype": "float"}
    broker.publish(f"{POT}/$description", json.dumps(earlier).encode(), retain=True)
    for path in ("$alert/lid-open", "standing/lid-open", "leak/age"):
        broker.publish(f"{POT}/{path}", b"1", retain=True)
    ran(broker)
    found = retained(broker)
    assert not [topic for topic in found if "lid-open" in topic or "leak/age" in topic]
    assert json.loads(found[f"{POT}/$description"])["version"] > earlier["version"]


@pytest.mark.parametrize(
    "mess", [b"\xff", b"[]", b'{"root": "harbour-models", "nodes": {"a/#": {"properties": 7}}}']
)
def test_invalid_descriptions_are_overwritten(broker, mess):
    for device in ("", "-lantern", "-buoy", "-+"):
        broker.publish(f"{ROOT}{device}/$description".replace("+", "x_y"), mess, retain=True)
    ran(broker)
    found = retained(broker)
    assert json.loads(found[f"{POT}/$description"])["root"] == WORKSHOP
    assert found[f"{ROOT}/$state"] == b"disconnected"


def test_discovery_is_removed_with_its_option_or_prefix(broker):
    ran(broker, [LANTERN, BUOY], discovery_prefix="homeassistant")
    broker.publish("homeassistant/device/somebody/else/config", b"{}", retain=True)
    told = {topic for topic in retained(broker) if topic.startswith("homeassistant/device/potvigil")}
    assert len(told) == 2 and f"homeassistant/{CONFIG}" in told
    ran(broker, discovery_prefix="home")
    assert {topic for topic in retained(broker) if topic.endswith("/config")} == {
        f"home/{CONFIG}",
        "homeassistant/device/somebody/else/config",
    }
    ran(broker)
    assert {topic for topic in retained(broker) if topic.endswith("/config")} == {
        "homeassistant/device/somebody/else/config"
    }


def test_a_removed_entity_is_deleted_first_and_then_left_out(broker):
    """Home Assistant, "Device discovery payload": a component with its platform alone, then without it."""
    ran(broker, [LANTERN], discovery_prefix="homeassistant")
    fewer = replace(LANTERN, thermometers=frozenset())
    with broker.listen(f"+/{CONFIG}") as listener:
        ran(broker, [fewer], discovery_prefix="homeassistant")
        sent = [
            json.loads(message.payload)["components"] for message in listener.heard if not message.retained
        ]
    assert len(sent) == 2
    assert sent[0]["temperature_gas"] == {"platform": "sensor"}
    assert "temperature_gas" not in sent[1]
    assert {key: each for key, each in sent[0].items() if set(each) != {"platform"}} == sent[1]


def test_a_rehearsal_cleans_up_and_a_real_watch_leaves_its_last_state(broker):
    ran(broker)
    real = retained(broker)
    ran(broker, rehearsed=True, discovery_prefix="homeassistant", snapshot=with_alarms(alarm()))
    assert retained(broker) == real
    assert real[f"{ROOT}/$state"] == b"disconnected"
    assert real[f"{POT}/pressure/gauge"] == b"59.50"


def test_a_killed_rehearsal_is_cleaned_up_by_the_next(broker):
    killed = ran(broker, rehearsed=True, stop=False)
    killed._client.loop_stop()
    assert any(topic.startswith("potvigil-rehearsal/") for topic in retained(broker))
    ran(broker, [BUOY], rehearsed=True)
    assert retained(broker) == {}


def test_a_set_to_the_present_value_is_reflected(broker):
    """Homie 5.0.0, "Property command topic": what is processed must be reflected as soon as possible."""
    output = ran(broker, stop=False)
    for path, field in (("batch/label", Detail.LABEL), ("batch/mixed-at", Detail.MIXED_AT)):
        with broker.listen(f"{POT}/{path}") as listener:
            output._slow_interval_s = 3600.0  # it does not wait for its turn among the numbers
            tick(output, lambda: True)
            command = Command(Action.EDIT, 0.0, text=HOLDING.details[field], field=field)
            output.reflect("lantern", command)
            tick(output, lambda heard=listener.heard: any(not message.retained for message in heard))
            assert {message.payload.decode() for message in listener.heard} == {HOLDING.details[field]}
    output.stop()


def test_refusals_go_to_the_log_and_are_not_retained(broker):
    output = ran(broker, stop=False)
    with broker.listen(f"{POT}/$log/#", "--retain-as-published") as listener:
        broker.publish(f"{POT}/batch/mass/set", b"250 stones")
        output.hear("lantern", NoteEvent(0.0, None, NoteId.REFUSED, "no batch is open"))
        tick(output, lambda: len(listener.heard) == 2)
        said = {(message.payload.decode(), message.retained) for message in listener.heard}
    assert said == {
        ("Refused: no batch is open.", False),
        (
            "batch/mass was not set: mass: '250 stones' has an unknown unit; give a mass in g, kg, oz or lb.",
            False,
        ),
    }
    output.stop()
