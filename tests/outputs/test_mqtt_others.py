"""Two machines at one broker with one name, together or in turn: what each publishes and reports."""

import logging
import socket
from dataclasses import replace

import pytest

from broker import HOST, Broker, retained, settle
from demo_pot import HOLDING, LANTERN, WORKSHOP, alarm, with_alarms
from homie_rules import faults, stream_faults
from patience import wait_until
from potvigil.outputs.broker import mqtt, owner, takeovers
from potvigil.outputs.broker.homie_tree import Message
from potvigil.outputs.broker.mqtt import MqttOutput
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.this_machine import Machine

ROOT = f"homie/5/{WORKSHOP}"
POT = f"{ROOT}-lantern"
BUOY = replace(LANTERN, pot_id="buoy")
BENCH, LOFT = Machine("0a0b0c0d", "pi-bench"), Machine("1a1b1c1d", "pi-loft")
VERSIONS = pytest.mark.parametrize("version", ["5", "3.1.1"])


@pytest.fixture(autouse=True)
def sooner(monkeypatch):
    """A minute as a second: the parts of the waiting stay as they are."""
    monkeypatch.setattr(owner, "EVERY_S", 0.2)
    monkeypatch.setattr(owner, "GONE_S", 1.5)
    monkeypatch.setattr(takeovers, "HELD_S", 1.5)
    monkeypatch.setattr(mqtt, "_FIRST_RETRY_S", 0.05)
    monkeypatch.setattr(mqtt, "_FOUGHT_RETRY_S", 0.2)


@pytest.fixture
def broker(tmp_path):
    with Broker(tmp_path / "broker") as running:
        yield running


class Pi:
    """A watch of one machine, with what it publishes."""

    def __init__(self, broker, machine, pots=(LANTERN,), **link):
        self.pots, self.snapshot, self.machine = pots, HOLDING, machine
        link = MqttLink(HOST, broker.port, machine=machine, **link)
        self.output = MqttOutput(link, WORKSHOP, pots, False, print, 0.0)
        self.output.start()

    def tick(self):
        self.output.publish(
            {pot.pot_id: replace(self.snapshot, pot_id=pot.pot_id) for pot in self.pots},
            dict.fromkeys((pot.pot_id for pot in self.pots), 7),
        )

    @property
    def trouble(self):
        return self.output.state.trouble or ""


@pytest.fixture
def pi(broker):
    made = []

    def make(*args, **kwargs):
        made.append(Pi(broker, *args, **kwargs))
        return made[-1]

    yield make
    for each in made:
        each.output.stop()


def tick(*pis, until, failure="it never came"):
    def ticked():
        for each in pis:
            each.tick()
        return until()

    wait_until(ticked, failure)


def told(broker, *pis):
    """Tick until each has published its whole state in this connection, and the broker has it."""
    with broker.listen(f"{ROOT}/$state") as listener:
        for each in pis:
            each.output._sent.pop(f"{ROOT}/$state", None)
        ready = len([message for message in listener.heard if message.payload == b"ready"]) + len(pis)
        tick(*pis, until=lambda: len([m for m in listener.heard if m.payload == b"ready"]) >= ready)


@VERSIONS
def test_two_machines_of_one_workshop_stay_connected_and_report_each_other_once(broker, pi, caplog, version):
    with caplog.at_level(logging.INFO, "potvigil.mqtt"), broker.listen(f"{ROOT}/$log/#") as listener:
        bench, loft = pi(BENCH, version=version), pi(LOFT, version=version)
        tick(bench, loft, until=lambda: "pi-loft (1a1b1c1d)" in bench.trouble and "pi-bench" in loft.trouble)
        assert all("give one of the two another `workshop:`" in each.trouble for each in (bench, loft))
        tick(bench, loft, until=lambda: len(listener.heard) == 2)
        settle(lambda: bench.tick() or loft.tick() or len(listener.heard), quiet_s=1.0)
    said = [record.getMessage() for record in caplog.records]
    assert len([line for line in said if "publishes there as workshop" in line]) == 2
    assert not [line for line in said if "unreachable" in line]
    assert {message.payload.decode()[:20] for message in listener.heard} == {
        "The machine pi-loft ",
        "The machine pi-bench",
    }


