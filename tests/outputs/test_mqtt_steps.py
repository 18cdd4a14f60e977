"""The connection to the broker step by step, against a client library that only records its calls."""

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import pytest
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, PSI, WORKSHOP, alarm, with_alarms
from potvigil.model.events import (
    Action,
    AlarmEvent,
    AlarmId,
    AlarmState,
    Command,
    Detail,
    NoteEvent,
    NoteId,
    Priority,
    Snapshot,
)
from potvigil.outputs.broker import mqtt, owner
from potvigil.outputs.broker.homie_set import SetCommand
from potvigil.outputs.broker.mqtt import MqttOutput
from potvigil.outputs.broker.mqtt_link import MqttLink

ROOT, POT = f"homie/5/{WORKSHOP}", f"homie/5/{WORKSHOP}-lantern"
LEAK = f"{POT}/$alert/leak"
LINK = MqttLink("broker.local")
MACHINE = LINK.machine.id
OK, FULL = MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_QUEUE_SIZE
RUNS = MQTTErrorCode.MQTT_ERR_INVAL  # what loop_start says of a thread that runs


class Sent:
    """A message handed over: topic, payload, QoS, whether retained, and its state."""

    def __init__(self, topic: str, payload: bytes, qos: int, retained: bool, rc: MQTTErrorCode) -> None:
        self.topic, self.payload, self.qos, self.retained, self.rc = topic, payload, qos, retained, rc
        self.waited_s: list[float] = []
        self.is_taken = True

    def is_published(self) -> bool:
        return self.is_taken

    def wait_for_publish(self, within_s: float) -> None:
        self.waited_s.append(within_s)


class FakeClient:
    """Stands in for paho's client. made: all of them, the newest last."""

    made: list["FakeClient"]

    def __init__(self, _version: object, **options: Any) -> None:
        self.options, self.sent, self.calls = options, [], []
        self.takes = 10**9  # messages, and then its queue is full
        self.runs = False  # its thread
        FakeClient.made.append(self)

    def publish(self, topic: str, payload: bytes, qos: int, retained: bool) -> Sent:
        rc = OK if self.takes > 0 else FULL
        self.takes -= 1
        sent = Sent(topic, payload, qos, retained, rc)
        if rc is OK:
            self.sent.append(sent)
        return sent

    def loop_start(self) -> MQTTErrorCode:
        if self.runs:
            return RUNS
        self.runs = True
        self.calls.append(("loop_start",))
        return OK

    def __getattr__(self, name: str) -> Callable[..., None]:
        if name.startswith("_"):
            raise AttributeError(name)
        return lambda *told, **more: self.calls.append((name, *told, *more.values()))

    # what the broker answers

    def connect(self, failure: str = "") -> None:
        self.on_connect(self, None, None, Reason(failure), None)

    def subscribed(self, *failures: str) -> None:
        self.on_subscribe(self, None, 1, [Reason(each) for each in failures], None)

    def unsubscribed(self) -> None:
        self.on_unsubscribe(self, None, 2, [], None)

    def message(self, topic: str, payload: bytes, retain: bool = False) -> None:
        self.on_message(self, None, SimpleNamespace(topic=topic, payload=bytearray(payload), retain=retain))

    def cut(self, why: str = "Keep alive timeout") -> None:
        self.on_disconnect(self, None, None, Reason(why), None)

    def taken(self) -> list[tuple[str, bytes]]:
        """Return what was handed over since the last call."""
        sent, self.sent = self.sent, []
        return [(each.topic.removeprefix("homie/5/"), each.payload) for each in sent]


@dataclass(frozen=True)
class Reason:
    """The broker's answer; why: empty unless a refusal."""

    why: str
    value: int = 0

    @property
    def is_failure(self) -> bool:
        return bool(self.why)

    def __str__(self) -> str:
        return self.why


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """The machine's clocks, to be moved by hand; and no client library."""
    FakeClient.made = []
    now = SimpleNamespace(s=1000.0)
    monkeypatch.setattr(mqtt, "Client", FakeClient)
    monkeypatch.setattr(mqtt, "time", SimpleNamespace(monotonic=lambda: now.s, time=lambda: 5e8 + 0.9))
    return now


