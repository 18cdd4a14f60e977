"""A whole night with a leak through a real broker: how much is published, and what listeners make of it.

The controller is of the Python package ebus-sdk, which implements Homie 5 and shares no code with us.
"""

import subprocess
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest
from ebus_sdk import Controller

from broker import HOST, Broker, Heard, Listener, retained, settle
from homie_rules import faults, stream_faults
from patience import PATIENCE_S, wait_until
from potvigil.model.events import AlarmEvent, AlarmState, NoteEvent, NoteId
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench

DOMAIN, WORKSHOP = "potvigil-rehearsal", "harbour-models"
ROOT = f"{DOMAIN}/5/{WORKSHOP}"
POT = f"{ROOT}-lantern"
NIGHT = NIGHTS["two-in-the-morning"]
SAMPLES = NIGHT.duration_s / 5.0
# Mosquitto's own limit is 1000; many brokers are set lower
MOST_QUEUED = 100


@dataclass(frozen=True)
class Night:
    """A night as published. slept: what the sleeping subscriber got once awake, queued and retained."""

    bench: Bench
    published: list[Heard]
    held: dict[str, bytes]
    slept: list[Heard]

    def count(self, prefix: str = "", qos: int | None = None) -> Counter[str]:
        return Counter(
            message.topic.removeprefix(f"{POT}/")
            for message in self.published
            if message.topic.startswith(f"{POT}/{prefix}") and qos in (None, message.qos)
        )


