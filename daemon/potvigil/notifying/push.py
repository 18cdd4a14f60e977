"""Web Push: one message to one browser, through its maker's push service, which cannot read it.

Encrypted by RFC 8291 and RFC 8188, sent by RFC 8030, signed by RFC 8292. Nothing is queued or retried.
"""

import base64
import hashlib
import http.client
import json
import socket
import ssl
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

from potvigil.extras import how_to_install
from potvigil.model.events import AlarmId
from potvigil.notifying.subscriptions import Subscription, key_bytes, unsubscribe

WITHIN_S = 10.0
# A service must take 4096 bytes (RFC 8030, 7.2), of which the encryption needs 103 (RFC 8188, RFC 8291).
_MOST_BYTES = 3900
# How long a service keeps a message for an unreachable phone: one in a tunnel, not one found tomorrow.
KEPT_S = {True: 4 * 3600, False: 12 * 3600}
_DONE, _GONE = (200, 201, 202), (404, 410)


class PushError(OSError):
    """A message was not sent; one line says where and why."""


class GoneError(PushError):
    """The browser is no longer subscribed; the subscription was dropped."""


@dataclass(frozen=True, slots=True)
class PushMessage:
    """What a phone shows. title: what to do; body: why. urgent: stays until somebody touches it.

    pot: whose page it opens. alarm: of that pot, to be acknowledged from the phone. Either may be None.
    """

    title: str
    body: str
    urgent: bool = False
    pot: str | None = None
    alarm: AlarmId | None = None

    @property
    def tag(self) -> str:
        """Messages of the same tag replace each other."""
        return f"{self.pot or ''} {self.alarm or ''}".strip() or "potvigil"


def send(subscription: Subscription, message: PushMessage) -> None:
    """Send a message within WITHIN_S, not counting the name look-up. Raises PushError.

    If the service reports the subscription gone, it is dropped and GoneError raised.
    """
    parts = urlsplit(subscription.endpoint)
    host = parts.hostname or ""
    try:
        status = _post(host, parts.port or 443, subscription, message)
    except ImportError as error:
        raise PushError(f"push needs {error.name}; install it with {how_to_install('page')}") from error
    except (OSError, ValueError, http.client.HTTPException) as error:
        raise PushError(f"{subscription.name} by {host}: {error}") from error
    if status in _GONE:
        unsubscribe(subscription.record, subscription.id)
        raise GoneError(
            f"{subscription.name}: no longer subscribed, and removed; subscribe again on that phone"
        )
    if status not in _DONE:
        raise PushError(f"{subscription.name} by {host}: refused with HTTP status {status}")


def _post(host: str, port: int, subscription: Subscription, message: PushMessage) -> int:
    from potvigil.notifying.vapid import authorization

    headers = {
        "content-encoding": "aes128gcm",
        "content-type": "application/octet-stream",
        "ttl": str(KEPT_S[message.urgent]),
        "urgency": "high" if message.urgent else "normal",
        # a service keeps only the newest message of a topic (RFC 8030, 5.4: at most 32 characters)
        "topic": base64.urlsafe_b64encode(hashlib.sha256(message.tag.encode()).digest()[:18]).decode(),
        **authorization(subscription.record, subscription.endpoint, time.time()),
    }
    parts = urlsplit(subscription.endpoint)
    path = f"{parts.path or '/'}{f'?{parts.query}' if parts.query else ''}"
    body = encrypted(subscription, _payload(message))
    connection = http.client.HTTPSConnection(
        host, port, timeout=WITHIN_S, context=ssl.create_default_context()
    )
    deadline = threading.Timer(WITHIN_S, _cut, [connection])
    deadline.daemon = True
    deadline.start()
    try:
        connection.request("POST", path, body, headers)
        return connection.getresponse().status
    finally:
        deadline.cancel()
        connection.close()


def _cut(connection: http.client.HTTPSConnection) -> None:
    """Close a trickling connection: its socket's timeout restarts with every byte."""
    if connection.sock is not None:
        with suppress(OSError):
            connection.sock.shutdown(socket.SHUT_RDWR)


def _payload(message: PushMessage) -> bytes:
    """Return what the service worker reads (page/static/told.js), with too long a body cut."""
    tree = {
        "title": message.title,
        "tag": message.tag,
        "pot": message.pot,
        "alarm": message.alarm,
        "urgent": message.urgent,
    }
    body = message.body
    while len(content := json.dumps(tree | {"body": body}, ensure_ascii=False).encode()) > _MOST_BYTES:
        body = f"{body[: len(body) * 3 // 4]}..."
        if len(body) < 10:
            raise ValueError("the message is too long to be pushed")
    return content


def encrypted(subscription: Subscription, content: bytes) -> bytes:
    """Return a message encrypted for that browser alone. Raises ValueError."""
    import http_ece
    from cryptography.hazmat.primitives.asymmetric import ec

    try:
        sealed: bytes = http_ece.encrypt(
            content,
            private_key=ec.generate_private_key(ec.SECP256R1()),
            dh=key_bytes(subscription.p256dh),
            auth_secret=key_bytes(subscription.auth),
            version="aes128gcm",
        )
    except http_ece.ECEException as error:
        raise ValueError(f"its keys are invalid ({error})") from error
    return sealed
