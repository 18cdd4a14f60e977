"""Log-in sessions, stored beside the record so that they survive a restart of the page.

The file (mode 600) holds the SHA-256 of each cookie, so reading it does not let anybody log in, and the key
that signs the forms. It belongs to one password; a new password starts a new file. If it cannot be written,
sessions last until the process ends.
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
    """Browsers by their random cookie: who is logged in, and each one's form token (CSRF).

    file: where sessions are stored, None for memory only. password: its hash, None for none. Times are Unix
    time: a boot clock would start again at a reboot.
    """

    def __init__(self, file: Path | None = None, password: str | None = None) -> None:
        self._file = file
        self._password_hash = hashlib.sha256((password or "").encode()).hexdigest()
        self._key = secrets.token_bytes(_KEY_BYTES)
        self._open_until_s: OrderedDict[str, float] = OrderedDict()  # by the cookie's hash, the oldest first
        self._seen: tuple[int, int] | None = None
        if not self._load():
            self._save()

    @staticmethod
    def new() -> str:
        return secrets.token_urlsafe(32)

    @staticmethod
    def is_cookie(text: str) -> bool:
        return re.fullmatch(r"[A-Za-z0-9_-]{43}", text) is not None

    def token(self, visitor: str) -> str:
        """Return the token for this browser's forms."""
        return hmac.new(self._key, visitor.encode(), hashlib.sha256).hexdigest()

    def has_token(self, visitor: str, token: str) -> bool:
        return hmac.compare_digest(self.token(visitor).encode(), token.encode("utf-8", "replace"))

    def log_in(self, now_utc_s: float) -> str:
        """Return a new cookie for a browser that sent the right password."""
        self._load()
        visitor = self.new()
        for old in [each for each, until_s in self._open_until_s.items() if until_s <= now_utc_s]:
            del self._open_until_s[old]
        self._open_until_s[_hash(visitor)] = now_utc_s + SESSION_S
        if len(self._open_until_s) > _MOST_SESSIONS:
            self._open_until_s.popitem(last=False)
        self._save()
        return visitor

    def log_out(self, visitor: str) -> None:
        self._load()
        if self._open_until_s.pop(_hash(visitor), None) is not None:
            self._save()

    def is_logged_in(self, visitor: str, now_utc_s: float) -> bool:
        """Return whether the cookie belongs to a session that has not expired."""
        self._load()
        left_s = self._open_until_s.get(_hash(visitor), float("-inf")) - now_utc_s
        return left_s > 0.0

    def _load(self) -> bool:
        """Load the file if it has changed; return whether there is a valid one."""
        if self._file is None:
            return False
        try:
            # never follow a symlink or block on a pipe that somebody planted there
            number = os.open(self._file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
            with os.fdopen(number, "rb") as file:
                status = os.fstat(number)
                seen = status.st_ino, status.st_mtime_ns
                if seen == self._seen:
                    return True
                if not stat.S_ISREG(status.st_mode) or stat.S_IMODE(status.st_mode) & 0o077:
                    return False  # others may have read the key
                self._restore(json.loads(file.read(_LARGEST_BYTES)))
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return False
        self._seen = seen
        return True

    def _restore(self, tree: Any) -> None:
        key = bytes.fromhex(tree["key"])
        if (tree["format"], tree["password"], len(key)) != (_FORMAT, self._password_hash, _KEY_BYTES):
            raise ValueError("of another format, or another password")
        stored = sorted(
            ((str(each), float(until)) for each, until in tree["sessions"].items()), key=lambda e: e[1]
        )
        self._key, self._open_until_s = key, OrderedDict(stored)

    def _save(self) -> None:
        if self._file is None:
            return
        tree = {
            "format": _FORMAT,
            "password": self._password_hash,
            "key": self._key.hex(),
            "sessions": dict(self._open_until_s),
        }
        with suppress(OSError):  # no folder yet, or disk full: sessions last until the process ends
            write(self._file, json.dumps(tree).encode(), SECRET)
            status = self._file.stat()
            self._seen = status.st_ino, status.st_mtime_ns


def _hash(visitor: str) -> str:
    return hashlib.sha256(visitor.encode("utf-8", "replace")).hexdigest()
