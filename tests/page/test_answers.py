"""Every URL's status, media type and headers; limits on URLs and forms."""

import base64
import io
import re
from contextlib import asynccontextmanager
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from coroutines import run
from demo_pot import alarm, with_alarms
from paged import SAME, commands_of, post, token_of
from potvigil.model.events import AlarmId, Detail, Priority
from potvigil.page.guard import RequestRefusedError
from potvigil.page.passwords import hashed
from potvigil.page.printed.sheets import HEALTH_KEPT_S, PAPER_CSP
from potvigil.page.views import data as data_views
from potvigil.page.views import pictures as picture_views
from potvigil.page.views.access import _basic_password, _local_path, _log_in_url
from potvigil.page.views.data import points_of
from potvigil.page.views.details import FIELDS, SentForm, _digest, fields, read_sent
from potvigil.page.views.library import batch_number
from potvigil.page.views.pictures import LARGEST_SENT_BYTES, shown_pictures
from potvigil.page.views.pots import _shelve_minutes, number
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.upkeep import pictures
from potvigil.watch.alarm_rules import RULES
from quick_page import quick_page, quick_record


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("page")


@pytest.fixture(scope="module")
def client(folder):
    with quick_page(folder) as client:
        yield client


@pytest.fixture
def own(tmp_path):
    """A page with its own record, which a test may change."""
    with quick_page(tmp_path) as client:
        client.record, client.live = tmp_path / "record.db", tmp_path / "live.json"
        yield client


# --- numbers in a URL


@pytest.mark.parametrize(
    ("text", "points"),
    [("", 1200), ("0", 1200), ("1", 200), ("200", 200), ("201.9", 201), ("4000", 4000), ("4001", 4000),
     ("-5", 200)],
)  # fmt: skip
def test_a_curves_number_of_points_is_clamped(text, points) -> None:
    assert points_of(text) == points


@given(st.text(max_size=12))
def test_a_number_is_finite_or_refused(text) -> None:
    try:
        value = number(text, "from")
    except RequestRefusedError as error:
        assert (error.status, error.text) == (422, "from is not a number.")
    else:
        assert value is None if not text else value == float(text)


@pytest.mark.parametrize(
    ("text", "status"),
    [("1", None), ("2147483647", None), ("2147483648", 404), ("12345678901", 422), ("x", 422), ("-1", 422),
     ("", 422), ("٣", 422)],
)  # fmt: skip
def test_a_batch_number_is_parsed_or_refused(text, status) -> None:
    if status is None:
        assert batch_number(text) == int(text)
        return
    with pytest.raises(RequestRefusedError) as error:
        batch_number(text)
    assert error.value.status == status


# --- responses


@pytest.mark.parametrize(
    ("path", "status", "kind"),
    [
        ("/", 200, "text/html"),
        ("/pot/lantern", 200, "text/html"),
        ("/pot/nobody", 404, "text/html"),
        ("/pot/lantern/health", 200, "text/html"),
        ("/pot/nobody/health", 404, "text/html"),
        ("/batches", 200, "text/html"),
        ("/batches?since=x", 422, "text/html"),
        ("/batch/1", 200, "text/html"),
        ("/batch/9", 404, "text/html"),
        ("/batch/2147483648", 404, "text/html"),
        ("/batch/1/report", 200, "text/html"),
        ("/batch/9/report", 404, "text/html"),
        ("/batch/1/picture/none.jpg", 404, "text/html"),
        ("/plan", 422, "text/html"),
        ("/phones", 200, "text/html"),
        ("/login", 303, None),
        ("/api/now", 200, "application/json"),
        ("/api/curve?batch=1", 200, "application/json"),
        ("/api/curve?pot=lantern", 200, "application/json"),
        ("/api/curve", 422, "application/json"),
        ("/api/curve?pot=lantern&batch=1", 422, "application/json"),
        ("/api/curve?pot=nobody", 404, "application/json"),
        ("/api/curve?batch=9", 404, "application/json"),
        ("/metrics", 200, "text/plain"),
        ("/worker.js", 200, "text/javascript"),
        ("/authority.crt", 404, "text/html"),
        ("/static/none.css", 404, "text/html"),
    ],
)
def test_each_url_has_its_status(client, path, status, kind) -> None:
    answer = client.get(path)
    assert answer.status_code == status or (path == "/plan" and answer.status_code == 200)
    if kind is not None:
        assert answer.headers["content-type"].partition(";")[0] == kind


