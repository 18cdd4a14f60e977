import json
import math
import unicodedata
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, PSI, WORKSHOP, alarm, with_alarms
from homie_rules import RECOMMENDED_UNITS, description_faults, faults, payload_fault
from potvigil.model.events import (
    Action,
    AlarmId,
    AlarmState,
    Command,
    Cure,
    Detail,
    FloorForecast,
    Interval,
    Priority,
)
from potvigil.outputs.broker import homie, homie_description, homie_moments, homie_set, homie_tree

BASE = "homie/5/harbour-models-lantern"


def told(snapshot=HOLDING, pot=LANTERN, batch_id=7, rehearsed=False):
    """What a broker would hold: payloads of set properties, by topic."""
    messages = [
        *descriptions([pot], rehearsed),
        *homie.states(WORKSHOP, [pot], "ready", rehearsed),
        *homie.values(WORKSHOP, pot, snapshot, batch_id, rehearsed),
        *homie.alerts(WORKSHOP, pot, snapshot, rehearsed),
    ]
    assert all(message.retained for message in messages)
    assert {message.qos for message in messages if not message.slow} == {1}
    assert {message.qos for message in messages if message.slow} == {0}
    assert len({message.topic for message in messages}) == len(messages)
    return {message.topic: message.payload for message in messages if message.payload}


def descriptions(pots, rehearsed=False, version=1):
    return [
        homie_description.message(device, {**about, "version": version}, rehearsed)
        for device, about in homie_description.descriptions(WORKSHOP, pots, rehearsed).items()
    ]


def described(pot=LANTERN):
    return json.loads(descriptions([pot])[0].payload)


# --- the checker itself: negatives from the convention's text


@pytest.mark.parametrize(
    ("datatype", "payload"),
    [
        ("float", b"21,5"),
        ("float", b"NaN"),
        ("float", b"Infinity"),
        ("float", b" 21.5"),
        ("float", b"1e+5"),
        ("float", b"-"),
        ("float", b"\x00"),
        ("integer", b"+1"),
        ("integer", b"9223372036854775808"),
        ("boolean", b"TRUE"),
        ("datetime", b"22:00"),
        ("duration", b"PT"),
        ("string", b"\xff"),
        ("string", b""),
    ],
)
def test_the_checker_rejects_what_the_convention_forbids(datatype, payload):
    assert payload_fault(datatype, None, payload)


def test_the_checker_rejects_an_id_with_capitals_and_underscore():
    device = {"homie": "5.0", "version": 1, "nodes": {"Pot_1": {"properties": {}}}}
    assert description_faults("pot", json.dumps(device).encode()) == ["pot: node id 'Pot_1'"]


def test_the_checker_finds_a_value_that_the_description_does_not_name():
    messages = told() | {f"{BASE}/pressure/surprise": b"1"}
    assert faults(messages, "homie", WORKSHOP) == [f"{BASE}/pressure/surprise: not in the description"]


# --- the convention


@pytest.mark.parametrize("snapshot", [HOLDING, NOTHING_KNOWN, with_alarms(alarm())])
@pytest.mark.parametrize("unit", ["psi", "bar", "kPa", "Pa", "MPa"])
def test_everything_published_follows_the_convention(snapshot, unit):
    assert faults(told(snapshot, replace(LANTERN, pressure_unit=unit)), "homie", WORKSHOP) == []


awkward = st.floats(allow_nan=True, allow_infinity=True)
intervals = st.builds(Interval, awkward, awkward, awkward)


@given(awkward, awkward, intervals, intervals, st.one_of(st.none(), awkward), st.text())
def test_no_number_or_text_breaks_the_convention(gauge_pa, t_s, rate, flow, utc_s, text):
    snapshot = replace(
        HOLDING,
        t_s=t_s,
        utc_s=utc_s,
        details={Detail.LABEL: text},
        reading=replace(HOLDING.reading, gauge_pa=gauge_pa, gas_k=gauge_pa),
        leak=replace(HOLDING.leak, rate_pa_per_s=rate, pa_m3_per_s=flow, std_cm3_per_min=flow, onset_s=rate),
        forecast=FloorForecast(gauge_pa, t_s, gauge_pa, False, t_s),
        cure=Cure(gauge_pa, t_s),
    )
    payloads = told(snapshot)
    del payloads[f"{BASE}/batch/label"]  # any text, U+0000 too, may stand in a label
    assert faults(payloads, "homie", WORKSHOP) == []


