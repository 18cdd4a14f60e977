"""The discovery messages for home automation."""

import json
from dataclasses import replace

import jinja2
import pytest

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, WORKSHOP, alarm, with_alarms
from discovery_rules import entities, faults
from potvigil.model.events import AlarmId, AlarmState
from potvigil.model.reading import Place
from potvigil.outputs.broker import discovery, homie, homie_description, homie_set

BUOY = replace(LANTERN, pot_id="buoy")
TOPIC = f"homeassistant/device/potvigil_{WORKSHOP}/lantern/config"


def told(*pots, rehearsed=False, prefix="homeassistant", workshop=WORKSHOP):
    by_id = {pot.pot_id: pot for pot in pots or (LANTERN,)}
    messages = discovery.configs(prefix, workshop, by_id, rehearsed)
    assert all(message.retained and message.qos == 1 for message in messages)
    return {message.topic: message.payload for message in messages}


def described(rehearsed=False):
    return homie_description.descriptions(WORKSHOP, [LANTERN], rehearsed)[f"{WORKSHOP}-lantern"]["nodes"]


# --- the checker itself


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda config: config["origin"].clear(), "origin has no name"),
        (lambda config: config["device"].pop("identifiers"), "no identifier"),
        (lambda config: config["components"]["pressure_gauge"].pop("unique_id"), "unique_id"),
        (lambda config: config["components"]["pressure_gauge"].update(unit_of_measurement="lb"), "unit 'lb'"),
        (lambda config: config["components"]["cure_done"].update(state_class="measurement"), "neither unit"),
        (lambda config: config["components"]["alarms_acknowledge"].pop("command_topic"), "command_topic"),
        (lambda config: config["components"]["standing_leak"].update(state_topic="a/#"), "state_topic"),
        (lambda config: config["components"]["standing_leak"].update(device_class="leak"), "device class"),
        (lambda config: config["components"]["hold_stage"].pop("options"), "options"),
    ],
)
def test_the_checker_rejects_what_the_documentation_forbids(change, fault):
    config = json.loads(told()[TOPIC])
    change(config)
    (found,) = faults({TOPIC: json.dumps(config).encode()})
    assert fault in found


# --- the format


@pytest.mark.parametrize("unit", ["psi", "bar", "kPa", "Pa", "MPa"])
@pytest.mark.parametrize("rehearsed", [False, True])
def test_discovery_messages_match_the_documentation(unit, rehearsed):
    messages = told(replace(LANTERN, pressure_unit=unit), BUOY, rehearsed=rehearsed)
    assert len(messages) == 2
    assert faults(messages) == []


def test_pots_of_two_workshops_and_a_rehearsal_are_separate_entities():
    messages = told(LANTERN, BUOY) | told(rehearsed=True) | told(workshop=f"rehearsal-{WORKSHOP}")
    assert len(messages) == 4
    assert faults(messages) == []  # all unique ids differ
    devices = {json.loads(payload)["device"]["identifiers"][0] for payload in messages.values()}
    assert len(devices) == 4


def test_a_message_is_small_enough_to_be_read_back():
    assert max(map(len, told(LANTERN).values())) < 12_000


def test_every_entity_refers_to_an_existing_property():
    nodes = described()
    base = f"homie/5/{WORKSHOP}-lantern/"
    for key, entity in entities(told()[TOPIC]).items():
        topic = entity.get("state_topic") or entity["command_topic"].removesuffix("/set")
        node, name = topic.removeprefix(base).split("/")
        prop = nodes[node]["properties"][name]
        assert key == f"{node}_{name}"
        match entity["platform"]:
            case "button":
                assert prop["settable"] and f"{topic}/set" in homie_set.set_topics(WORKSHOP, [LANTERN])
                asked = homie_set.parse_set(WORKSHOP, f"{topic}/set", entity["payload_press"].encode())
                assert isinstance(asked, homie_set.SetCommand)
            case "binary_sensor":
                assert prop["datatype"] == "boolean"
            case "sensor":
                assert entity.get("unit_of_measurement") == prop.get("unit")
                assert (entity.get("device_class") == "timestamp") == (prop["datatype"] == "datetime")
                assert ("options" in entity) == (prop["datatype"] == "enum")
                if "options" in entity:
                    assert ",".join(entity["options"]) == prop["format"]