class Sleeper:
    """A subscriber to everything whose session outlives its connection."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._options = ["-V", "mqttv311", "-c", "-i", "sleeper"]

    def go_to_sleep(self) -> None:
        command = ["mosquitto_sub", "-h", HOST, "-p", str(self._broker.port), *self._options]
        subprocess.run([*command, "-q", "1", "-t", "#", "-E"], check=True, timeout=PATIENCE_S)

    def wake(self) -> Listener:
        return self._broker.listen("#", *self._options)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Night]:
    folder = tmp_path_factory.mktemp("night")
    with Broker(folder / "broker", most_queued=MOST_QUEUED) as broker:
        bench = Bench(NIGHT, folder / "night", link=MqttLink(HOST, broker.port))
        sleeper = Sleeper(broker)
        with broker.listen(f"{DOMAIN}/#", "--retain-as-published") as listener:
            begin(bench, listener)
            sleeper.go_to_sleep()
            bench.run_until()
            settle(lambda: len(listener.heard), quiet_s=1.0)
            held = retained(broker)
            with sleeper.wake() as awake:
                settle(lambda: len(awake.heard), quiet_s=0.5)
            yield Night(bench, list(listener.heard), held, list(awake.heard))
        bench.service.stop()


def begin(bench: Bench, listener: Listener) -> None:
    bench.begin()
    # a sample every five seconds, as on a real night; it runs two thousand times as fast
    bench.service._mqtt._slow_interval_s = 0.0  # type: ignore[union-attr]

    def is_ready() -> bool:
        bench.run_until(bench.now_s + 5.0)
        return listener.last().get(f"{ROOT}/$state") == b"ready"

    wait_until(is_ready, "never ready")


def test_alerts_are_published_only_when_they_change(night: Night) -> None:
    """Two alarms of such a night once took 3,038 messages, because their words carried moving figures."""
    told = [
        message
        for message in night.published
        if message.topic.startswith(f"{POT}/$alert/") and message.payload
    ]
    per_alarm = Counter(message.topic for message in told)
    assert set(per_alarm) == {f"{POT}/$alert/{alarm}" for alarm in ("floor-ahead", "below-floor", "leak")}
    assert max(per_alarm.values()) <= 30
    # an announcement or a state change may carry new words; in between little changes
    changes = sum(isinstance(event, AlarmEvent) for event in night.bench.events)
    assert len(told) <= 2 * changes
    assert all(a.payload != b.payload for a, b in pairwise(told) if a.topic == b.topic)


def test_every_announcement_and_note_is_published_once_and_not_retained(night: Night) -> None:
    events = night.bench.events
    announced = [e for e in events if isinstance(e, AlarmEvent) and e.state is AlarmState.UNACKNOWLEDGED]
    assert any(event.repeat for event in announced)
    assert night.count("alarms/announced") == {"alarms/announced": len(announced)}
    notes = [e for e in events if isinstance(e, NoteEvent) and e.note is not NoteId.REFUSED]
    assert notes and night.count("notes/") == {"notes/last": len(notes)}
    assert not {f"{POT}/alarms/announced", f"{POT}/notes/last"} & set(night.held)


def test_little_needs_confirming_and_no_number_is_published_twice_a_sample(night: Night) -> None:
    assert night.count(qos=1).total() <= 250  # 110 of them at the connection
    numbers = night.count(qos=0)
    assert max(numbers.values()) <= SAMPLES


def test_a_whole_night_follows_the_homie_convention(night: Night) -> None:
    published = [(each.topic, each.payload, each.retained, each.qos) for each in night.published]
    assert stream_faults(published, DOMAIN) == []
    assert faults(night.held, DOMAIN, WORKSHOP) == []


def test_each_alarm_has_a_boolean_that_is_true_unless_normal(night: Night) -> None:
    standing = {alarm.alarm for alarm in night.bench.service.watches["lantern"].snapshot().alarms}
    assert standing
    told = {
        topic.removeprefix(f"{POT}/standing/"): payload
        for topic, payload in night.held.items()
        if topic.startswith(f"{POT}/standing/")
    }
    assert {alarm for alarm, payload in told.items() if payload == b"true"} == standing
    assert set(told.values()) == {b"true", b"false"}


def test_a_returning_subscriber_sees_the_active_alarms_and_their_history(night: Night) -> None:
    queued = [message for message in night.slept if not message.retained]
    assert 0 < len(queued) < MOST_QUEUED  # nothing was dropped
    raised = {message.topic for message in queued if "/$alert/" in message.topic}
    assert raised == {f"{POT}/$alert/{alarm}" for alarm in ("floor-ahead", "below-floor", "leak")}
    last = {message.topic: message.payload for message in night.slept if "/$alert/" in message.topic}
    assert {topic: payload for topic, payload in last.items() if payload} == {
        topic: payload for topic, payload in night.held.items() if "/$alert/" in topic
    }


# -- a controller that shares no code with us ------------------------------------------------------


@pytest.fixture
def hall(tmp_path: Path) -> Iterator[tuple[Broker, Bench, Controller]]:
    """An hour of a night, and a controller that discovers it."""
    with Broker(tmp_path / "broker") as broker:
        bench = Bench(NIGHTS["lost-before-gel"], tmp_path / "night", link=MqttLink(HOST, broker.port))
        with broker.listen() as listener:
            begin(bench, listener)
        bench.run_until(3600.0)
        controller = Controller({"host": HOST, "port": broker.port}, homie_domain=DOMAIN, auto_start=True)
        yield broker, bench, controller
        controller.stop()


def go_on(bench: Bench, done, what: str) -> None:  # type: ignore[no-untyped-def]
    def ticked() -> bool:
        bench.run_until(bench.now_s + 5.0)
        return bool(done())

    wait_until(ticked, what)


def test_an_independent_controller_finds_sets_and_loses_the_pot(
    hall: tuple[Broker, Bench, Controller],
) -> None:
    broker, bench, controller = hall
    removed: list[str] = []
    controller.set_on_device_removed_callback(lambda device: removed.append(device.device_id))
    pot = f"{WORKSHOP}-lantern"
    go_on(bench, lambda: controller.is_tree_complete(WORKSHOP), "the tree was never complete")
    found = controller.devices[pot]
    assert (found.root_id, found.parent_id, found.state) == (WORKSHOP, WORKSHOP, "ready")
    assert controller.devices[WORKSHOP].children_ids == [pot]
    go_on(bench, lambda: found.get_property("standing", "floor-ahead") == "true", "no alarm was seen")
    assert abs(float(found.get_property("pressure", "gauge")) - 55.0) < 10.0
    controller.set_property(pot, "batch", "label", "lens, grün")
    go_on(bench, lambda: found.get_property("batch", "label") == "lens, grün", "the label never came")
    controller.set_property(pot, "alarms", "acknowledge", "all", qos=0)
    go_on(bench, lambda: found.get_property("alarms", "unacknowledged") == "0", "never acknowledged")
    bench.service.stop()
    wait_until(lambda: pot in removed and WORKSHOP in removed, lambda: f"removed: {removed}")
    assert retained(broker) == {}
