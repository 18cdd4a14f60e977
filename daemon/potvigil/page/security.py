"""What keeps the page to those it is for: passwords, sessions, tokens, and what every request has to pass.

A page on the network is reached by whatever other page the same browser has open. So each change needs a
token that only our own pages hold, comes from our own origin, and is addressed to a name we answer to: a
foreign name that was pointed at our address (DNS rebinding) is turned away.
"""

import asyncio
import base64
import binascii
import hashlib
import hmac
import ipaddress
import re
import secrets
import threading
from collections import OrderedDict
from collections.abc import Collection
from urllib.parse import parse_qsl

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# scrypt (RFC 7914): 16 MB and a few tenths of a second of a Pi for each guess.
_N, _R, _P, _SALT_BYTES, _KEY_BYTES = 2**14, 8, 5, 16, 32
LEAST_PASSWORD, LONGEST_PASSWORD = 8, 1024

SESSION_S = 30 * 86_400
_MOST_SESSIONS = 200

# Of one address: this many wrong passwords are free, then each doubles the wait. Of all together: more are
# free and the wait stays short, so that a stranger who guesses cannot keep the owner out.
FREE_TRIES, LONGEST_WAIT_S = 3, 300.0
FREE_TRIES_OF_ALL, LONGEST_WAIT_OF_ALL_S = 20, 10.0
FORGOTTEN_AFTER_S = 3600.0
_MOST_ADDRESSES = 1000

LARGEST_FORM_BYTES = 64 * 1024
MOST_FIELDS = 30
FORM_WITHIN_S = 10.0
# No request lasts longer than this; a stream of events ends by itself before.
REQUEST_WITHIN_S = 180.0

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # not no-referrer: with that a browser hides from us too where a form was sent from
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-embedder-policy": "require-corp",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "cache-control": "no-store",
}


class RefusedError(Exception):
    """A request that is turned away: HTTP status and one line for a person."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status, self.text = status, text


# --- passwords


def hashed(password: str, salt: bytes | None = None) -> str:
    """Return a password as its file keeps it: a line of scrypt's figures, salt and key."""
    salt = secrets.token_bytes(_SALT_BYTES) if salt is None else salt
    key = _scrypt(password, salt, _N, _R, _P)
    return f"scrypt${_N}${_R}${_P}${_text(salt)}${_text(key)}"


def is_hash(line: str) -> bool:
    """Return whether a line is one that `hashed` could have made."""
    try:
        name, n, r, p, salt, key = line.split("$")
        lengths = len(_bytes(salt)), len(_bytes(key))
    except (ValueError, binascii.Error):
        return False
    # other figures than ours could be made to fill the memory
    return (name, n, r, p) == ("scrypt", str(_N), str(_R), str(_P)) and lengths == (_SALT_BYTES, _KEY_BYTES)


def verify(password: str, line: str) -> bool:
    """Return whether a password is the one of a hash; takes the same time whichever it is."""
    _, n, r, p, salt, key = line.split("$")
    return hmac.compare_digest(_scrypt(password, _bytes(salt), int(n), int(r), int(p)), _bytes(key))


