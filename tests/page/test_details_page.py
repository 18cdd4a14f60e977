"""Details of a batch on the page: form for, saved, and never lost to another tab or a stale page."""

import re
import sqlite3
import sys
from dataclasses import replace
from io import BytesIO

import pytest
from PIL import Image

from page.test_batches_page import season  # noqa: F401
from paged import SAME, commands_of, post, shown, token_of
from potvigil.model.events import AlarmId, BatchAlarm, BatchClosed, Detail, Verdict
from potvigil.record.store import Store


@pytest.fixture
def closed(watched):
    """The night, closed, before anybody has entered the outcome of its cast."""
    summary = watched.bench.service.watches["lantern"].summary()
    with Store.open(watched.record) as store:
        store.close_batch(1, BatchClosed(20_000.0, None, replace(summary, complete=True)))
        store.edit(
            1, {Detail.LABEL: "mole lens", Detail.MOULD: "silicone", Detail.NOTE: "one\ntwo"}, "page", 1.0
        )
    return watched


@pytest.fixture
def client(closed, tmp_path):
    with shown(closed, tmp_path / "reports") as client:
        yield client


def details(watched) -> dict[Detail, str]:
    with Store.open_read_only(watched.record) as store:
        return store.batch(1).details


def fields_of(html: str) -> dict[str, str]:
    """Return the fields a browser would submit from the form of details."""
    start = r'<form method="post" action="/batch/1/edit" data-draft>\s*<input[^>]*>\s*<div class="fields">'
    form = re.search(f"{start}(.*?)</form>", html, re.DOTALL)
    assert form, html
    found = dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', form[1]))
    areas = re.findall(r'<textarea[^>]* name="([^"]+)"[^>]*>\n(.*?)</textarea>', form[1], re.DOTALL)
    found |= {name: text.replace("\n", "\r\n") for name, text in areas}
    return {name: text for name, text in found.items() if not name.startswith("choose-")}


# --- how the cast came out


def test_the_outcome_is_asked_after_closing_and_saved(client, closed):
    closed.live.unlink()  # it still has the batch as open
    for path in ("/batch/1", "/pot/lantern"):
        assert "Was the cast good?" in client.get(path).text
    answer = post(client, "/batch/1/edit", outcome="flawed", flaw="bubbles at the <rim>")
    assert answer.headers["location"] == "/batch/1?said=kept"
    assert details(closed)[Detail.OUTCOME] == "flawed: bubbles at the <rim>"
    page = client.get("/batch/1").text
    assert "Was the cast good?" not in page and "Was the cast good?" not in client.get("/pot/lantern").text
    assert "<b>The cast is flawed</b>: <bdi>bubbles at the &lt;rim&gt;</bdi>" in page
    assert "<b>cast flawed</b>" in client.get("/batches?find=rim").text


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ({"outcome": "good"}, "good"),
        ({"outcome": "good", "flaw": ""}, "good"),
        ({"outcome": "flawed", "flaw": ""}, "flawed"),
        ({"outcome": "good", "flaw": "one seam"}, "good: one seam"),
        ({"outcome": "", "flaw": "a seam"}, "flawed: a seam"),
    ],
)
def test_one_press_is_enough(client, closed, sent, kept):
    assert post(client, "/batch/1/edit", **sent).status_code == 303
    assert details(closed)[Detail.OUTCOME] == kept


def test_the_outcome_of_an_open_batch_is_not_asked(watched, tmp_path):
    with shown(watched, tmp_path / "reports") as client:
        for path in ("/batch/1", "/pot/lantern"):
            assert "Was the cast good?" not in client.get(path).text


# --- two tabs


def test_an_edit_in_another_tab_is_not_silently_overwritten(client, closed):
    first = fields_of(client.get("/batch/1").text)
    second = dict(first)
    assert (
        post(client, "/batch/1/edit", **(first | {"label": "theirs", "colour": "amber"})).status_code == 303
    )
    answer = post(client, "/batch/1/edit", **(second | {"label": "mine", "resin": "clear"}))
    assert answer.status_code == 409
    assert details(closed)[Detail.LABEL] == "theirs" and Detail.RESIN not in details(
        closed
    )  # nothing saved yet
    form = fields_of(answer.text)
    assert (form["label"], form["resin"], form["colour"]) == ("mine", "clear", "amber")
    assert re.search(r'name="choose-label" value="theirs"> <span>Keep theirs: <bdi>theirs</bdi>', answer.text)
    assert answer.text.count("<fieldset") == 1

    theirs = post(client, "/batch/1/edit", **(form | {"choose-label": "theirs"}))
    assert theirs.headers["location"] == "/batch/1?said=kept"
    assert details(closed) | {
        Detail.LABEL: "theirs",
        Detail.RESIN: "clear",
        Detail.COLOUR: "amber",
    } == details(closed)

    assert post(client, "/batch/1/edit", **(form | {"choose-label": "mine"})).status_code == 303
    assert details(closed)[Detail.LABEL] == "mine"


