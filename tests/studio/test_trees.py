"""What the page of all takes from the watches' trees: little, bounded, and only from live ones."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potvigil.model.events import AlarmId, AlarmState, Stage
from potvigil.page.many.broker import reading, trees
from potvigil.page.many.broker.trees import LIVE_WITHIN_S, PotHeard, Trees

WORKSHOP, ROOT = "harbour-models", "homie/5/harbour-models"
POT = f"{ROOT}-lantern"
DESCRIBED = json.dumps({"homie": "5.0", "root": WORKSHOP, "nodes": {}}).encode()
ALARM = {
    "alarm": "leak",
    "priority": "low",
    "state": "acknowledged",
    "since_s": 90.0,
    "by_whom": "front-desk",
}
NOW_UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC


class Ear:
    """Trees with a clock that is moved by hand."""

    def __init__(self) -> None:
        self.trees, self.now_s = Trees(), 1000.0
        self.hear("$description", DESCRIBED)

    def hear(self, path: str, payload: bytes, base: str = POT) -> None:
        self.trees.hear(f"{base}/{path}", payload, self.now_s, NOW_UTC_S + self.now_s)

    @property
    def pot(self) -> PotHeard:
        heard = self.trees.pot(WORKSHOP, "lantern")
        assert heard is not None
        return heard

    @property
    def speaks(self) -> bool:
        return self.pot.is_live(self.now_s)


@pytest.fixture
def ear() -> Ear:
    return Ear()


def test_a_stopped_clock_is_no_sign_of_life_and_a_running_one_is(ear):
    ear.hear("clock/axis", b"5000.0")
    assert not ear.speaks
    ear.hear("clock/axis", b"5000.0")  # the same again, by a bridge that came back
    assert not ear.speaks
    ear.hear("clock/axis", b"5005.0")
    assert ear.speaks and ear.pot.at_utc_s == NOW_UTC_S + 1000.0
    ear.now_s += LIVE_WITHIN_S
    assert not ear.speaks


def test_values_from_an_earlier_connection_are_no_sign_of_life(ear):
    for clock in (b"5000.0", b"5005.0"):
        ear.hear("clock/axis", clock)
    ear.trees.begin()
    assert ear.trees.pot(WORKSHOP, "lantern") is None
    ear.hear("$description", DESCRIBED)
    ear.hear("clock/axis", b"5010.0")
    assert not ear.speaks


@pytest.mark.parametrize("base", [ROOT, POT])
@pytest.mark.parametrize("state", ["lost", "disconnected"])
def test_a_disconnected_watch_is_not_live(ear, base, state):
    for clock in (b"5000.0", b"5005.0"):
        ear.hear("clock/axis", clock)
    ear.hear("$state", state.encode(), base)
    assert ear.pot.gone == state and not ear.speaks
    ear.hear("$state", b"ready", base)
    assert ear.pot.gone is None and ear.speaks


def test_the_clock_of_the_watch_may_be_wrong(ear):
    ear.hear("clock/axis", b"5000.0")
    ear.hear("clock/axis", b"5005.0")
    ear.hear("clock/utc", b"2026-01-01T22:17:40Z")  # a minute ahead of 22:00:00 + 1000 s
    assert ear.pot.clock_offset_s == -60.0


def test_varying_latency_moves_no_time(ear):
    ear.hear("clock/axis", b"5000.0")
    zero_utc_s = []
    for axis_s, late_s in ((5005.0, 0.4), (5010.0, 1.9), (5015.0, 0.1), (5020.0, 1.0)):
        ear.now_s = axis_s - 4000.0 + late_s
        ear.hear("clock/axis", str(axis_s).encode())
        zero_utc_s.append(ear.pot.at_utc_s - axis_s - NOW_UTC_S + 4000.0)
    assert zero_utc_s == pytest.approx([0.4, 0.4, 0.1, 0.1])
    ear.now_s += 3600.0  # but a changed clock does
    ear.hear("clock/axis", b"5025.0")
    assert ear.pot.at_utc_s == NOW_UTC_S + ear.now_s


def test_values_come_and_go(ear):
    for path, payload in (
        *(("pressure/gauge", b"54.04"), ("pressure/quality", b"good"), ("hold/stage", b"holding")),
        *(("leak/established", b"true"), ("leak/rate", b"19.1"), ("leak/rate-low", b"1.8e1")),
        ("leak/rate-high", b"20"),
    ):
        ear.hear(path, payload)
    ear.hear("alarms/states", json.dumps([ALARM]).encode())
    pot = ear.pot
    assert (pot.gauge, pot.stage, pot.established, pot.rate_per_h) == (
        54.04,
        Stage.HOLDING,
        True,
        (19.1, 18, 20),
    )
    (alarm,) = pot.alarms
    assert (alarm.alarm, alarm.state, alarm.by_whom) == (AlarmId.LEAK, AlarmState.ACKNOWLEDGED, "front-desk")
    ear.hear("leak/rate", b"")
    ear.hear("pressure/gauge", b"")
    assert (ear.pot.rate_per_h, ear.pot.gauge) == (None, None) and ear.trees.ignored == 0


def test_a_pot_is_of_the_workshop_that_its_description_names(ear):
    """Two workshops can make one id: harbour with models-lantern, and harbour-models with lantern."""
    assert ear.trees.pot("harbour", "models-lantern") is None
    assert ear.trees.pot("Not an id", "lantern") is None
    ear.hear("$description", json.dumps({"root": "harbour"}).encode())
    assert (
        ear.trees.pot(WORKSHOP, "lantern") is None and ear.trees.pot("harbour", "models-lantern") is not None
    )


def _alarms(**other: Any) -> bytes:
    return json.dumps([ALARM | other]).encode()


@pytest.mark.parametrize(
    ("path", "payload"),
    [
        *(("pressure/gauge", each) for each in (b"nan", b"inf", b"1e999", b"5,4", b" 5", b"\xff", b"9" * 41)),
        *(("clock/axis", each) for each in (b"1e300", b"-3e10", b"now")),
        *(("clock/utc", each) for each in (b"2026-01-01T22:00:00", b"yesterday", b"0000-01-01T00:00:00Z")),
        *(("$state", each) for each in (b"alive", b"\x00")),
        *(("hold/stage", b"exploded"), ("pressure/quality", b"fine"), ("leak/established", b"yes")),
        *(("$description", each) for each in (b"[]", b"{", b'{"root":1}', b"[" * 60_000, b" " * 65_537)),
        *(("alarms/states", each) for each in (b"{}", b"[[]]", b"[" * 16_000, b" " * 16_385, b"[1]")),
        ("alarms/states", json.dumps([ALARM, ALARM]).encode()),
        ("alarms/states", json.dumps([ALARM] * 50).encode()),
        *(
            ("alarms/states", _alarms(**{key: value}))
            for key, value in (
                *(("alarm", "boredom"), ("alarm", None), ("state", "seen"), ("priority", 1)),
                *(("since_s", "90"), ("since_s", True), ("since_s", 1e300), ("since_s", None)),
                *(("text", 7), ("text", "\ud800"), ("do", []), ("by_s", "soon"), ("until_utc_s", 1e11)),
                *(("by_whom", {}), ("since_s", 10**400)),
            )
        ),
        ("$log/warn", b"x" * 1001),
        ("pressure/absolute", b"1.0"),  # not asked for
    ],
)
def test_malformed_messages_are_ignored_and_counted(ear, path, payload):
    ear.hear(path, payload)
    before = ear.pot
    assert ear.trees.ignored == 1
    ear.hear("pressure/gauge", b"1.0")
    assert ear.pot.gauge == 1.0 and before.gauge is None


@pytest.mark.parametrize(
    "topic", ["", "homie/5", "homie/4/a/$state", "homie/5/A/$state", f"homie/5/{'a' * 201}/$state"]
)
def test_other_topics_are_ignored_and_counted(topic):
    heard = Trees()
    heard.hear(topic, b"ready", 0.0, 0.0)
    assert heard.ignored == 1


def test_the_number_of_remembered_devices_is_bounded(monkeypatch):
    monkeypatch.setattr(trees, "MOST_DEVICES", 3)
    ear = Ear()
    for number in range(10):
        ear.hear("$state", b"ready", f"homie/5/flood-{number}")
        ear.hear("$state", b"", f"homie/5/nothing-{number}")  # what never existed takes no room
    assert len(ear.trees._devices) == 3 and ear.trees.ignored == 8
    ear.hear("$state", b"", "homie/5/flood-0")
    ear.hear("$state", b"ready", "homie/5/late")
    assert set(ear.trees._devices) == {"harbour-models-lantern", "flood-1", "late"}


paths = st.sampled_from([*reading.READ, "alarms", ""])
payloads = st.binary(max_size=200) | st.text(max_size=50).map(lambda text: text.encode("utf-8", "replace"))
trees_of_json = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(list(ALARM)), inner, max_size=5)
    ),
    max_leaves=8,
).map(lambda tree: json.dumps(tree).encode())


@given(st.lists(st.tuples(paths, payloads | trees_of_json), max_size=20))
def test_no_message_raises(messages):
    ear = Ear()
    for path, payload in messages:
        ear.hear(path, payload)
        ear.now_s += 1.0
    heard = ear.trees.pot(WORKSHOP, "lantern")
    assert heard is None or heard.is_live(ear.now_s) in (True, False)
