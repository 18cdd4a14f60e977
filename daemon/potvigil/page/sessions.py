"""Which browsers are logged in, kept beside the record, so that a restart of the page asks nobody anew.

The file (mode 600) holds no cookie but its SHA-256, so who reads it cannot show one; and the key that signs
the forms. It is of one password: with another it is begun anew. Where it cannot be written, all is known
until the process ends.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
import stat
from collections import OrderedDict
from contextlib import suppress
from pathlib import Path
from typing import Any

from potvigil.upkeep.own_file import SECRET, write

SESSION_S = 30 * 86_400
_MOST_SESSIONS = 200
_FORMAT, _KEY_BYTES, _LARGEST_BYTES = 1, 32, 100_000


def sessions_file(record: Path) -> Path:
    return Path(f"{record}-sessions")


class Visitors:
    """Knows browsers by a random cookie, which of them are logged in, and the token of each.

    file: where they are kept, None for nowhere. password: its hash, None for none. Times are Unix time: a
    boot clock would begin anew.
    """

    def __init__(self, file: Path | None = None, password: str | None = None) -> None:
        self._file = file
        self._of_password = hashlib.sha256((password or "").encode()).hexdigest()
        self._key = secrets.token_bytes(_KEY_BYTES)
        self._open_until_s: OrderedDict[str, float] = OrderedDict()  # by the cookie's hash, the oldest first
        self._seen: tuple[int, int] | None = None
        if not self._read():
            self._keep()

    @staticmethod
    def new() -> str:
        return secrets.token_urlsafe(32)

    @staticmethod
    def is_one(text: str) -> bool:
        return re.fullmatch(r"[A-Za-z0-9_-]{43}", text) is not None

    def token(self, visitor: str) -> str:
        """Return what each form of this browser carries."""
        return hmac.new(self._key, visitor.encode(), hashlib.sha256).hexdigest()

    def holds(self, visitor: str, token: str) -> bool:
        return hmac.compare_digest(self.token(visitor).encode(), token.encode("utf-8", "replace"))

    def log_in(self, now_utc_s: float) -> str:
        """Return a new cookie for a browser that knew the password."""
        self._read()
        visitor = self.new()
        for old in [each for each, until_s in self._open_until_s.items() if until_s <= now_utc_s]:
            del self._open_until_s[old]
        self._open_until_s[_hash(visitor)] = now_utc_s + SESSION_S
        if len(self._open_until_s) > _MOST_SESSIONS:
            self._open_until_s.popitem(last=False)
        self._keep()
        return visitor

    def log_out(self, visitor: str) -> None:
        self._read()
        if self._open_until_s.pop(_hash(visitor), None) is not None:
            self._keep()

    def is_logged_in(self, visitor: str, now_utc_s: float) -> bool:
        """Return whether that is the cookie of a session; one kept longer than it lasts is none either."""
        self._read()
        left_s = self._open_until_s.get(_hash(visitor), float("-inf")) - now_utc_s
        return left_s > 0.0

    def _read(self) -> bool:
        """Take up what is in the file where it has changed; return whether there is one of ours."""
        if self._file is None:
            return False
        try:
            # a link or a pipe that somebody laid there is none of ours
            number = os.open(self._file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
            with os.fdopen(number, "rb") as file:
                status = os.fstat(number)
                seen = status.st_ino, status.st_mtime_ns
                if seen == self._seen:
                    return True
                if not stat.S_ISREG(status.st_mode) or stat.S_IMODE(status.st_mode) & 0o077:
                    return False  # others may have read the key
                self._take(json.loads(file.read(_LARGEST_BYTES)))
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return False
        self._seen = seen
        return True

    def _take(self, tree: Any) -> None:
        key = bytes.fromhex(tree["key"])
        if (tree["format"], tree["password"], len(key)) != (_FORMAT, self._of_password, _KEY_BYTES):
            raise ValueError("of another format, or another password")
        kept = sorted(
            ((str(each), float(until)) for each, until in tree["sessions"].items()), key=lambda e: e[1]
        )
        self._key, self._open_until_s = key, OrderedDict(kept)

    def _keep(self) -> None:
        if self._file is None:
            return
        tree = {
            "format": _FORMAT,
            "password": self._of_password,
            "key": self._key.hex(),
            "sessions": dict(self._open_until_s),
        }
        with suppress(OSError):  # no folder yet, or no room: known until the process ends
            write(self._file, json.dumps(tree).encode(), SECRET)
            status = self._file.stat()
            self._seen = status.st_ino, status.st_mtime_ns


def _hash(visitor: str) -> str:
    return hashlib.sha256(visitor.encode("utf-8", "replace")).hexdigest()