def test_the_pages_around_a_sheet_name_it_and_link_to_its_files(client) -> None:
    html = client.get("/batch/2/report").text
    assert "Report of lens 2" in html and 'href="/batch/2">' in html
    assert "/batch/2/report/sheet" in html and "/batch/2/report.pdf" in html
    assert (
        "Report of batch 1" in client.get("/batch/1/report").text
        and ">Batch 1<" in client.get("/batch/1/report").text
    )
    health = client.get("/pot/lantern/health").text
    assert "/pot/lantern/health/sheet" in health and "/pot/lantern/health.pdf" in health


@pytest.mark.parametrize(
    ("path", "arguments", "ending"),
    [
        ("/batch/1/report/sheet", ["batch", "report", "1"], ".html"),
        ("/batch/1/report.pdf", ["batch", "report", "1"], ".pdf"),
        ("/pot/lantern/health/sheet", ["pot", "health", "lantern"], ".html"),
        ("/pot/lantern/health.pdf", ["pot", "health", "lantern"], ".pdf"),
    ],
)
def test_a_sheet_is_rendered_by_its_verb_and_cached_while_unchanged(
    own, monkeypatch, path, arguments, ending
) -> None:
    made = []

    async def make(_, key, words, made_ending, kept):
        made.append((key, list(words), made_ending, kept))
        return b"%PDF <html>"

    monkeypatch.setattr("potvigil.page.printed.children.Children.content", make)
    answer = own.get(path)
    assert (answer.status_code, answer.content) == (200, b"%PDF <html>")
    ((key, words, made_ending, kept),) = made
    assert words == [*arguments, "--record", str(own.record), *(["--pdf"] if ending == ".pdf" else [])]
    assert (made_ending, kept) == (ending, True)
    if ending == ".pdf":
        assert answer.headers["content-type"] == "application/pdf"
        name = "batch-1.pdf" if arguments[0] == "batch" else "health.pdf"
        assert answer.headers["content-disposition"] == f'attachment; filename="{name}"'
    else:
        policy = answer.headers["content-security-policy"]
        assert (
            policy
            == PAPER_CSP.replace("frame-ancestors 'none'", "frame-ancestors 'self'") + " allow-same-origin"
        )
        assert answer.headers["x-frame-options"] == "SAMEORIGIN"
    with Store.open(own.record, create=False) as store:
        store.edit(1, {Detail.MOULD: "no. 3"}, "anna", 1.0)
    own.get(path)
    assert (made[1][0] == key) is (arguments[0] == "pot")  # one more detail: another report
    own.get(path.replace("/1/", "/2/"))
    assert made[2][3] is (arguments[0] == "pot")  # an open batch is never cached


def test_health_is_rendered_again_each_minute(own, monkeypatch) -> None:
    keys, now = [], {"s": 6000.0}

    async def make(_, key, *__, **___):
        keys.append(key)
        return b"x"

    monkeypatch.setattr("potvigil.page.printed.children.Children.content", make)
    monkeypatch.setattr("potvigil.page.printed.sheets.time.monotonic", lambda: now["s"])
    for now_s in (6000.0, 6059.9, 6060.0):
        now["s"] = now_s
        own.get("/pot/lantern/health/sheet")
    assert keys[0] == keys[1] != keys[2] and HEALTH_KEPT_S == 60.0


def test_a_sheet_that_fails_shows_the_reason_in_its_place(own, monkeypatch) -> None:
    async def make(*_, **__):
        raise RequestRefusedError(429, "<b>too many</b> are being drawn")

    monkeypatch.setattr("potvigil.page.printed.children.Children.content", make)
    answer = own.get("/pot/lantern/health/sheet")
    assert answer.status_code == 429
    assert "<p>&lt;b&gt;too many&lt;/b&gt; are being drawn.</p>" in answer.text
    assert answer.headers["x-frame-options"] == "SAMEORIGIN"


