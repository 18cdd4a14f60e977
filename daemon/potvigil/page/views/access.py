"""Who may see the page: logging in and out."""

import math
import re
import time
from collections.abc import Awaitable, Callable
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from potvigil.page.door import network_of
from potvigil.page.frame import Frame
from potvigil.page.guesses import OneAtATime, Throttle
from potvigil.page.passwords import LONGEST_PASSWORD, verify

Endpoint = Callable[[Request], Awaitable[Response]]


class Access:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self._throttle = Throttle()
        self._guesses = OneAtATime()

    def guarded(self, endpoint: Endpoint) -> Endpoint:
        """Return the endpoint for those who are logged in; all others are sent to the log-in."""

        async def asked(request: Request) -> Response:
            if self._frame.is_logged_in(request):
                await self._frame.tell()  # every page carries the state
                return await endpoint(request)
            if request.url.path.startswith("/api/"):
                return JSONResponse({"fault": "Log in first."}, 401)
            return RedirectResponse(_log_in_for(request), 303)

        return asked

    async def form(self, request: Request) -> Response:
        if self._frame.is_logged_in(request):
            return RedirectResponse(_wanted(request.query_params.get("next", "")), 303)
        await self._frame.tell()
        return self._answer(request, 200, None, _wanted(request.query_params.get("next", "")))

    async def log_in(self, request: Request) -> Response:
        form = await self._frame.form(request)
        known, wanted = self._frame.config.password, _wanted(form.get("next", ""))
        if known is None:
            return RedirectResponse(wanted, 303)
        network = "" if request.client is None else network_of(request.client.host)
        wait_s = self._throttle.wait_s(network, time.monotonic())
        if wait_s > 0.0 or self._guesses.holds(network):
            wait = math.ceil(max(wait_s, 1.0))
            response = self._answer(request, 429, f"Too many wrong passwords. Try again in {wait} s.", wanted)
            response.headers["retry-after"] = str(wait)
            return response
        password = form.get("password", "")[:LONGEST_PASSWORD]
        async with self._guesses.turn(network, self._throttle.rank(network)):
            is_right = await self._frame.in_thread(verify, password, known)
        if not is_right:
            self._throttle.failed(network, time.monotonic())
            return self._answer(request, 403, "That is not the password.", wanted)
        self._throttle.succeeded(network)
        entered = RedirectResponse(wanted, 303)
        # a new cookie: one that somebody else could have known before is worth nothing after
        self._frame.set_cookie(entered, self._frame.visitors.log_in(time.time()))
        return entered

    async def log_out(self, request: Request) -> Response:
        frame = self._frame
        await frame.form(request)
        frame.visitors.log_out(request.cookies.get(frame.cookie, ""))
        response = RedirectResponse("/" if frame.config.password is None else "/login", 303)
        frame.set_cookie(response, frame.visitors.new())
        return response

    def _answer(self, request: Request, code: int, fault: str | None, wanted: str) -> Response:
        return self._frame.render(request, "login.html", "login", "Log in", code, fault=fault, next=wanted)


def _log_in_for(request: Request) -> str:
    """Return the log-in that leads on to what was asked for; of a form, to the page that it stands on."""
    path = request.url.path
    if request.method != "GET":
        path = path.rpartition("/")[0]
    return "/login" if path in ("", "/") else f"/login?next={quote(path, safe='/')}"


def _wanted(path: str) -> str:
    """Return where a log-in leads: a page of ours, whatever an address says."""
    return path if re.fullmatch(r"(/[\w.~-]+)+", path, re.ASCII) and ".." not in path else "/"