def test_machines_of_different_workshops_ignore_each_other(broker, pi):
    bench = pi(BENCH)
    other = MqttOutput(MqttLink(HOST, broker.port, machine=LOFT), "loft-models", [LANTERN], False, print, 0.0)
    other.start()
    tick(bench, until=lambda: other.publish({}, {}) or other.connected)
    told(broker, bench)
    assert bench.trouble == "" and other.state.trouble is None
    other.stop()


@VERSIONS
@pytest.mark.parametrize("end", ["stopped", "killed"])
def test_a_replacement_machine_is_no_collision_and_clears_leftovers(broker, pi, caplog, version, end):
    old = pi(BENCH, [LANTERN, BUOY], version=version)
    told(broker, old)
    if end == "stopped":
        old.output.stop()
    else:
        old.output._client._sock.close()
        old.output._client = None
    with caplog.at_level(logging.INFO, "potvigil.mqtt"):
        new = pi(LOFT, version=version)
        tick(new, until=lambda: not any("-buoy/" in topic for topic in retained(broker)))
    assert new.trouble == "" and "publishes there" not in caplog.text
    found = retained(broker)
    assert found[f"{ROOT}/watch/machine"] == b"1a1b1c1d pi-loft"
    assert faults(found, "homie", WORKSHOP) == []


def test_two_machines_keep_both_their_pots_and_republish_what_is_wiped(broker, pi):
    """One pot has the same name at both; the alarm of one is published whatever the other does."""
    bench = pi(BENCH, [LANTERN, BUOY])
    bench.snapshot = with_alarms(alarm())
    told(broker, bench)
    loft = pi(LOFT)
    tick(bench, loft, until=lambda: bench.trouble and loft.trouble)
    tick(bench, loft, until=lambda: f"{POT}/$alert/leak" in retained(broker))
    loft.snapshot = with_alarms(alarm())  # the same, and gone again
    tick(bench, loft, until=lambda: loft.output._sent.get(f"{POT}/$alert/leak"))
    loft.snapshot = HOLDING
    tick(bench, loft, until=lambda: not loft.output._sent.get(f"{POT}/$alert/leak"))
    settle(
        lambda: bench.tick() or loft.tick() or 0, quiet_s=2.0
    )  # longer than one that is gone is waited for
    found = retained(broker)
    assert found[f"{POT}/standing/leak"] == b"true" and f"{POT}/$alert/leak" in found
    assert found[f"{ROOT}-buoy/standing/leak"] == b"true" and found[f"{ROOT}-buoy/$state"] == b"ready"
    assert bench.trouble and loft.trouble


def test_what_remains_after_the_other_machine_leaves_is_republished_as_ready(broker, pi, caplog):
    bench, loft = pi(BENCH, [LANTERN, BUOY]), pi(LOFT)
    tick(bench, loft, until=lambda: bench.trouble and loft.trouble)
    with (
        caplog.at_level(logging.INFO, "potvigil.mqtt"),
        broker.listen("homie/#", "--retain-as-published") as listener,
    ):
        settle(lambda: len(listener.heard))
        before = len(listener.heard)
        loft.output.stop()  # publishes that the workshop is disconnected
        tick(bench, until=lambda: listener.last().get(f"{ROOT}/$state") == b"ready")
        tick(bench, until=lambda: "no longer publishes" in caplog.text)
        told(broker, bench)
        tick(bench, until=lambda: retained(broker)[f"{ROOT}/watch/machine"] == b"0a0b0c0d pi-bench")
        settle(lambda: len(listener.heard))
        published = [(m.topic, m.payload, m.retained, m.qos) for m in listener.heard[before:]]
        # on a busy machine the last will of the connection that is replaced may come in between
        states = [each for topic, each, _, _ in published if topic == f"{ROOT}/$state" and each != b"lost"]
        del published[: [topic.endswith("/$description") for topic, *_ in published].index(True)]
        assert states == [b"disconnected", b"ready", b"init", b"ready"]
    assert bench.trouble == ""
    assert faults(retained(broker), "homie", WORKSHOP) == []
    assert stream_faults(published, "homie") == []


