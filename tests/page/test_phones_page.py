"""The page of the phones: subscribing, a test, removing, and what each answers when it fails."""

import base64

import pytest

from paged import post
from potvigil.notifying.push import PushError
from potvigil.notifying.subscriptions import subscribe, subscriptions
from potvigil.page.views import phones as phone_views
from quick_page import quick_page

UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC
ENDPOINT = "https://push.example/one"
KEYS = {
    "p256dh": base64.urlsafe_b64encode(b"\4" * 65).decode(),
    "auth": base64.urlsafe_b64encode(b"a" * 16).decode(),
}


@pytest.fixture
def own(tmp_path):
    with quick_page(tmp_path) as client:
        client.record = tmp_path / "record.db"
        yield client


def add(own, name="Anna's", endpoint=ENDPOINT, since_s=UTC_S):
    return subscribe(own.record, endpoint, KEYS["p256dh"], KEYS["auth"], name, since_s)


def test_a_phone_subscribes_under_its_name(own, monkeypatch) -> None:
    monkeypatch.setattr(phone_views.time, "time", lambda: UTC_S)
    answer = post(own, "/phones/subscribe", endpoint=ENDPOINT, name="An\x1bna's", **KEYS)
    assert (answer.status_code, answer.headers["location"]) == (303, "/phones?said=subscribed")
    (kept,) = subscriptions(own.record)
    assert (kept.endpoint, kept.p256dh, kept.auth) == (ENDPOINT, KEYS["p256dh"], KEYS["auth"])
    assert (kept.name, kept.since_utc_s) == ("An\ufffdna's", UTC_S)
    bare = post(own, "/phones/subscribe", endpoint="http://push.example/", **KEYS)
    assert bare.status_code == 422 and "That is not a push service" in bare.text
    assert post(own, "/phones/subscribe").status_code == 422
    assert len(subscriptions(own.record)) == 1


def test_the_page_lists_the_phones_since_when(own, monkeypatch) -> None:
    assert "No phone is notified yet." in own.get("/phones").text
    add(own)
    html = own.get("/phones").text
    assert "Anna&#39;s" in html and "since 1 January 2026" in html
    assert "potvigil notify</code> is not running" in html
    monkeypatch.setattr(own.page.frame, "open", lambda: (_ for _ in ()).throw(phone_views.RecordError("x")))
    assert own.get("/phones").status_code == 200  # a record that cannot be read hides no phone


def test_a_notifier_that_runs_is_not_missed(own, monkeypatch) -> None:
    monkeypatch.setattr(phone_views.StatusReader, "read", lambda _: object())
    assert "is not running" not in own.get("/phones").text


def test_only_the_phone_asked_for_is_removed(own) -> None:
    first, second = add(own), add(own, "Ben's", "https://push.example/two")
    answer = post(own, "/phones/remove", phone=first.id)
    assert answer.headers["location"] == "/phones?said=unsubscribed"
    assert subscriptions(own.record) == [second]
    post(own, "/phones/remove")
    assert subscriptions(own.record) == [second]


def test_a_test_goes_to_the_phone_asked_for(own, monkeypatch) -> None:
    _, second = add(own), add(own, "Ben's", "https://push.example/two")
    sent = []
    monkeypatch.setattr(phone_views, "send", lambda *given: sent.append(given))
    answer = post(own, "/phones/test", phone=second.id)
    assert (answer.status_code, answer.headers["location"]) == (303, "/phones?said=pushed")
    ((to, message),) = sent
    assert to == second and message.title == "Test of this phone"
    assert post(own, "/phones/test", phone="none").status_code == 404
    assert post(own, "/phones/test").status_code == 404 and len(sent) == 1

    def fail(*_):
        raise PushError("the push service did not answer")

    monkeypatch.setattr(phone_views, "send", fail)
    failed = post(own, "/phones/test", phone=second.id)
    assert failed.status_code == 502 and "the push service did not answer." in failed.text


def test_the_keys_go_only_to_a_browser_with_the_page_open(own, monkeypatch) -> None:
    monkeypatch.setattr("potvigil.notifying.vapid.public_key", lambda record: f"key of {record.name}")
    assert own.get("/api/push").status_code == 403
    own.get("/")
    visitor = own.cookies.get("potvigil")
    assert own.get("/api/push").json() == {
        "key": "key of record.db",
        "csrf": own.page.frame.visitors.token(visitor),
    }


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (OSError(28, "No space left", "/there/phones.json"), "/there/phones.json: No space left; check"),
        (OSError(28, "No space left"), "The record: No space left; check folder and disk."),
        (OSError("torn"), "The record: torn; check folder and disk."),
    ],
)
def test_a_disk_that_fails_is_named(own, monkeypatch, error, text) -> None:
    def fail(*_):
        raise error

    monkeypatch.setattr(phone_views, "unsubscribe", fail)
    answer = post(own, "/phones/remove", phone="x")
    assert answer.status_code == 503 and text in answer.text
