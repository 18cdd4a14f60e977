"""The phones notified while the page is closed (Web Push): subscribing, listing, testing, removing."""

import time
from contextlib import suppress
from datetime import tzinfo
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from potvigil.notifying.push import PushError, PushMessage, send
from potvigil.notifying.status import StatusReader
from potvigil.notifying.subscriptions import SubscriptionError, subscribe, subscriptions, unsubscribe
from potvigil.page.frame import Frame, back
from potvigil.page.guard import RequestRefusedError
from potvigil.page.views.words import local
from potvigil.paths import usual_status
from potvigil.record.errors import RecordError
from potvigil.record.requests.detail_input import habits_of
from potvigil.wording.quantities import shown

_TEST = PushMessage("Test of this phone", "It will be notified when a pot needs attention. Nothing is wrong.")


class PhoneViews:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self._notifier = StatusReader(usual_status(frame.config.live))

    async def page(self, request: Request) -> Response:
        return await self._page(request)

    async def push_keys(self, request: Request) -> Response:
        """Return the key a browser subscribes with, and the token its service worker posts forms with."""
        visitor = request.cookies.get(self._frame.cookie, "")
        if not self._frame.visitors.is_cookie(visitor):
            raise RequestRefusedError(403, "Open the page first.")
        from potvigil.notifying.vapid import public_key  # takes 10 MB, needed only with phones

        keys = {"key": await self._with_record(public_key), "csrf": self._frame.visitors.token(visitor)}
        return JSONResponse(keys)

    async def subscribe(self, request: Request) -> Response:
        form = await self._frame.form(request)
        given = [form.get(name, "") for name in ("endpoint", "p256dh", "auth")]
        try:
            await self._with_record(subscribe, *given, shown(form.get("name", "")), time.time())
        except SubscriptionError as error:
            raise RequestRefusedError(422, str(error)) from None
        return back("/phones", "subscribed")

    async def remove(self, request: Request) -> Response:
        form = await self._frame.form(request)
        await self._with_record(unsubscribe, form.get("phone", ""))
        return back("/phones", "unsubscribed")

    async def test(self, request: Request) -> Response:
        wanted = (await self._frame.form(request)).get("phone", "")
        found = next((each for each in await self._with_record(subscriptions) if each.id == wanted), None)
        if found is None:
            raise RequestRefusedError(404, "There is no such phone.")
        try:
            await self._frame.in_thread(send, found, _TEST)
        except PushError as error:
            return await self._page(request, f"{error}.", 502)
        return back("/phones", "pushed")

    async def _page(self, request: Request, fault: str | None = None, code: int = 200) -> Response:
        tz = await self._frame.in_thread(self._zone)
        phones = [
            {"id": each.id, "name": shown(each.name), "since": f"{local(each.since_utc_s, tz):%-d %B %Y}"}
            for each in await self._with_record(subscriptions)
        ]
        runs = await self._frame.in_thread(self._notifier.read) is not None
        context: dict[str, Any] = {"phones": phones, "runs": runs}
        context |= {} if fault is None else {"fault": fault}
        return self._frame.render(request, "phones.html", "phones", "Phones to notify", code, **context)

    def _zone(self) -> tzinfo | None:
        with suppress(RecordError), self._frame.open() as store:
            return habits_of(store)[1]
        return None

    async def _with_record(self, function: Any, *arguments: object) -> Any:
        """Call a function with the record's path. Raises RequestRefusedError if the disk fails."""
        try:
            return await self._frame.in_thread(function, self._frame.config.record, *arguments)
        except OSError as error:
            raise RequestRefusedError(
                503,
                f"{error.filename or 'The record'}: {error.strerror or error}; check folder and disk.",
            ) from None
