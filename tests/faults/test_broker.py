"""Whatever the broker does, the watch ticks on and does not grow; its state is republished afterwards."""

import resource
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from broker import HOST, Broker, free_port, retained
from patience import PATIENCE_S, wait_until
from potvigil.model.events import AlarmId
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.record.store import Store
from potvigil.record.tables.commands import COMMANDS_A_TICK
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench

POT = "lantern"
ROOT = "potvigil-rehearsal/5/harbour-models"
ALERT = f"{ROOT}-{POT}/$alert/floor-ahead"
NIGHT = NIGHTS["lost-before-gel"]  # floor-ahead comes by 3400 s
WARNED_S = 3600.0
LONGEST_TICK_S = 10.0  # generous: the machine that tests is shared; a wait for a broker is longer


def warned(folder: Path, link: MqttLink) -> Bench:
    """Return a night shortly after its alarm, with a link."""
    bench = Bench(NIGHT, folder, link=link)
    bench.begin()
    bench.run_until(WARNED_S)
    return bench


def go_on(
    bench: Bench, real_s: float, pause_s: float = 0.02, clock: Callable[[], float] = time.monotonic
) -> float:
    """Tick for some real seconds; return the longest tick, seconds of that clock."""
    longest_s, end_s = 0.0, time.monotonic() + real_s
    while time.monotonic() < end_s:
        begun_s = clock()
        bench.run_until(bench.now_s + 5.0)
        longest_s = max(longest_s, clock() - begun_s)
        time.sleep(pause_s)
    return longest_s


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


@contextmanager
def server(answer: bytes | None, *, closes: bool) -> Iterator[int]:
    """A port that accepts and then stays silent, sends garbage, or hangs up."""
    with socket.create_server((HOST, 0)) as listening:
        listening.settimeout(0.1)
        ending = threading.Event()
        held: list[socket.socket] = []

        def serve() -> None:
            while not ending.is_set():
                try:
                    one, _ = listening.accept()
                except TimeoutError:
                    continue
                if answer:
                    one.sendall(answer)
                one.close() if closes else held.append(one)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield listening.getsockname()[1]
        finally:
            ending.set()
            thread.join()
            for one in held:
                one.close()


@pytest.mark.parametrize(
    ("answer", "closes"),
    [
        (None, False),
        (None, True),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", False),
        (b"\x20\x03\x00\x87\x00", True),
    ],
    ids=["never answers", "hangs up", "another protocol", "not authorised"],
)
def test_a_server_that_is_not_a_broker_blocks_nothing(answer, closes, tmp_path):
    with server(answer, closes=closes) as port:
        bench = warned(tmp_path, MqttLink(HOST, port))
        assert go_on(bench, 2.0) < LONGEST_TICK_S
        assert AlarmId.FLOOR_AHEAD in {alarm.alarm for alarm in bench.service.watches[POT].snapshot().alarms}
        bench.service.stop()


def test_a_flapping_broker_gets_the_current_state_each_time(tmp_path):
    with Broker(tmp_path / "broker") as broker:
        bench = warned(tmp_path / "night", MqttLink(HOST, broker.port))
        for _ in range(3):
            with broker.listen(ALERT) as listener:
                ticking = threading.Event()

                def alarm_is_there(listener=listener) -> bool:
                    assert go_on(bench, 0.2) < LONGEST_TICK_S
                    return ALERT in listener.last()

                wait_until(alarm_is_there, "the alarm was not published")
                ticking.set()
            broker.kill()  # it forgets all
            assert go_on(bench, 0.5) < LONGEST_TICK_S
            broker.start()
        bench.service.stop()


def test_hours_without_a_broker_use_no_more_memory(tmp_path):
    bench = warned(tmp_path, MqttLink(HOST, free_port()))
    before_mb = resident_mb()
    assert go_on(bench, 3.0, pause_s=0.0) < LONGEST_TICK_S
    bench.run_until(10_000.0)
    assert resident_mb() - before_mb < 8.0
    bench.service.stop()


