"""A message to a browser: encrypted, signed and sent as the standards say, in time or not at all."""

import base64
import ssl
import stat
import time
from pathlib import Path

import http_ece
import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from potvigil.model.events import AlarmId
from potvigil.notifying import push
from potvigil.notifying.push import GoneError, PushError, PushMessage, encrypted, send
from potvigil.notifying.subscriptions import (
    MOST_KEPT,
    Subscription,
    SubscriptionError,
    key_bytes,
    subscribe,
    subscriptions,
    unsubscribe,
)
from potvigil.notifying.vapid import authorization, public_key
from push_service import Phone, claims_of, push_service, text

MESSAGE = PushMessage(
    "Top up to 60.0 psi by 05:48", "Losing 3.05 psi/h.", True, "lantern", AlarmId.FLOOR_AHEAD
)
OTHER = "https://push.example/send/"


@pytest.fixture
def service(tmp_path):
    with push_service(tmp_path) as service:
        yield service


@pytest.fixture
def record(tmp_path) -> Path:
    path = tmp_path / "record.db"
    public_key(path)
    return path


@pytest.fixture
def phone() -> Phone:
    return Phone()


def test_a_push_arrives_encrypted_and_signed(service, record, phone):
    send(service.subscribed(record, phone), MESSAGE)
    ((path, headers, body),) = service.taken
    assert path == "/push/anna?v=2"
    assert b"psi" not in body
    assert phone.read(body) == {
        "title": MESSAGE.title,
        "body": MESSAGE.body,
        "urgent": True,
        "pot": "lantern",
        "alarm": "floor-ahead",
        "tag": "lantern floor-ahead",
    }
    # RFC 8030, 5.2 to 5.4: how long it is kept, how urgent, of which topic
    assert int(headers["ttl"]) >= 3600 and headers["urgency"] == "high"
    assert len(headers["topic"]) <= 32 and headers["content-encoding"] == "aes128gcm"
    claims, point = claims_of(headers["Authorization"], service.origin)
    assert text(point) == public_key(record)
    # RFC 8292, 2: not more than 24 h ahead; a contact
    assert 3600 < claims["exp"] - time.time() <= 24 * 3600
    assert claims["sub"].startswith("mailto:")


def test_a_newer_message_of_the_same_alarm_has_the_same_topic(service, record, phone):
    subscription = service.subscribed(record, phone)
    send(subscription, MESSAGE)
    send(subscription, PushMessage("Top up now", "", True, "lantern", AlarmId.FLOOR_AHEAD))
    send(subscription, PushMessage("Top up now", "", True, "dome", AlarmId.FLOOR_AHEAD))
    first, second, third = (headers["topic"] for _, headers, _ in service.taken)
    assert first == second != third


def test_the_encryption_is_that_of_the_standard(monkeypatch):
    """The example of RFC 8291, Appendix A, to the byte."""
    b64 = key_bytes
    sender = ec.derive_private_key(
        int.from_bytes(b64("yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw")), ec.SECP256R1()
    )
    monkeypatch.setattr(ec, "generate_private_key", lambda curve: sender)
    monkeypatch.setattr(http_ece.os, "urandom", lambda count: b64("DGv6ra1nlYgDCS1FRnbzlw")[:count])
    p256dh = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
    subscription = Subscription(OTHER, p256dh, "BTBZMqHH6r4Tts7J_aSIgg", "", 0.0, Path())
    sealed = encrypted(subscription, b"When I grow up, I want to be a watermelon")
    assert text(sealed) == (
        "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6Tlz"
        "AC8wEqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
    )


@pytest.mark.parametrize("status", [404, 410])
def test_an_expired_subscription_is_dropped(service, record, phone, status, monkeypatch):
    monkeypatch.setattr("potvigil.notifying.subscriptions._check_endpoint", lambda endpoint: None)
    made = service.subscribed(record, phone)
    other = subscribe(record, f"{OTHER}1", phone.p256dh, text(phone.auth), "Ben", 1.0)
    subscribe(record, made.endpoint, made.p256dh, made.auth, made.name, 2.0)
    service.status = status
    with pytest.raises(GoneError, match="Anna"):
        send(made, MESSAGE)
    assert subscriptions(record) == [other]


@pytest.mark.parametrize("status", [301, 400, 401, 403, 413, 429, 500, 503])
def test_a_refused_push_is_reported_and_no_subscription_dropped(service, record, phone, status, monkeypatch):
    monkeypatch.setattr("potvigil.notifying.subscriptions._check_endpoint", lambda endpoint: None)
    made = service.subscribed(record, phone)
    subscribe(record, made.endpoint, made.p256dh, made.auth, made.name, 2.0)
    service.status = status
    with pytest.raises(PushError, match=f"Anna by localhost: .*{status}"):
        send(made, MESSAGE)
    assert len(subscriptions(record)) == 1