def started(
    link: MqttLink = LINK, rehearsed: bool = False, on_command: mqtt.OnCommand = print, **options: Any
) -> MqttOutput:
    output = MqttOutput(link, WORKSHOP, [LANTERN], rehearsed, on_command, **options)
    output.start()
    return output


def up(**options: Any) -> tuple[MqttOutput, FakeClient]:
    """Return an output whose broker listens, and its client."""
    output = started(**options)
    client = FakeClient.made[-1]
    client.connect()
    client.subscribed("", "", "", "", "")
    client.unsubscribed()
    return output, client


def tick(output: MqttOutput, snapshot: Snapshot = HOLDING) -> None:
    output.publish({"lantern": snapshot}, {"lantern": 7})


def at(gauge_psi: float, *alarms: Any) -> Snapshot:
    return replace(with_alarms(*alarms), reading=replace(HOLDING.reading, gauge_pa=gauge_psi * PSI))


GAUGE = f"{WORKSHOP}-lantern/pressure/gauge"


# --- how it connects


@pytest.mark.parametrize(
    ("link", "rehearsed", "protocol", "client_id"),
    [
        (MqttLink("broker.local"), False, MQTTProtocolVersion.MQTTv5, f"potvigil-{WORKSHOP}-{MACHINE}"),
        (
            MqttLink("broker.local", 1884, "3.1.1", "watch", "secret"),
            True,
            MQTTProtocolVersion.MQTTv311,
            f"potvigil-{WORKSHOP}-{MACHINE}-rehearsal",
        ),
        (MqttLink("broker.local", client_id="own"), False, MQTTProtocolVersion.MQTTv5, "own"),
    ],
)
def test_a_client_is_configured_from_the_link_before_it_connects(
    link: MqttLink, rehearsed: bool, protocol: MQTTProtocolVersion, client_id: str
) -> None:
    started(link=link, rehearsed=rehearsed)
    (client,) = FakeClient.made
    assert client.options == {"client_id": client_id, "protocol": protocol, "reconnect_on_failure": False}
    assert client.suppress_exceptions is True  # type: ignore[comparison-overlap]
    domain = "potvigil-rehearsal" if rehearsed else "homie"
    *ready, connecting, running = client.calls
    assert ready == [
        ("max_queued_messages_set", 1000),
        ("username_pw_set", link.username, link.password),
        ("will_set", f"{domain}/5/{WORKSHOP}/$state", b"lost", 1, True),
    ]
    assert connecting[:4] == ("connect_async", "broker.local", link.port, 30)
    properties = connecting[4]
    assert (None if properties is None else properties.MaximumPacketSize) == (
        65_536 if link.version == "5" else None
    )
    assert running == ("loop_start",)


def test_an_encrypted_link_gets_its_tls_context(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "opened_tls", lambda link: "context")
    started()
    assert ("tls_set_context", "context") in FakeClient.made[0].calls


def test_it_subscribes_before_it_publishes(caplog: pytest.LogCaptureFixture) -> None:
    output = started()
    (client,) = FakeClient.made
    client.calls.clear()
    tick(output)
    assert not output.connected and client.sent == []
    client.connect()
    ((name, topics),) = client.calls
    assert name == "subscribe"
    assert {topic for topic, qos in topics if qos == 1} == {
        *(f"{POT}/alarms/{each}/set" for each in ("acknowledge", "unshelve")),
        *(f"{POT}/batch/{detail}/set" for detail in Detail if detail is not Detail.PICTURES),
    }
    found = ["homie/5/+/$description", f"+/device/potvigil_{WORKSHOP}/+/config"]
    assert topics[-2:] == [(each, 0) for each in found]
    settable = len(topics) - len([topic for topic, qos in topics if qos == 0])
    client.subscribed(*[""] * settable, *["no"] * (len(topics) - settable))  # those it finds may be refused
    assert client.calls[1:] == [("unsubscribe", found)] and caplog.records == []
    tick(output)
    assert not output.connected and client.sent == []
    with caplog.at_level(logging.INFO):
        client.unsubscribed()
    assert output.connected
    assert [record.getMessage() for record in caplog.records] == [
        "MQTT broker broker.local:1883 is connected"
    ]