def test_an_expired_certificate_is_refused_and_the_watch_goes_on(tmp_path, caplog):
    broker = Broker(tmp_path / "broker", tls=True)
    # signed again by the same authority, valid until yesterday: openssl-ca(1)
    folder = broker.folder
    (folder / "index").touch()
    (folder / "serial").write_text("1000\n")
    (folder / "ca.conf").write_text(
        "[ca]\ndefault_ca = own\n[own]\n"
        f"database = {folder}/index\nserial = {folder}/serial\nnew_certs_dir = {folder}\n"
        "default_md = sha256\npolicy = any\n[any]\ncommonName = supplied\n"
    )
    command = ["openssl", "ca", "-batch", "-config", folder / "ca.conf", "-cert", folder / "ca.crt"]
    command += ["-keyfile", folder / "ca.key", "-in", folder / "server.csr", "-out", folder / "server.crt"]
    command += ["-startdate", "20200101000000Z", "-enddate", "20200201000000Z", "-extfile", folder / "names"]
    subprocess.run([*map(str, command), "-notext"], check=True, capture_output=True, timeout=PATIENCE_S)
    with broker:
        bench = warned(tmp_path / "night", MqttLink(HOST, broker.port, tls=True, ca_file=broker.ca_file))
        assert go_on(bench, 1.5) < LONGEST_TICK_S
        bench.service.stop()
    assert "expired" in caplog.text


def test_a_wrong_password_blocks_nothing(tmp_path, caplog):
    with Broker(tmp_path / "broker", password=("watch", "right")) as broker:
        bench = warned(tmp_path / "night", MqttLink(HOST, broker.port, username="watch", password="wrong"))
        assert go_on(bench, 1.5) < LONGEST_TICK_S
        bench.service.stop()
    assert "wrong" not in caplog.text


def test_garbage_on_our_topics_is_cleared_and_never_obeyed(tmp_path):
    mess = [
        f"{ROOT}-{POT}/$alert/leak",
        f"{ROOT}-{POT}/$alert/over-pressure",
        f"{ROOT}/$state",
        f"{ROOT}-{POT}/$state",
    ]
    settable = f"{ROOT}-{POT}/batch/label/set"
    with Broker(tmp_path / "broker") as broker:
        for topic in mess:
            broker.publish(topic, b"\xff\x00mess", retain=True)
        broker.publish(settable, b"retained label", retain=True)
        bench = warned(tmp_path / "night", MqttLink(HOST, broker.port))
        with broker.listen(f"{ROOT}/$state") as listener:
            wait_until(
                lambda: go_on(bench, 0.2) and listener.last().get(f"{ROOT}/$state") == b"ready", "never ready"
            )
        go_on(bench, 0.5)
        stands = retained(broker, f"{ROOT}-{POT}/$alert/#")
        assert set(stands) == {ALERT}
        assert bench.service.watches[POT].summary().label == ""
        bench.service.stop()


def test_ten_thousand_commands_at_once_stall_nothing_and_do_not_pile_up(tmp_path):
    topic = f"{ROOT}-{POT}/batch/label/set"
    with Broker(tmp_path / "broker") as broker:
        bench = warned(tmp_path / "night", MqttLink(HOST, broker.port))
        with broker.listen(f"{ROOT}/$state") as listener:
            wait_until(
                lambda: go_on(bench, 0.2) and listener.last().get(f"{ROOT}/$state") == b"ready", "never ready"
            )
        before_mb = resident_mb()
        flood = "".join(f"lens {number}\n" for number in range(10_000)).encode()
        command = ["mosquitto_pub", "-h", HOST, "-p", str(broker.port), "-t", topic, "-q", "0", "-l"]
        flooding = subprocess.Popen(command, stdin=subprocess.PIPE)
        feeder = threading.Thread(target=flooding.communicate, args=(flood,))
        feeder.start()
        longest_s = 0.0
        while feeder.is_alive():
            # slowly, or on a busy machine the night is over before the flood
            longest_s = max(longest_s, go_on(bench, 0.2, pause_s=0.25, clock=time.thread_time))
        longest_s = max(longest_s, go_on(bench, 1.0, clock=time.thread_time))
        for _ in range(5):
            broker.publish(topic, b"x" * 100_000)
            broker.publish(topic, bytes(range(256)))
        longest_s = max(longest_s, go_on(bench, 1.0, clock=time.thread_time))
        # of CPU, whatever else the machine does; a hundred commands, each an event, in two commits
        assert longest_s < 5.0
        assert resident_mb() - before_mb < 30.0
        assert bench.service._asked.qsize() <= COMMANDS_A_TICK

        def took_the_last() -> bool:
            broker.publish(topic, b"the last lens")  # again: it was refused during the flood
            go_on(bench, 0.2, pause_s=0.25)
            return bench.service.watches[POT].summary().label == "the last lens"

        wait_until(took_the_last, "the last one was not taken")
        bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        assert store.batches()[0].label == "the last lens"