def _scrypt(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    secret = password.encode("utf-8", "surrogatepass")
    return hashlib.scrypt(secret, salt=salt, n=n, r=r, p=p, maxmem=64 * 2**20, dklen=_KEY_BYTES)


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode()


def _bytes(text: str) -> bytes:
    return base64.b64decode(text, altchars=b"-_", validate=True)


class Throttle:
    """Makes whoever guesses passwords wait. Times are any seconds that do not run backwards."""

    def __init__(self) -> None:
        self._of: OrderedDict[str, tuple[int, float]] = OrderedDict()  # tries, the last one's time
        self._all: tuple[int, float] = (0, 0.0)

    def wait_s(self, address: str, now_s: float) -> float:
        """Return how long this address still has to wait, 0 when it may try."""
        of_one = _left_s(self._of.get(_network(address)), now_s, FREE_TRIES, LONGEST_WAIT_S)
        return max(of_one, _left_s(self._all, now_s, FREE_TRIES_OF_ALL, LONGEST_WAIT_OF_ALL_S))

    def failed(self, address: str, now_s: float) -> None:
        network = _network(address)
        self._of[network] = _one_more(self._of.get(network), now_s)
        self._of.move_to_end(network)
        if len(self._of) > _MOST_ADDRESSES:
            self._of.popitem(last=False)
        self._all = _one_more(self._all, now_s)

    def succeeded(self, address: str) -> None:
        self._of.pop(_network(address), None)


def _one_more(known: tuple[int, float] | None, now_s: float) -> tuple[int, float]:
    fresh = known is None or now_s - known[1] > FORGOTTEN_AFTER_S
    return (1 if known is None or fresh else known[0] + 1), now_s


def _left_s(known: tuple[int, float] | None, now_s: float, free: int, longest_s: float) -> float:
    if known is None or known[0] < free or now_s - known[1] > FORGOTTEN_AFTER_S:
        return 0.0
    wait_s = min(2.0 ** min(known[0] - free, 20), longest_s)
    return max(known[1] + wait_s - now_s, 0.0)


def _network(address: str) -> str:
    """Return the address, or of IPv6 its /64, of which one household has every single one."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return address
    return str(ipaddress.ip_network((ip, 64), strict=False)) if ip.version == 6 else address


# --- who asks


class Visitors:
    """Knows browsers by a random cookie, which of them are logged in, and the token of each.

    Nothing of it outlives the process: after a restart one logs in again.
    """

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)
        self._open_until_s: OrderedDict[str, float] = OrderedDict()
        self._lock = threading.Lock()

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

    def log_in(self, now_s: float) -> str:
        """Return a new cookie for a browser that knew the password."""
        visitor = self.new()
        self._open_until_s[visitor] = now_s + SESSION_S
        if len(self._open_until_s) > _MOST_SESSIONS:
            self._open_until_s.popitem(last=False)
        return visitor

    def log_out(self, visitor: str) -> None:
        self._open_until_s.pop(visitor, None)

    def is_logged_in(self, visitor: str, now_s: float) -> bool:
        return self._open_until_s.get(visitor, float("-inf")) > now_s


# --- what every request has to pass


class Guard:
    """Stands before the page: turns away what is addressed or sent wrongly, bounds each request's time, and
    puts the headers of `HEADERS` on every answer that has none of its own.
    """

    def __init__(self, app: ASGIApp, names: Collection[str]) -> None:
        self._app = app
        self._names = {"localhost", *(name.lower().rstrip(".") for name in names)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        fault = self._fault(scope)
        app = self._app if fault is None else PlainTextResponse(f"{fault.text}\n", fault.status)
        try:
            async with asyncio.timeout(REQUEST_WITHIN_S):
                await app(scope, receive, send_guarded)
        except TimeoutError:
            pass  # the server closes a connection whose answer is not complete

    def _fault(self, scope: Scope) -> RefusedError | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._answers_to(hosts[0], scope):
            return RefusedError(
                421, "This page does not answer to that name. Use its address, or add the name to page.names."
            )
        if scope["method"] in ("GET", "HEAD"):
            return None
        sites, origins = headers.getlist("sec-fetch-site"), headers.getlist("origin")
        own = [f"{scope['scheme']}://{hosts[0]}".lower()]
        if (
            not sites + origins
            or sites not in ([], ["same-origin"])
            or [o.lower() for o in origins] not in ([], own)
        ):
            return RefusedError(
                403, "That did not come from this page; nothing was done. Open the page itself."
            )
        return None

    def _answers_to(self, host: str, scope: Scope) -> bool:
        """Return whether that is one of our names, the address that was reached, or this machine."""
        match = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+)(:[0-9]{1,5})?", host)
        if match is None:
            return False
        name = match[1].strip("[]").lower().rstrip(".")
        if name in self._names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        reached = (scope.get("server") or ("",))[0]
        return address.is_loopback or str(address) == str(reached).removeprefix("::ffff:")


async def read_form(request: Request) -> dict[str, str]:
    """Return the fields of a form that was sent. Raises RefusedError."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise RefusedError(415, "Send a form of this page.")
    body = bytearray()
    try:
        async with asyncio.timeout(FORM_WITHIN_S):
            async for part in request.stream():
                body += part
                if len(body) > LARGEST_FORM_BYTES:
                    raise RefusedError(413, f"That is more than {LARGEST_FORM_BYTES // 1024} kB; write less.")
    except TimeoutError:
        raise RefusedError(408, "The form took too long to arrive; send it again.") from None
    except ClientDisconnect:
        raise RefusedError(400, "The form did not arrive whole.") from None
    try:
        fields = parse_qsl(
            body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=MOST_FIELDS
        )
    except ValueError:
        raise RefusedError(413, "Too many fields in that form.") from None
    return dict(fields)
