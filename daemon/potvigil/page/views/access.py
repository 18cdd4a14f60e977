"""Who may see the page: logging in and out."""

import asyncio
import math
import time
from collections.abc import Awaitable, Callable

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from potvigil.page.frame import Frame
from potvigil.page.passwords import LONGEST_PASSWORD, verify
from potvigil.page.sessions import Throttle

Endpoint = Callable[[Request], Awaitable[Response]]


class Access:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self._throttle = Throttle()
        self._one_guess = asyncio.Lock()

    def guarded(self, endpoint: Endpoint) -> Endpoint:
        """Return the endpoint for those who are logged in; all others are sent to the log-in."""

        async def asked(request: Request) -> Response:
            if self._frame.is_logged_in(request):
                await self._frame.tell()  # every page carries the state
                return await endpoint(request)
            if request.url.path.startswith("/api/"):
                return JSONResponse({"fault": "Log in first."}, 401)
            return RedirectResponse("/login", 303)

        return asked

    async def form(self, request: Request) -> Response:
        if self._frame.is_logged_in(request):
            return RedirectResponse("/", 303)
        await self._frame.tell()
        return self._answer(request, 200, None)

    async def log_in(self, request: Request) -> Response:
        form = await self._frame.form(request)
        known = self._frame.config.password
        if known is None:
            return RedirectResponse("/", 303)
        address = "" if request.client is None else request.client.host
        wait_s = self._throttle.wait_s(address, time.monotonic())
        if wait_s > 0.0 or self._one_guess.locked():
            wait = math.ceil(max(wait_s, 1.0))
            response = self._answer(request, 429, f"Too many wrong passwords. Try again in {wait} s.")
            response.headers["retry-after"] = str(wait)
            return response
        password = form.get("password", "")[:LONGEST_PASSWORD]
        async with self._one_guess:  # each costs 16 MB and a good part of a core
            is_right = await self._frame.in_thread(verify, password, known)
        if not is_right:
            self._throttle.failed(address, time.monotonic())
            return self._answer(request, 403, "That is not the password.")
        self._throttle.succeeded(address)
        entered = RedirectResponse("/", 303)
        # a new cookie: one that somebody else could have known before is worth nothing after
        self._frame.set_cookie(entered, self._frame.visitors.log_in(time.monotonic()))
        return entered

    async def log_out(self, request: Request) -> Response:
        frame = self._frame
        await frame.form(request)
        frame.visitors.log_out(request.cookies.get(frame.cookie, ""))
        response = RedirectResponse("/" if frame.config.password is None else "/login", 303)
        frame.set_cookie(response, frame.visitors.new())
        return response

    def _answer(self, request: Request, code: int, fault: str | None) -> Response:
        return self._frame.render(request, "login.html", "login", "Log in", code, fault=fault)