def test_an_untouched_field_never_reverts_another_edit(client, closed):
    old = fields_of(client.get("/batch/1").text)
    post(client, "/batch/1/edit", **(old | {"note": "longer\r\nnote", "label": "theirs"}))
    answer = post(client, "/batch/1/edit", **(old | {"mould": "aluminium"}))
    assert answer.headers["location"] == "/batch/1?said=kept"
    kept = details(closed)
    assert (kept[Detail.LABEL], kept[Detail.NOTE], kept[Detail.MOULD]) == (
        "theirs",
        "longer\nnote",
        "aluminium",
    )
    again = post(client, "/batch/1/edit", **fields_of(client.get("/batch/1").text))
    assert again.headers["location"] == "/batch/1?said=same"


def test_the_same_edit_in_two_tabs_is_no_clash(client, closed):
    old = fields_of(client.get("/batch/1").text)
    for _ in range(2):
        assert post(client, "/batch/1/edit", **(old | {"label": "same"})).status_code == 303


# --- forms lose nothing


def test_a_form_with_a_stale_token_comes_back_filled_in(client, closed):
    sent = fields_of(client.get("/batch/1").text) | {"label": "typed at length", "csrf": "0" * 64}
    answer = post(client, "/batch/1/edit", **sent)
    assert answer.status_code == 403 and "nothing was saved" in answer.text
    again = fields_of(answer.text)
    assert again["label"] == "typed at length"
    assert post(client, "/batch/1/edit", csrf=token_of(answer.text), **again).status_code == 303
    assert details(closed)[Detail.LABEL] == "typed at length"


def test_a_refused_form_keeps_every_field(client):
    sent = fields_of(client.get("/batch/1").text) | {"mass": "250 stones", "note": "a long\r\nnote"}
    again = fields_of(post(client, "/batch/1/edit", **sent).text)
    assert (again["mass"], again["note"]) == ("250 stones", "a long\r\nnote")


def test_details_are_offered_to_a_batch_that_opened_meanwhile(watched, tmp_path):
    with shown(watched, tmp_path / "reports") as client:
        answer = post(client, "/pot/lantern/open", label="typed before the fill")
        assert answer.status_code == 422 and "opened meanwhile" in answer.text
        assert 'action="/batch/1/edit"' in answer.text and 'value="typed before the fill"' in answer.text
    assert commands_of(watched.record) == []


# --- above the maximum


@pytest.mark.parametrize("verdict", [Verdict.HELD, Verdict.LEAKED])
def test_a_batch_above_the_maximum_is_never_green(watched, tmp_path, verdict):
    summary = watched.bench.service.watches["lantern"].summary()
    alarms = (*summary.alarms, BatchAlarm(AlarmId.OVER_PRESSURE, 60.0, 90.0))
    with Store.open(watched.record) as store:
        store.close_batch(1, BatchClosed(20_000.0, None, replace(summary, verdict=verdict, alarms=alarms)))
    with sqlite3.connect(watched.record) as db:  # the alarm's event
        first = "(SELECT min(id) FROM event WHERE alarm IS NOT NULL)"
        db.execute(f"UPDATE event SET alarm = 'over-pressure' WHERE id = {first}")
    with shown(watched, tmp_path / "reports") as client:
        row = re.search(
            r'<li><a href="/batch/1" class="(\w+)">(.*?)</a>', client.get("/batches").text, re.DOTALL
        )
        judged = re.search(r'<div class="judged (\w+)">(.*?)</div>', client.get("/batch/1").text, re.DOTALL)
    for level, text in (row.groups(), judged.groups()):
        assert level == "warn"
        assert ("had gone above the maximum" in text) is (verdict is Verdict.HELD)


# --- pictures


def picture() -> bytes:
    file = BytesIO()
    Image.new("RGB", (8, 6), "white").save(file, "JPEG")
    return file.getvalue()


def send(client, content: bytes, kind: str = "image/jpeg", **headers: str):
    token = token_of(client.get("/").text)
    return client.post(
        "/batch/1/picture",
        content=content,
        headers={**SAME, "content-type": kind, "x-csrf": token, **headers},
    )


