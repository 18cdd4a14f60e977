"""Logging in: guesses wait, the owner never does, and sessions survive a restart."""

import asyncio
import json
import stat
import time

import pytest

from coroutines import run
from paged import post, shown
from patience import PATIENCE_S
from potvigil.page import sessions
from potvigil.page.door import network_of
from potvigil.page.guesses import OneAtATime, Throttle
from potvigil.page.passwords import hashed
from potvigil.page.sessions import Visitors, sessions_file

PASSWORD = "lantern lens no. 3"


@pytest.fixture(scope="module")
def password_hash():
    return hashed(PASSWORD)


@pytest.fixture
def guarded(watched, tmp_path, password_hash):
    with shown(watched, tmp_path / "reports", password=password_hash) as client:
        yield client


def log_in(client, password: str = PASSWORD):
    return post(client, "/login", password=password)


# --- guesses


def test_each_wrong_guess_waits_longer(guarded, monkeypatch):
    now = [1000.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    tried = 0
    waits = []
    for _ in range(12):
        answer = log_in(guarded, "wrong password")
        if answer.status_code == 429:
            waits.append(int(answer.headers["retry-after"]))
            assert log_in(guarded).status_code == 429  # not even the right one, or a guesser would learn it
            now[0] += waits[-1]
        else:
            assert answer.status_code == 403
            tried += 1
    assert waits[:4] == [1, 2, 4, 8]
    assert tried <= 8


def test_the_right_password_works_after_two_wrong_ones(guarded):
    for _ in range(2):
        assert log_in(guarded, "wrong password").status_code == 403
    assert log_in(guarded).status_code == 303


def test_each_network_waits_only_for_its_own_guesses():
    throttle = Throttle()
    for i in range(10):
        throttle.failed("192.0.2.1", float(i))
    assert throttle.wait_s("192.0.2.1", 9.0) == pytest.approx(2.0**7)
    for i in range(900):  # from everywhere
        throttle.failed(f"198.51.100.{i}", 10.0)
    assert throttle.wait_s("192.0.2.2", 10.0) == 0.0
    throttle.succeeded("192.0.2.1")
    assert throttle.wait_s("192.0.2.1", 30.0) == 0.0
    for i in range(5000):
        throttle.failed(network_of(f"2001:db8:{i:x}::1"), 20.0)
        throttle.succeeded(f"192.0.2.{i}")
    assert len(throttle._tries) <= 1000 and len(throttle._known) <= 1000


def test_wrong_guesses_from_elsewhere_never_delay_the_owner(watched, tmp_path, password_hash, monkeypatch):
    monkeypatch.setattr(time, "monotonic", lambda: 1000.0)
    with shown(watched, tmp_path / "reports", password=password_hash) as client:
        transport = client._transport
        for i in range(12):
            transport.client = (f"198.51.100.{i}", 40_000)
            for _ in range(4):
                assert log_in(client, "wrong password").status_code in (403, 429)
        transport.client = ("192.0.2.7", 40_000)
        assert log_in(client).status_code == 303
        transport.client = ("198.51.100.1", 40_000)  # others' guesses do not affect a session
        assert client.get("/").status_code == 200


def test_guesses_are_checked_one_by_one_the_least_suspicious_first():
    """At most one guess from each other network precedes the owner's; none, once the owner has logged in."""
    throttle, one = Throttle(), OneAtATime()
    seen: list[str] = []
    throttle.succeeded("owner")
    for name, wrong in (("wild", 2), ("mild", 1)):
        for _ in range(wrong):
            throttle.failed(name, 0.0)
    at_once = 0

    async def guess(name: str) -> None:
        nonlocal at_once
        async with one.turn(name, throttle.rank(name)):
            at_once += 1
            assert at_once == 1
            await asyncio.sleep(0)
            at_once -= 1
            seen.append(name)

    async def all_at_once() -> None:
        names = ["first", "wild", "mild", "fresh", "gone", "fresh too", "owner"]
        tasks = [asyncio.create_task(guess(name)) for name in names]
        await asyncio.sleep(0)
        assert all(one.holds(name) for name in names)
        tasks[4].cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    run(all_at_once())
    assert seen == ["first", "owner", "fresh", "fresh too", "mild", "wild"]
    assert not one.holds("owner")


def test_a_guess_cancelled_on_its_turn_passes_it_on():
    async def tried() -> None:
        one, leave = OneAtATime(), asyncio.Event()

        async def held() -> None:
            async with one.turn("a", 0):
                await leave.wait()

        tasks = []
        for _ in range(3):
            tasks.append(asyncio.create_task(held()))
            await asyncio.sleep(0)
        leave.set()
        await tasks[0]
        tasks[1].cancel()
        await asyncio.wait_for(tasks[2], PATIENCE_S)

    run(tried())


def test_an_ipv6_64_is_one_network_and_mapped_ipv4_is_ipv4():
    assert network_of("2001:db8:0:1::1") == network_of("2001:db8:0:1::ffff") != network_of("2001:db8:0:2::1")
    assert network_of("::ffff:192.0.2.1") == network_of("192.0.2.1") != network_of("::ffff:192.0.2.2")
    assert network_of("testclient") == "testclient"


# --- sessions


def test_a_log_in_and_its_forms_survive_a_restart_until_log_out(watched, tmp_path, password_hash):
    def page():
        return shown(watched, tmp_path / "reports", password=password_hash)

    with page() as client:
        assert log_in(client).status_code == 303
        session = client.cookies["potvigil"]
        token = sessions_token(client)
    with page() as client:
        client.cookies.set("potvigil", session)
        assert client.get("/").status_code == 200
        assert post(client, "/pot/lantern/acknowledge", csrf=token, alarm="all").status_code == 303
        assert post(client, "/logout").status_code == 303
        client.cookies.set("potvigil", session)
        assert client.get("/").status_code == 303
    with page() as client:
        client.cookies.set("potvigil", session)
        assert client.get("/").status_code == 303


def sessions_token(client) -> str:
    from paged import token_of

    return token_of(client.get("/").text)


def test_a_new_password_ends_all_sessions(watched, tmp_path, password_hash):
    with shown(watched, tmp_path / "reports", password=password_hash) as client:
        log_in(client)
        session = client.cookies["potvigil"]
    for other in (hashed("another lens"), hashed(PASSWORD)):  # the same password hashed again counts as new
        with shown(watched, tmp_path / "reports", password=other) as client:
            client.cookies.set("potvigil", session)
            assert client.get("/").status_code == 303
    with shown(watched, tmp_path / "reports", password=password_hash) as client:  # and stays ended
        client.cookies.set("potvigil", session)
        assert client.get("/").status_code == 303


def test_the_sessions_file_is_private_and_holds_no_cookie(tmp_path):
    file = sessions_file(tmp_path / "record.db")
    visitors = Visitors(file, "hash")
    cookie = visitors.log_in(0.0)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    text = file.read_text()
    assert cookie not in text and "hash" not in json.loads(text)["password"]
    for kept in json.loads(text)["sessions"]:
        assert not visitors.is_logged_in(kept, 1.0)
    assert Visitors(file, "hash").is_logged_in(cookie, 1.0)
    file.chmod(0o640)  # somebody may have read the key
    fresh = Visitors(file, "hash")
    assert not fresh.is_logged_in(cookie, 1.0)
    assert fresh.token("a") != visitors.token("a")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": 2}', '{"format": 1, "key": "00"}', "[" * 9000, "null"]
)
def test_an_unreadable_sessions_file_is_replaced(tmp_path, text):
    file = sessions_file(tmp_path / "record.db")
    file.write_text(text)
    file.chmod(0o600)
    cookie = Visitors(file).log_in(0.0)
    assert Visitors(file).is_logged_in(cookie, 1.0)


def test_a_link_is_not_followed_and_a_missing_folder_is_tolerated(tmp_path):
    target = tmp_path / "target"
    target.write_text("somebody's")
    file = sessions_file(tmp_path / "record.db")
    file.symlink_to(target)
    cookie = Visitors(file).log_in(0.0)
    assert target.read_text() == "somebody's" and not file.is_symlink()
    assert Visitors(file).is_logged_in(cookie, 1.0)
    nowhere = Visitors(tmp_path / "nowhere" / "sessions")
    assert nowhere.is_logged_in(nowhere.log_in(0.0), 1.0)


def test_two_processes_of_one_record_share_sessions(tmp_path):
    one, other = (Visitors(sessions_file(tmp_path / "record.db"), "hash") for _ in range(2))
    first, second = one.log_in(0.0), other.log_in(0.0)
    assert one.is_logged_in(second, 1.0) and other.is_logged_in(first, 1.0)
    one.log_out(second)
    assert not other.is_logged_in(second, 1.0) and other.is_logged_in(first, 1.0)


def test_sessions_end_and_do_not_pile_up(tmp_path):
    visitors = Visitors(sessions_file(tmp_path / "record.db"))
    first = visitors.log_in(0.0)
    assert visitors.is_logged_in(first, 10.0)
    assert not visitors.is_logged_in(first, sessions.SESSION_S + 1.0)
    assert not visitors.is_logged_in("", 0.0)
    for _ in range(250):
        visitors.log_in(0.0)
    assert not visitors.is_logged_in(first, 1.0)
    assert len(visitors._open_until_s) <= 200
    visitors.log_in(2.0 * sessions.SESSION_S)
    assert len(visitors._open_until_s) == 1
    assert len({visitors.new() for _ in range(100)}) == 100