def test_each_connection_restarts_the_wait_before_clearing_other_pots(broker, pi):
    """While the link was down, another machine may have come unheard."""
    bench = pi(BENCH)
    told(broker, bench)
    settle(lambda: bench.tick() or 0, quiet_s=1.6)
    ghost = f"{ROOT}-ghost/$description"
    broker.publish(ghost, f'{{"homie": "5.0", "root": "{WORKSHOP}", "nodes": {{}}}}'.encode(), retain=True)
    bench.output._connect()
    tick(bench, until=lambda: bench.output.connected)
    told(broker, bench)
    settle(lambda: bench.tick() or 0, quiet_s=0.5)
    assert ghost in retained(broker)
    tick(bench, until=lambda: ghost not in retained(broker))


def test_a_lost_state_of_an_earlier_connection_is_corrected(broker, pi):
    """The last will of a connection under an older client id comes when the broker gives that up."""
    bench = pi(BENCH)
    told(broker, bench)
    with broker.listen(f"{ROOT}/$state") as listener:
        broker.publish(f"{ROOT}/$state", b"lost", retain=True)
        tick(bench, until=lambda: [m.payload for m in listener.heard][-2:] == [b"lost", b"ready"])


@VERSIONS
def test_two_clients_with_one_id_log_the_cause_in_one_line(broker, pi, caplog, version):
    with caplog.at_level(logging.INFO, "potvigil.mqtt"):
        same = {"client_id": "potvigil-harbour", "version": version}
        bench, loft = pi(BENCH, **same), pi(LOFT, **same)
        tick(
            bench,
            loft,
            until=lambda: all(
                "under the same client id, potvigil-harbour" in x.trouble for x in (bench, loft)
            ),
        )
        before = len(caplog.records)
        settle(lambda: bench.tick() or loft.tick() or 0, quiet_s=1.5)
        assert len(caplog.records) == before
        said = [record.getMessage() for record in caplog.records]
        assert len([line for line in said if "same client id" in line]) == 2
        loft.output.stop()
        tick(bench, until=lambda: bench.trouble == "")
        assert "no other watch signs in as potvigil-harbour" in caplog.text
        assert bench.output.connected


def test_a_reason_given_by_the_broker_is_believed_at_once(caplog):
    """MQTT 5.0, 3.14.2.1: DISCONNECT with 0x8E, Session taken over."""
    with socket.create_server((HOST, 0)) as server, caplog.at_level(logging.WARNING, "potvigil.mqtt"):
        link = MqttLink(HOST, server.getsockname()[1], machine=BENCH)
        output = MqttOutput(link, WORKSHOP, [LANTERN], False, print, 0.0)
        output.start()
        connection, _ = server.accept()
        with connection:
            connection.recv(4096)
            connection.sendall(b"\x20\x03\x00\x00\x00" + b"\xe0\x02\x8e\x00")
            wait_until(lambda: "same client id" in caplog.text, "it was not told")
        assert f"potvigil-{WORKSHOP}-0a0b0c0d" in output.state.trouble
        output.stop()


def test_an_unreliable_broker_is_not_taken_for_another_watch(broker, pi):
    bench = pi(BENCH, version="3.1.1")
    for _ in range(4):
        tick(bench, until=lambda: bench.output.connected)
        broker.kill()
        tick(bench, until=lambda: "refused" in bench.trouble)
        broker.start()
    assert "client id" not in bench.trouble


@pytest.mark.parametrize(
    "mess", [b"", b"\xff", b"0a0b0c0d" * 40, b"1a1b1c1d pi\nloft", b"1A1B1C1D pi", b"1a1b1c1d \x1b[31m"]
)
def test_an_invalid_name_is_not_a_machine(mess):
    assert owner.read(mess) is None


def test_the_number_of_remembered_machines_is_bounded():
    known = owner.Owner(WORKSHOP, BENCH, False)
    for number in range(1000):
        known.hear(b"%08x flood" % number, 0.0)
    assert len(known._others) == owner.MOST_OTHERS
    assert known.other(1.0) is not None and known.other(owner.GONE_S) is None


