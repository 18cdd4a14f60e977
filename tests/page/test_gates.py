"""The checks on every request and their limits: names and origins, guesses, sessions, connections."""

import asyncio
import json
import socket
import stat
import struct
import sys
from datetime import UTC
from ipaddress import IPv4Address
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from coroutines import run
from potvigil.page import addresses, door, guard, guesses, passwords, sessions, zone
from potvigil.page.door import Door, network_of
from potvigil.page.guard import Guard, RequestRefusedError, read_form
from potvigil.page.guesses import Throttle
from potvigil.page.printed import children
from potvigil.page.printed.children import Children, _last_line
from potvigil.page.sessions import Visitors
from potvigil.page.zone import zone_name, zone_words

# --- names and origins

OURS = "pot.local"


def scope(
    method: str = "GET",
    host: str = OURS,
    scheme: str = "http",
    server: tuple[str, int] = ("192.0.2.7", 8642),
    **headers: str,
) -> dict[str, Any]:
    sent = [("host", host), *((name.replace("_", "-"), value) for name, value in headers.items())]
    return {
        "type": "http",
        "method": method,
        "scheme": scheme,
        "server": server,
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in sent],
    }


def status(of: dict[str, Any]) -> int:
    async def app(*_: object) -> None:
        raise AssertionError("not called")

    fault = Guard(app, ["Pot.Local."])._fault(of)
    return 200 if fault is None else fault.status


@pytest.mark.parametrize(
    ("host", "is_ours"),
    [
        *((OURS, True), ("POT.LOCAL:8642", True), ("pot.local.", True), ("localhost", True), ("evil", False)),
        *(("192.0.2.7", True), ("192.0.2.7:8642", True), ("192.0.2.8", False), ("127.0.0.1", True)),
        *(("127.9.9.9:1", True), ("[::1]:8642", True), ("[::2]", False), ("pot.local:123456", False)),
        *(("", False), ("pot.local/x", False), ("pot.local:", False), ("user@pot.local", False)),
    ],
)
def test_it_answers_to_its_names_and_its_own_address(host: str, is_ours: bool) -> None:
    assert status(scope(host=host)) == (200 if is_ours else 421)
    mapped = scope(host="192.0.2.7", server=("::ffff:192.0.2.7", 1))
    assert status(mapped) == 200
    twice = scope()
    twice["headers"].append((b"host", b"pot.local"))
    assert status(twice) == 421


