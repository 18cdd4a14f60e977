"""Limits on connections, time and bytes for a client on the network, against a real server.

Linux answers on all of 127.0.0.0/8, so each client here has an address of its own.
"""

import socket
import time
from contextlib import suppress

import httpx2 as httpx
import pytest

from page.test_server import Running, read_until_closed
from patience import PATIENCE_S
from potvigil.page import door
from potvigil.page.door import MOST_PER_NETWORK, Door

UNREAD_BODY = (
    b"POST /pot/lantern/close HTTP/1.1\r\nHost: localhost\r\nSec-Fetch-Site: same-origin\r\n"
    b"Content-Type: text/plain\r\nContent-Length: 100000000\r\n\r\n"
)


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    page = Running("--record", tmp_path_factory.mktemp("limits") / "none.db", "--port", 0)
    yield page
    status, err = page.end()
    assert "Traceback" not in err
    assert status == 0, err


def from_address(page: Running, address: str) -> socket.socket:
    return socket.create_connection(("127.0.0.1", page.port), timeout=PATIENCE_S, source_address=(address, 0))


def is_disconnected(connection: socket.socket) -> bool:
    try:
        return connection.recv(1) == b""
    except ConnectionError:
        return True


def test_slow_requests_from_one_address_shut_out_nobody_else(running):
    slow = [from_address(running, "127.0.0.2") for _ in range(68)]
    for connection in slow:
        with suppress(ConnectionError):
            connection.sendall(UNREAD_BODY[:-2])  # a head that never ends
    for _ in range(3):
        assert httpx.get(f"{running.address}api/now", timeout=PATIENCE_S).status_code == 200
    assert sum(map(is_disconnected, slow[MOST_PER_NETWORK:])) == len(slow) - MOST_PER_NETWORK
    for connection in slow:
        connection.close()


def test_an_unread_body_is_not_waited_for(running):
    with from_address(running, "127.0.0.3") as client:
        client.sendall(UNREAD_BODY)
        began_s = time.monotonic()
        answer = read_until_closed(client)
        assert answer.startswith(b"HTTP/1.1 415")
        assert time.monotonic() - began_s < 8.0  # before a keep-alive would end


@pytest.mark.parametrize("end", [b"\r\n\r\n", b"\r\n\r\nGET / HTTP/1.1\r\n"])
def test_a_large_head_sent_at_once_is_refused_too(running, end):
    for name in (b"X-Large: ", b"Cookie: potvigil="):
        with from_address(running, "127.0.0.4") as client:
            client.sendall(b"GET /api/now HTTP/1.1\r\nHost: localhost\r\n" + name + b"x" * 100_000 + end)
            assert client.recv(12) in (b"HTTP/1.1 431", b"HTTP/1.1 400")
    many = b"".join(b"X-%d: 1\r\n" % i for i in range(3000))
    with from_address(running, "127.0.0.4") as client:
        client.sendall(b"GET /api/now HTTP/1.1\r\nHost: localhost\r\n" + many + b"\r\n")
        assert client.recv(12) in (b"HTTP/1.1 431", b"HTTP/1.1 400")
    with from_address(running, "127.0.0.4") as client:
        client.sendall(b"GET /api/now?" + b"x" * 40_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert client.recv(12) in (b"HTTP/1.1 431", b"HTTP/1.1 400")


def test_a_newcomer_displaces_the_network_with_the_most_connections(monkeypatch):
    monkeypatch.setattr(door, "MOST_CONNECTIONS", 8)
    monkeypatch.setattr(door, "MOST_PER_NETWORK", 5)
    listening = door.listen("127.0.0.1", 0)
    taken: list[socket.socket] = []

    def connect(address: str) -> socket.socket:
        made = socket.create_connection(
            listening.getsockname(), timeout=PATIENCE_S, source_address=(address, 0)
        )
        with suppress(ConnectionAbortedError):
            taken.append(listening.accept()[0])
        return made

    try:
        crowd = [connect("127.0.0.2") for _ in range(6)]
        assert is_disconnected(crowd[5])  # one too many from one network
        others = [connect("127.0.0.3") for _ in range(3)]
        owner = connect("127.0.0.9")  # the ninth
        assert is_disconnected(crowd[0])
        assert not any(is_gone(kept) for kept in (*crowd[1:5], *others, owner))
        others.append(connect("127.0.0.3"))
        assert is_disconnected(crowd[1]) and not is_gone(others[3])
        assert is_disconnected(connect("127.0.0.3"))  # no network has more than its own
        taken[2].close()  # a slot is free once the page has closed it
        assert not is_gone(connect("127.0.0.9"))
    finally:
        for each in (*taken, listening):
            each.close()


def is_gone(connection: socket.socket) -> bool:
    connection.settimeout(0.05)
    try:
        return connection.recv(1) == b""
    except TimeoutError:
        return False


def test_the_door_is_a_listening_socket():
    with door.listen("127.0.0.1", 0) as listening:
        assert isinstance(listening, Door)
        assert listening.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN) == 1