@pytest.mark.parametrize(
    "pot_id", ["Pot_1", "pot 1", "pot/1", "-pot", "pot-", "", "pöt", "pot\n", "$pot", "+", "#"]
)
def test_a_pot_that_is_no_homie_id_is_refused(pot_id):
    with pytest.raises(ValueError, match="cannot be an MQTT topic"):
        homie_description.descriptions(WORKSHOP, [replace(LANTERN, pot_id=pot_id)])


def test_only_acknowledging_and_the_batch_texts_can_be_set():
    nodes = described()["nodes"]
    settable = {
        f"{node}/{name}"
        for node, about in nodes.items()
        for name, prop in about["properties"].items()
        if prop.get("settable")
    }
    details = ("label", "note", "resin", "mould", "colour", "mass", "mixed-at", "outcome")
    assert settable == {"alarms/acknowledge", "alarms/unshelve", *(f"batch/{detail}" for detail in details)}
    assert {topic.removeprefix(f"{BASE}/") for topic in homie_set.set_topics(WORKSHOP, [LANTERN])} == {
        f"{path}/set" for path in settable
    }


def test_units_are_those_of_the_pot():
    properties = described(replace(LANTERN, pressure_unit="bar"))["nodes"]
    assert properties["pressure"]["properties"]["gauge"]["unit"] == "bar"
    assert properties["leak"]["properties"]["rate"]["unit"] == "bar/h"
    assert properties["temperature"]["properties"]["gas"]["unit"].encode() == b"\xc2\xb0C"
    american = described(replace(LANTERN, temperature_unit="F"))["nodes"]["temperature"]["properties"]
    assert {each["unit"] for each in american.values()} == {"°F"} <= RECOMMENDED_UNITS
    flow = properties["leak"]["properties"]["flow"]
    assert "0 °C and 101325 Pa" in flow["name"]


def test_units_are_those_of_the_convention_where_it_has_one():
    """Homie 5.0.0, "Units": one is not limited to them, but any consumer knows them."""
    properties = [prop for node in described()["nodes"].values() for prop in node["properties"].values()]
    units = {prop["unit"] for prop in properties if "unit" in prop}
    assert {"psi", "°C", "%", "#"} <= units & RECOMMENDED_UNITS
    # of a barometer, a rate, a flow and a hole it has none
    assert units - RECOMMENDED_UNITS == {"hPa", "psi/h", "standard cm³/min", "Pa m³/s", "mm"}
    assert all(prop["datatype"] == "integer" for prop in properties if prop.get("unit") == "#")


# --- values


def test_values_are_published_in_the_units_of_the_pot():
    payloads = told()

    def value(path):
        return payloads[f"{BASE}/{path}"].decode()

    # 59.5 psi gauge; 1 atm = 14.696 psi (NIST SP 811 App. B.8: 101325 Pa / 6894.757 Pa)
    assert (value("pressure/gauge"), value("pressure/absolute")) == ("59.50", "74.20")
    assert (value("pressure/ambient"), value("pressure/floor")) == ("1013.2", "45.00")
    assert (value("temperature/gas"), value("temperature/room")) == ("21.25", "20.00")
    assert value("temperature/contents") == "31.50"
    american = told(pot=replace(LANTERN, temperature_unit="F"))
    assert american[f"{BASE}/temperature/room"] == b"68.00"
    assert (value("leak/rate"), value("leak/rate-low"), value("leak/rate-high")) == (
        "1.500",
        "1.400",
        "1.600",
    )
    assert (value("leak/flow"), value("leak/pv-flow"), value("leak/orifice")) == ("26.80", "0.0488", "0.0610")
    assert (value("leak/established"), value("hold/stage"), value("hold/top-ups")) == ("true", "holding", "1")
    assert (value("hold/change"), value("hold/change-barometer")) == ("-0.50", "0.00")
    assert (value("hold/since"), value("batch/start")) == ("2026-01-01T21:00:00Z", "2026-01-01T20:53:20Z")
    assert (value("leak/onset"), value("forecast/floor")) == ("2026-01-01T21:30:00Z", "2026-01-02T07:40:00Z")
    assert (value("forecast/floor-in"), value("cure/done-in")) == ("PT9H40M", "PT9H0M")
    assert (value("cure/progress"), value("batch/id"), value("batch/rehearsed")) == ("10.0", "7", "false")
    assert (value("batch/label"), value("batch/resin")) == ("Lens 3, ♯2", "clear, slow")
    assert (value("batch/mass"), value("batch/mixed-at")) == ("250 g", "2026-01-01T20:40:00Z")