@pytest.mark.parametrize(
    ("headers", "found"),
    [
        ({"sec_fetch_site": "same-origin"}, 200),
        ({"origin": f"http://{OURS}"}, 200),
        ({"origin": f"HTTP://{OURS.upper()}"}, 200),
        ({"origin": f"http://{OURS}", "sec_fetch_site": "same-origin"}, 200),
        ({}, 403),
        ({"sec_fetch_site": "same-site"}, 403),
        ({"sec_fetch_site": "none"}, 403),
        ({"origin": f"https://{OURS}"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": f"http://{OURS}", "sec_fetch_site": "cross-site"}, 403),
        ({"origin": "http://evil", "sec_fetch_site": "same-origin"}, 403),
    ],
)
def test_a_change_comes_from_our_own_page(headers: dict[str, str], found: int) -> None:
    assert status(scope("POST", **headers)) == found
    assert status(scope("PUT", **headers)) == found
    assert status(scope("GET", **headers)) == status(scope("HEAD", **headers)) == 200


def test_a_head_is_bounded_to_sixteen_kilobytes() -> None:
    def sized(extra: int, where: str) -> dict[str, Any]:
        made = scope()
        used = sum(len(name) + len(value) + 4 for name, value in made["headers"])
        if where == "header":
            made["headers"].append((b"x", b"y" * (16_384 - used - 5 + extra)))
        else:
            made[where] = b"y" * (16_384 - used + extra)
        return made

    for where in ("header", "raw_path", "query_string"):
        assert [status(sized(extra, where)) for extra in (0, 1)] == [200, 431]


def test_limits_have_their_documented_values() -> None:
    assert (guard.LARGEST_FORM_BYTES, guard.MOST_FIELDS) == (65_536, 36)
    assert (guard.FORM_WITHIN_S, guard.REQUEST_WITHIN_S) == (10.0, 180.0)
    assert (door.MOST_PER_NETWORK, door.MOST_CONNECTIONS) == (32, 128)
    assert (sessions.SESSION_S, sessions._MOST_SESSIONS) == (30 * 86_400, 200)
    assert (passwords._N, passwords._R, passwords._P) == (16_384, 8, 5)
    assert (passwords.LEAST_PASSWORD, passwords.LONGEST_PASSWORD) == (8, 1024)
    assert (children.WITHIN_S, children.MOST_WAITING, children.MOST_KEPT) == (120.0, 3, 20)


def form(body: bytes, kind: str = "application/x-www-form-urlencoded; charset=utf-8") -> dict[str, str] | int:
    async def stream() -> Any:
        for at in range(0, len(body), 10_000):
            yield body[at : at + 10_000]

    request = SimpleNamespace(headers={"content-type": kind}, stream=stream)
    try:
        return run(read_form(request))  # type: ignore[arg-type]
    except RequestRefusedError as error:
        return error.status


def test_a_form_is_read_up_to_its_bounds() -> None:
    assert form(b"label=Lens+1&note=&x=%C3%A4") == {"label": "Lens 1", "note": "", "x": "ä"}
    assert form(b"a=1", "text/plain") == 415 and form(b"a=1", " APPLICATION/X-WWW-FORM-URLENCODED") == {
        "a": "1"
    }
    assert form(b"a=" + b"x" * 65_534) == {"a": "x" * 65_534}
    assert form(b"a=" + b"x" * 65_535) == 413
    assert len(form(b"&".join(b"%d=1" % n for n in range(36)))) == 36  # type: ignore[arg-type]
    assert form(b"&".join(b"%d=1" % n for n in range(37))) == 413


# --- guesses


def test_three_guesses_are_free_and_then_each_doubles_the_wait_up_to_five_minutes() -> None:
    of = Throttle()
    waits = []
    for _ in range(14):
        waits.append(of.wait_s("home", 100.0))
        of.failed("home", 100.0)
    assert waits == [0.0, 0.0, 0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 300.0, 300.0]
    assert (of.wait_s("home", 399.0), of.wait_s("home", 400.0), of.wait_s("home", 500.0)) == (1.0, 0.0, 0.0)
    assert of.wait_s("other", 100.0) == 0.0
    many = Throttle()
    for _ in range(2000):
        many.failed("home", 100.0)
    assert many.wait_s("home", 100.0) == 300.0


def test_guesses_are_forgotten_after_an_hour() -> None:
    late = Throttle()
    for _ in range(2):
        late.failed("home", 50_000.0)
    assert late.rank("home") == 2
    of = Throttle()
    for _ in range(5):
        of.failed("home", 0.0)
    assert of.rank("home") == 5
    of.failed("home", 3600.0)
    assert of.rank("home") == 6
    of.failed("home", 7200.1)
    assert of.rank("home") == 1
    for _ in range(5):
        of.failed("home", 7200.1)
    assert of.wait_s("home", 7200.1 + 3600.1) == 0.0


def test_a_network_that_knew_the_password_goes_first() -> None:
    of = Throttle()
    of.failed("home", 0.0)
    of.succeeded("home")
    assert [of.rank(network) for network in ("home", "other")] == [-1, 0]
    of.failed("home", 0.0)
    assert of.rank("home") == 1


def test_the_oldest_networks_are_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    assert guesses._MOST_NETWORKS == 1000
    monkeypatch.setattr(guesses, "_MOST_NETWORKS", 2)
    of = Throttle()
    for name in ("a", "b", "c"):
        of.failed(name, 0.0)
    assert [of.rank(name) for name in "abc"] == [0, 1, 1]
    for name in ("d", "e", "d", "f"):
        of.succeeded(name)
    assert [of.rank(name) for name in "def"] == [-1, 0, -1]


# --- passwords and sessions


def test_a_password_is_hashed_with_scrypt_and_verified() -> None:
    # RFC 7914 with our parameters, by hashlib
    line = passwords.hashed("driftwood", bytes(16))
    assert line.startswith("scrypt$16384$8$5$AAAAAAAAAAAAAAAAAAAAAA==$") and passwords.is_hash(line)
    assert passwords.verify("driftwood", line) and not passwords.verify("Driftwood", line)
    name, n, r, p, salt, key = line.split("$")
    for other in (
        ("bcrypt", n, r, p, salt, key),
        (name, "32768", r, p, salt, key),
        (name, n, "16", p, salt, key),
        (name, n, r, "1", salt, key),
        (name, n, r, p, "AAAA", key),
        (name, n, r, p, salt, "AAAA"),
        (name, n, r, p, salt),
        (name, n, r, p, "*", key),
    ):
        assert not passwords.is_hash("$".join(other))


def test_a_session_lasts_thirty_days_and_its_cookie_is_in_no_file(tmp_path: Path) -> None:
    file = tmp_path / "sessions"
    of = Visitors(file, "hash")
    cookie = of.log_in(1000.0)
    assert Visitors.is_cookie(cookie) and not Visitors.is_cookie(cookie + "x") and not Visitors.is_cookie("")
    assert of.is_logged_in(cookie, 1000.0 + 30 * 86_400 - 1.0)
    assert not of.is_logged_in(cookie, 1000.0 + 30 * 86_400)
    assert not of.is_logged_in(Visitors.new(), 1000.0)
    assert cookie not in file.read_text() and stat.S_IMODE(file.stat().st_mode) == 0o600
    again = Visitors(file, "hash")
    assert again.is_logged_in(cookie, 1000.0) and again.has_token(cookie, of.token(cookie))
    assert not again.has_token(cookie, of.token("other")) and not again.has_token(cookie, "ä")
    again.log_out(cookie)
    assert not of.is_logged_in(cookie, 1000.0)
    again.log_in(1000.0)
    assert not Visitors(file, "another")._open_until_s
    assert Visitors().log_in(0.0)


def test_expired_and_excess_sessions_are_dropped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions, "_MOST_SESSIONS", 2)
    of = Visitors(tmp_path / "sessions")
    first, second = of.log_in(0.0), of.log_in(1.0)
    third = of.log_in(2.0)
    assert [of.is_logged_in(each, 3.0) for each in (first, second, third)] == [False, True, True]
    assert [Visitors(tmp_path / "sessions").is_logged_in(each, 3.0) for each in (second, third)] == [True] * 2
    of.log_in(1.0 + 30 * 86_400)
    assert not of.is_logged_in(second, 0.0) and of.is_logged_in(third, 0.0)


@pytest.mark.parametrize(
    "changes",
    [
        {"format": 2},
        {"key": "00"},
        {"key": "zz"},
        {"sessions": []},
        {"sessions": {"x": "soon"}},
        {"password": ""},
    ],
)
def test_an_invalid_sessions_file_is_replaced(tmp_path: Path, changes: dict[str, Any]) -> None:
    file = tmp_path / "sessions"
    cookie = Visitors(file, "hash").log_in(0.0)
    tree = json.loads(file.read_text())
    file.write_text(json.dumps(tree | changes))
    file.chmod(0o600)
    assert not Visitors(file, "hash").is_logged_in(cookie, 1.0)
    file.write_text(json.dumps(tree))
    file.chmod(0o640)  # others may have read the key
    assert not Visitors(file, "hash").is_logged_in(cookie, 1.0)


def test_a_symlinked_sessions_file_is_ignored(tmp_path: Path) -> None:
    cookie = Visitors(tmp_path / "theirs", "hash").log_in(0.0)
    (tmp_path / "sessions").symlink_to(tmp_path / "theirs")
    assert not Visitors(tmp_path / "sessions", "hash").is_logged_in(cookie, 1.0)


# --- connections


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:3::1", "2001:db8:1:3::/64"),
        ("", ""),
    ],
)
def test_the_network_of_an_address(address: str, network: str) -> None:
    assert network_of(address) == network