def test_a_broker_that_allows_no_subscription_is_still_published_to(
    caplog: pytest.LogCaptureFixture,
) -> None:
    output = started()
    (client,) = FakeClient.made
    client.connect()
    client.subscribed("", "no", "", "")
    client.unsubscribed()
    assert [record.getMessage() for record in caplog.records] == [
        "MQTT broker broker.local:1883 does not allow commands; values are published"
    ]
    tick(output)
    assert client.taken()


def test_reconnects_wait_a_second_then_two_and_at_most_a_minute(
    clock: SimpleNamespace, caplog: pytest.LogCaptureFixture
) -> None:
    output = started()
    pauses = []
    for _ in range(8):
        FakeClient.made[-1].cut()
        tick(output)
        count, since_s = len(FakeClient.made), clock.s
        while len(FakeClient.made) == count:
            clock.s += 0.5
            tick(output)
        pauses.append(clock.s - since_s)
    assert pauses == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0]
    assert len(caplog.records) == 1  # once an outage
    assert [("disconnect",) in each.calls for each in FakeClient.made] == [True] * 8 + [False]
    newest = FakeClient.made[-1]
    newest.connect()
    newest.subscribed("", "", "")
    newest.unsubscribed()
    newest.cut("gone")
    assert "broker.local:1883 is unreachable (gone); monitoring continues" in caplog.records[-1].getMessage()
    assert len(caplog.records) == 2
    clock.s += 0.9
    tick(output)
    assert FakeClient.made[-1] is newest
    clock.s += 0.1
    tick(output)
    assert FakeClient.made[-1] is not newest  # the pauses are reset


@pytest.mark.parametrize(
    ("end", "why"),
    [
        (lambda client: client.connect("Not authorized"), "it refused the connection: Not authorized"),
        (lambda client: client.on_connect_fail(client, None), "no connection"),
        (lambda client: client.cut("Keep alive timeout"), "Keep alive timeout"),
    ],
)
def test_the_cause_of_a_failed_connection_is_logged_once(
    end: Callable[[FakeClient], None], why: str, caplog: pytest.LogCaptureFixture
) -> None:
    started()
    for _ in range(2):
        end(FakeClient.made[0])
    assert [record.getMessage() for record in caplog.records] == [
        f"MQTT broker broker.local:1883 is unreachable ({why}); monitoring continues, and the connection is "
        "retried"
    ]


def test_a_dead_library_thread_is_noticed(clock: SimpleNamespace) -> None:
    output, client = up()
    tick(output)
    client.runs = False
    tick(output)
    assert not output.connected
    clock.s += 1.0
    tick(output)
    assert len(FakeClient.made) == 2


def test_late_calls_of_an_earlier_client_are_ignored(clock: SimpleNamespace) -> None:
    heard: list[object] = []
    output, old = up(on_command=heard.append)
    old.cut()
    clock.s += 1.0
    tick(output)
    new = FakeClient.made[-1]
    assert new is not old
    new.calls.clear()
    old.subscribed("", "")
    old.unsubscribed()
    old.message(f"{POT}/batch/label/set", b"late")
    assert not output.connected and new.calls == [] and heard == []
    new.connect()
    new.subscribed("", "", "")
    new.unsubscribed()
    old.cut()
    old.on_connect_fail(old, None)
    assert output.connected


# --- what it publishes, and in which order


def test_the_first_tick_publishes_init_descriptions_alarms_values_then_ready() -> None:
    output, client = up()
    tick(output, with_alarms(alarm()))
    taken = client.taken()
    topics = [topic for topic, _ in taken]
    said = dict(taken)
    pot = f"{WORKSHOP}-lantern"
    assert taken[:2] == [(f"{pot}/$state", b"init"), (f"{WORKSHOP}/$state", b"init")]
    assert topics[2:4] == [f"{pot}/$description", f"{WORKSHOP}/$description"]
    assert b'"version": 500000000' in said[f"{pot}/$description"]
    alerts = [f"{pot}/$alert/{each}" for each in AlarmId]
    assert topics[4 : 4 + len(alerts)] == alerts
    assert [topic for topic in alerts if said[topic]] == [f"{pot}/$alert/leak"]
    assert taken[-2:] == [(f"{pot}/$state", b"ready"), (f"{WORKSHOP}/$state", b"ready")]
    assert topics.index(GAUGE) > topics.index(alerts[-1])
    assert said[f"{pot}/batch/id"] == b"7"
    assert all(each.retained for each in client.sent)


