"""What is refused: changes without a token, foreign names and origins, guesses, too much, too long.

Headers after OWASP's secure headers project and the Fetch, CSP 3 and RFC 6265bis texts (names from memory).
"""

import hashlib
import json
import re

import pytest
from starlette.testclient import TestClient

from paged import SAME, commands_of, post, shown, token_of
from potvigil.model.events import BatchClosed, Detail
from potvigil.page import passwords
from potvigil.page.passwords import hashed, is_hash, verify
from potvigil.record.store import Store

POSTS = [
    "/pot/lantern/acknowledge",
    "/pot/lantern/shelve",
    "/pot/lantern/unshelve",
    "/pot/lantern/open",
    "/pot/lantern/close",
    "/batch/1/edit",
    "/phones/subscribe",
    "/phones/remove",
    "/logout",
]
PAGES = ["/", "/pot/lantern", "/pot/lantern/health", "/batches", "/batch/1", "/plan", "/phones"]
DATA = ["/api/now", "/api/push", "/api/curve?pot=lantern", "/api/curve?batch=1"]
FIELDS = {"alarm": "floor-ahead", "minutes": "15", "label": "harbour lens"}
FIELDS |= {"endpoint": "https://push.example/1", "p256dh": "A" * 87, "auth": "A" * 22, "phone": "1"}
PASSWORD = "lantern lens no. 3"


@pytest.fixture(scope="module")
def password_hash():
    return hashed(PASSWORD)


@pytest.fixture
def guarded(watched, tmp_path, password_hash):
    with shown(watched, tmp_path / "reports", password=password_hash) as client:
        yield client


def log_in(client: TestClient, password: str = PASSWORD):
    return post(client, "/login", password=password)


# --- tokens


@pytest.mark.parametrize("path", POSTS)
def test_a_form_with_its_token_is_accepted(client, watched, path):
    if path.endswith("/open"):  # close the open batch, as the watch would
        with Store.open(watched.record) as store:
            summary = watched.bench.service.watches["lantern"].summary()
            store.close_batch(1, BatchClosed(20_000.0, None, summary))
    answer = post(client, path, **FIELDS)
    assert answer.status_code == 303, answer.text


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize("token", ["", "0" * 64, "é", "\x00"])
def test_nothing_is_written_without_the_token(client, watched, path, token):
    client.get("/")
    answer = client.post(path, data={"csrf": token, **FIELDS}, headers=SAME)
    assert answer.status_code == 403
    answer = client.post(path, data=FIELDS, headers=SAME)
    assert answer.status_code == 403
    assert commands_of(watched.record) == []


@pytest.mark.parametrize("path", POSTS)
def test_one_browsers_token_is_invalid_in_another(client, watched, tmp_path, path):
    foreign = token_of(client.get("/").text)
    client.cookies.clear()
    assert token_of(client.get("/").text) != foreign
    assert post(client, path, csrf=foreign, **FIELDS).status_code == 403
    client.cookies.clear()  # and without a cookie
    assert post(client, path, csrf=foreign, **FIELDS).status_code == 403
    assert commands_of(watched.record) == []


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "null"},
        {"origin": "http://elsewhere.example"},
        {"origin": "http://localhost:8642"},
        {"origin": "https://localhost"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
        {"sec-fetch-site": "same-origin", "origin": "http://elsewhere.example"},
        {"sec-fetch-site": "cross-site", "origin": "http://localhost"},
    ],
)
def test_nothing_is_written_from_another_origin(client, watched, path, headers):
    assert post(client, path, headers, **FIELDS).status_code == 403
    assert commands_of(watched.record) == []


def test_origin_suffices_without_sec_fetch_site(client, watched):
    """Browsers send no Sec-Fetch-Site over plain HTTP: it is no trustworthy origin (Fetch Metadata)."""
    assert post(client, POSTS[0], {"origin": "http://localhost"}, alarm="all").status_code == 303
    assert len(commands_of(watched.record)) == 1


@pytest.mark.parametrize("path", [*POSTS, "/login"])
def test_no_other_method_changes_anything(client, watched, path):
    if path != "/login":
        assert client.get(path).status_code == 405
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        assert client.request(method, path, headers=SAME).status_code == 405
    assert commands_of(watched.record) == []


