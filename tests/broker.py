"""A real MQTT broker for tests, and listeners that share no code with the program: Mosquitto's tools."""

import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from patience import PATIENCE_S, wait_until

HOST = "127.0.0.1"
HELLO = "listener/hello"


@dataclass(frozen=True)
class Heard:
    """One message as a subscriber got it. retained: it was on the broker before the subscription."""

    topic: str
    payload: bytes
    retained: bool
    qos: int


class Broker:
    """Mosquitto on a free loopback port, with its configuration in `folder`; a context manager.

    persistent: retained messages survive a stop. password: (user, password) required to connect.
    more: further lines of its configuration; is_open: False where these say who gets in.
    tls: the listener speaks TLS with a certificate of our own authority, `ca_file`. most_queued: messages
    that are kept for a subscriber that is away; None for Mosquitto's 1000.
    """

    def __init__(
        self,
        folder: Path,
        *,
        persistent: bool = False,
        password: tuple[str, str] | None = None,
        is_open: bool = True,
        more: Iterable[str] = (),
        tls: bool = False,
        most_queued: int | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = free_port()
        self.password = password
        self.ca_file = folder / "ca.crt" if tls else None
        self._process: subprocess.Popen[bytes] | None = None
        lines = [f"listener {self.port} {HOST}"]
        lines += [f"allow_anonymous {'false' if password else 'true'}"] if is_open else []
        lines += ["user root", f"persistence {'true' if persistent else 'false'}"]
        lines += [f"persistence_location {folder}/"]
        if most_queued is not None:
            lines.append(f"max_queued_messages {most_queued}")
        if password:
            passwords = folder / "passwords"
            _run("mosquitto_passwd", "-c", "-b", passwords, *password)
            lines.append(f"password_file {passwords}")
        if tls:
            make_certificates(folder)
            lines += [f"certfile {folder}/server.crt", f"keyfile {folder}/server.key"]
        (folder / "mosquitto.conf").write_text("\n".join([*lines, *more]) + "\n")

    def __enter__(self) -> "Broker":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self.kill()

    def start(self) -> None:
        """Start, and return when it accepts connections."""
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [_tool("mosquitto"), "-c", self.folder / "mosquitto.conf", "-v"], stdout=log, stderr=log
            )
        wait_until(self._accepts, f"no broker on port {self.port}: {self.folder}/mosquitto.log")

    def stop(self) -> None:
        """Stop as a service is stopped; retained messages are saved if the broker is persistent."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """Stop as a power cut does."""
        self._end(signal.SIGKILL)

    def pause(self) -> None:
        """Stop reading and answering, with the connections left open."""
        self._signal(signal.SIGSTOP)

    def resume(self) -> None:
        self._signal(signal.SIGCONT)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 1) -> None:
        """Publish one message with mosquitto_pub."""
        command = [_tool("mosquitto_pub"), *self._client_options(), "-t", topic, "-q", str(qos), "-s"]
        subprocess.run([*command, *(["-r"] if retain else [])], input=payload, check=True, timeout=PATIENCE_S)

    def listen(self, topic: str = "#", *options: str) -> "Listener":
        """Return a listener that has subscribed; options as of mosquitto_sub(1)."""
        return Listener([_tool("mosquitto_sub"), *self._client_options(), *options], topic)

    def _client_options(self) -> list[str]:
        options = ["-h", HOST, "-p", str(self.port), "-V", "mqttv5"]
        if self.password:
            options += ["-u", self.password[0], "-P", self.password[1]]
        if self.ca_file:
            options += ["--cafile", str(self.ca_file)]
        return options

    def _accepts(self) -> bool:
        if self._process is None or self._process.poll() is not None:
            return False
        with socket.socket() as probe:
            return probe.connect_ex((HOST, self.port)) == 0

    def _end(self, signal_number: int) -> None:
        self._signal(signal_number)
        assert self._process is not None
        self._process.wait(PATIENCE_S)
        self._process = None

    def _signal(self, signal_number: int) -> None:
        assert self._process is not None
        self._process.send_signal(signal_number)


class Listener:
    """mosquitto_sub in the background; `heard` grows. A context manager."""

    def __init__(self, command: list[str], topic: str) -> None:
        self.heard: list[Heard] = []
        self._subscribed = threading.Event()
        # -d reports when the broker has confirmed the subscription
        self._process = subprocess.Popen(
            ["stdbuf", "-oL", *command, "-q", "1", "-d", "-t", topic, "-F", "heard %r %q %t %x"],
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        threading.Thread(target=self._read, daemon=True).start()
        if not self._subscribed.wait(PATIENCE_S):
            raise AssertionError("mosquitto_sub did not get its subscription")

    def __enter__(self) -> "Listener":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait(PATIENCE_S)

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("Subscribed"):
                self._subscribed.set()
            elif line.startswith("heard "):
                _, retained, qos, topic, *payload = line.rstrip("\n").split(" ")
                self.heard.append(Heard(topic, bytes.fromhex("".join(payload)), retained == "1", int(qos)))

    def last(self) -> dict[str, bytes]:
        """Return the last payload of each topic; a deleted one is not there."""
        latest = {message.topic: message.payload for message in list(self.heard)}
        return {topic: payload for topic, payload in latest.items() if payload}

    def wait_for(self, topic: str, payload: bytes | None = None) -> bytes:
        """Wait until the topic's last payload is `payload` (None: anything; b"": deleted) and return it."""

        def there() -> bool:
            found = self.last().get(topic)
            if payload == b"":
                return found is None and any(message.topic == topic for message in list(self.heard))
            return found is not None and payload in (None, found)

        wait_until(there, lambda: f"{topic}: wanted {payload!r}, got {self.last().get(topic)!r}")
        return self.last().get(topic, b"")