def test_unknown_values_are_unset_and_never_zero():
    payloads = told(NOTHING_KNOWN, batch_id=None)
    unset = (
        "pressure/gauge",
        "pressure/absolute",
        "leak/rate",
        "leak/flow",
        "leak/established",
        "cure/progress",
    )
    unset += ("forecast/floor", "temperature/gas", "temperature/contents", "hold/since")
    unset += ("hold/top-ups", "batch/id", "batch/label")
    assert not [path for path in unset if f"{BASE}/{path}" in payloads]
    assert payloads[f"{BASE}/pressure/fault"] == b"no answer on bus 1"


def test_every_property_is_either_set_or_deleted():
    messages = homie.values(WORKSHOP, LANTERN, NOTHING_KNOWN, None)
    names = {message.topic.removeprefix(f"{BASE}/") for message in messages}
    retained = {
        f"{node}/{name}"
        for node, about in described()["nodes"].items()
        for name, prop in about["properties"].items()
        if prop.get("retained", True)
    }
    assert names == retained


def test_times_are_unset_while_the_clock_is_unset_but_time_left_is_published():
    payloads = told(replace(HOLDING, utc_s=None))
    assert f"{BASE}/forecast/floor" not in payloads
    assert payloads[f"{BASE}/forecast/floor-in"] == b"PT9H40M"


def test_an_empty_text_is_published_as_a_zero_byte():
    assert told()[f"{BASE}/batch/note"] == b"\x00"


def test_an_unknown_mixing_time_is_unset():
    assert f"{BASE}/batch/mixed-at" not in told(replace(HOLDING, details={}))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_not_a_number_is_unset(value):
    assert f"{BASE}/pressure/gauge" not in told(
        replace(HOLDING, reading=replace(HOLDING.reading, gauge_pa=value))
    )


def test_zero_is_never_negative():
    payloads = told(replace(HOLDING, reading=replace(HOLDING.reading, gauge_pa=-0.001 * PSI)))
    assert payloads[f"{BASE}/pressure/gauge"] == b"0.00"


def test_only_numbers_and_times_may_wait():
    messages = homie.values(WORKSHOP, LANTERN, HOLDING, 7) + homie.alerts(
        WORKSHOP, LANTERN, with_alarms(alarm())
    )
    slow = {message.topic.removeprefix(f"{BASE}/") for message in messages if message.slow}
    assert {"pressure/gauge", "leak/rate", "forecast/floor"} <= slow
    assert not {"hold/stage", "leak/established", "alarms/count", "batch/label", "pressure/quality"} & slow
    assert not [topic for topic in slow if topic.startswith("$")]


# --- alarms


def test_an_alarm_is_published_with_its_text_and_deleted_when_normal():
    topic = f"{BASE}/$alert/leak"
    assert told(with_alarms(alarm()))[topic] == (
        b"low alarm, not acknowledged: Air is being lost at 1.5 psi/h since 21:30."
    )
    deleted = {message.topic: message.payload for message in homie.alerts(WORKSHOP, LANTERN, HOLDING)}
    assert deleted[topic] == b""
    assert len(deleted) == len(AlarmId)


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (AlarmState.UNACKNOWLEDGED, "not acknowledged"),
        (AlarmState.ACKNOWLEDGED, "acknowledged"),
        (AlarmState.RETURNED, "cleared, not acknowledged"),
        (AlarmState.SHELVED, "shelved until 03:15"),
    ],
)
def test_every_alarm_that_is_not_normal_is_shown_with_its_state(state, words):
    until_utc_s = 1_767_323_700.0 if state is AlarmState.SHELVED else None  # 2026-01-02 03:15 UTC
    text = told(with_alarms(replace(alarm(state=state), until_utc_s=until_utc_s)))[
        f"{BASE}/$alert/leak"
    ].decode()
    assert text.startswith(f"low alarm, {words}: ")