def test_only_changes_are_published_and_numbers_every_five_seconds(clock: SimpleNamespace) -> None:
    output, client = up()
    tick(output, at(59.5))
    client.taken()
    tick(output, at(59.5))
    assert client.taken() == []
    clock.s += 4.9
    tick(output, at(59.4))
    assert client.taken() == []
    tick(output, at(59.4, alarm()))  # an alarm does not wait
    assert next(topic for topic, _ in client.taken()) == f"{WORKSHOP}-lantern/$alert/leak"
    clock.s += 0.1
    tick(output, at(59.3, alarm()))
    assert client.taken() == [(GAUGE, b"59.30")]
    clock.s += 4.9
    tick(output, at(59.2, alarm()))
    assert client.taken() == []


def test_the_interval_of_numbers_is_configurable(clock: SimpleNamespace) -> None:
    output, client = up(slow_interval_s=2.0)
    tick(output, at(59.5))
    client.taken()
    clock.s += 2.0
    tick(output, at(59.4))
    assert client.taken() == [(GAUGE, b"59.40")]


def test_numbers_wait_until_the_last_ones_are_sent(clock: SimpleNamespace) -> None:
    output, client = up()
    tick(output, at(59.5))
    slow = [each for each in client.sent if each.qos == 0][-1]
    slow.is_taken = False
    client.taken()
    clock.s += 60.0
    tick(output, at(59.4, alarm()))
    assert GAUGE not in dict(client.taken())
    slow.is_taken = True
    tick(output, at(59.4, alarm()))
    assert client.taken() == [(GAUGE, b"59.40")]


def test_messages_refused_by_a_full_queue_go_out_at_the_next_tick() -> None:
    output, client = up()
    client.takes = 10
    tick(output)
    first = client.taken()
    assert len(first) == 10
    client.takes = 10**9
    tick(output)
    again = client.taken()
    assert not {topic for topic, _ in first[2:]} & {topic for topic, _ in again}
    assert again[-1] == (f"{WORKSHOP}/$state", b"ready")


MOMENT = NoteEvent(5000.0, None, NoteId.TOP_UP, "topped up by 3 psi")


def test_moments_are_published_once_without_retain() -> None:
    output, client = up()
    tick(output)
    client.taken()
    output.hear("lantern", MOMENT)
    output.hear("lantern", replace(MOMENT, note=NoteId.REFUSED, text="no batch is open"))
    client.takes = 0
    tick(output)
    client.takes = 10**9
    tick(output)
    assert [(each.topic, each.qos, each.retained) for each in client.sent] == [
        (f"{POT}/notes/last", 0, False),
        (f"{POT}/$log/warn", 1, False),
    ]
    client.taken()
    tick(output)
    assert client.taken() == []
    client.cut()
    output.hear("lantern", MOMENT)  # nobody is listening: it is not kept
    tick(output)
    assert output._moments == output._moments.__class__(maxlen=100)


def test_at_most_a_hundred_moments_wait_for_a_slow_link() -> None:
    output, client = up()
    tick(output)
    client.taken()
    for n in range(120):
        output.hear("lantern", replace(MOMENT, text=str(n)))
    tick(output)
    assert [payload for _, payload in client.taken()] == [str(n).encode() for n in range(20, 120)]