def retained(broker: Broker, topic: str = "#") -> dict[str, bytes]:
    """Return what a new client finds on the broker."""
    with broker.listen(topic, "-t", HELLO) as listener:
        broker.publish(HELLO, b"all that is retained was sent before this")
        listener.wait_for(HELLO)
        return {message.topic: message.payload for message in listener.heard if message.retained}


def settle(count: Callable[[], int], quiet_s: float = 0.15) -> None:
    """Wait until a count has not changed for a while."""
    deadline_s = time.monotonic() + PATIENCE_S
    last, since_s = count(), time.monotonic()
    while time.monotonic() - since_s < quiet_s and time.monotonic() < deadline_s:
        time.sleep(0.02)
        if count() != last:
            last, since_s = count(), time.monotonic()


def free_port() -> int:
    """Return a free loopback port."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def make_certificates(folder: Path) -> None:
    """Make an authority (ca.crt) and, signed by it, a certificate for the loopback address (server.crt)."""
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    authority = (
        "-keyout",
        folder / "ca.key",
        "-out",
        folder / "ca.crt",
        "-subj",
        "/CN=harbour-models authority",
    )
    _run("openssl", "req", "-x509", *curve, *authority, "-days", "2")
    request = ("-keyout", folder / "server.key", "-out", folder / "server.csr", "-subj", f"/CN={HOST}")
    _run("openssl", "req", *curve, *request)
    (folder / "names").write_text(f"subjectAltName=IP:{HOST}\n")
    signing = (
        "-CA",
        folder / "ca.crt",
        "-CAkey",
        folder / "ca.key",
        "-CAcreateserial",
        "-extfile",
        folder / "names",
    )
    _run(
        "openssl",
        "x509",
        "-req",
        "-in",
        folder / "server.csr",
        *signing,
        "-out",
        folder / "server.crt",
        "-days",
        "2",
    )


def _run(tool: str, *arguments: str | Path) -> None:
    subprocess.run([_tool(tool), *map(str, arguments)], check=True, capture_output=True, timeout=PATIENCE_S)


def _tool(name: str) -> str:
    """Return a program's path; the broker itself is outside an ordinary user's PATH."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    if found is None:
        raise FileNotFoundError(
            f"{name} is not installed: apt-get install mosquitto mosquitto-clients openssl"
        )
    return found
