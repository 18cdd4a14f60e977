"""The pages of the batches: the list, one batch, its details, its report; and the health chart of a pot."""

import time
from collections.abc import Awaitable, Mapping
from html import escape
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from potvigil.model.batch_details import DetailError
from potvigil.model.events import Detail
from potvigil.model.who import PAGE
from potvigil.page.children import Children
from potvigil.page.frame import Frame, back, batch_id_of, batch_in_range
from potvigil.page.ground import sentence
from potvigil.page.guard import RequestRefusedError, StaleFormError
from potvigil.page.views import batches
from potvigil.page.views.details import SentForm, fields, read_sent
from potvigil.page.views.pictures import shown_pictures
from potvigil.record.errors import RecordError
from potvigil.record.requests.detail_input import given_details, habits_of
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.wording.quantities import shown

# What is made to be printed is somebody's words in a page of its own: it may show pictures and style
# itself, and no more.
PAPER_CSP = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; sandbox"
)
# In a page of ours, whose script looks how high it is; it has no script itself.
_FRAMED = {
    "content-security-policy": PAPER_CSP.replace("frame-ancestors 'none'", "frame-ancestors 'self'")
    + " allow-same-origin",
    "x-frame-options": "SAMEORIGIN",
}
_NO_SHEET = (
    '<!DOCTYPE html><html lang="en-GB"><meta charset="utf-8"><meta name="color-scheme" content="light dark">'
    "<title>Not possible now</title><body><main><h1>Not possible now</h1><p>{}</p></main></body></html>"
)
HEALTH_KEPT_S = 60.0
CLASHED = "This was changed meanwhile, in another tab or elsewhere. Nothing was saved: choose what to keep."


class Library:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self._children = Children(frame.config.folder, frame.config.command)

    async def list(self, request: Request) -> Response:
        query = batches.query_of(request.query_params)
        number = batches.page_number(request.query_params.get("page", "1"))

        def read() -> dict[str, Any]:
            with self._frame.open() as store:
                return batches.listed(store, query, number)

        try:
            told, code = await self._frame.in_thread(read), 200
        except batches.QueryError as error:
            told, code = batches.nothing_listed(query, str(error)), 422
        return self._frame.render(request, "batches.html", "batches", "Batches", code, **told)

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
                kept = given_details(store, row, sent.given, time.time())
                if sent.clashes:
                    return "clash"
                if row.end_t_s is not None:
                    store.edit(row.id, kept, PAGE, time.time())
                    return "kept"
                return store.add_edits(row.pot_id, kept, PAGE, time.time())

        try:
            done = await self._frame.in_thread(write)
        except DetailError as error:
            return await self._page(request, sent, sentence(error), 422)
        if done == "clash":
            return await self._page(request, sent, CLASHED, 409)
        return await self._frame.settled(path, done) if isinstance(done, range) else back(path, done)

    async def report(self, request: Request) -> Response:
        """Return the page around a report: the strip stays while it is written, and while it is read."""
        batch_id = batch_id_of(request)

        def read() -> str:
            with self._frame.open() as store:
                return shown(store.batch(batch_id).label)

        label = await self._frame.in_thread(read)
        path = f"/batch/{batch_id}"
        told: dict[str, Any] = {
            "up": [(path, label or f"Batch {batch_id}"), ("/batches", "Batches")],
            "sheet": f"{path}/report/sheet",
            "pdf": f"{path}/report.pdf",
        }
        title = f"Report of {label or f'batch {batch_id}'}"
        return self._frame.render(request, "sheet.html", "report", title, heading=title, **told)

    async def report_sheet(self, request: Request) -> Response:
        return await self._sheet(self._reported(request, ".html"))

    async def report_pdf(self, request: Request) -> Response:
        content = await self._reported(request, ".pdf")
        name = f'attachment; filename="batch-{batch_id_of(request)}.pdf"'
        return Response(content, media_type="application/pdf", headers={"content-disposition": name})

    async def health(self, request: Request) -> Response:
        pot_id = await self._pot(request)
        path, title = f"/pot/{quote(pot_id, safe='')}", f"Health of {pot_id}"
        told: dict[str, Any] = {
            "up": [(path, pot_id), ("/", "Pots")],
            "sheet": f"{path}/health/sheet",
            "pdf": None,
        }
        return self._frame.render(request, "sheet.html", "health", title, heading=title, **told)

    async def health_sheet(self, request: Request) -> Response:
        pot_id = await self._pot(request)
        key = ("health", pot_id, time.monotonic() // HEALTH_KEPT_S)
        arguments = ["pot", "health", pot_id, "--record", str(self._frame.config.record)]
        return await self._sheet(self._children.made(key, arguments, ".html", kept=True))

    async def _sheet(self, made: Awaitable[bytes]) -> Response:
        """Return what is made as a page in a page of ours; why it could not be made, likewise."""
        code = 200
        try:
            html = await made
        except (RequestRefusedError, RecordError) as error:
            code = error.status if isinstance(error, RequestRefusedError) else 503
            html = _NO_SHEET.format(escape(sentence(shown(str(error))))).encode()
        return HTMLResponse(html, code, headers=_FRAMED)

    async def _pot(self, request: Request) -> str:
        """Return the pot an address names. Raises RequestRefusedError."""
        pot_id = str(request.path_params["pot"])

        def read() -> list[str]:
            with self._frame.open() as store:
                return store.pots()

        if pot_id not in await self._frame.in_thread(read):
            raise RequestRefusedError(404, "There is no such pot.")
        return pot_id

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
                told = batches.shown_batch(store, row)
                told["fields"] = fields(store, row, self._frame.config.pots_of, sent)
                told["pictures"] = shown_pictures(self._frame, row.id, row.details.get(Detail.PICTURES, ""))
                return told

        told = await self._frame.in_thread(read)
        title = told["batch"]["label"] or f"Batch {batch_id}"
        told |= {"filled_in": sent is not None}
        told |= await self._frame.answers(request) if fault is None else {"fault": fault}
        return self._frame.render(request, "batch.html", "batch", title, code, **told)

    async def _reported(self, request: Request, ending: str) -> bytes:
        batch_id = batch_id_of(request)

        def read() -> tuple[BatchRow, int]:
            with self._frame.open() as store:
                return store.batch(batch_id), len(store.edits(batch_id))

        row, edits = await self._frame.in_thread(read)
        arguments = ["batch", "report", str(batch_id), "--record", str(self._frame.config.record)]
        arguments += ["--pdf"] if ending == ".pdf" else []
        key = (batch_id, ending, row.end_t_s, edits)
        return await self._children.made(key, arguments, ending, kept=row.end_t_s is not None)


def whole(text: str) -> int:
    """Return the number of a batch. Raises RequestRefusedError."""
    if not (text.isascii() and text.isdecimal() and len(text) < 11):
        raise RequestRefusedError(422, "A batch has a number.")
    return batch_in_range(int(text))