def test_a_test_alarm_is_marked():
    text = told(with_alarms(alarm(AlarmId.TEST)))[f"{BASE}/$alert/test"].decode()
    assert text.startswith("TEST: ")


def test_the_alarms_are_counted_and_the_highest_priority_named():
    alarms = (
        alarm(AlarmId.LEAK, state=AlarmState.ACKNOWLEDGED),
        alarm(AlarmId.FLOOR_AHEAD, priority=Priority.HIGH),
        alarm(AlarmId.THERMOMETER, state=AlarmState.RETURNED),
    )
    payloads = told(with_alarms(*alarms))
    assert [payloads[f"{BASE}/alarms/{name}"] for name in ("count", "unacknowledged", "highest")] == [
        b"3",
        b"2",
        b"high",
    ]
    assert told()[f"{BASE}/alarms/highest"] == b"none"


def test_alarms_that_came_and_went_are_one_line_that_is_not_retained():
    gone = [("lantern", alarm()), ("buoy", alarm(AlarmId.THERMOMETER, since_utc_s=None))]
    line = homie_moments.missed(WORKSHOP, gone)
    assert line is not None
    assert (line.topic, line.retained, line.qos) == ("homie/5/harbour-models/$log/warn", False, 1)
    assert "pot lantern: leak, raised 2026-01-01T21:58:20Z; pot buoy: thermometer." in line.payload.decode()
    assert homie_moments.missed(WORKSHOP, []) is None


# --- states and rehearsal


def test_the_last_will_sets_the_root_device_to_lost():
    assert homie.last_will(WORKSHOP) == homie_tree.Message("homie/5/harbour-models/$state", b"lost", True, 1)


def test_a_rehearsal_is_stamped_on_topic_name_property_and_alarm():
    payloads = told(with_alarms(alarm()), rehearsed=True)
    assert faults(payloads, "potvigil-rehearsal", WORKSHOP) == []
    base = "potvigil-rehearsal/5/harbour-models-lantern"
    assert json.loads(payloads[f"{base}/$description"])["name"] == "Pot lantern (rehearsal)"
    assert payloads[f"{base}/batch/rehearsed"] == b"true"
    assert payloads[f"{base}/$alert/leak"].startswith(b"REHEARSAL: ")


# --- what may be set


def parsed(path, payload):
    return homie_set.parse_set(WORKSHOP, f"{BASE}/{path}/set", payload)


def test_set_messages_are_understood():
    assert parsed("alarms/acknowledge", b"leak") == homie_set.SetCommand(
        "lantern", Action.ACKNOWLEDGE, AlarmId.LEAK
    )
    assert parsed("alarms/unshelve", b"leak") == homie_set.SetCommand(
        "lantern", Action.UNSHELVE, AlarmId.LEAK
    )
    assert parsed("alarms/acknowledge", b"all") == homie_set.SetCommand("lantern", Action.ACKNOWLEDGE)
    for path, payload, field, text in [
        ("batch/label", "Lens 4 ♯".encode(), Detail.LABEL, "Lens 4 ♯"),
        ("batch/note", b" two\nlines ", Detail.NOTE, "two\nlines"),
        ("batch/label", b"\x00", Detail.LABEL, ""),
        ("batch/mixed-at", b"\x00", Detail.MIXED_AT, ""),
        ("batch/resin", b"clear, slow", Detail.RESIN, "clear, slow"),
        ("batch/mass", b"250 g", Detail.MASS, "250 g"),
        ("batch/mixed-at", b"2026-01-01T21:40:00+01:00", Detail.MIXED_AT, "2026-01-01T20:40:00Z"),
    ]:
        assert parsed(path, payload) == homie_set.SetCommand("lantern", Action.EDIT, text=text, field=field)


