"""Who may see the page: logging in and out."""

import base64
import binascii
import hmac
import math
import re
import secrets
import time
from collections.abc import Awaitable, Callable
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

from potvigil.page.door import network_of
from potvigil.page.ground import Ground
from potvigil.page.guesses import OneAtATime, Throttle
from potvigil.page.passwords import LONGEST_PASSWORD, verify

Endpoint = Callable[[Request], Awaitable[Response]]
_CHALLENGE = {"www-authenticate": 'Basic realm="Potvigil", charset="UTF-8"'}


class Access:
    def __init__(self, frame: Ground) -> None:
        self._frame = frame
        self._throttle = Throttle()
        self._guesses = OneAtATime()
        self._key = secrets.token_bytes(32)
        self._right_digest: bytes | None = None  # of the password last verified, keyed

    def guarded(self, endpoint: Endpoint) -> Endpoint:
        """Return the endpoint for logged-in visitors; all others are redirected to the log-in."""

        async def wrapped(request: Request) -> Response:
            if self._frame.is_logged_in(request):
                await self._frame.state()  # every page has the strip
                return await endpoint(request)
            if request.url.path.startswith("/api/"):
                return JSONResponse({"fault": "Log in first."}, 401)
            return RedirectResponse(_log_in_url(request), 303)

        return wrapped

    def guarded_for_programs(self, endpoint: Endpoint) -> Endpoint:
        """Return the endpoint for visitors who are logged in or send the password (Basic, RFC 7617)."""

        async def wrapped(request: Request) -> Response:
            if self._frame.is_logged_in(request):
                return await endpoint(request)
            password = _basic_password(request.headers.get("authorization", ""))
            if password is None:
                return PlainTextResponse("Send the page's password with the request.\n", 401, _CHALLENGE)
            wait_s, is_right = await self._try(request, password)
            if wait_s:
                return PlainTextResponse("Too many wrong passwords.\n", 429, {"retry-after": str(wait_s)})
            if not is_right:
                return PlainTextResponse("That is not the password.\n", 401, _CHALLENGE)
            return await endpoint(request)

        return wrapped

    async def form(self, request: Request) -> Response:
        if self._frame.is_logged_in(request):
            return RedirectResponse(_local_path(request.query_params.get("next", "")), 303)
        await self._frame.state()
        return self._log_in_page(request, 200, None, _local_path(request.query_params.get("next", "")))

    async def log_in(self, request: Request) -> Response:
        form = await self._frame.form(request)
        known, wanted = self._frame.config.password, _local_path(form.get("next", ""))
        if known is None:
            return RedirectResponse(wanted, 303)
        wait_s, is_right = await self._try(request, form.get("password", ""))
        if wait_s:
            fault = f"Too many wrong passwords. Try again in {wait_s} s."
            response = self._log_in_page(request, 429, fault, wanted)
            response.headers["retry-after"] = str(wait_s)
            return response
        if not is_right:
            return self._log_in_page(request, 403, "That is not the password.", wanted)
        entered = RedirectResponse(wanted, 303)
        # a new cookie, against session fixation
        self._frame.set_cookie(entered, self._frame.visitors.log_in(time.time()))
        return entered

    async def log_out(self, request: Request) -> Response:
        frame = self._frame
        await frame.form(request)
        frame.visitors.log_out(request.cookies.get(frame.cookie, ""))
        response = RedirectResponse("/" if frame.config.password is None else "/login", 303)
        frame.set_cookie(response, frame.visitors.new())
        return response

    async def _try(self, request: Request, password: str) -> tuple[int, bool]:
        """Return the seconds to wait before a password is checked (0: it was), and whether it is right."""
        known = self._frame.config.password
        assert known is not None
        network = "" if request.client is None else network_of(request.client.host)
        wait_s = self._throttle.wait_s(network, time.monotonic())
        if wait_s > 0.0:
            return math.ceil(max(wait_s, 1.0)), False
        password = password[:LONGEST_PASSWORD]
        # a program sends it with each request: hash a right one only once, at 16 MB each
        digest = hmac.digest(self._key, password.encode("utf-8", "surrogatepass"), "sha256")
        if self._right_digest is not None and hmac.compare_digest(digest, self._right_digest):
            return 0, True
        if self._guesses.holds(network):
            return 1, False
        async with self._guesses.turn(network, self._throttle.rank(network)):
            is_right = await self._frame.in_thread(verify, password, known)
        if is_right:
            self._right_digest = digest
            self._throttle.succeeded(network)
        else:
            self._throttle.failed(network, time.monotonic())
        return 0, is_right

    def _log_in_page(self, request: Request, code: int, fault: str | None, wanted: str) -> Response:
        return self._frame.render(request, "login.html", "login", "Log in", code, fault=fault, next=wanted)


def _log_in_url(request: Request) -> str:
    """Return the log-in that leads back to the requested page; for a form, to the page it is on."""
    path = request.url.path
    if request.method != "GET":
        path = path.rpartition("/")[0]
    return "/login" if path in ("", "/") else f"/login?next={quote(path, safe='/')}"


def _basic_password(header: str) -> str | None:
    """Return the password in an `Authorization: Basic` header, None without one."""
    scheme, _, token = header.partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        _, colon, password = base64.b64decode(token.strip(), validate=True).decode().partition(":")
    except (binascii.Error, UnicodeDecodeError):
        return None
    return password if colon else None


def _local_path(path: str) -> str:
    """Return where a log-in leads: the path if it is local, else the start page (no open redirect)."""
    return path if re.fullmatch(r"(/[\w.~-]+)+", path, re.ASCII) and ".." not in path else "/"