# --- files


def test_a_static_file_is_cached_for_good_only_under_its_version(client) -> None:
    content, version = client.page.frame.static["page.css"]
    lasting, other, none = (client.get(f"/static/page.css{each}") for each in (f"?v={version}", "?v=x", ""))
    assert lasting.content == other.content == none.content == content
    assert lasting.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert other.headers["cache-control"] == none.headers["cache-control"] == "no-cache"
    assert lasting.headers["etag"] == f'"{version}"' and lasting.headers["content-type"].startswith(
        "text/css"
    )
    known = client.get("/static/page.css", headers={"if-none-match": f'"{version}"'})
    assert (known.status_code, known.content) == (304, b"")
    assert client.get("/static/page.css", headers={"if-none-match": '"x"'}).status_code == 200


def test_the_workers_version_covers_the_files_it_caches(client) -> None:
    static = client.page.frame.static
    answer = client.get("/worker.js")
    version = re.match(r'const SHELL_VERSION = "([^"]+)";\n', answer.text)[1]
    assert version == "-".join(
        static[name][1] for name in ("offline.html", "offline.js", "page.css", "icon.svg")
    )
    assert answer.content.endswith(static["worker.js"][0])
    assert answer.headers["cache-control"] == "no-cache"


def test_the_authoritys_certificate_can_be_downloaded(tmp_path) -> None:
    with quick_page(tmp_path, authority=b"DER") as client:
        answer = client.get("/authority.crt")
    assert (answer.content, answer.headers["content-type"]) == (b"DER", "application/x-x509-ca-cert")
    assert answer.headers["content-disposition"] == 'attachment; filename="potvigil-authority.crt"'


# --- the stream


def stream_of(client, monkeypatch, states, *, stops_after=None):
    """Return the messages of a stream for these states, one a second, on a fake clock; and when each came."""
    clock = {"s": 0.0}
    states = iter(states)
    data = client.page.data

    async def state():
        return next(states)

    async def sleep(seconds):
        clock["s"] += seconds

    monkeypatch.setattr(client.page.frame, "state", state)
    monkeypatch.setattr(data_views.time, "monotonic", lambda: clock["s"])
    monkeypatch.setattr(data_views.asyncio, "sleep", sleep)
    data.stopping = lambda: stops_after is not None and clock["s"] >= stops_after

    async def all_of():
        return [(each, clock["s"]) async for each in data._stream()]

    came = run(all_of())
    return [message for message, _ in came], [at_s for _, at_s in came]


def test_a_stream_sends_changes_and_keep_alive_comments(own, monkeypatch) -> None:
    states = [{"a": "ä"}] * 3 + [{"a": 2}] + [{"a": 2}] * 200
    messages, came_s = stream_of(own, monkeypatch, states)
    assert messages[:3] == [
        "retry: 1000\n\n",
        'event: now\ndata: {"a":"ä"}\n\n',
        'event: now\ndata: {"a":2}\n\n',
    ]
    # 150 s in all, the last change after 3 s, then a comment each 15 s
    assert messages[3:] == [": still here\n\n"] * 9
    assert came_s == [0.0, 0.0, 3.0, *(3.0 + 15.0 * n for n in range(1, 10))]
    assert own.page.data._streams == 0


def test_a_stream_ends_when_the_server_does(own, monkeypatch) -> None:
    _, came_s = stream_of(own, monkeypatch, [{"n": n} for n in range(99)], stops_after=5.0)
    assert came_s == [0.0, 0.0, 1.0, 2.0, 3.0, 4.0]


def test_a_stream_lasts_two_minutes_and_a_half(own, monkeypatch) -> None:
    _, came_s = stream_of(own, monkeypatch, [{"n": n} for n in range(200)])
    assert came_s[-1] == 149.0


def test_at_most_twenty_streams_are_open(own) -> None:
    own.page.data._streams = 20
    answer = own.get("/api/events")
    assert answer.status_code == 503 and "ask /api/now" in answer.json()["fault"]


