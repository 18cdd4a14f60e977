"""A push service for tests: keeps what it is sent, over TLS, and reads it as a browser would.

Decrypts with http-ece (RFC 8188, RFC 8291) and checks the signature with PyJWT (RFC 8292), neither ours.
"""

import json
import os
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

import http_ece
import jwt
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from potvigil.notifying.subscriptions import Subscription, key_bytes
from potvigil.page.certificate import new_authority, new_certificate


def text(data: bytes) -> str:
    """Return bytes as base64url without padding, as browsers give keys."""
    import base64

    return base64.urlsafe_b64encode(data).decode().rstrip("=")


@dataclass
class Phone:
    """A browser's own half of a subscription."""

    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))
    auth: bytes = field(default_factory=lambda: os.urandom(16))

    @property
    def p256dh(self) -> str:
        encoding = serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
        return text(self.key.public_key().public_bytes(*encoding))

    def read(self, body: bytes) -> dict[str, Any]:
        content = http_ece.decrypt(body, private_key=self.key, auth_secret=self.auth, version="aes128gcm")
        return json.loads(content)


class PushService:
    """Answers each message with `status`; where it `trickles`, byte by byte. A context manager."""

    def __init__(self, cert_file: Path, key_file: Path, status: int = 201) -> None:
        self.status, self.trickles, self.taken = status, False, []
        service = self

        class Taking(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                service.taken.append((self.path, dict(self.headers), body))
                if service.trickles:
                    for byte in b"HTTP/1.1 201 Created and a very long reason":
                        time.sleep(0.2)
                        self.wfile.write(bytes([byte]))
                self.send_response(service.status)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Taking)
        self._server.daemon_threads = True
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(cert_file, key_file)
        self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self.port = self._server.server_address[1]
        self.origin = f"https://localhost:{self.port}"

    def __enter__(self) -> Self:
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()

    def subscribed(self, record: Path, phone: Phone) -> Subscription:
        """Return a subscription of this service."""
        return Subscription(
            f"{self.origin}/push/anna?v=2", phone.p256dh, text(phone.auth), "Anna", 0.0, record
        )


@contextmanager
def push_service(folder: Path) -> Iterator[PushService]:
    """Open a push service that this process trusts; its certificate is in the folder."""
    now = datetime.now(UTC)
    authority = new_authority("harbour-models", [], now)
    made = new_certificate(authority, ["localhost"], now)
    ca, cert, key = (folder / name for name in ("ca.pem", "cert.pem", "key.pem"))
    ca.write_bytes(authority.certificate)
    cert.write_bytes(made.certificate)
    key.write_bytes(made.key)
    with pytest.MonkeyPatch.context() as patch, PushService(cert, key) as service:
        patch.setenv("SSL_CERT_FILE", str(ca))
        yield service


def claims_of(authorization: str, audience: str) -> tuple[dict[str, Any], bytes]:
    """Return what a `vapid` header claims, its signature checked, and the sender's public key."""
    scheme, _, fields = authorization.partition(" ")
    assert scheme == "vapid"
    given = dict(part.strip().split("=", 1) for part in fields.split(","))
    point = key_bytes(given["k"])
    key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    return jwt.decode(given["t"], key, algorithms=["ES256"], audience=audience), point