def test_the_expected_entities_exist():
    found = entities(told()[TOPIC])
    assert {"pressure_gauge", "leak_rate", "forecast_floor", "cure_done", "alarms_acknowledge"} <= set(found)
    assert {f"standing_{alarm_id}" for alarm_id in AlarmId} <= set(found)
    assert found["forecast_floor"]["device_class"] == found["cure_done"]["device_class"] == "timestamp"
    assert found["standing_floor-ahead"]["name"] == "Floor ahead"
    temperatures = {key for key in found if key.startswith("temperature_")}
    assert temperatures == {"temperature_gas", "temperature_room", "temperature_contents"}
    american = entities(told(replace(LANTERN, temperature_unit="F"))[TOPIC])
    assert {american[key]["unit_of_measurement"] for key in temperatures} == {"°F"}
    walled = replace(LANTERN, thermometers=frozenset({Place.WALL}))
    assert not temperatures & set(entities(told(walled)[TOPIC]))


# --- what the platform makes of the payloads: its templates are Jinja2


def shown(entity, payload):
    return jinja2.Environment().from_string(entity["value_template"]).render(value=payload.decode())


def test_an_unknown_value_is_shown_unknown_and_any_other_as_published():
    sensors = {k: e for k, e in entities(told()[TOPIC]).items() if e["platform"] == "sensor"}
    for snapshot in (HOLDING, NOTHING_KNOWN):
        payloads = {m.topic: m.payload for m in homie.values(WORKSHOP, LANTERN, snapshot, 7)}
        for entity in sensors.values():
            payload = payloads[entity["state_topic"]]
            # sensor.mqtt: a payload `None` is unknown
            assert shown(entity, payload) == (payload.decode() or "None")
            if "options" in entity:
                assert payload.decode() in entity["options"]


def test_an_alarm_is_a_problem_unless_normal():
    entity = entities(told()[TOPIC])["standing_leak"]
    for state in AlarmState:
        snapshot = with_alarms(alarm(state=state))
        payloads = {m.topic: m.payload.decode() for m in homie.values(WORKSHOP, LANTERN, snapshot, 7)}
        on = state is not AlarmState.NORMAL
        assert payloads[entity["state_topic"]] == entity["payload_on" if on else "payload_off"]


@pytest.mark.parametrize("rehearsed", [False, True])
def test_a_pot_is_available_while_it_and_its_workshop_are_ready(rehearsed):
    (payload,) = told(rehearsed=rehearsed).values()
    config = json.loads(payload)
    states = {m.topic for m in homie.states(WORKSHOP, [LANTERN], "ready", rehearsed)}
    assert {each["topic"] for each in config["availability"]} == states
    assert homie.last_will(WORKSHOP, rehearsed).topic in states
    assert config["availability_mode"] == "all"
    for each in config["availability"]:
        for state in (b"init", b"ready", b"disconnected", b"lost", b""):
            assert shown(each, state) == ("online" if state == b"ready" else "offline")


# --- earlier messages


def test_only_messages_of_this_workshop_are_recognised_under_any_prefix():
    assert discovery.is_config(WORKSHOP, TOPIC, rehearsed=False)
    assert discovery.is_config(WORKSHOP, f"x/device/potvigil_{WORKSHOP}/gone/config", rehearsed=False)
    assert not discovery.is_config(WORKSHOP, TOPIC, rehearsed=True)
    assert not discovery.is_config("harbour", TOPIC, rehearsed=False)
    assert not discovery.is_config(WORKSHOP, f"{TOPIC}/x", rehearsed=False)
    assert discovery.config_filter(WORKSHOP, False) == f"+/device/potvigil_{WORKSHOP}/+/config"


@pytest.mark.parametrize(
    "mess", [b"", b"{", b"[]", b'{"components": 7}', b'{"components": {"x": 7, "y": {}}}', b"[" * 100_000]
)
def test_an_invalid_earlier_message_removes_nothing(mess):
    (now,) = discovery.configs("homeassistant", WORKSHOP, {"lantern": LANTERN}, False)
    assert discovery.without_dropped(now, mess) is None