def test_a_carried_out_command_is_shown_even_if_it_changed_nothing() -> None:
    output, client = up()
    tick(output)
    client.taken()
    output.reflect("lantern", Command(Action.EDIT, 0.0, text="Lens 3, ♯2", field=Detail.LABEL))
    output.reflect("lantern", Command(Action.ACKNOWLEDGE, 0.0, AlarmId.LEAK))
    output.reflect("lantern", Command(Action.OPEN, 0.0))  # cannot be set over MQTT
    tick(output)
    assert client.taken() == [
        (f"{WORKSHOP}-lantern/batch/label", "Lens 3, ♯2".encode()),
        (f"{WORKSHOP}-lantern/alarms/acknowledge", b"leak"),
    ]


def test_alarms_missed_by_the_broker_are_one_line_once_it_is_back() -> None:
    output = started()
    client = FakeClient.made[0]
    tick(output, with_alarms(alarm(), alarm(AlarmId.THERMOMETER)))
    tick(output, with_alarms(alarm(), alarm(AlarmId.CLOCK_UNSET)))
    client.connect()
    client.subscribed("", "", "")
    client.unsubscribed()
    tick(output, with_alarms(alarm()))
    ((topic, told),) = [each for each in client.taken() if "$log" in each[0]]
    assert topic == f"{WORKSHOP}/$log/warn"
    text = told.decode()
    assert text.startswith(
        "While the broker was away, alarms came and went: pot lantern: thermometer, raised "
    )
    assert "; pot lantern: clock-unset, raised " in text and "leak" not in text
    tick(output, HOLDING)
    assert [each for each in client.taken() if "$log" in each[0]] == []


def test_an_alarm_counts_as_published_once_confirmed(clock: SimpleNamespace) -> None:
    output, client = up()
    assert not output.has_told("lantern", AlarmId.LEAK)
    assert output.fault == "failing, MQTT broker broker.local:1883 does not confirm it"
    tick(output, with_alarms(alarm()))
    (sent,) = (each for each in client.sent if each.topic == LEAK)
    sent.is_taken = False
    assert not output.has_told("lantern", AlarmId.LEAK)
    sent.is_taken = True
    assert output.has_told("lantern", AlarmId.LEAK)
    tick(output, with_alarms(alarm(state=AlarmState.ACKNOWLEDGED)))
    client.sent[-1].is_taken = True
    client.cut()
    assert not output.has_told("lantern", AlarmId.LEAK)
    away = "failing, MQTT broker broker.local:1883 is unreachable (Keep alive timeout)"
    assert output.fault == away
    clock.s += 1.0
    tick(output)
    newest = FakeClient.made[-1]
    newest.connect()
    newest.subscribed("", "", "")
    newest.unsubscribed()
    assert not output.has_told("lantern", AlarmId.LEAK)  # not in this connection
    tick(output)
    assert output.has_told("lantern", AlarmId.LEAK)


def test_a_new_connection_gets_everything_again(clock: SimpleNamespace) -> None:
    output, client = up()
    tick(output)
    first = [each for each in client.taken() if "$description" not in each[0]]
    output.hear("lantern", MOMENT)
    client.message(f"{POT}/batch/note/set", b"\xff")  # refused, and no longer reported
    client.cut()
    clock.s += 1.0
    tick(output)
    newest = FakeClient.made[-1]
    newest.connect()
    newest.subscribed("", "", "")
    newest.unsubscribed()
    tick(output)
    assert [each for each in newest.taken() if "$description" not in each[0]] == first


# --- what it receives


def test_valid_sets_become_commands_and_the_rest_are_refused(
    caplog: pytest.LogCaptureFixture,
) -> None:
    asked: list[SetCommand] = []
    output, client = up(on_command=asked.append)
    client.message(f"{POT}/alarms/acknowledge/set", b"leak")
    client.message(f"homie/5/{WORKSHOP}-mast/alarms/acknowledge/set", b"all")  # no pot of ours
    client.message(f"{POT}/pressure/gauge/set", b"1")
    assert asked == [SetCommand("lantern", Action.ACKNOWLEDGE, AlarmId.LEAK)] and caplog.records == []
    client.message(f"{POT}/alarms/acknowledge/set", b"all", retain=True)
    client.message(f"{POT}/batch/note/set", b"\xff")
    assert [record.getMessage() for record in caplog.records] == [
        f"MQTT message on {POT}/alarms/acknowledge/set refused: retained; set without retaining",
        f"MQTT message on {POT}/batch/note/set refused: not UTF-8",
    ]
    assert len(asked) == 1
    tick(output)
    assert [each for each in client.taken() if "$log" in each[0]] == [
        (
            f"{WORKSHOP}-lantern/$log/warn",
            b"alarms/acknowledge was not set: retained; set without retaining.",
        ),
        (f"{WORKSHOP}-lantern/$log/warn", b"batch/note was not set: not UTF-8."),
    ]


