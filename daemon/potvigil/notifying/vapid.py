"""The key that identifies this workshop to push services: VAPID, RFC 8292."""

import base64
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from urllib.parse import urlsplit

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from potvigil.notifying.subscriptions import MODE

# At most 24 h (RFC 8292, 2); half of that tolerates a clock that is hours off.
VALID_S = 12 * 3600
# The contact for a push service: a reserved address (RFC 2606), so nobody's.
_CONTACT = "mailto:potvigil@example.com"


def public_key(record: Path) -> str:
    """Return the key a browser subscribes with, base64url of the point; the first call creates it.

    Raises OSError, ValueError.
    """
    point = (
        _key(record, make=True)
        .public_key()
        .public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)
    )
    return base64.urlsafe_b64encode(point).decode().rstrip("=")


def authorization(record: Path, endpoint: str, now_utc_s: float) -> Mapping[str, str]:
    """Return the headers that identify the sender. Raises OSError, ValueError."""
    from py_vapid import Vapid02

    parts = urlsplit(endpoint)
    claims = {
        "aud": f"{parts.scheme}://{parts.netloc}",
        "exp": int(now_utc_s) + VALID_S,
        "sub": _CONTACT,
    }
    signed: Mapping[str, str] = Vapid02(_key(record, make=False)).sign(claims)
    return signed


def _key(record: Path, *, make: bool) -> ec.EllipticCurvePrivateKey:
    path = Path(f"{record}-push-key")
    if make and not path.exists():
        made = ec.generate_private_key(ec.SECP256R1()).private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, MODE), "wb") as file:
            file.write(made)
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileExistsError):  # another process was faster
            os.link(beside, path)
        beside.unlink()
    key = serialization.load_pem_private_key(path.read_bytes(), None)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise ValueError(f"{path} does not hold a key made by Potvigil")
    return key
