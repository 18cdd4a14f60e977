"""Web Push in detail: what is kept about a phone, what is sent to it, what each answer means."""

import base64
import json
import stat
import time
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from potvigil.model.events import AlarmId, Priority
from potvigil.notifying import phones, push, subscriptions, vapid
from potvigil.notifying.message import Notification, SendError
from potvigil.notifying.phones import Phones
from potvigil.notifying.push import GoneError, PushError, PushMessage, send
from potvigil.notifying.subscriptions import Subscription, SubscriptionError, subscribe, unsubscribe
from push_service import claims_of

P256DH = base64.urlsafe_b64encode(b"\x04" + bytes(64)).decode()
AUTH = base64.urlsafe_b64encode(bytes(16)).decode().rstrip("=")
ENDPOINT = "https://push.example/send/1"


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def kept(record: Path, n: int = 1, name: str = "Anna") -> Subscription:
    return subscribe(record, f"https://push.example/send/{n}", P256DH, AUTH, name, 5.0 + n)


def test_the_constants_are_pinned() -> None:
    assert (push.WITHIN_S, push._MOST_BYTES) == (10.0, 3900)
    # four hours for urgent messages, twelve for others; RFC 8292, 2: at most 24 h
    assert push.KEPT_S == {True: 14_400, False: 43_200}
    assert vapid.VALID_S == 43_200
    assert (push._DONE, push._GONE) == ((200, 201, 202), (404, 410))
    assert (subscriptions.MOST_KEPT, subscriptions.MODE) == (20, 0o640)


# --- what is kept


def test_a_phone_comes_back_complete_until_removed(record: Path) -> None:
    assert subscriptions.subscriptions(record) == []
    anna, ben = kept(record, 1), kept(record, 2, "")
    assert anna == Subscription(ENDPOINT, P256DH, AUTH, "Anna", 6.0, record)
    assert (ben.name, len(ben.id)) == ("phone", 16)
    assert subscriptions.subscriptions(record) == [anna, ben]
    again = kept(record, 1, "x" * 61)
    assert again.name == "x" * 60
    assert subscriptions.subscriptions(record) == [ben, again]
    assert unsubscribe(record, ben.id) and not unsubscribe(record, ben.id)
    assert subscriptions.subscriptions(record) == [again]
    file = Path(f"{record}-push")
    assert stat.S_IMODE(file.stat().st_mode) == 0o640


def test_twenty_phones_are_kept_and_each_may_subscribe_again(record: Path) -> None:
    for n in range(20):
        kept(record, n)
    with pytest.raises(SubscriptionError, match="20 phones are on the list"):
        kept(record, 20)
    kept(record, 7)
    assert len(subscriptions.subscriptions(record)) == 20


@pytest.mark.parametrize(
    ("endpoint", "is_taken"),
    [
        ("https://push.example:443/x", True),
        ("https://push.example:8443/x", False),
        ("http://push.example/x", False),
        ("https://anna@push.example/x", False),
        ("https://anna:x@push.example/x", False),
        ("https://push/x", False),
        ("https://push.local/x", False),
        ("https://push.example./x", False),
        ("https://192.0.2.7/x", False),
        ("https://push.example/a b", False),
        ("https://push.example/ä", False),
        ("https://push.example:x/", False),
        ("https://push.example/" + "x" * 979, True),
        ("https://push.example/" + "x" * 980, False),
    ],
)
def test_only_a_public_push_service_is_accepted(record: Path, endpoint: str, is_taken: bool) -> None:
    if is_taken:
        subscribe(record, endpoint, P256DH, AUTH, "Anna", 1.0)
        return
    with pytest.raises(SubscriptionError):
        subscribe(record, endpoint, P256DH, AUTH, "Anna", 1.0)


@pytest.mark.parametrize(
    ("p256dh", "auth"),
    [(P256DH[4:], AUTH), (P256DH, AUTH[4:]), ("!" + P256DH, AUTH), (P256DH, AUTH + "!"), ("", "")],
)
def test_only_keys_of_the_right_length_are_accepted(record: Path, p256dh: str, auth: str) -> None:
    with pytest.raises(SubscriptionError, match="keys"):
        subscribe(record, ENDPOINT, p256dh, auth, "Anna", 1.0)


def test_a_link_in_place_of_the_lock_is_not_followed(record: Path, tmp_path: Path) -> None:
    Path(f"{record}-push-lock").symlink_to(tmp_path / "theirs")
    with pytest.raises(OSError):
        kept(record)
    assert not (tmp_path / "theirs").exists()


# --- what is sent


@pytest.mark.parametrize(
    ("pot", "alarm", "tag"),
    [
        ("lantern", AlarmId.LEAK, "lantern leak"),
        ("lantern", None, "lantern"),
        (None, AlarmId.LEAK, "leak"),
        (None, None, "potvigil"),
    ],
)
def test_a_newer_message_replaces_one_of_the_same_alarm(
    pot: str | None, alarm: AlarmId | None, tag: str
) -> None:
    assert PushMessage("", "", pot=pot, alarm=alarm).tag == tag