# --- logging in


@pytest.mark.parametrize(
    ("header", "password"),
    [
        ("Basic " + base64.b64encode(b"any:open: sesame").decode(), "open: sesame"),
        ("basic  " + base64.b64encode("x:grün".encode()).decode(), "grün"),
        ("Basic " + base64.b64encode(b":").decode(), ""),
        ("Basic " + base64.b64encode(b"no colon").decode(), None),
        ("Basic " + base64.b64encode(b"a:\xff").decode(), None),
        ("Basic !!", None),
        ("Bearer abc", None),
        ("", None),
    ],
)
def test_a_basic_password_is_read_as_in_rfc_7617(header, password) -> None:
    assert _basic_password(header) == password


@pytest.mark.parametrize(
    ("path", "leads_to"),
    [
        ("/batch/1", "/batch/1"),
        ("/pot/lens-3_a.b~c", "/pot/lens-3_a.b~c"),
        *((each, "/") for each in ("", "/", "//evil.example", "/a//b", "https://evil.example")),
        *((each, "/") for each in ("/a/../b", "/a?b", "/ä", "/a\n")),
    ],
)  # fmt: skip
def test_a_log_in_leads_only_to_a_local_page(path, leads_to) -> None:
    assert _local_path(path) == leads_to


class FakeRequest:
    def __init__(self, path: str, method: str = "GET") -> None:
        self.method = method
        self.url = type("URL", (), {"path": path})()


@pytest.mark.parametrize(
    ("asked", "where"),
    [
        (FakeRequest("/"), "/login"),
        (FakeRequest("/batch/1"), "/login?next=/batch/1"),
        (FakeRequest("/pot/a b"), "/login?next=/pot/a%20b"),
        (FakeRequest("/pot/lantern/open", "POST"), "/login?next=/pot/lantern"),
        (FakeRequest("/logout", "POST"), "/login"),
    ],
)
def test_after_log_in_a_visitor_returns_to_the_requested_page(asked, where) -> None:
    assert _log_in_url(asked) == where


def basic(password: str) -> dict[str, str]:
    return {"authorization": "Basic " + base64.b64encode(f"x:{password}".encode()).decode()}


def test_a_password_guards_pages_api_and_metrics(tmp_path) -> None:
    with quick_page(tmp_path, password=hashed("open sesame")) as client:
        assert client.get("/batch/1").headers["location"] == "/login?next=/batch/1"
        refused = client.get("/api/now")
        assert (refused.status_code, refused.json()) == (401, {"fault": "Log in first."})
        assert client.get("/login?next=/batch/1").status_code == 200
        bare = client.get("/metrics")
        assert bare.status_code == 401 and bare.headers["www-authenticate"].startswith("Basic realm=")
        assert client.get("/metrics", headers=basic("open sesame")).status_code == 200
        wrong = client.get("/metrics", headers=basic("wrong"))
        assert wrong.status_code == 401 and "not the password" in wrong.text
        answer = post(client, "/login", password="wrong", next="/batch/1")
        assert answer.status_code == 403 and 'value="/batch/1"' in answer.text
        for _ in range(4):
            answer = post(client, "/login", password="wrong")
        assert answer.status_code == 429 and 1 <= int(answer.headers["retry-after"]) <= 300
        assert f"Try again in {answer.headers['retry-after']} s." in answer.text
        waiting = client.get("/metrics", headers=basic("open sesame"))
        assert waiting.status_code == 429 and int(waiting.headers["retry-after"]) >= 1


def test_log_in_sets_a_new_cookie_and_redirects_to_next(tmp_path) -> None:
    with quick_page(tmp_path, password=hashed("open sesame")) as client:
        before = client.get("/login").cookies.get("potvigil")
        answer = post(client, "/login", password="open sesame", next="/batch/1")
        assert (answer.status_code, answer.headers["location"]) == (303, "/batch/1")
        assert answer.cookies.get("potvigil") not in (None, before)
        assert client.get("/login?next=/batches").headers["location"] == "/batches"
        assert client.get("/batch/1").status_code == 200
        out = client.post("/logout", data={"csrf": token_of(client.get("/").text)}, headers=SAME)
        assert (out.status_code, out.headers["location"]) == (303, "/login")
        assert client.get("/batch/1").status_code == 303