def test_at_the_limit_a_smaller_network_displaces_the_largest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(door, "MOST_CONNECTIONS", 4)
    ended: list[str] = []

    def held(name: str) -> Any:
        return SimpleNamespace(fileno=lambda: 1, shutdown=lambda how: ended.append(f"{name} {how}"))

    with Door() as of:
        of._connections = {"a": [held("a1"), held("a2")], "b": [held("b1")]}
        assert of._has_room_for(5) and ended == []
        of._connections["b"].append(held("b2"))
        assert not of._has_room_for(2) and ended == []
        assert of._has_room_for(1) and ended == [f"a1 {socket.SHUT_RDWR}"]
        assert len(of._connections["a"]) == 1
        of._connections["b"].append(SimpleNamespace(fileno=lambda: -1))
        of._connections["c"] = [SimpleNamespace(fileno=lambda: -1)]
        of._forget_closed()
        assert {name: len(each) for name, each in of._connections.items()} == {"a": 1, "b": 2}


# --- zone, addresses, children


WINTER_S, SUMMER_S = 1_767_304_800.0, 1_782_939_600.0


@pytest.mark.parametrize(
    ("tz", "utc_s", "name", "words"),
    [
        (ZoneInfo("Europe/Paris"), WINTER_S, "Europe/Paris", "Europe/Paris, UTC+01:00"),
        (ZoneInfo("Europe/Paris"), SUMMER_S, "Europe/Paris", "Europe/Paris, UTC+02:00"),
        (UTC, WINTER_S, "UTC", "UTC+00:00"),
    ],
)
def test_a_zone_is_shown_with_its_offset(tz: Any, utc_s: float, name: str, words: str) -> None:
    assert (zone_name(tz, utc_s), zone_words(tz, utc_s)) == (name, words)