def test_a_body_is_cut_until_it_fits() -> None:
    def sized(size: int, title: str = "Top up") -> dict[str, Any]:
        return json.loads(push._payload(PushMessage(title, "x" * size, True, "lantern", AlarmId.LEAK)))

    room = 3900 - len(push._payload(PushMessage("Top up", "", True, "lantern", AlarmId.LEAK)))
    assert sized(room)["body"] == "x" * room
    assert sized(room + 1)["body"] == "x" * ((room + 1) * 3 // 4) + "..."
    assert sized(5) == {
        "title": "Top up",
        "tag": "lantern leak",
        "pot": "lantern",
        "alarm": "leak",
        "urgent": True,
        "body": "xxxxx",
    }
    with pytest.raises(ValueError, match="too long"):
        sized(5, "x" * 4000)


@pytest.mark.parametrize(
    ("status", "fault"),
    [
        *((200, None), (201, None), (202, None)),
        *((404, "no longer subscribed"), (410, "no longer subscribed")),
        *((203, "HTTP status 203"), (413, "HTTP status 413"), (500, "HTTP status 500")),
    ],
)
def test_each_answer_has_its_meaning(
    record: Path, monkeypatch: pytest.MonkeyPatch, status: int, fault: str | None
) -> None:
    asked: list[tuple[str, int]] = []

    def post(host: str, port: int, *_: object) -> int:
        asked.append((host, port))
        return status

    monkeypatch.setattr(push, "_post", post)
    phone = kept(record)
    if fault is None:
        send(phone, PushMessage("", ""))
    else:
        with pytest.raises(PushError, match=fault) as refused:
            send(phone, PushMessage("", ""))
        assert isinstance(refused.value, GoneError) is (status in (404, 410))
    assert asked == [("push.example", 443)]
    assert bool(subscriptions.subscriptions(record)) is (status not in (404, 410))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError("no route"), "Anna by push.example: no route"),
        (ValueError("its keys"), "Anna by push.example: its keys"),
        (push.http.client.BadStatusLine("x"), "Anna by push.example: x"),
        (ImportError("x", name="http_ece"), "push needs http_ece; install it with"),
    ],
)
def test_a_failed_push_is_explained_in_one_line(
    record: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def post(*_: object) -> int:
        raise error

    monkeypatch.setattr(push, "_post", post)
    with pytest.raises(PushError, match=said):
        send(kept(record), PushMessage("", ""))


def test_the_sender_token_is_valid_for_twelve_hours(record: Path) -> None:
    vapid.public_key(record)
    assert stat.S_IMODE(Path(f"{record}-push-key").stat().st_mode) == 0o640
    assert vapid.public_key(record) == vapid.public_key(record)
    assert len(base64.urlsafe_b64decode(vapid.public_key(record) + "=")) == 65
    now_s = int(time.time())
    ((_, header),) = vapid.authorization(record, ENDPOINT, now_s + 0.9).items()
    claims, _ = claims_of(header, "https://push.example")
    assert claims == {
        "aud": "https://push.example",
        "exp": now_s + 43_200,
        "sub": "mailto:potvigil@example.com",
    }


# --- phones as targets


def test_phones_get_every_alarm_and_in_quiet_hours_only_high_ones(
    record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    of = Phones(record, UTC)
    assert list(of.targets()) == []
    phone = kept(record)
    (target,) = of.targets()
    assert of.targets() is of.targets()  # as long as nothing changes
    who = target.recipient
    assert (who.name, who.after_s) == (f"Anna (phone {phone.id[:4]})", 0.0)
    assert who.priorities == frozenset(Priority)
    assert who.quiet_hours is not None
    # 2026-01-01 22:00 UTC and 07:00
    held = [who.quiet_hours.hold(1_767_304_800.0 + each) for each in (-1.0, 0.0, 32_399.0, 32_400.0)]
    assert held == [False, True, True, False]

    sent: list[tuple[Subscription, PushMessage]] = []
    monkeypatch.setattr(phones, "send", lambda to, message: sent.append((to, message)))
    target.send(Notification("Top up", "Why.", "http://pot/", True, "lantern", AlarmId.LEAK))
    assert sent == [(phone, PushMessage("Top up", "Why.", True, "lantern", AlarmId.LEAK))]

    def refused(*_: object) -> None:
        raise PushError("refused with HTTP status 500")

    monkeypatch.setattr(phones, "send", refused)
    with pytest.raises(SendError, match="HTTP status 500"):
        target.send(Notification("", ""))

    def away(_: Path) -> list[Subscription]:
        raise PermissionError("closed")

    monkeypatch.setattr(phones, "subscriptions", away)
    assert list(of.targets()) == [target]