def test_at_most_ten_refusals_are_published_per_tick() -> None:
    output, client = up()
    tick(output)
    client.taken()
    for _ in range(15):
        client.message(f"{POT}/batch/note/set", b"\xff")
    tick(output)
    assert len(client.taken()) == 10


def test_a_retained_set_of_an_earlier_run_is_no_command_and_is_cleared(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(owner, "GONE_S", 0.0)  # else it waits for whoever may still publish it
    output = started()
    (client,) = FakeClient.made
    client.connect()
    gone = b'{"homie":"5.0","root":"harbour-models","parent":"harbour-models","version":9,"nodes":{}}'
    client.message(f"homie/5/{WORKSHOP}-buoy/$description", gone, retain=True)
    client.message(f"old/device/potvigil_{WORKSHOP}/buoy/config", b"{}", retain=True)
    client.subscribed("", "", "")
    client.unsubscribed()
    tick(output)
    said = client.taken()
    assert (f"{WORKSHOP}-buoy/$state", b"") in said and (f"{WORKSHOP}-buoy/$description", b"") in said
    assert said[-1] == (f"old/device/potvigil_{WORKSHOP}/buoy/config", b"")
    assert said.index((f"{WORKSHOP}/$state", b"ready")) < said.index((f"{WORKSHOP}-buoy/$state", b""))


# --- how it ends


@pytest.mark.parametrize("rehearsed", [False, True])
def test_a_stop_publishes_disconnected_and_a_rehearsal_cleans_up(rehearsed: bool) -> None:
    output, client = up(rehearsed=rehearsed)
    tick(output)
    client.taken()
    client.calls.clear()
    output.stop()
    base = f"{'potvigil-rehearsal' if rehearsed else 'homie'}/5/{WORKSHOP}"
    assert [(each.topic, each.payload) for each in client.sent[:2]] == [
        (f"{base}-lantern/$state", b"disconnected"),
        (f"{base}/$state", b"disconnected"),
    ]
    assert {each.payload for each in client.sent[2:]} == ({b""} if rehearsed else set())
    assert (f"{base}-lantern/pressure/gauge" in [each.topic for each in client.sent]) is rehearsed
    assert [each.waited_s for each in client.sent] == [[]] * (len(client.sent) - 1) + [[2.0]]
    assert client.calls == [("disconnect",), ("loop_stop",)]
    assert not output.connected
    client.taken()
    tick(output)
    output.stop()  # may be repeated
    assert client.sent == [] and len(FakeClient.made) == 1


def test_a_stop_never_waits_for_a_missing_or_blocked_broker() -> None:
    output = started()
    output.stop()
    assert FakeClient.made[0].sent == [] and ("disconnect",) in FakeClient.made[0].calls
    output, client = up()
    client.takes = 0
    output.stop()
    assert client.sent == []


def test_nothing_is_published_before_the_start_or_without_data() -> None:
    output = MqttOutput(MqttLink("broker.local"), WORKSHOP, [LANTERN], False, print)
    tick(output, NOTHING_KNOWN)
    output.stop()
    assert FakeClient.made == []


def test_an_announcement_is_not_retained(clock: SimpleNamespace) -> None:
    output, client = up()
    tick(output)
    client.taken()
    event = AlarmEvent(5000.0, None, AlarmId.LEAK, AlarmState.UNACKNOWLEDGED, Priority.LOW, "Air is lost.")
    output.hear("lantern", event)
    output.hear("lantern", replace(event, state=AlarmState.NORMAL))
    tick(output)
    ((topic, _),) = client.taken()
    assert topic == f"{WORKSHOP}-lantern/alarms/announced"