def test_the_machines_zone_is_from_tz_or_the_localtime_link(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = tmp_path / "localtime"
    monkeypatch.setattr(zone, "_LOCALTIME", link)
    monkeypatch.setenv("TZ", ":Asia/Tokyo")
    assert zone_name(None, WINTER_S) == "Asia/Tokyo"
    monkeypatch.setenv("TZ", "no zone")
    link.symlink_to("/usr/share/zoneinfo/Europe/Lisbon")
    assert zone_name(None, WINTER_S) == "Europe/Lisbon"
    link.unlink()
    assert zone_name(None, WINTER_S)[:1] in "+-"


def test_the_names_and_addresses_a_phone_can_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for host_name, names in (("Pot.lan", ["pot.local", "pot"]), ("localhost", []), ("", [])):
        monkeypatch.setattr(addresses.socket, "gethostname", lambda host_name=host_name: host_name)
        assert addresses.own_names() == names
    table = tmp_path / "if_inet6"
    monkeypatch.setattr(addresses, "_IF_INET6", table)
    found = map(IPv4Address, ("127.0.0.1", "192.0.2.7", "169.254.1.1", "192.0.2.7"))
    monkeypatch.setattr(addresses, "_ipv4", lambda known=tuple(found): known)
    # proc_net: address, number, prefix, scope, flags (linux/if_addr.h), name
    flags = ("80", "01", "08", "20", "40", "00")
    lines = [f"20010db80000000000000000000000{n:02d} 02 40 00 {each} eth0" for n, each in enumerate(flags)]
    lines += [f"fe80{'0' * 27}1 02 40 20 80 eth0", f"{'0' * 31}1 01 80 10 80 lo"]
    table.write_text("\n".join(lines))
    assert addresses.own_addresses() == ["192.0.2.7", "2001:db8::", "2001:db8::5"]
    table.unlink()
    assert addresses.own_addresses() == ["192.0.2.7"]


@pytest.mark.parametrize(
    ("stderr", "line"),
    [
        (b"", "This version cannot make that yet."),
        (b"potvigil: first\n\n  potvigil: no batch 7 \n", "no batch 7"),
        (b"argument verb: invalid choice: 'report'\nusage", "This version cannot make that yet."),
        (b"x" * 500, "x" * 400),
    ],
)
def test_a_failed_verbs_error_becomes_one_sentence(stderr: bytes, line: str) -> None:
    assert _last_line(stderr) == line


SCRIPT = "import sys; open(sys.argv[-1], 'w').write(sys.argv[1])"


def test_documents_are_cached_and_the_oldest_dropped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(children, "MOST_KEPT", 1)
    of = Children(tmp_path, (sys.executable, "-c", SCRIPT))

    async def contents() -> list[bytes]:
        return [
            await of.content("a", ["one"], ".html", True),
            await of.content("a", ["two"], ".html", True),  # from the cache
            await of.content("b", ["three"], ".html", True),
            await of.content("a", ["four"], ".html", False),
            await of.content("a", ["five"], ".html", False),
        ]

    assert run(contents()) == [b"one", b"one", b"three", b"four", b"five"]
    assert list(tmp_path.iterdir()) == []


def test_a_fourth_waiting_request_is_refused(tmp_path: Path) -> None:
    of = Children(tmp_path, (sys.executable, "-c", "import sys; sys.exit('potvigil: no record')"))

    async def all_at_once() -> list[tuple[int, str]]:
        tries = (of.content(n, [], ".html", True) for n in range(4))
        found = await asyncio.gather(*tries, return_exceptions=True)
        return [(each.status, each.text) for each in found]  # type: ignore[union-attr]

    found = run(all_at_once())
    assert found[:3] == [(503, "no record")] * 3
    assert found[3][0] == 503 and "Others are waiting" in found[3][1]
    assert of._waiting == 0


def test_the_kernels_address_table_is_parsed(monkeypatch: pytest.MonkeyPatch) -> None:
    """netdevice(7), SIOCGIFCONF: the length filled, then rows of a 16-byte name and a sockaddr."""
    kept: list[Any] = []
    make = addresses.array.array

    def made(kind: str, content: bytes) -> Any:
        kept.append(make(kind, content))
        return kept[-1]

    def ioctl(_: object, number: int, request: bytes) -> bytes:
        assert number == 0x8912
        length, _ = struct.unpack("iP", request)
        assert length == len(kept[0]) == 64 * addresses._IFREQ_BYTES
        for n, address in enumerate(("192.0.2.7", "10.1.2.3")):
            row = struct.pack("16sHH4s", b"eth0", socket.AF_INET, 0, IPv4Address(address).packed)
            at = n * addresses._IFREQ_BYTES
            kept[0][at : at + len(row)] = make("B", row)
        return struct.pack("iP", 2 * addresses._IFREQ_BYTES, 0)

    monkeypatch.setattr(addresses.array, "array", made)
    monkeypatch.setattr(addresses.fcntl, "ioctl", ioctl)
    assert list(addresses._ipv4()) == [IPv4Address("192.0.2.7"), IPv4Address("10.1.2.3")]


def test_connections_are_counted_per_network(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(door, "MOST_PER_NETWORK", 2)
    with door.listen("127.0.0.1", 0) as listening:
        callers = [socket.create_connection(listening.getsockname()) for _ in range(3)]
        inside = [listening.accept()[0] for _ in range(2)]
        assert {name: len(held) for name, held in listening._connections.items()} == {"127.0.0.1": 2}
        with pytest.raises(ConnectionAbortedError, match=r"127\.0\.0\.1 holds 2 connections"):
            listening.accept()
        for each in (*callers, *inside):
            each.close()


@pytest.mark.parametrize(
    ("scheme", "headers"),
    [("http", guard.HEADERS), ("https", guard.HEADERS | {"strict-transport-security": "max-age=2592000"})],
)
def test_every_response_has_our_headers_unless_it_sets_them(scheme: str, headers: dict[str, str]) -> None:
    async def app(_scope: Any, _receive: Any, send: Any) -> None:
        own = [(b"cache-control", b"max-age=5")]
        await send({"type": "http.response.start", "status": 200, "headers": own})

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    run(Guard(app, [OURS])(scope(scheme=scheme), None, send))  # type: ignore[arg-type]
    found = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    assert found == headers | {"cache-control": "max-age=5"}


def test_a_request_over_time_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "REQUEST_WITHIN_S", 0.01)

    async def app(*_: object) -> None:
        await asyncio.sleep(3600.0)

    run(Guard(app, [OURS])(scope(), None, None))  # type: ignore[arg-type]


def test_scopes_other_than_http_are_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []

    async def app(scope: Any, *_: object) -> None:
        seen.append(scope["type"])

    run(Guard(app, [])({"type": "lifespan"}, None, None))  # type: ignore[arg-type]
    assert seen == ["lifespan"]


def test_the_sessions_files_format_and_size_limit() -> None:
    assert (sessions._FORMAT, sessions._KEY_BYTES, sessions._LARGEST_BYTES) == (1, 32, 100_000)
    assert sessions.sessions_file(Path("/there/record.db")) == Path("/there/record.db-sessions")