def test_without_a_password_there_is_nothing_to_log_in_to(own) -> None:
    assert own.get("/login?next=/batch/1").headers["location"] == "/batch/1"
    assert post(own, "/login", password="x", next="/batches").headers["location"] == "/batches"
    assert post(own, "/logout").headers["location"] == "/"


# --- commands to the watch


@pytest.fixture
def at_once(monkeypatch):
    """Do not wait for a watch that is not there."""
    monkeypatch.setattr("potvigil.page.frame.PATIENCE_S", -1.0)


@pytest.mark.parametrize(
    ("path", "fields", "written"),
    [
        ("acknowledge", {"alarm": "all"}, ("acknowledge", None, None)),
        ("acknowledge", {"alarm": "leak"}, ("acknowledge", "leak", None)),
        ("shelve", {"alarm": "leak", "minutes": "5"}, ("shelve", "leak", 300.0)),
        ("shelve", {"alarm": "leak", "minutes": "480"}, ("shelve", "leak", 28_800.0)),
        ("unshelve", {"alarm": "leak"}, ("unshelve", "leak", None)),
        ("close", {}, ("close", None, None)),
    ],
)
def test_a_form_writes_a_command_for_the_watch(own, at_once, path, fields, written) -> None:
    answer = post(own, f"/pot/lantern/{path}", **fields)
    assert (answer.status_code, answer.headers["location"]) == (303, "/pot/lantern?asked=1-1")
    ((pot, action, alarm, _, duration_s, by, _),) = commands_of(own.record)
    assert (pot, by) == ("lantern", "page")
    assert (action, alarm, duration_s) == written


@pytest.mark.parametrize(
    ("path", "fields", "status"),
    [
        ("lantern/acknowledge", {"alarm": "none"}, 422),
        ("lantern/acknowledge", {}, 422),
        ("lantern/shelve", {"alarm": "leak"}, 422),
        ("lantern/shelve", {"alarm": "leak", "minutes": "x"}, 422),
        ("lantern/shelve", {"alarm": "leak", "minutes": "1441"}, 422),
        ("lantern/shelve", {"alarm": "floor-ahead", "minutes": "16"}, 422),
        ("nobody/close", {}, 404),
        ("lantern/open", {"label": "x"}, 422),  # batch 2 is open
        ("lantern/open", {"label": "x", "csrf": "0" * 64}, 403),
        ("nobody/open", {"label": "x"}, 404),
    ],
)
def test_an_invalid_form_writes_no_command(own, at_once, path, fields, status) -> None:
    answer = post(own, f"/pot/{path}", **fields)
    assert answer.status_code == status
    assert commands_of(own.record) == []


def test_a_pot_known_only_from_the_live_file_takes_commands(tmp_path, at_once) -> None:
    snapshots = {"mast 2": replace(with_alarms(alarm()), pot_id="mast 2")}
    with quick_page(tmp_path, snapshots) as client:
        answer = post(client, "/pot/mast 2/close")
    assert answer.headers["location"] == "/pot/mast%202?asked=1-1"


def test_details_are_kept_if_a_batch_opened_meanwhile(own, at_once) -> None:
    answer = post(own, "/pot/lantern/open", label="lens 3", mould="no. 4")
    assert "batch 2 opened meanwhile" in answer.text.lower()
    assert 'value="lens 3"' in answer.text and 'value="no. 4"' in answer.text
    # to be saved to that batch, as an edit of what it has
    assert 'action="/batch/2/edit"' in answer.text and f'value="{_digest("lens 2")}"' in answer.text
    assert 'name="outcome"' in answer.text