def test_exactly_the_requested_commands_are_written(client, watched):
    for path, fields in (
        ("/pot/lantern/acknowledge", {"alarm": "floor-ahead"}),
        ("/pot/lantern/acknowledge", {"alarm": "all"}),
        ("/pot/lantern/shelve", {"alarm": "thermometer", "minutes": "120"}),
        ("/pot/lantern/unshelve", {"alarm": "thermometer"}),
        ("/pot/lantern/close", {"t_s": "1", "action": "test-alarm"}),
        ("/batch/1/edit", {"label": "lens 3", "by": "somebody", "nonsense": "x"}),
    ):
        assert post(client, path, **fields).status_code == 303
    assert commands_of(watched.record) == [
        ("lantern", "acknowledge", "floor-ahead", "", None, "page", None),
        ("lantern", "acknowledge", None, "", None, "page", None),
        ("lantern", "shelve", "thermometer", "", 7200.0, "page", None),
        ("lantern", "unshelve", "thermometer", "", None, "page", None),
        ("lantern", "close", None, "", None, "page", None),
        ("lantern", "edit", None, "lens 3", None, "page", "label"),
    ]


@pytest.mark.parametrize(
    ("path", "fields", "status"),
    [
        ("/pot/lantern/acknowledge", {"alarm": "nonsense"}, 422),
        ("/pot/lantern/acknowledge", {}, 422),
        ("/pot/lantern/shelve", {"alarm": "all", "minutes": "30"}, 422),
        ("/pot/lantern/unshelve", {"alarm": "nonsense"}, 422),
        ("/pot/lantern/shelve", {"alarm": "leak", "minutes": "nan"}, 422),
        ("/pot/lantern/shelve", {"alarm": "leak", "minutes": "inf"}, 422),
        ("/pot/lantern/shelve", {"alarm": "leak", "minutes": "-5"}, 422),
        ("/pot/lantern/shelve", {"alarm": "leak", "minutes": "100000"}, 422),
        ("/pot/lantern/shelve", {"alarm": "over-pressure", "minutes": "16"}, 422),
        ("/pot/lantern/open", {"label": "one is open"}, 422),
        ("/pot/nobody/acknowledge", {"alarm": "all"}, 404),
        ("/pot/nobody/close", {}, 404),
        ("/pot/nobody/open", {}, 404),
        ("/batch/99/edit", {"label": "x"}, 404),
        ("/batch/99999999999999999999/edit", {"label": "x"}, 404),
        ("/batch/1/edit", {"mass": "250 stones"}, 422),
        ("/batch/1/edit", {"mixed-at": "yesterday"}, 422),
        ("/batch/1/edit", {"label": "x" * 121}, 422),
        ("/batch/1/edit", {"label": "a\x1b[31mb"}, 422),
    ],
)
def test_an_invalid_request_is_refused_in_words_and_writes_nothing(client, watched, path, fields, status):
    answer = post(client, path, **fields)
    assert answer.status_code == status
    assert "Traceback" not in answer.text
    assert "\x1b" not in answer.text
    assert commands_of(watched.record) == []


# --- host names


@pytest.mark.parametrize("path", PAGES + DATA + ["/login", "/static/page.css", "/batch/1/report"])
@pytest.mark.parametrize(
    "host",
    [
        *(
            "rebound.example",
            "rebound.example:8642",
            "localhost.rebound.example",
            "192.168.1.7",
            "",
            "local host",
        ),
        *("127.0.0.1.rebound.example", "localhost@rebound.example", "[::ffff:7f00:1", "8.8.8.8", "pot.local"),
    ],
)
def test_a_foreign_host_name_is_refused(client, path, host):
    answer = client.get(path, headers={"host": host})
    assert answer.status_code == 421
    assert "lantern" not in answer.text


@pytest.mark.parametrize(
    "host", ["localhost", "LOCALHOST:8642", "localhost.", "127.0.0.1:8642", "[::1]:8642", "Pot.Local"]
)
def test_our_own_host_names_are_accepted(watched, tmp_path, host):
    with shown(watched, tmp_path / "reports", names=("pot.local",)) as client:
        assert client.get("/", headers={"host": host}).status_code == 200


# --- headers and cookies


