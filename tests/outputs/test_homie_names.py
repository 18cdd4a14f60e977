"""Over MQTT a person acknowledges by name, and listeners get the name with each alarm's state."""

import json
from dataclasses import replace

import pytest

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, WORKSHOP, alarm, with_alarms
from potvigil.model.events import Action, AlarmId, AlarmState
from potvigil.outputs.broker import homie
from potvigil.outputs.broker.homie_set import Refusal, SetCommand, parse_set, set_payload
from potvigil.page.many.broker.trees import PotHeard, Trees

BASE = "homie/5/harbour-models-lantern"
ACKNOWLEDGE = f"{BASE}/alarms/acknowledge/set"


def test_a_command_in_a_persons_name_is_understood() -> None:
    asked = parse_set(WORKSHOP, ACKNOWLEDGE, set_payload(AlarmId.LEAK, "front-desk"))
    assert asked == SetCommand("lantern", Action.ACKNOWLEDGE, AlarmId.LEAK, by="front-desk")
    all_of_them = parse_set(WORKSHOP, ACKNOWLEDGE, "all by Jörg M.".encode())
    assert all_of_them == SetCommand("lantern", Action.ACKNOWLEDGE, by="Jörg M.")


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"leak by", "is not an alarm"),
        (b"leak by  anna", "is not a name"),
        (b"leak by <script>", "is not a name"),
        (b"leak by " + b"a" * 65, "is not a name"),
        (b"leak by page", "uses itself"),
        (b"leak by command line", "uses itself"),
        (b"boredom by anna", "is not an alarm"),
        (b" by anna", "is not an alarm"),
    ],
)
def test_an_invalid_name_is_refused(payload: bytes, reason: str) -> None:
    refused = parse_set(WORKSHOP, ACKNOWLEDGE, payload)
    assert isinstance(refused, Refusal) and reason in refused.reason


def heard(*snapshots: object) -> PotHeard:
    """Return how the page of all records reads the messages published at these moments."""
    trees = Trees()
    trees.hear(f"{BASE}/$description", json.dumps({"root": WORKSHOP}).encode(), 0.0, 0.0)
    for snapshot in snapshots:
        for message in homie.values(WORKSHOP, LANTERN, snapshot, 7):  # type: ignore[arg-type]
            if any(message.topic.endswith(path) for path in homie_paths()):
                trees.hear(message.topic, message.payload, 10.0, 1000.0)
    assert trees.ignored == 0
    pot = trees.pot(WORKSHOP, "lantern")
    assert pot is not None
    return pot


def homie_paths() -> list[str]:
    return [topic.partition("+")[2] for topic in Trees.filters()]


def test_each_alarm_is_read_back_unchanged() -> None:
    unseen = alarm(AlarmId.FLOOR_AHEAD)
    seen = replace(alarm(AlarmId.LEAK), state=AlarmState.ACKNOWLEDGED, by_whom="front-desk")
    pot = heard(with_alarms(unseen, seen))
    told = [replace(each, since_utc_s=None, announced_s=None) for each in (unseen, seen)]
    assert pot.alarms == tuple(told)
    assert heard(with_alarms()).alarms == ()


def test_the_clock_advances_with_each_reading() -> None:
    later = replace(HOLDING, t_s=HOLDING.t_s + 5.0)
    assert heard(HOLDING).alive_s is None and heard(HOLDING, later).alive_s == 10.0
    assert heard(HOLDING, later).axis_s == later.t_s


def test_without_a_wall_clock_values_are_still_read() -> None:
    pot = heard(
        replace(NOTHING_KNOWN, utc_s=None), replace(NOTHING_KNOWN, utc_s=None, t_s=NOTHING_KNOWN.t_s + 5.0)
    )
    assert pot.is_live(10.0) and pot.clock_offset_s is None and pot.gauge is None