def test_the_outcome_is_asked_once_the_batch_is_closed(tmp_path, client) -> None:
    assert "Was the cast good?" not in client.get("/pot/lantern").text  # batch 2 is still open
    with Store.open(quick_record(tmp_path / "record.db"), create=False) as store:
        for table in ("event", "edit"):
            store._db.execute(f"DELETE FROM {table} WHERE batch = 2", ())
        store._db.execute("DELETE FROM batch WHERE id = 2", ())
    with quick_page(tmp_path, {}) as own:
        html = own.get("/pot/lantern").text
        assert "Was the cast good?" in html and "batch 1" in html.lower()
        with Store.open(tmp_path / "record.db", create=False) as store:
            store.edit(1, {Detail.OUTCOME: "good"}, "anna", 1.0)
        assert "Was the cast good?" not in own.get("/pot/lantern").text


# --- the form of details


ROW = BatchRow(
    1, "lantern", 1, 0.0, None, 9.0, None, {Detail.LABEL: "lens", Detail.NOTE: "a\nb"}, None, None, None
)


def base(**texts: str) -> dict[str, str]:
    return {f"base-{name}": _digest(text) for name, text in texts.items()}


@pytest.mark.parametrize(
    ("form", "given", "clashes"),
    [
        ({}, {}, {}),
        ({"label": "lens"}, {}, {}),
        ({"label": " lens "}, {}, {}),
        ({"note": "a\r\nb"}, {}, {}),
        ({"label": "rim"}, {Detail.LABEL: "rim"}, {}),
        ({"label": ""}, {Detail.LABEL: ""}, {}),
        ({"label": "rim", **base(label="lens")}, {Detail.LABEL: "rim"}, {}),
        ({"label": "rim", **base(label="old")}, {Detail.LABEL: "rim"}, {Detail.LABEL: "lens"}),
        ({"label": "old", **base(label="old")}, {}, {}),  # untouched
        ({"label": "rim", "choose-label": "theirs"}, {}, {}),
        ({"label": "rim", "choose-label": "mine"}, {Detail.LABEL: "rim"}, {}),
        ({"outcome": "good", "flaw": " seam "}, {Detail.OUTCOME: "good: seam"}, {}),
        ({"flaw": "seam"}, {Detail.OUTCOME: "flawed: seam"}, {}),
        ({"outcome": "good", "flaw": ""}, {Detail.OUTCOME: "good"}, {}),
    ],
)
def test_only_changed_fields_of_a_form_are_taken(form, given, clashes) -> None:
    assert read_sent(form, ROW, None) == SentForm(given, clashes)


def test_a_form_for_a_new_batch_has_no_clashes() -> None:
    assert read_sent({"label": "x", "mass": ""}, None, None) == SentForm({Detail.LABEL: "x"}, {})


def test_the_fields_of_a_batch(own) -> None:
    with Store.open(own.record, create=False) as store:
        store.edit(
            1, {Detail.MOULD: "no. 3", Detail.RESIN: "own resin", Detail.NOTE: "n"}, "as the last batch", 1.0
        )
        store.edit(1, {Detail.LABEL: "lens 1"}, "an\x1bna", 1.0)
        found = {each["name"]: each for each in fields(store, store.batch(1), own.page.frame.config.pots_of)}
        new = [each["name"] for each in fields(store, None, own.page.frame.config.pots_of)]
        sent = SentForm({Detail.LABEL: "mine"}, {Detail.LABEL: "theirs"})
        again = {
            each["name"]: each for each in fields(store, store.batch(1), own.page.frame.config.pots_of, sent)
        }
    assert list(found) == [each.value for each in FIELDS]
    assert new == [each.value for each in FIELDS if each not in (Detail.OUTCOME, Detail.PICTURES)]
    label = found["label"]
    assert (label["label"], label["kept"], label["value"], label["theirs"]) == (
        "Label",
        "lens 1",
        "lens 1",
        None,
    )
    assert (label["changed_by"], label["by"], label["list"], label["long"]) == ("an\ufffdna", "", [], False)
    assert label["base"] == _digest("lens 1") and len(label["base"]) == 16
    assert found["note"]["long"] and found["pictures"]["long"]
    assert found["mould"]["list"] == ["no. 3"]
    assert found["resin"]["list"][0] == "own resin" and "epoxy-casting" in found["resin"]["list"]
    assert (again["label"]["value"], again["label"]["theirs"], again["label"]["kept"]) == (
        "mine",
        "theirs",
        "lens 1",
    )
    assert again["mould"]["value"] == "no. 3"


