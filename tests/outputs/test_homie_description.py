"""Versions of descriptions, and what is cleared because an earlier description named it."""

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_pot import LANTERN, WORKSHOP
from homie_rules import description_faults
from potvigil.model.events import AlarmId
from potvigil.outputs.broker.homie_description import (
    descriptions,
    dropped,
    message,
    newest,
    read,
    removal,
    with_version,
)

POT = f"{WORKSHOP}-lantern"
TOPIC = f"homie/5/{POT}/$description"
NOW_S = 1_767_304_800
HIGHEST = 2**53 - 1  # RFC 8259, 6: integers that every reader agrees on


def described(pot=LANTERN):
    return descriptions(WORKSHOP, [pot])[POT]


def read_back(about, device=POT, workshop=WORKSHOP, domain="homie"):
    topic = f"{domain}/5/{device}/$description"
    return read(workshop, topic, json.dumps(about).encode(), rehearsed=False)


def test_the_first_description_takes_the_time_as_its_version():
    assert with_version(described(), None, NOW_S)["version"] == NOW_S


def test_the_version_rises_only_when_the_content_changes():
    first = with_version(described(), None, NOW_S)
    assert with_version(described(), first, NOW_S + 60) == first
    other = described(replace(LANTERN, pressure_unit="bar"))
    assert with_version(other, first, NOW_S + 60)["version"] == NOW_S + 60
    assert with_version(other, first, 0)["version"] == NOW_S + 1  # a clock that is not set yet


def test_a_description_read_back_counts_as_unchanged():
    first = with_version(described(), None, NOW_S)
    device, found = read(WORKSHOP, TOPIC, message(POT, first).payload, rehearsed=False)
    assert device == POT
    assert with_version(described(), found, NOW_S + 60) == first


@given(st.lists(st.sampled_from(["psi", "bar", "kPa"]), min_size=1, max_size=12), st.data())
def test_versions_never_fall_and_rise_with_each_change(units, data):
    last = None
    for unit in units:
        now_s = data.draw(st.integers(0, 2**33))  # whatever the clock says
        found = with_version(described(replace(LANTERN, pressure_unit=unit)), last, now_s)
        if last is not None:
            same = found["nodes"] == last["nodes"]
            assert (found["version"] == last["version"]) if same else (found["version"] > last["version"])
        last = found


@pytest.mark.parametrize("version", [None, "7", 7.5, -1, HIGHEST, 10**40, [7]])
def test_an_unusable_version_starts_again(version):
    found = with_version(described(), {"version": version, "homie": "5.0"}, NOW_S)
    assert found["version"] == NOW_S
    assert description_faults(POT, json.dumps(found).encode()) == []


def test_a_hash_version_of_an_earlier_release_is_counted_up():
    """Before, the version was 48 bits of a hash."""
    earlier = described() | {"version": 2**48 - 1, "name": "Pot"}
    assert with_version(described(), earlier, NOW_S)["version"] == 2**48


def test_the_newer_of_two_known_descriptions_counts():
    older, newer = ({**described(), "version": version} for version in (3, 4))
    assert newest(older, newer) is newer and newest(newer, None) is newer and newest(None, None) is None


def test_only_this_workshops_devices_are_taken_for_ours():
    ours = {"homie": "5.0", "root": WORKSHOP}
    assert read_back(ours) == (POT, ours)
    assert read_back({"homie": "5.0"}, device=WORKSHOP) == (WORKSHOP, {"homie": "5.0"})
    # the pot `models-lantern` of a workshop `harbour` has the same id
    assert read_back({"homie": "5.0", "root": "harbour"}) is None
    assert read_back(ours, device="bridge-lantern") is None
    assert read_back(ours, domain="potvigil-rehearsal") is None


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{",
        b"[]",
        b"7",
        b"\xff",
        b"[" * 100_000,
        b'{"root": "harbour-models", "x": "' + b"y" * 70_000 + b'"}',
    ],
)
def test_an_invalid_description_is_skipped(payload):
    assert read(WORKSHOP, TOPIC, payload, rehearsed=False) is None


def test_values_alerts_and_properties_that_no_longer_exist_are_cleared():
    earlier = json.loads(json.dumps(described()))
    earlier["nodes"]["leak"]["properties"]["age"] = {"datatype": "float"}
    earlier["nodes"]["lid"] = {"properties": {"clamps": {"datatype": "integer"}}}
    earlier["nodes"]["standing"]["properties"]["lid-open"] = {"datatype": "boolean"}
    earlier["nodes"]["notes"]["properties"]["last"].pop("retained")
    cleared = dropped(POT, earlier, described(), rehearsed=False)
    assert {each.topic.removeprefix(f"homie/5/{POT}/") for each in cleared} == {
        "leak/age",
        "lid/clamps",
        "standing/lid-open",
        "$alert/lid-open",
        "notes/last",
    }
    assert all(each.payload == b"" and each.retained for each in cleared)
    assert dropped(POT, described(), described(), rehearsed=False) == []


def test_a_device_is_removed_state_first_and_description_last():
    topics = [each.topic.removeprefix(f"homie/5/{POT}/") for each in removal(POT, described(), False)]
    assert (topics[0], topics[-1]) == ("$state", "$description")
    assert {
        "pressure/gauge",
        "batch/label",
        "standing/leak",
        *(f"$alert/{alarm}" for alarm in AlarmId),
    } < set(topics)
    assert "alarms/acknowledge" not in topics  # not retained


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
)


@given(
    st.fixed_dictionaries(
        {"root": st.just(WORKSHOP)}, optional={"nodes": json_values, "version": json_values}
    )
)
def test_no_foreign_description_breaks_us_or_clears_topics_outside_its_device(about):
    messages = [*removal(POT, about, False), *dropped(POT, about, described(), False)]
    assert all(each.topic.startswith(f"homie/5/{POT}/") for each in messages)
    assert not [each.topic for each in messages if set(each.topic) & set("+#\0")]
    assert with_version(described(), about, NOW_S)["version"] > 0