def test_every_response_carries_the_headers(client):
    for path in (*PAGES, *DATA, "/login", "/nowhere", "/batch/77", "/static/page.css", "/api/curve"):
        headers = client.get(path).headers
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        assert policy == {
            "default-src": "'none'",
            "script-src": "'self'",
            "style-src": "'self'",
            "img-src": "'self' data:",
            "connect-src": "'self'",
            "worker-src": "'self'",
            "manifest-src": "'self'",
            "frame-src": "'self'",
            "form-action": "'self'",
            "base-uri": "'none'",
            "frame-ancestors": "'none'",
        }
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cross-origin-opener-policy"] == "same-origin"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["x-frame-options"] == "DENY"
        assert "access-control-allow-origin" not in headers
        if not path.startswith("/static"):
            assert headers["cache-control"] == "no-store"
    refused = client.get("/", headers={"host": "rebound.example"})
    assert "frame-ancestors 'none'" in refused.headers["content-security-policy"]


def test_no_page_has_inline_script_or_style(client):
    for path in (*PAGES, "/login", "/nowhere"):
        html = client.get(path).text
        for script in re.findall(r"<script[^>]*>", html):
            assert 'src="/static/' in script
        assert not re.search(r"<style|\son\w+=|\sstyle=|javascript:", html, re.IGNORECASE), path


def test_cookies_are_limited_to_this_server(watched, tmp_path, client):
    cookie = client.get("/").headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie and "path=/" in cookie
    assert "domain" not in cookie and "secure" not in cookie
    assert "set-cookie" not in client.get("/").headers  # already set
    with shown(watched, tmp_path / "tls", is_encrypted=True) as encrypted:
        cookie = encrypted.get("/").headers["set-cookie"]
        assert cookie.startswith("__Host-") and "secure" in cookie.lower()


# --- injection

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' autofocus onfocus=alert(1) x='",
    "{{ 7 * 7 }}{% raw %}",
    "</textarea><script>alert(1)</script>",
    "javascript:alert(1)",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_label_is_inert(watched, tmp_path, text):
    with Store.open(watched.record) as store:
        store.edit(1, {Detail.LABEL: text, Detail.NOTE: text, Detail.RESIN: text}, text[:20], 0.0)
    with shown(watched, tmp_path / "reports") as client:
        for path in (*PAGES, f"/batches?find={text}", "/batch/1"):
            html = client.get(path).text
            assert "<script>alert" not in html and "<img src=x" not in html, path
            assert "49" not in re.findall(r"<bdi>(49)", html)
            tags = re.findall(r"<[^<>]*>", html)
            assert not any(re.search(r"\son(error|focus)\s*=", re.sub(r'"[^"]*"', '""', tag)) for tag in tags)
        assert "alert(1)" in client.get("/batch/1").text or "7 * 7" in client.get("/batch/1").text
        answer = client.get("/api/curve?batch=1")
        assert answer.headers["content-type"] == "application/json"


def test_a_hostile_live_file_is_inert(watched, tmp_path):
    text = watched.live.read_text(encoding="utf-8")
    watched.live.write_text(text.replace("Losing ", "<script>alert(1)</script>"), encoding="utf-8")
    with shown(watched, tmp_path / "reports") as client:
        assert "<script>alert" in client.get("/api/now").json()["pots"][0]["alarms"][0]["text"]
        assert "<script>alert" not in client.get("/").text
        assert "&lt;script&gt;alert(1)" in client.get("/").text


# --- path traversal


@pytest.mark.parametrize(
    "path",
    [
        *(
            "/static/../server.py",
            "/static/%2e%2e/server.py",
            "/static/..%2fserver.py",
            "/static/..\\server.py",
        ),
        *("/static/%2e%2e%2fserver.py", "/static//etc/passwd", "/static/%2fetc%2fpasswd", "/static/"),
        "/static/..\\server.py",
        *("/static/....//server.py", "/static/page.css%00.txt", "/static", "/static/templates"),
        *("/static/base.html", "/batch/..%2f1", "/pot/..%2f..%2fetc%2fpasswd", "/pot/%00", "/batch/-1"),
        *("/batch/1%2f..%2f..%2fetc", "/batch/99999999999999999999", "/pot/lantern/..%2f..%2fserver.py"),
    ],
)
def test_no_path_escapes_the_folder(client, path):
    answer = client.get(path)
    assert answer.status_code in (404, 405, 307), answer.text
    assert "import" not in answer.text and "root:" not in answer.text


