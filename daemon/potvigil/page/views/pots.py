"""The pages of the pots, and the commands for their watches."""

import math
import time
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from potvigil.model.batch_details import DetailError
from potvigil.model.events import Action, AlarmId, Detail
from potvigil.model.who import PAGE
from potvigil.page.frame import Frame
from potvigil.page.ground import sentence
from potvigil.page.guard import RequestRefusedError, StaleFormError
from potvigil.page.views.details import SentForm, fields, read_sent
from potvigil.record.errors import RecordError
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.requests.detail_input import given_details
from potvigil.record.store import Store
from potvigil.watch.alarm_rules import shelving_fault
from potvigil.wording.quantities import shown

# Durations offered for shelving, as far as an alarm's limits allow.
SHELVE_MINUTES = (5, 10, 15, 30, 60, 120, 480)


class Pots:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame

    async def glance(self, request: Request) -> Response:
        now = await self._frame.state()
        return self._frame.render(request, "glance.html", "pots", "Pots", now=now)

    async def pot(self, request: Request) -> Response:
        return await self._page(request)

    async def acknowledge(self, request: Request) -> Response:
        text = (await self._frame.form(request)).get("alarm", "")
        alarm = None if text == "all" else _alarm(text)
        return await self._ask(request, Action.ACKNOWLEDGE, alarm)

    async def shelve(self, request: Request) -> Response:
        form = await self._frame.form(request)
        alarm, minutes = _alarm(form.get("alarm", "")), number(form.get("minutes", ""), "minutes") or 0.0
        fault = shelving_fault(alarm, 60.0 * minutes)
        if fault is not None:
            raise RequestRefusedError(422, f"{fault}.")
        return await self._ask(request, Action.SHELVE, alarm, 60.0 * minutes)

    async def unshelve(self, request: Request) -> Response:
        return await self._ask(
            request, Action.UNSHELVE, _alarm((await self._frame.form(request)).get("alarm", ""))
        )

    async def close(self, request: Request) -> Response:
        await self._frame.form(request)
        return await self._ask(request, Action.CLOSE)

    async def open(self, request: Request) -> Response:
        try:
            sent = read_sent(await self._frame.form(request), None, None)
        except StaleFormError as error:
            return await self._page(request, read_sent(error.fields, None, None), error.text, error.status)
        now = await self._frame.state()
        pot_id = request.path_params["pot"]

        def write(store: Store) -> range:
            _check_known(store, pot_id, now)
            row = store.open_batch_of(pot_id)
            if row is not None:
                raise DetailError(f"batch {row.id} opened meanwhile: save what you wrote there, or close it")
            details = given_details(store, None, sent.given, time.time())
            return store.add_edits(pot_id, details, PAGE, time.time(), opening=True)

        try:
            return await self._frame.ask(_path(pot_id), write)
        except DetailError as error:
            return await self._page(request, sent, sentence(error), 422)

    async def _ask(
        self,
        request: Request,
        action: Action,
        alarm: AlarmId | None = None,
        duration_s: float | None = None,
    ) -> Response:
        """Send a command to the watch of a pot, then return to the pot's page."""
        now = await self._frame.state()
        pot_id = request.path_params["pot"]

        def write(store: Store) -> range:
            _check_known(store, pot_id, now)
            return store.add_command(pot_id, action, time.time(), alarm=alarm, duration_s=duration_s, by=PAGE)

        return await self._frame.ask(_path(pot_id), write)

    async def _page(
        self,
        request: Request,
        sent: SentForm | None = None,
        fault: str | None = None,
        code: int = 200,
    ) -> Response:
        now = await self._frame.state()
        pot_id = request.path_params["pot"]
        pot = next((each for each in now["pots"] if each["id"] == pot_id), None)
        if pot is None:
            raise RequestRefusedError(404, "There is no such pot.")

        def read() -> dict[str, Any]:
            with self._frame.open() as store:
                row = store.open_batch_of(pot_id)
                last = next(iter(store.listed(Wanted(pot_id=pot_id, limit=1))), None)
                unjudged = None  # the last batch, while its cast has no outcome
                if last is not None and last.end_t_s is not None and not last.details.get(Detail.OUTCOME):
                    unjudged = {"id": last.id, "title": shown(last.label) or f"batch {last.id}"}
                # keep what was typed for a new batch, even if one has opened by itself meanwhile
                row = None if sent is None else row
                return {"fields": fields(store, row, self._frame.config.pots_of, sent), "asked": unjudged}

        answers: dict[str, str | None] = {}
        try:
            known = await self._frame.in_thread(read)
            answers = await self._frame.answers(request)
        except RecordError:  # the live state must not fail with the record
            known = {"fields": [], "asked": None}
        context = {"now": now, "pot": pot, "shelve_minutes": _shelve_minutes, **known}
        context |= {"filled_in": sent is not None}
        context |= answers if fault is None else {"fault": fault}
        return self._frame.render(request, "pot.html", "pot", pot_id, code, **context)


def _shelve_minutes(alarm: str) -> list[int]:
    return [each for each in SHELVE_MINUTES if shelving_fault(AlarmId(alarm), 60.0 * each) is None]


def number(text: str, name: str) -> float | None:
    """Parse a number from a form or URL, None if empty. Raises RequestRefusedError."""
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RequestRefusedError(422, f"{name} is not a number.")
    return value


def _alarm(text: str) -> AlarmId:
    try:
        return AlarmId(text)
    except ValueError:
        raise RequestRefusedError(422, "There is no such alarm.") from None


def _check_known(store: Store, pot_id: str, now: Mapping[str, Any]) -> None:
    if pot_id not in store.pots() and pot_id not in [each["id"] for each in now["pots"]]:
        raise RequestRefusedError(404, "There is no such pot.")


def _path(pot_id: str) -> str:
    return f"/pot/{quote(pot_id, safe='')}"
