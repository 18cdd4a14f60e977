"""The subscribed browsers, in a file beside the record, shared by page and notifier."""

import base64
import binascii
import fcntl
import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from potvigil.upkeep.own_file import write

# Whoever can read this can send to the phones: only the service's group may.
MODE = 0o640
MOST_KEPT = 20
LONGEST_ENDPOINT, LONGEST_NAME = 1000, 60
_PUBLIC_BYTES, _SECRET_BYTES = 65, 16  # RFC 8291, 3.1 and 3.2
_LARGEST_BYTES = 200_000


class SubscriptionError(ValueError):
    """A browser sent an invalid subscription; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Subscription:
    """Where and how to notify a browser.

    endpoint: of its push service; p256dh, auth: its keys, base64url as the browser gave them.
    name: of the phone. since_utc_s: Unix time. record: the record it is kept beside.
    """

    endpoint: str
    p256dh: str
    auth: str
    name: str
    since_utc_s: float
    record: Path

    @property
    def id(self) -> str:
        return hashlib.sha256(self.endpoint.encode()).hexdigest()[:16]


def subscriptions(record: Path) -> list[Subscription]:
    """Return all kept beside a record, oldest first. Raises OSError."""
    try:
        with _file(record).open("rb") as file:
            kept = json.loads(file.read(_LARGEST_BYTES))
        return [
            Subscription(
                str(each["endpoint"]),
                str(each["p256dh"]),
                str(each["auth"]),
                str(each["name"]),
                float(each["since_utc_s"]),
                record,
            )
            for each in kept
        ]
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return []  # none yet, or a foreign file: the phones subscribe again


def subscribe(
    record: Path, endpoint: str, p256dh: str, auth: str, name: str, now_utc_s: float
) -> Subscription:
    """Keep a subscription, replacing one of the same endpoint. Raises SubscriptionError, OSError."""
    _check_endpoint(endpoint)
    if len(key_bytes(p256dh)) != _PUBLIC_BYTES or len(key_bytes(auth)) != _SECRET_BYTES:
        raise SubscriptionError("The keys of that subscription are invalid; subscribe again.")
    made = Subscription(endpoint, p256dh, auth, name[:LONGEST_NAME] or "phone", now_utc_s, record)
    with _alone(record):
        others = [each for each in subscriptions(record) if each.endpoint != endpoint]
        if len(others) >= MOST_KEPT:
            raise SubscriptionError(f"{MOST_KEPT} phones are on the list already; remove one first.")
        _keep(record, [*others, made])
    return made


def unsubscribe(record: Path, subscription_id: str) -> bool:
    """Forget a subscription; return whether there was one. Raises OSError."""
    with _alone(record):
        before = subscriptions(record)
        left = [each for each in before if each.id != subscription_id]
        if len(left) == len(before):
            return False
        _keep(record, left)
        return True


def key_bytes(text: str) -> bytes:
    """Decode base64url, with or without padding; return nothing if it is invalid."""
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (ValueError, binascii.Error):
        return b""


def _check_endpoint(endpoint: str) -> None:
    """Accept only a public push service: this machine sends from within the local network."""
    try:
        parts = urlsplit(endpoint)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port, parts = "", None, urlsplit("")
    is_name = "." in host and not host.endswith((".local", ".")) and not host.rpartition(".")[2].isdecimal()
    is_plain = endpoint.isascii() and endpoint.isprintable() and " " not in endpoint
    if (
        len(endpoint) > LONGEST_ENDPOINT
        or (parts.scheme, parts.username, parts.password) != ("https", None, None)
        or port not in (None, 443)
        or not (is_name and is_plain)
    ):
        raise SubscriptionError("That is not a push service; use a browser's own.")


def _keep(record: Path, kept: list[Subscription]) -> None:
    tree: list[dict[str, Any]] = [
        {
            "endpoint": each.endpoint,
            "p256dh": each.p256dh,
            "auth": each.auth,
            "name": each.name,
            "since_utc_s": each.since_utc_s,
        }
        for each in kept
    ]
    write(_file(record), json.dumps(tree).encode(), MODE)


@contextmanager
def _alone(record: Path) -> Iterator[None]:
    """Lock the file against changes by others: page and notifier are two processes."""
    lock = os.open(f"{_file(record)}-lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o660)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)


def _file(record: Path) -> Path:
    return Path(f"{record}-push")
