"""Passwords as they are tried: which are hashed, who waits how long, and what each answer is."""

import asyncio
import base64

import pytest

from coroutines import run
from paged import post
from potvigil.page.passwords import LONGEST_PASSWORD, hashed
from potvigil.page.views import access as access_views
from potvigil.page.views.access import Access
from quick_page import quick_page

RIGHT = "open sesame"


class Ground:
    """The ground of a site with a password; nobody is logged in."""

    class config:  # noqa: N801
        password = "its hash"

    async def in_thread(self, function, *arguments):
        await asyncio.sleep(0)
        return function(*arguments)

    def is_logged_in(self, _request) -> bool:
        return False


class Asking:
    """A request with a password, from an address, None where that is not known."""

    def __init__(self, password: str = RIGHT, host: str | None = "192.168.1.7") -> None:
        token = base64.b64encode(f"any:{password}".encode()).decode()
        self.headers = {"authorization": f"Basic {token}"}
        self.client = None if host is None else type("Address", (), {"host": host})()


@pytest.fixture
def tries(monkeypatch):
    """The passwords that were hashed, each with the known hash; RIGHT and a longest one are right."""
    tried = []

    def verify(password, known):
        tried.append((password, known))
        return password in (RIGHT, "x" * LONGEST_PASSWORD)

    monkeypatch.setattr(access_views, "verify", verify)
    return tried


@pytest.fixture
def clock(monkeypatch):
    now = {"s": 1000.0}
    monkeypatch.setattr(access_views.time, "monotonic", lambda: now["s"])
    return now


def answers(access: Access, *requests: Asking) -> list[tuple[int, str | None]]:
    """Return status and `retry-after` of each, asked one after the other."""

    async def endpoint(_request):
        return access_views.PlainTextResponse("here you are")

    async def ask():
        found = [await access.guarded_for_programs(endpoint)(each) for each in requests]
        return [(each.status_code, each.headers.get("retry-after")) for each in found]

    return run(ask())


def test_a_right_password_is_hashed_once(tries, clock) -> None:
    access = Access(Ground())
    assert answers(access, *[Asking()] * 3) == [(200, None)] * 3
    assert tries == [(RIGHT, "its hash")]
    assert answers(access, Asking("wrong"), Asking("wrong"), Asking()) == [(401, None)] * 2 + [(200, None)]
    assert [password for password, _ in tries] == [RIGHT, "wrong", "wrong"]


def test_the_wait_is_told_in_whole_seconds_one_at_least(tries, clock) -> None:
    """Three wrong tries are free, then each doubles the wait: 1 s, 2 s, 4 s."""
    access = Access(Ground())
    assert answers(access, *[Asking("wrong")] * 4) == [(401, None)] * 3 + [(429, "1")]
    clock["s"] += 0.75
    assert answers(access, Asking()) == [(429, "1")]
    clock["s"] += 0.25
    assert answers(access, *[Asking("wrong")] * 2) == [(401, None), (429, "2")]
    clock["s"] += 0.5
    assert answers(access, Asking(), Asking(host="192.168.2.7")) == [(429, "2"), (200, None)]
    clock["s"] += 1.5
    assert answers(access, Asking("wrong"), Asking()) == [(401, None), (429, "4")]
    assert len(tries) == 6  # a network that waits costs no hash


def test_the_right_password_takes_the_wait_off_its_network(tries, clock) -> None:
    access = Access(Ground())
    answers(access, *[Asking("wrong")] * 2, Asking())
    assert answers(access, *[Asking("wrong")] * 3) == [(401, None)] * 3


def test_an_unknown_address_counts_as_one_network(tries, clock) -> None:
    access = Access(Ground())
    assert answers(access, *[Asking("wrong", None)] * 4)[-1] == (429, "1")
    assert answers(access, Asking("wrong")) == [(401, None)]


def test_a_network_has_one_guess_checked_at_a_time(tries, clock) -> None:
    access = Access(Ground())

    async def together():
        tried = (access._try(Asking(), password) for password in (RIGHT, "wrong", RIGHT))
        return await asyncio.gather(*tried)

    assert run(together()) == [(0, True), (1, False), (1, False)]
    assert tries == [(RIGHT, "its hash")]


def test_a_password_is_cut_to_the_longest_there_can_be(tries, clock) -> None:
    assert answers(Access(Ground()), Asking("x" * LONGEST_PASSWORD + "y")) == [(200, None)]
    assert [len(password) for password, _ in tries] == [LONGEST_PASSWORD]


# --- what the log-in answers


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    with quick_page(tmp_path_factory.mktemp("page"), password=hashed(RIGHT)) as client:
        yield client


def test_whoever_is_not_logged_in_sees_no_state(client) -> None:
    client.cookies.clear()
    assert client.get("/pot/lantern").headers["location"] == "/login?next=/pot/lantern"
    assert client.get("/apis").status_code == 404
    html = client.get("/login").text
    assert "59.5 psi" not in html and "floor" not in html


def test_a_form_without_a_page_to_return_to_leads_to_the_start(client) -> None:
    client.cookies.clear()
    answer = post(client, "/login", password=RIGHT)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert client.get("/login").headers["location"] == "/"
    assert client.get("/login?next=//elsewhere.example").headers["location"] == "/"
    assert "59.5 psi" in client.get("/").text
    cookie = client.cookies.get("potvigil")
    out = post(client, "/logout")
    assert out.headers["location"] == "/login" and out.cookies.get("potvigil") not in (None, cookie)
    client.cookies.set("potvigil", cookie)
    assert client.get("/").status_code == 303  # a kept copy of the cookie is worth nothing
