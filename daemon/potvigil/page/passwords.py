"""Hashing and verifying passwords."""

import base64
import binascii
import hashlib
import hmac
import secrets

# scrypt (RFC 7914): each guess costs a Pi 16 MB and a few tenths of a second.
_N, _R, _P, _SALT_BYTES, _KEY_BYTES = 2**14, 8, 5, 16, 32
LEAST_PASSWORD, LONGEST_PASSWORD = 8, 1024


def hashed(password: str, salt: bytes | None = None) -> str:
    """Return a password as its file stores it: a line with scrypt's parameters, salt and key."""
    salt = secrets.token_bytes(_SALT_BYTES) if salt is None else salt
    key = _scrypt(password, salt, _N, _R, _P)
    return f"scrypt${_N}${_R}${_P}${_text(salt)}${_text(key)}"


def is_hash(line: str) -> bool:
    """Return whether a line could come from `hashed`."""
    try:
        name, n, r, p, salt, key = line.split("$")
        lengths = len(_bytes(salt)), len(_bytes(key))
    except (ValueError, binascii.Error):
        return False
    # other parameters could be chosen to exhaust memory
    return (name, n, r, p) == ("scrypt", str(_N), str(_R), str(_P)) and lengths == (_SALT_BYTES, _KEY_BYTES)


def verify(password: str, line: str) -> bool:
    """Return whether a password matches a hash, in constant time."""
    _, n, r, p, salt, key = line.split("$")
    return hmac.compare_digest(_scrypt(password, _bytes(salt), int(n), int(r), int(p)), _bytes(key))


def _scrypt(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    secret = password.encode("utf-8", "surrogatepass")
    return hashlib.scrypt(secret, salt=salt, n=n, r=r, p=p, maxmem=64 * 2**20, dklen=_KEY_BYTES)


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode()


def _bytes(text: str) -> bytes:
    return base64.b64decode(text, altchars=b"-_", validate=True)
