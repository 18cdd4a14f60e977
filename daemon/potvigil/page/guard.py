"""The checks every request has to pass.

Any other site open in the same browser can send requests to a page on the local network (CSRF). So each
change needs a token that only our own pages hold and our own origin, and every request must name a host we
answer to: a foreign name pointed at our address (DNS rebinding) is refused.
"""

import asyncio
import ipaddress
import re
from collections.abc import Collection
from urllib.parse import parse_qsl

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_HEAD_BYTES = 16 * 1024
LARGEST_FORM_BYTES = 64 * 1024
MOST_FIELDS = 36  # a batch has nine details, each with the digest it replaces and a choice on a clash
FORM_WITHIN_S = 10.0
# HSTS (RFC 6797): a browser that has used TLS here uses nothing else for 30 days.
_TLS_ONLY = "max-age=2592000"
# No request lasts longer than this; an event stream ends by itself before.
REQUEST_WITHIN_S = 180.0

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; worker-src 'self'; manifest-src 'self'; frame-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # not no-referrer: that would make browsers send our own forms with Origin: null
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-embedder-policy": "require-corp",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "cache-control": "no-store",
}


class RequestRefusedError(Exception):
    """A refused request: HTTP status and one line for a person."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status, self.text = status, text


class StaleFormError(RequestRefusedError):
    """A form whose token belongs to another browser or an old key; fields: what was typed."""

    def __init__(self, fields: dict[str, str]) -> None:
        super().__init__(403, "That page was out of date: nothing was saved. Check it and try again.")
        self.fields = fields


class Guard:
    """Middleware: refuses requests for a wrong host or from another origin, limits each request's time, and
    adds those of `HEADERS` that a response does not set itself.
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
                if scope["scheme"] == "https":
                    headers.setdefault("strict-transport-security", _TLS_ONLY)
            await send(message)

        fault = self._fault(scope)
        app = self._app if fault is None else PlainTextResponse(f"{fault.text}\n", fault.status)
        try:
            async with asyncio.timeout(REQUEST_WITHIN_S):
                await app(scope, receive, send_guarded)
        except TimeoutError:
            pass  # the server closes a connection whose response is incomplete

    def _fault(self, scope: Scope) -> RequestRefusedError | None:
        # the server limits only a head that arrives in pieces
        sent = sum(len(name) + len(value) + 4 for name, value in scope["headers"])
        if sent + len(scope.get("raw_path") or b"") + len(scope["query_string"]) > LARGEST_HEAD_BYTES:
            return RequestRefusedError(431, "That request is too large.")
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._answers_to(hosts[0], scope):
            return RequestRefusedError(
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
            return RequestRefusedError(
                403, "That did not come from this page; nothing was done. Open the page itself."
            )
        return None

    def _answers_to(self, host: str, scope: Scope) -> bool:
        """Return whether host is one of our names, the address the request came in on, or loopback."""
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
    """Read the fields of a submitted form. Raises RequestRefusedError."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise RequestRefusedError(415, "Only the page's own forms are accepted.")
    body = bytearray()
    try:
        async with asyncio.timeout(FORM_WITHIN_S):
            async for part in request.stream():
                body += part
                if len(body) > LARGEST_FORM_BYTES:
                    raise RequestRefusedError(
                        413, f"That is more than {LARGEST_FORM_BYTES // 1024} kB; write less."
                    )
    except TimeoutError:
        raise RequestRefusedError(408, "The form took too long to arrive; send it again.") from None
    except ClientDisconnect:
        raise RequestRefusedError(400, "The form arrived incomplete.") from None
    try:
        fields = parse_qsl(
            body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=MOST_FIELDS
        )
    except ValueError:
        raise RequestRefusedError(413, "Too many fields in that form.") from None
    return dict(fields)
