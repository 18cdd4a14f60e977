"""The pages of the batches: the list, one batch, its details, its report; and the health chart of a pot."""

import time
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from potvigil.model.batch_details import DetailError
from potvigil.model.events import Detail
from potvigil.page.children import Children
from potvigil.page.frame import BY, Frame, back, sentence
from potvigil.page.guard import RefusedError
from potvigil.page.views import batches
from potvigil.record.detail_input import given_details, habits_of
from potvigil.record.rows import BatchRow
from potvigil.wording.quantities import shown

# What is made to be printed is somebody's words in a page of its own: it may show pictures and style
# itself, and no more.
PAPER_CSP = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; sandbox"
)
_FRAMED_CSP = PAPER_CSP.replace("frame-ancestors 'none'", "frame-ancestors 'self'")  # in a page of ours
HEALTH_KEPT_S = 60.0
_LARGEST_ID = 2**31


class Library:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self._children = Children(frame.config.folder, frame.config.command)

    async def list(self, request: Request) -> Response:
        query = {key: shown(request.query_params.get(key, "")[:200]) for key in batches.QUERY}
        page = request.query_params.get("page", "1")
        number = int(page) if page.isascii() and page.isdecimal() and len(page) < 7 else 1
        number = min(max(number, 1), batches.LAST_PAGE)

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
        form = await self._frame.form(request)
        batch_id = _batch_id(request)
        path = f"/batch/{batch_id}"
        given: dict[Detail, str] = {}

        def write() -> str | range:
            with self._frame.open_to_write() as store:
                row = store.batch(batch_id)
                given.update(batches.changed(form, row, habits_of(store)[1]))
                if not given:
                    return "same"
                kept = given_details(store, row, given, time.time())
                if row.end_t_s is not None:
                    store.edit(row.id, kept, BY, time.time())
                    return "kept"
                return store.add_edits(row.pot_id, kept, BY, time.time())

        try:
            done = await self._frame.in_thread(write)
        except DetailError as error:
            return await self._page(request, given, sentence(error), 422)
        return await self._frame.settled(path, done) if isinstance(done, range) else back(path, done)

    async def report(self, request: Request) -> Response:
        return _drawn(await self._reported(request, ".html"))

    async def report_pdf(self, request: Request) -> Response:
        content = await self._reported(request, ".pdf")
        name = f'attachment; filename="batch-{_batch_id(request)}.pdf"'
        return Response(content, media_type="application/pdf", headers={"content-disposition": name})

    async def health(self, request: Request) -> Response:
        pot_id = await self._pot(request)
        return self._frame.render(request, "health.html", "health", f"Health of {pot_id}", pot=pot_id)

    async def health_sheet(self, request: Request) -> Response:
        pot_id = await self._pot(request)
        key = ("health", pot_id, time.monotonic() // HEALTH_KEPT_S)
        arguments = ["pot", "health", pot_id, "--record", str(self._frame.config.record)]
        sheet = _drawn(await self._children.made(key, arguments, ".html", kept=True))
        sheet.headers["content-security-policy"] = _FRAMED_CSP
        sheet.headers["x-frame-options"] = "SAMEORIGIN"
        return sheet

    async def _pot(self, request: Request) -> str:
        """Return the pot an address names. Raises RefusedError."""
        pot_id = str(request.path_params["pot"])

        def read() -> list[str]:
            with self._frame.open() as store:
                return store.pots()

        if pot_id not in await self._frame.in_thread(read):
            raise RefusedError(404, "There is no such pot.")
        return pot_id

    async def _page(
        self,
        request: Request,
        given: Mapping[Detail, str] | None = None,
        fault: str | None = None,
        code: int = 200,
    ) -> Response:
        batch_id = _batch_id(request)

        def read() -> dict[str, Any]:
            with self._frame.open() as store:
                row = store.batch(batch_id)
                fields = batches.fields(store, row, self._frame.config.pots_of, given)
                return batches.shown_batch(store, row) | {"fields": fields}

        told = await self._frame.in_thread(read)
        title = told["batch"]["label"] or f"Batch {batch_id}"
        told |= {"filled_in": given is not None}
        told |= await self._frame.answers(request) if fault is None else {"fault": fault}
        return self._frame.render(request, "batch.html", "batch", title, code, **told)

    async def _reported(self, request: Request, ending: str) -> bytes:
        batch_id = _batch_id(request)

        def read() -> tuple[BatchRow, int]:
            with self._frame.open() as store:
                return store.batch(batch_id), len(store.edits(batch_id))

        row, edits = await self._frame.in_thread(read)
        arguments = ["batch", "report", str(batch_id), "--record", str(self._frame.config.record)]
        arguments += ["--pdf"] if ending == ".pdf" else []
        key = (batch_id, ending, row.end_t_s, edits)
        return await self._children.made(key, arguments, ending, kept=row.end_t_s is not None)


def whole(text: str) -> int:
    """Return the number of a batch. Raises RefusedError."""
    if not (text.isascii() and text.isdecimal() and len(text) < 11):
        raise RefusedError(422, "A batch has a number.")
    return _in_range(int(text))


def _batch_id(request: Request) -> int:
    return _in_range(request.path_params["batch"])


def _in_range(batch_id: int) -> int:
    if batch_id >= _LARGEST_ID:
        raise RefusedError(404, "There is no such batch.")
    return batch_id


def _drawn(html: bytes) -> Response:
    return HTMLResponse(html, headers={"content-security-policy": PAPER_CSP})