def test_static_files_are_cached_only_under_their_version(client):
    page = client.get("/").text
    url = re.search(r'href="(/static/page\.css\?v=\w+)"', page)[1]
    assert "immutable" in client.get(url).headers["cache-control"]
    plain = client.get("/static/page.css")
    assert plain.headers["cache-control"] == "no-cache"
    assert plain.headers["content-type"].startswith("text/css")
    again = client.get("/static/page.css", headers={"if-none-match": plain.headers["etag"]})
    assert again.status_code == 304
    assert again.content == b""


# --- size


def test_an_oversized_form_is_refused(client, watched):
    assert post(client, "/batch/1/edit", note="x" * 70_000).status_code == 413
    many = {f"field{i}": "x" for i in range(40)}
    assert post(client, "/batch/1/edit", **many).status_code == 413
    assert commands_of(watched.record) == []


@pytest.mark.parametrize(
    "kind", ["application/json", "text/plain", "multipart/form-data; boundary=x", "", "application/xml"]
)
def test_only_form_encoding_is_accepted(client, watched, kind):
    token = token_of(client.get("/").text)
    body = json.dumps({"csrf": token, "alarm": "all"}) if "json" in kind else f"csrf={token}&alarm=all"
    answer = client.post(POSTS[0], content=body, headers={**SAME, "content-type": kind})
    assert answer.status_code == 415
    assert commands_of(watched.record) == []


# --- the password


def test_without_the_password_nothing_is_shown(guarded, watched):
    for path in (*PAGES, "/batch/1/report", "/batch/1/report.pdf", "/batch/1/picture/cast-1.jpg"):
        answer = guarded.get(path)
        wanted = "/login" if path == "/" else f"/login?next={path}"
        assert (answer.status_code, answer.headers["location"]) == (303, wanted)
        assert "lantern" not in answer.text
    for path in (*DATA, "/api/events"):
        answer = guarded.get(path)
        assert answer.status_code == 401
        assert set(answer.json()) == {"fault"}
    page = guarded.get("/login")
    assert page.status_code == 200
    assert "lantern" not in page.text
    token = token_of(page.text)
    for path in POSTS:
        answer = post(guarded, path, csrf=token, **FIELDS)
        assert answer.status_code == 303  # back to the form's page after log-in
        assert answer.headers["location"].removeprefix("/login") in ("", f"?next={path.rpartition('/')[0]}")
    assert commands_of(watched.record) == []


def test_with_the_password_all_is_shown_until_log_out(guarded, watched):
    before = token_of(guarded.get("/login").text)
    cookie_before = guarded.cookies["potvigil"]
    assert log_in(guarded).status_code == 303
    assert guarded.cookies["potvigil"] != cookie_before  # no session fixation
    for path in (*PAGES, *DATA):
        assert guarded.get(path).status_code == 200
    assert post(guarded, POSTS[0], csrf=before, alarm="all").status_code == 403
    assert post(guarded, POSTS[0], alarm="all").status_code == 303
    session = guarded.cookies["potvigil"]
    assert post(guarded, "/logout").status_code == 303
    guarded.cookies.set("potvigil", session)  # as if somebody had stolen it
    assert guarded.get("/").status_code == 303


@pytest.mark.parametrize(
    "password", ["", "lantern lens no. 4", f"{PASSWORD} ", PASSWORD.upper(), "x" * 5000, "\x00"]
)
def test_a_wrong_password_opens_nothing(guarded, password):
    assert log_in(guarded, password).status_code == 403
    assert guarded.get("/").status_code == 303


def test_a_hash_is_scrypt_with_a_salt_of_its_own(password_hash):
    # RFC 7914 section 12's vector is checked by hashlib's own tests; here that ours is that function
    name, n, r, p, salt, key = password_hash.split("$")
    salt, key = (passwords._bytes(each) for each in (salt, key))
    assert name == "scrypt"
    assert key == hashlib.scrypt(
        PASSWORD.encode(), salt=salt, n=int(n), r=int(r), p=int(p), maxmem=2**26, dklen=32
    )
    assert hashed(PASSWORD) != password_hash
    assert PASSWORD not in password_hash
    assert verify(PASSWORD, password_hash) and not verify(PASSWORD[:-1], password_hash)


def test_only_our_own_hashes_are_accepted(password_hash):
    assert is_hash(password_hash)
    costly = password_hash.replace("$16384$", "$1073741824$")
    for line in ("", "secret", costly, password_hash[:-4], password_hash.replace("scrypt", "md5"), "$$$$$"):
        assert not is_hash(line)