def test_a_name_is_answered_at_most_every_20_s_and_forgotten_after_90_s(monkeypatch):
    monkeypatch.undo()  # the times as they are
    known = owner.Owner(WORKSHOP, BENCH, False)
    assert known.answer(0.0) is None  # it was published with the rest
    known.hear(b"1a1b1c1d pi-loft", 5.0)
    assert known.answer(19.9) is None
    assert known.answer(20.0) == known.name == Message(f"{ROOT}/watch/machine", b"0a0b0c0d pi-bench")
    assert known.answer(60.0) is None  # nothing was heard since
    assert known.other(94.9) == LOFT and known.other(95.0) is None
    known.hear(b"0a0b0c0d pi-bench", 96.0)  # itself, as the broker passes it on
    assert known.other(96.0) is None and known.answer(200.0) is None


def test_orphaned_pots_are_cleared_after_90_s_and_those_of_another_machine_never(monkeypatch):
    monkeypatch.undo()
    known = owner.Owner(WORKSHOP, BENCH, False)
    assert not known.may_clear(1000.0)  # nothing was published yet: nobody could answer
    known.answer(1000.0)
    assert not known.may_clear(1089.9) and known.may_clear(1090.0)
    known.hear(b"1a1b1c1d pi-loft", 1080.0)
    assert not known.may_clear(1169.9) and known.may_clear(1170.0)
    known.begin()
    assert not known.may_clear(2000.0)
    assert owner.Owner(WORKSHOP, BENCH, True).may_clear(0.0)  # a rehearsal is over too soon


@pytest.mark.parametrize(
    ("topic", "ours", "heard", "is_wiped_out"),
    [
        (f"{POT}/$alert/leak", b"medium alarm", b"", True),
        (f"{POT}/$alert/leak", b"medium alarm", b"high alarm", False),  # still active
        (f"{POT}/$alert/leak", b"", b"medium alarm", False),  # the other's
        (f"{POT}/$alert/leak", None, b"", False),
        (f"{POT}/standing/leak", b"true", b"false", True),
        (f"{POT}/standing/leak", b"true", b"", True),
        (f"{POT}/standing/leak", b"false", b"true", False),
        (f"{POT}/standing/leak", b"false", b"", False),
        (f"{ROOT}/$state", b"ready", b"lost", True),
        (f"{ROOT}/$state", b"ready", b"disconnected", True),
        (f"{ROOT}/$state", b"ready", b"init", False),  # which becomes ready
        (f"{ROOT}/$state", b"ready", b"ready", False),
        (f"{ROOT}/$state", None, b"lost", False),
    ],
)
def test_only_deleting_or_ending_our_state_counts_as_wiped_out(topic, ours, heard, is_wiped_out):
    assert owner.is_wiped_out(topic, ours, heard) is is_wiped_out


LOST, OTHER = 0x80, 0x8B  # unspecified; server shutting down


def ends(*connections):
    """Judge connections, each given as when it was up, or None, when it ended, and why."""
    seen = takeovers.Takeovers()
    for up_s, end_s, reason in connections:
        if up_s is not None:
            seen.up(up_s)
        seen.ended(end_s, reason) if reason is not None else seen.failed()
    return seen


def test_only_quick_repeated_disconnects_count_as_a_fight(monkeypatch):
    monkeypatch.undo()
    short = (0.0, 59.9, LOST)
    assert ends(short, short, short).fought
    assert not ends(short, short).fought
    assert not ends(short, short, (0.0, 60.0, LOST), short).fought  # that one held
    assert not ends(short, short, (None, 1.0, LOST), short).fought  # never was up
    assert not ends(short, short, (0.0, 1.0, OTHER), short).fought  # the broker gave another reason
    assert not ends(short, short, (None, 1.0, None), short).fought  # no connection in between
    assert ends((None, 1.0, 0x8E)).fought
    seen = ends(short, short, short)
    assert not seen.is_over(1000.0)  # not connected
    seen.up(1000.0)
    assert not seen.is_over(1059.9) and seen.is_over(1060.0) and not seen.is_over(1060.0)
    assert not seen.fought