def test_a_picture_is_added_listed_and_shown(client, closed):
    for number in (1, 2):
        assert send(client, picture()).json() == {"kept": True}
        assert details(closed)[Detail.PICTURES].splitlines()[-1] == f"cast-{number}.jpg"
    assert 'src="/batch/1/picture/cast-2.jpg"' in client.get("/batch/1").text
    answer = client.get("/batch/1/picture/cast-2.jpg")
    assert (answer.content, answer.headers["content-type"]) == (picture(), "image/jpeg")
    assert answer.headers["x-content-type-options"] == "nosniff"
    post(client, "/batch/1/edit", pictures="cast-1.jpg\r\nelsewhere.jpg")
    assert client.get("/batch/1/picture/cast-2.jpg").status_code == 404  # no longer in the details
    page = client.get("/batch/1").text
    assert (
        "cast-2" not in re.sub(r"<section>.*", "", page, flags=re.DOTALL)
        and "Named, but not stored here: <bdi>elsewhere.jpg" in page
    )


@pytest.mark.parametrize(
    ("content", "kind", "headers", "status"),
    [
        (b"<svg onload='alert(1)'/>", "image/jpeg", {}, 415),
        (picture(), "image/svg+xml", {}, 415),
        (picture(), "multipart/form-data; boundary=x", {}, 415),
        (picture(), "image/jpeg", {"x-csrf": "0" * 64}, 403),
        (picture(), "image/jpeg", {"sec-fetch-site": "cross-site"}, 403),
        (picture() + b"\0" * 4_000_000, "image/jpeg", {}, 413),
    ],
)
def test_an_invalid_picture_is_refused(client, closed, content, kind, headers, status):
    assert send(client, content, kind, **headers).status_code == status
    assert Detail.PICTURES not in details(closed)
    assert not closed.record.with_name("record.db-pictures").exists()


def test_no_picture_name_escapes_the_folder(client, closed):
    (closed.record.parent / "secret.jpg").write_bytes(picture())
    post(client, "/batch/1/edit", pictures="../../secret.jpg\r\n..%2f..%2fsecret.jpg")
    for name in ("../../secret.jpg", "..%2f..%2fsecret.jpg", "%2e%2e%2f%2e%2e%2fsecret.jpg"):
        assert client.get(f"/batch/1/picture/{name}").status_code in (404, 405)


# --- a report that fails


@pytest.mark.parametrize("path", ["/batch/1/report", "/pot/lantern/health"])
def test_a_missing_report_shows_the_reason_in_its_place(watched, tmp_path, path):
    says = "import sys; sys.exit('potvigil: the disk <of the record> is full')"
    with shown(watched, tmp_path / "reports", command=(sys.executable, "-c", says)) as client:
        assert client.get(path).status_code == 200
        answer = client.get(f"{path}/sheet")
    assert answer.status_code == 503
    assert "The disk &lt;of the record&gt; is full." in answer.text
    # without these headers the frame would stay empty
    assert answer.headers["x-frame-options"] == "SAMEORIGIN"
    assert "frame-ancestors 'self'" in answer.headers["content-security-policy"]


# --- time zone, and return after log-in


def test_every_page_names_its_time_zone(client, closed):
    for path in ("/", "/batches", "/batch/1", "/pot/lantern", "/plan", "/phones"):
        assert "All times are local: UTC+00:00." in client.get(path).text
    assert client.get("/api/curve?batch=1").json()["zone"] == "UTC"


@pytest.mark.parametrize(
    "wanted",
    [
        "//elsewhere.example",
        "/\\elsewhere.example",
        "https://elsewhere.example/",
        "/a?b",
        "/a//b",
        "x",
        "/../a",
        "",
    ],
)
def test_a_log_in_never_redirects_to_another_site(closed, tmp_path, wanted):
    from potvigil.page.passwords import hashed

    with shown(closed, tmp_path / "reports", password=hashed("lantern lens no. 3")) as client:
        assert post(client, "/login", password="lantern lens no. 3", next=wanted).headers["location"] == "/"
        client.cookies.clear()
        assert client.get("/batch/1").headers["location"] == "/login?next=/batch/1"
        page = client.get("/login?next=/batch/1").text
        assert 'name="next" value="/batch/1"' in page
        answer = post(client, "/login", password="lantern lens no. 3", next="/batch/1")
        assert answer.headers["location"] == "/batch/1"