def test_a_trickling_service_is_abandoned(service, record, phone, monkeypatch):
    # each byte comes within that time, all of them take far longer
    monkeypatch.setattr(push, "WITHIN_S", 1.0)
    service.trickles = True
    with pytest.raises(PushError):
        send(service.subscribed(record, phone), MESSAGE)


def test_an_unreachable_service_or_wrong_certificate_is_one_line(service, record, phone, monkeypatch):
    nobody = Subscription("https://localhost:1/push", phone.p256dh, text(phone.auth), "Anna", 0.0, record)
    with pytest.raises(PushError, match="Anna by localhost"):
        send(nobody, MESSAGE)
    monkeypatch.delenv("SSL_CERT_FILE")
    with pytest.raises(PushError, match="certificate verify failed") as caught:
        send(service.subscribed(record, phone), MESSAGE)
    assert "\n" not in str(caught.value) and isinstance(caught.value.__cause__, ssl.SSLError)
    assert service.taken == []


def test_a_long_text_is_cut_to_the_guaranteed_size(service, record, phone):
    """RFC 8030, 7.2: 4096 bytes of a body."""
    send(service.subscribed(record, phone), PushMessage("Top up", "é" * 20_000))
    ((_, _, body),) = service.taken
    assert len(body) <= 4096
    assert phone.read(body)["body"].endswith("é...")


def test_invalid_keys_are_reported(service, record, phone):
    broken = Subscription(f"{service.origin}/", text(bytes(65)), text(phone.auth), "Anna", 0.0, record)
    with pytest.raises(PushError, match="Anna"):
        send(broken, MESSAGE)


# --- what is kept


def test_subscriptions_and_key_are_readable_only_by_their_user(record, phone):
    subscribe(record, f"{OTHER}1", phone.p256dh, text(phone.auth), "Anna", 1.0)
    for ending in ("-push", "-push-key", "-push-lock"):
        mode = stat.S_IMODE(Path(f"{record}{ending}").stat().st_mode)
        assert mode & 0o007 == 0, ending
    before = public_key(record)
    assert public_key(record) == before
    assert len(base64.urlsafe_b64decode(before + "=")) == 65


def test_a_phone_that_subscribes_again_is_the_same_phone(record, phone):
    for name in ("Anna", "Anna's phone"):
        subscribe(record, f"{OTHER}1", phone.p256dh, text(phone.auth), name, 1.0)
    (kept,) = subscriptions(record)
    assert kept.name == "Anna's phone"
    assert unsubscribe(record, kept.id) is True
    assert unsubscribe(record, kept.id) is False
    assert subscriptions(record) == []


def test_the_number_of_phones_is_bounded(record, phone):
    for number in range(MOST_KEPT):
        subscribe(record, f"{OTHER}{number}", phone.p256dh, text(phone.auth), "", 1.0)
    with pytest.raises(SubscriptionError, match="remove one"):
        subscribe(record, f"{OTHER}more", phone.p256dh, text(phone.auth), "", 1.0)


@pytest.mark.parametrize(
    "endpoint",
    [
        *("", "https://", "http://push.example/1", "ftp://push.example/1", "push.example/1"),
        *("https://127.0.0.1/1", "https://[::1]/1", "https://localhost/1", "https://router/1"),
        *(
            "https://pi.local/1",
            "https://192.168.1.1/admin",
            "https://0x7f.1/1",
            "https://a:b@push.example/1",
        ),
        *(
            "https://push.example:8080/1",
            "https://push.example/1\r\nx: y",
            "https://push.example/é",
            "https://[/1",
        ),
        f"https://push.example/{'x' * 1000}",
    ],
)
def test_only_a_public_push_service_is_accepted(record, phone, endpoint):
    with pytest.raises(SubscriptionError):
        subscribe(record, endpoint, phone.p256dh, text(phone.auth), "", 1.0)
    assert subscriptions(record) == []


@pytest.mark.parametrize(
    ("p256dh", "auth"), [("", ""), ("A" * 87, "A"), ("!" * 87, "A" * 22), ("A" * 8, "A" * 22)]
)
def test_only_valid_keys_are_accepted(record, p256dh, auth):
    with pytest.raises(SubscriptionError):
        subscribe(record, f"{OTHER}1", p256dh, auth, "", 1.0)


@pytest.mark.parametrize("content", ["", "{", "[]x", "[1]", '{"a": 1}', '[{"endpoint": 1}]', "null"])
def test_an_invalid_file_counts_as_no_subscriptions(record, content):
    Path(f"{record}-push").write_text(content)
    assert subscriptions(record) == []


def test_without_a_key_nothing_is_signed(tmp_path):
    with pytest.raises(OSError):
        authorization(tmp_path / "record.db", OTHER, 0.0)