def test_at_most_fifty_earlier_values_are_suggested(own) -> None:
    with Store.open(own.record, create=False) as store:
        from potvigil.model.events import BatchOpened

        for n in range(3, 70):
            store.open_batch("lantern", BatchOpened(1e4 + n, None))
            store.edit(n, {Detail.MOULD: f"mould {n}"}, "anna", 1.0)
        found = {each["name"]: each for each in fields(store, None, own.page.frame.config.pots_of)}
    assert found["mould"]["list"] == [f"mould {n}" for n in range(69, 19, -1)]


# --- pictures


def picture_of(kind: str, size: int = 8) -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (size, size)).save(file, kind)
    return file.getvalue()


def add(client, content, kind="image/png", batch=1, token=None):
    token = token_of(client.get(f"/batch/{batch}").text) if token is None else token
    headers = {**SAME, "x-csrf": token, "content-type": kind}
    return client.post(f"/batch/{batch}/picture", content=content, headers=headers)


def test_a_picture_is_stored_listed_and_shown(own) -> None:
    content = picture_of("PNG")
    answer = add(own, content, "image/png; x=1")
    assert (answer.status_code, answer.json()) == (200, {"kept": True})
    with Store.open_read_only(own.record) as store:
        (name,) = store.batch(1).details[Detail.PICTURES].splitlines()
        assert store.edits(1)[-1].by == "page"
    shown = own.get(f"/batch/1/picture/{name}")
    assert (shown.content, shown.headers["content-type"]) == (content, "image/png")
    assert shown.headers["cache-control"] == "private, max-age=3600"
    assert f'src="/batch/1/picture/{name}"' in own.get("/batch/1").text
    add(own, picture_of("JPEG"), "image/jpeg")
    with Store.open_read_only(own.record) as store:
        assert len(store.batch(1).details[Detail.PICTURES].splitlines()) == 2


def test_the_watch_lists_the_pictures_of_an_open_batch(own, at_once) -> None:
    assert add(own, picture_of("PNG"), batch=2).json() == {"kept": True}
    assert [(action, field) for _, action, _, _, _, _, field in commands_of(own.record)] == [
        ("edit", "pictures")
    ]


@pytest.mark.parametrize(
    ("content", "kind", "token", "status"),
    [
        (picture_of("PNG"), "image/png", "0" * 64, 403),
        (picture_of("PNG"), "image/png", "", 403),
        (picture_of("PNG"), "text/plain", None, 415),
        (b"GIF89a", "image/png", None, 415),
        (picture_of("PNG") + b"\0" * (LARGEST_SENT_BYTES + 1), "image/png", None, 413),
    ],
)
def test_an_invalid_picture_is_refused(own, content, kind, token, status) -> None:
    assert add(own, content, kind, token=token).status_code == status
    with Store.open_read_only(own.record) as store:
        assert Detail.PICTURES not in store.batch(1).details


def test_a_picture_of_exactly_the_largest_size_is_accepted(own) -> None:
    content = picture_of("PNG")
    assert add(own, content + b"\0" * (LARGEST_SENT_BYTES - len(content))).status_code == 200
    assert LARGEST_SENT_BYTES == 4_000_000


def test_a_file_the_batch_does_not_list_is_not_shown(own) -> None:
    pictures.keep(own.record, 1, "other.png", picture_of("PNG"))
    assert own.get("/batch/1/picture/other.png").status_code == 404
    with Store.open(own.record, create=False) as store:
        store.edit(1, {Detail.PICTURES: "other.png\nlost.png"}, "anna", 1.0)
    assert own.get("/batch/1/picture/other.png").status_code == 200
    assert own.get("/batch/1/picture/lost.png").status_code == 404
    assert "lost.png" in own.get("/batch/1").text