@pytest.mark.parametrize(
    ("path", "payload", "reason"),
    [
        ("batch/label", b"", "no payload"),
        ("batch/label", b"\xff\xfe", "not UTF-8"),
        ("batch/label", b"\xed\xa0\x80", "not UTF-8"),  # a lone surrogate
        ("batch/label", b"a\x00b", "control characters"),
        ("batch/label", b"two\nlines", "control characters"),
        ("batch/label", b"\x1b[2J", "control characters"),
        ("batch/label", b"x" * 121, "121 characters; at most 120"),
        ("batch/note", b"x" * 2001, "2001 characters; at most 2000"),
        ("batch/note", b"x" * 10_000_000, "10000000 bytes; at most 8000"),
        ("batch/resin", b"x" * 121, "121 characters; at most 120"),
        ("batch/mass", b"250 stones", "has an unknown unit"),
        ("batch/mixed-at", b"21:40", "is not a date and time"),
        ("batch/mixed-at", b"2026-01-01T21:40:00", "names no time zone"),
        ("alarms/acknowledge", b"Leak", "is not an alarm"),
        ("alarms/acknowledge", b"\x00", "is not an alarm"),
        ("alarms/acknowledge", b"../../etc", "is not an alarm"),
    ],
)
def test_hostile_payloads_are_refused_with_a_reason(path, payload, reason):
    outcome = parsed(path, payload)
    assert isinstance(outcome, homie_set.Refusal)
    assert reason in outcome.reason
    assert "\n" not in outcome.reason
    assert len(outcome.reason) < 400


@pytest.mark.parametrize(
    "topic",
    [
        "homie/5/harbour-models-lantern/batch/label",
        "homie/5/harbour-models-lantern/pressure/gauge/set",
        "homie/5/harbour-models/batch/label/set",
        "homie/5/harbour-models-/batch/label/set",
        "homie/5/other-lantern/batch/label/set",
        "homie/4/harbour-models-lantern/batch/label/set",
        "potvigil-rehearsal/5/harbour-models-lantern/batch/label/set",
        "homie/5/harbour-models-Lantern/batch/label/set",
        "",
    ],
)
def test_foreign_topics_are_ignored(topic):
    assert homie_set.parse_set(WORKSHOP, topic, b"x") is None


paths = st.sampled_from(
    ["alarms/acknowledge", "alarms/unshelve", "batch/label", "batch/note", "batch/mass", "batch/mixed-at"]
)


@given(paths, st.binary(max_size=300) | st.text().map(str.encode))
def test_no_payload_raises_and_any_accepted_one_can_be_shown(path, payload):
    outcome = parsed(path, payload)
    if isinstance(outcome, homie_set.SetCommand):
        signs = set(outcome.text) - set("\n\t")
        assert not {unicodedata.category(sign) for sign in signs} & {"Cc", "Cs", "Zl", "Zp"}
        assert len(outcome.text) <= 2000
    else:
        assert isinstance(outcome, homie_set.Refusal)


def test_a_carried_out_command_is_published_without_retain():
    command = Command(Action.ACKNOWLEDGE, 0.0, AlarmId.LEAK)
    answer = homie_moments.done(WORKSHOP, "lantern", command)
    assert answer == homie_tree.Message(f"{BASE}/alarms/acknowledge", b"leak", retained=False, qos=0)
    command = Command(Action.EDIT, 0.0, text="x", field=Detail.LABEL)
    assert homie_moments.done(WORKSHOP, "lantern", command) is None
    assert homie_set.path_of(command) == "batch/label"
    assert homie_set.path_of(Command(Action.CLOSE, 0.0)) is None


def test_the_demo_snapshot_fills_every_property():
    """Guards the tests above: none of them would cover a field that is None in HOLDING."""
    assert [f.name for f in fields(HOLDING) if getattr(HOLDING, f.name) is None] == []
