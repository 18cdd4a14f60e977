"""The page as a process: its address, streams, limits and exit; and its password file."""

import json
import os
import re
import signal
import socket
import ssl
import stat
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx2 as httpx
import pytest

from hasty import hasty
from paged import copied, token_of
from patience import PATIENCE_S, wait_until
from potvigil.cli import main
from potvigil.commands import page_where
from potvigil.page import server
from potvigil.page.guard import FORM_WITHIN_S
from potvigil.page.passwords import is_hash

SMALLEST = Path(__file__).parents[2] / "config" / "smallest.yaml"


class Running:
    """A running `potvigil page`. program: how it is started."""

    def __init__(self, *words: object, program: Sequence[str] = (sys.executable, "-m", "potvigil")) -> None:
        self.process = subprocess.Popen(
            [*program, "page", *map(str, words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        line = self.process.stdout.readline()
        assert line.startswith("page: "), line + self.process.stderr.read()
        self.address = line.removeprefix("page: ").strip()
        self.port = int(re.search(r":(\d+)/$", self.address)[1])

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S)

    def end(self) -> tuple[int, str]:
        """Stop it; return its exit status and standard error."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        _, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, err


@contextmanager
def a_page_of(watched, program=(sys.executable, "-m", "potvigil")):
    """Yield a running page; it must end as it should."""
    page = Running("--record", watched.record, "--live", watched.live, "--port", 0, program=program)
    yield page
    status, err = page.end()
    assert "Traceback" not in err
    assert status == 0, err


@pytest.fixture
def running(watched):
    with a_page_of(watched) as page:
        yield page


@pytest.fixture(scope="module")
def only_asked(half_past_three, tmp_path_factory):
    """One page for all tests that change nothing."""
    with a_page_of(copied(half_past_three, tmp_path_factory.mktemp("only-asked"))) as page:
        yield page


def read_until_closed(connection: socket.socket) -> bytes:
    parts = []
    while part := connection.recv(65_536):
        parts.append(part)
    return b"".join(parts)


def test_it_prints_its_address_and_answers_there(only_asked):
    answer = httpx.get(only_asked.address, timeout=PATIENCE_S)
    assert answer.status_code == 200
    assert "server" not in answer.headers
    assert answer.headers["x-frame-options"] == "DENY"
    assert "strict-transport-security" not in answer.headers  # RFC 6797, 7.2: not without TLS
    assert (
        httpx.get(only_asked.address, headers={"host": "rebound.example"}, timeout=PATIENCE_S).status_code
        == 421
    )
    assert httpx.get(f"{only_asked.address}../../etc/passwd", timeout=PATIENCE_S).status_code == 404


def test_a_form_is_accepted_over_the_wire(running):
    with httpx.Client(base_url=running.address, timeout=PATIENCE_S) as client:
        token = token_of(client.get("/").text)
        fields = {"csrf": token, "alarm": "floor-ahead"}
        own = {"origin": running.address.rstrip("/")}
        assert client.post("/pot/lantern/acknowledge", data=fields).status_code == 403
        answer = client.post("/pot/lantern/acknowledge", data=fields, headers=own)
        assert (answer.status_code, answer.headers["location"]) == (303, "/pot/lantern?asked=1-1")


def test_the_stream_sends_a_change_within_three_seconds(running, watched):
    watched.speak()  # the page may have taken long to start
    with httpx.stream("GET", f"{running.address}api/events", timeout=PATIENCE_S) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        lines = stream.iter_lines()
        seen = []
        for line in lines:
            if line.startswith("data: "):
                seen.append(json.loads(line.removeprefix("data: ")))
                break
        assert seen[0]["silent"] is False
        watched.speak(age_s=60.0)
        wrote_s = time.monotonic()
        for line in lines:
            if line.startswith("data: ") and json.loads(line.removeprefix("data: "))["silent"]:
                break
        assert time.monotonic() - wrote_s < 3.0


def test_beyond_the_limit_a_stream_is_told_to_poll(running):
    streams = [running.connect() for _ in range(22)]
    try:
        heads = []
        for stream in streams:
            stream.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
            heads.append(stream.recv(12))
        assert heads[0].endswith(b"200")
        assert heads[-1].endswith(b"503")
        assert sum(head.endswith(b"200") for head in heads) == 20
        assert httpx.get(f"{running.address}api/now", timeout=PATIENCE_S).status_code == 200
    finally:
        for stream in streams:
            stream.close()
    time.sleep(1.5)  # the slots are free again
    with running.connect() as again:
        again.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert again.recv(12).endswith(b"200")


def test_open_streams_do_not_delay_the_exit(running):
    streams = [running.connect() for _ in range(5)]
    for stream in streams:
        stream.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        stream.recv(12)
    asked_s = time.monotonic()
    status, err = running.end()
    assert status == 0
    assert "Traceback" not in err
    assert time.monotonic() - asked_s < 8.0
    for stream in streams:
        stream.close()


SLOW_HEADS = (b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
SLOW_FORM = (
    b"POST /pot/lantern/close HTTP/1.1\r\nHost: localhost\r\nSec-Fetch-Site: same-origin\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\ncsrf="
)


def test_a_slow_request_is_disconnected(watched):
    """Trickling bytes does not extend the limit. All four cases at once, as each takes long."""
    within_s = 2.0
    short = dict.fromkeys(
        ("potvigil.page.server.HEAD_WITHIN_S", "potvigil.page.guard.FORM_WITHIN_S"), within_s
    )
    with a_page_of(watched, hasty(short)) as running:
        slow = [running.connect() for _ in range(4)]
        began_s = time.monotonic()
        for connection, part in zip(slow, (*SLOW_HEADS, SLOW_FORM), strict=True):
            connection.sendall(part)
        for _ in range(4):
            time.sleep(0.1 * within_s)
            for connection in slow[1:]:
                connection.sendall(b"T")
        assert httpx.get(running.address, timeout=PATIENCE_S).status_code == 200  # others are unaffected
        answers = [read_until_closed(connection) for connection in slow]
        for connection in slow:
            connection.close()
        assert time.monotonic() - began_s < server.HEAD_WITHIN_S + FORM_WITHIN_S
    assert answers[:3] == [b"", b"", b""]
    assert answers[3].startswith(b"HTTP/1.1 408")


def test_an_oversized_head_is_refused(only_asked):
    with only_asked.connect() as large:
        large.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Large: " + b"x" * 100_000)
        answer = large.recv(64)
        assert answer.startswith((b"HTTP/1.1 400", b"HTTP/1.1 431"))
    assert httpx.get(only_asked.address, timeout=PATIENCE_S).status_code == 200


@pytest.mark.parametrize(
    "sent",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",  # TLS to a plain port
        b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: rebound.example\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET http://rebound.example/ HTTP/1.1\r\nHost: rebound.example\r\n\r\n",
        b"GET /%ff%fe HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"NONSENSE\r\n\r\n",
        b"POST /login HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n"
        b"0\r\n\r\n",
        b"GET /static/../../server.py HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET /static/..%2f..%2fserver.py HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET /api/events HTTP/1.1\r\nHost: localhost\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
        b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n",
    ],
)
def test_a_malformed_request_gets_no_page(only_asked, sent):
    with only_asked.connect() as odd:
        odd.settimeout(PATIENCE_S)
        odd.sendall(sent)
        answer = odd.recv(4096)
    assert not answer.startswith(b"HTTP/1.1 5")
    assert b"import asyncio" not in answer
    if b"websocket" not in sent:
        assert re.match(rb"HTTP/1.1 (4\d\d|303)|$", answer)
    assert httpx.get(only_asked.address, timeout=PATIENCE_S).status_code == 200


def test_its_memory_stays_small_with_ten_pages_open(running, watched):
    """The limit of 64 MB is benched; this checks that no report library was loaded."""
    for path in ("", "pot/lantern", "batches", "batch/1", "api/curve?batch=1"):
        assert httpx.get(f"{running.address}{path}", timeout=PATIENCE_S).status_code == 200
    maps = Path(f"/proc/{running.process.pid}/maps").read_text()
    assert not any(name in maps for name in ("numpy", "matplotlib", "pango", "PIL"))


def test_files_are_written_only_beside_the_record(running, watched):
    before = {path.name for path in watched.record.parent.iterdir()}
    for path in ("", "pot/lantern", "batches", "batch/1", "batch/1/report/sheet"):
        assert httpx.get(f"{running.address}{path}", timeout=PATIENCE_S).status_code == 200
    assert {path.name for path in watched.record.parent.iterdir()} - before <= {
        "record.db-shm",
        "record.db-wal",
        "record.db-sessions",
    }


def test_a_report_is_rendered_and_sandboxed(running):
    around = httpx.get(f"{running.address}batch/1/report", timeout=PATIENCE_S)
    assert 'src="/batch/1/report/sheet" sandbox="allow-same-origin"' in around.text
    assert 'href="/batch/1"' in around.text and 'href="/batches"' in around.text  # links back
    answer = httpx.get(f"{running.address}batch/1/report/sheet", timeout=PATIENCE_S)
    assert answer.status_code == 200
    assert "<svg" in answer.text
    assert answer.headers["x-frame-options"] == "SAMEORIGIN"
    policy = answer.headers["content-security-policy"]
    assert "sandbox" in policy and "script-src" not in policy and "default-src 'none'" in policy
    assert "<script" not in answer.text
    assert "allow-scripts" not in policy
    assert httpx.get(f"{running.address}batch/77/report", timeout=PATIENCE_S).status_code == 404
    health = httpx.get(f"{running.address}pot/lantern/health/sheet", timeout=PATIENCE_S)
    assert health.status_code == 200 and "Maintenance" in health.text
    assert httpx.get(f"{running.address}pot/nobody/health", timeout=PATIENCE_S).status_code == 404


# --- how it is started


@pytest.fixture
def refused(capsys):
    def call(*words: object) -> str:
        assert main([str(word) for word in words]) == 2
        err = capsys.readouterr().err
        assert err.count("\n") == 1 and "Traceback" not in err
        return err

    return call


def test_it_prints_a_phones_address_and_its_code_only_on_a_terminal(tmp_path, watched, monkeypatch, capsys):
    monkeypatch.setattr(page_where, "own_addresses", lambda: ["192.168.1.20"])
    monkeypatch.setattr(page_where, "own_names", list)
    page_where.say_where("127.0.0.1", 8642, [], None)
    assert "on a phone: not yet; page.host 0.0.0.0 and a password" in capsys.readouterr().out
    page_where.say_where("0.0.0.0", 8642, ["pots.lan"], None)
    plain = capsys.readouterr().out
    assert plain == (
        "page: http://127.0.0.1:8642/\non a phone: http://pots.lan:8642/\non a phone: http://192.168.1.20:8642/\n"
    )
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    page_where.say_where("0.0.0.0", 8642, ["pots.lan"], None)
    drawn = capsys.readouterr().out
    assert drawn.startswith(plain) and drawn.count("\n") > plain.count("\n") + 10
    assert len({len(line) for line in re.findall(r"[ \u2580-\u2588]{20,}", drawn)}) == 1  # a square


@pytest.mark.parametrize("missing", ["starlette", "uvicorn", "h11", "jinja2"])
def test_a_missing_library_is_reported_in_one_line(missing):
    without = f"import sys; sys.modules[{missing!r}] = None\n"
    source = f"{without}from potvigil.cli import main\nsys.exit(main(['page']))"
    done = subprocess.run([sys.executable, "-c", source], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1 and "-m pip install 'starlette>=" in done.stderr


def test_a_port_in_use_is_reported(only_asked, refused, watched):
    said = refused("page", "--record", watched.record, "--port", only_asked.port)
    assert f"port {only_asked.port}" in said and "give another" in said


def config_with(folder: Path, block: str) -> Path:
    path = folder / "workshop.yaml"
    path.write_text(f"{SMALLEST.read_text(encoding='utf-8')}record: {{file: record.db}}\npage: {block}\n")
    return path


def test_a_password_is_made_and_asked_for(tmp_path, watched, refused, capsys):
    config = config_with(tmp_path, "{host: 0.0.0.0, port: 8642, password_file: secret, live: live.json}")
    assert "make it with `potvigil page password`" in refused("page", "--config", config)
    ask = [sys.executable, "-m", "potvigil", "page", "password", "--config", str(config)]
    short = subprocess.run(ask, input="short\n", capture_output=True, text=True, check=False)
    assert (short.returncode, (tmp_path / "secret").exists()) == (2, False)
    made = subprocess.run(ask, input="lantern lens no. 3\n", capture_output=True, text=True, check=True)
    file = tmp_path / "secret"
    assert str(file) in made.stdout
    assert is_hash(file.read_text().strip())
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    page = Running("--config", config, "--port", 0)
    try:
        with httpx.Client(base_url=page.address, timeout=PATIENCE_S) as client:
            assert client.get("/").headers["location"] == "/login"
            fields = {"csrf": token_of(client.get("/login").text), "password": "lantern lens no. 3"}
            own = {"origin": page.address.rstrip("/")}
            assert client.post("/login", data=fields, headers=own).status_code == 303
            assert client.get("/").status_code == 200
    finally:
        assert page.end()[0] == 0
    file.chmod(0o644)
    said = refused("page", "--config", config)
    assert "everybody on this machine can read it; close it with `chmod o= " in said and str(file) in said
    file.write_text("lantern lens no. 3\n")
    said = refused("page", "--config", config)
    assert "does not hold the page's password" in said and "lens" not in said


def test_it_serves_tls_if_configured(tmp_path, watched, refused):
    config = config_with(tmp_path, "{tls: {cert_file: page.pem, key_file: page.key}, live: live.json}")
    assert "certificate or key" in refused("page", "--config", config, "--port", 0)
    subprocess.run(
        [
            *(
                "openssl",
                "req",
                "-x509",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:prime256v1",
                "-nodes",
            ),
            *("-keyout", "page.key", "-out", "page.pem", "-days", "2", "-subj", "/CN=localhost"),
            *("-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
        ],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    key = tmp_path / "page.key"
    key.chmod(0o644)
    said = refused("page", "--config", config, "--port", 0)
    assert (
        f"page.tls.key_file {key}: everybody on this machine can read it; close it with `chmod o= {key}`"
        in said
    )
    key.chmod(0o640)  # readable by the service's own group is fine
    page = Running(
        "--config", config, "--port", 0, program=hasty({"potvigil.page.server.HEAD_WITHIN_S": 3.0})
    )
    try:
        silent = page.connect()  # never starts the handshake
        assert page.address.startswith("https://")
        context = ssl.create_default_context(cafile=str(tmp_path / "page.pem"))
        with httpx.Client(base_url=page.address, verify=context, timeout=PATIENCE_S) as client:
            answer = client.get("/")
            assert answer.status_code == 200
            cookie = answer.headers["set-cookie"]
            assert cookie.startswith("__Host-potvigil=") and "Secure" in cookie
            # RFC 6797, 6.1: TLS only from now on; without includeSubDomains
            assert answer.headers["strict-transport-security"] == "max-age=2592000"
            token = token_of(answer.text)
            own = {"origin": page.address.rstrip("/")}
            data = {"csrf": token, "alarm": "all"}
            assert client.post("/pot/lantern/acknowledge", data=data, headers=own).status_code == 303
            plain = {"origin": page.address.rstrip("/").replace("https", "http")}
            assert client.post("/pot/lantern/acknowledge", data=data, headers=plain).status_code == 403
        assert read_until_closed(silent) == b""
        silent.close()
    finally:
        assert page.end()[0] == 0


def test_a_rehearsal_is_shown_while_it_runs(tmp_path):
    rehearsal = subprocess.Popen(
        [
            *(sys.executable, "-m", "potvigil", "rehearse", "sound", "--page", "0", "--speed", "600"),
            *("--record", str(tmp_path / "night.db")),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        assert "Rehearsal" in rehearsal.stdout.readline()
        address = rehearsal.stdout.readline().removeprefix("page: ").strip()

        def now() -> dict:
            return httpx.get(f"{address}api/now", timeout=PATIENCE_S).json()

        wait_until(lambda: not now()["silent"] and now()["pots"], "no pot is shown")
        assert now()["rehearsed"] == "sound"
        assert now()["pots"][0]["pressure"]
        assert "Rehearsal" in httpx.get(address, timeout=PATIENCE_S).text
    finally:
        rehearsal.send_signal(signal.SIGINT)
        _, err = rehearsal.communicate(timeout=PATIENCE_S)
    assert rehearsal.returncode == 0, err
    assert "Traceback" not in err
    with pytest.raises(httpx.HTTPError):
        httpx.get(address, timeout=PATIENCE_S)
