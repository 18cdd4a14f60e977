"""The pages of the batches: the list, and one batch with its details."""

import time
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from potvigil.model.batch_details import DetailError
from potvigil.model.events import Detail
from potvigil.model.who import PAGE
from potvigil.page.frame import Frame, back, batch_id_of, batch_in_range
from potvigil.page.ground import sentence
from potvigil.page.guard import RequestRefusedError, StaleFormError
from potvigil.page.views import batches
from potvigil.page.views.details import SentForm, fields, read_sent
from potvigil.page.views.pictures import shown_pictures
from potvigil.record.requests.detail_input import given_details, habits_of
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store

CLASHED = "This was changed meanwhile, in another tab or elsewhere. Nothing was saved: choose what to keep."


class Library:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame

    async def list(self, request: Request) -> Response:
        query = batches.query_of(request.query_params)
        number = batches.page_number(request.query_params.get("page", "1"))

        def read() -> dict[str, Any]:
            with self._frame.open() as store:
                return batches.listed(store, query, number)

        try:
            context, code = await self._frame.in_thread(read), 200
        except batches.QueryError as error:
            context, code = batches.empty_list(query, str(error)), 422
        return self._frame.render(request, "batches.html", "batches", "Batches", code, **context)

    async def batch(self, request: Request) -> Response:
        return await self._page(request)

    async def edit(self, request: Request) -> Response:
        batch_id = batch_id_of(request)
        path = f"/batch/{batch_id}"
        sent = SentForm()

        def read(form: Mapping[str, str], store: Store) -> BatchRow:
            nonlocal sent
            row = store.batch(batch_id)
            sent = read_sent(form, row, habits_of(store)[1])
            return row

        try:
            form = await self._frame.form(request)
        except StaleFormError as error:

            def look(fields: Mapping[str, str] = error.fields) -> None:
                with self._frame.open() as store:
                    read(fields, store)

            await self._frame.in_thread(look)
            return await self._page(request, sent, error.text, error.status)

        def write() -> str | range:
            with self._frame.open_to_write() as store:
                row = read(form, store)
                if not sent.given:
                    return "same"
                details = given_details(store, row, sent.given, time.time())
                if sent.clashes:
                    return "clash"
                if row.end_t_s is not None:
                    store.edit(row.id, details, PAGE, time.time())
                    return "kept"
                return store.add_edits(row.pot_id, details, PAGE, time.time())

        try:
            done = await self._frame.in_thread(write)
        except DetailError as error:
            return await self._page(request, sent, sentence(error), 422)
        if done == "clash":
            return await self._page(request, sent, CLASHED, 409)
        return await self._frame.settled(path, done) if isinstance(done, range) else back(path, done)

    async def _page(
        self,
        request: Request,
        sent: SentForm | None = None,
        fault: str | None = None,
        code: int = 200,
    ) -> Response:
        batch_id = batch_id_of(request)

        def read() -> dict[str, Any]:
            with self._frame.open() as store:
                row = store.batch(batch_id)
                page = batches.shown_batch(store, row)
                page["fields"] = fields(store, row, self._frame.config.pots_of, sent)
                page["pictures"] = shown_pictures(self._frame, row.id, row.details.get(Detail.PICTURES, ""))
                return page

        context = await self._frame.in_thread(read)
        title = context["batch"]["label"] or f"Batch {batch_id}"
        context |= {"filled_in": sent is not None}
        context |= await self._frame.answers(request) if fault is None else {"fault": fault}
        return self._frame.render(request, "batch.html", "batch", title, code, **context)


def batch_number(text: str) -> int:
    """Parse the number of a batch. Raises RequestRefusedError."""
    if not (text.isascii() and text.isdecimal() and len(text) < 11):
        raise RequestRefusedError(422, "Give the number of a batch.")
    return batch_in_range(int(text))