def test_a_picture_that_is_not_here_has_no_address(tmp_path) -> None:
    record = tmp_path / "record.db"
    frame = SimpleNamespace(config=SimpleNamespace(record=record))
    pictures.keep(record, 1, "cast 1.png", picture_of("PNG"))
    assert shown_pictures(frame, 1, "cast 1.png\nlost.png") == [
        {"name": "cast 1.png", "url": "/batch/1/picture/cast%201.png"},
        {"name": "lost.png", "url": None},
    ]
    assert shown_pictures(frame, 1, "") == []


class Sent:
    """A request with a body that comes in parts; it may stop there."""

    headers = {"content-type": "image/png"}  # noqa: RUF012

    def __init__(self, *parts: bytes, stops: Exception | None = None) -> None:
        self._parts, self._stops = parts, stops

    async def stream(self):
        for part in self._parts:
            yield part
        if self._stops is not None:
            raise self._stops


@pytest.mark.parametrize(
    ("stops", "status"), [(None, None), (TimeoutError(), 408), (picture_views.ClientDisconnect(), 400)]
)
def test_a_picture_that_stops_on_its_way_is_refused(monkeypatch, stops, status) -> None:
    patience = []

    @asynccontextmanager
    async def timeout(seconds):
        patience.append(seconds)
        yield

    monkeypatch.setattr(picture_views.asyncio, "timeout", timeout)
    if status is None:
        assert run(picture_views._upload(Sent(b"a", b"b"))) == b"ab"
    else:
        with pytest.raises(RequestRefusedError) as error:
            run(picture_views._upload(Sent(b"a", stops=stops)))
        assert error.value.status == status
    assert patience == [60.0]


@pytest.mark.parametrize(
    ("error", "status", "text"),
    [
        (pictures.PictureError("the folder is full"), 422, "The folder is full."),
        (OSError(28, "No space left"), 503, "It could not be saved (No space left)."),
        (OSError("torn"), 503, "It could not be saved (torn)."),
    ],
)
def test_a_picture_that_cannot_be_kept_is_not_listed(own, monkeypatch, error, status, text) -> None:
    def fail(*_):
        raise error

    monkeypatch.setattr(pictures, "keep", fail)
    answer = add(own, picture_of("PNG"))
    assert answer.status_code == status and text in answer.text
    with Store.open_read_only(own.record) as store:
        assert Detail.PICTURES not in store.batch(1).details


@pytest.mark.parametrize("alarm_id", AlarmId)
def test_every_alarm_offers_the_durations_its_priority_allows(alarm_id) -> None:
    longest = 15 if RULES[alarm_id].priority is Priority.HIGH else 480
    assert _shelve_minutes(alarm_id.value) == [
        minutes for minutes in (5, 10, 15, 30, 60, 120, 480) if minutes <= longest
    ]


# --- the page of a pot


def test_the_page_of_a_pot_outlives_its_record(own) -> None:
    own.record.write_bytes(b"gone")
    answer = own.get("/pot/lantern")
    assert answer.status_code == 200 and "59.5 psi" in answer.text
    assert own.get("/batch/1").status_code == 503


def test_a_new_batch_is_opened_with_what_was_typed(tmp_path, at_once) -> None:
    record = quick_record(tmp_path / "record.db")
    with Store.open(record, create=False) as store:
        store._db.execute("UPDATE batch SET end_t_s = 5000.0 WHERE id = 2", ())
    with quick_page(tmp_path) as client:
        answer = post(client, "/pot/lantern/open", label="lens 3", mould="no. 4")
        assert answer.headers["location"].startswith("/pot/lantern?asked=1-")
        found = [(action, field, text) for _, action, _, text, _, by, field in commands_of(record)]
        assert {each for each in found if each[1]} == {
            ("edit", "label", "lens 3"),
            ("edit", "mould", "no. 4"),
        }
        assert any(action == "open" for action, _, _ in found)
        refused = post(client, "/pot/lantern/open", label="lens 4", mass="250 stones")
        assert refused.status_code == 422 and 'value="lens 4"' in refused.text
        stale = post(client, "/pot/lantern/open", csrf="0" * 64, label="lens 5")
        assert stale.status_code == 403 and 'value="lens 5"' in stale.text
        assert len(commands_of(record)) == len(found)
