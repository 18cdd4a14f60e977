"""The report of a batch and the health chart of a pot: framed in a page, as a printable sheet, and as PDF."""

import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from html import escape
from math import inf
from typing import Any, TypeVar
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from potvigil.page.frame import batch_id_of
from potvigil.page.ground import Ground, sentence
from potvigil.page.guard import RequestRefusedError
from potvigil.page.printed.children import Children
from potvigil.page.views.access import Endpoint
from potvigil.record.errors import RecordError, UnknownBatchError
from potvigil.record.store import Store
from potvigil.wording.quantities import shown

# A sheet contains what people have typed and stands alone: it may use inline styles and images, nothing else.
PAPER_CSP = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; sandbox"
)
# Framed by our own page, whose script measures its height; the sheet itself runs no script.
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
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Printable:
    """A record to render sheets of. root: prefix of its URLs.

    arguments: command-line arguments that name the record. open: opens it for reading.
    """

    root: str
    arguments: tuple[str, ...]
    open: Callable[[], Store]


class Sheets:
    """The routes and pages of sheets. of: returns the record a request is about."""

    def __init__(self, ground: Ground, children: Children, of: Callable[[Request], Printable]) -> None:
        self._ground, self._children, self._of = ground, children, of

    def routes(self, page: Callable[[str, Endpoint], Route], root: str = "") -> list[Route]:
        """Return the routes. page: makes one for logged-in visitors only."""
        batch, pot = f"{root}/batch/{{batch:int}}", f"{root}/pot/{{pot}}"
        return [
            page(f"{batch}/report", self.report),
            page(f"{batch}/report/sheet", self.report_sheet),
            page(f"{batch}/report.pdf", self.report_pdf),
            page(f"{pot}/health", self.health),
            page(f"{pot}/health/sheet", self.health_sheet),
            page(f"{pot}/health.pdf", self.health_pdf),
        ]

    # -- the page around a sheet: keeps the strip visible while it is rendered and read --------------

    async def report(self, request: Request) -> Response:
        batch_id = batch_id_of(request)
        label = await self._read(request, lambda store: shown(store.batch(batch_id).label))
        path = f"{self._of(request).root}/batch/{batch_id}"
        up = [(path, label or f"Batch {batch_id}"), ("/batches", "Batches")]
        title = f"Report of {label or f'batch {batch_id}'}"
        return self._framing_page(request, "report", title, up, f"{path}/report")

    async def health(self, request: Request) -> Response:
        pot_id = await self._pot(request)
        path = f"{self._of(request).root}/pot/{quote(pot_id, safe='')}"
        up = [(path, pot_id), ("/", "Pots")]
        return self._framing_page(request, "health", f"Health of {pot_id}", up, f"{path}/health")

    def _framing_page(
        self, request: Request, here: str, title: str, up: list[tuple[str, str]], path: str
    ) -> Response:
        context: dict[str, Any] = {"heading": title, "up": up, "sheet": f"{path}/sheet", "pdf": f"{path}.pdf"}
        return self._ground.render(request, "sheet.html", here, title, **context)

    # -- the sheets --------------------------------------------------------------------------------

    async def report_sheet(self, request: Request) -> Response:
        return await _framed(self._report_file(request, ".html"))

    async def report_pdf(self, request: Request) -> Response:
        return _pdf(await self._report_file(request, ".pdf"), f"batch-{batch_id_of(request)}.pdf")

    async def health_sheet(self, request: Request) -> Response:
        return await _framed(self._health_file(request, ".html"))

    async def health_pdf(self, request: Request) -> Response:
        return _pdf(await self._health_file(request, ".pdf"), "health.pdf")

    async def _report_file(self, request: Request, ending: str) -> bytes:
        batch_id = batch_id_of(request)

        def read(store: Store) -> tuple[bool, tuple[float | None, int, float | None]]:
            row = store.batch(batch_id)
            # a shipped record may have the end of a batch before all of its readings
            until_s = inf if row.end_t_s is None else row.end_t_s
            newest_s = store.extent(row.pot_id, row.start_t_s, until_s, 0).last_s
            return row.end_t_s is not None, (row.end_t_s, len(store.edits(batch_id)), newest_s)

        is_closed, state = await self._read(request, read)
        return await self._file(request, ("batch", "report", str(batch_id)), state, ending, kept=is_closed)

    async def _health_file(self, request: Request, ending: str) -> bytes:
        pot_id, now = await self._pot(request), time.monotonic() // HEALTH_KEPT_S
        return await self._file(request, ("pot", "health", pot_id), now, ending, kept=True)

    async def _file(
        self, request: Request, verb: tuple[str, ...], state: object, ending: str, *, kept: bool
    ) -> bytes:
        """Return a verb's output. state: changes whenever the sheet would."""
        arguments = (*verb, *self._of(request).arguments, *(["--pdf"] if ending == ".pdf" else []))
        return await self._children.content((arguments, state), arguments, ending, kept)

    # -- reading the record ------------------------------------------------------------------------

    async def _pot(self, request: Request) -> str:
        """Return the pot a URL names. Raises RequestRefusedError."""
        pot_id = str(request.path_params["pot"])
        # the name goes on a command line, and a shipped record's Pi could call its pot anything
        if pot_id.startswith("-") or pot_id not in await self._read(request, lambda store: store.pots()):
            raise RequestRefusedError(404, "There is no such pot.")
        return pot_id

    async def _read(self, request: Request, make: Callable[[Store], T]) -> T:
        def read() -> T:
            with self._of(request).open() as store:
                return make(store)

        return await self._ground.in_thread(read)


async def _framed(sheet: Awaitable[bytes]) -> Response:
    """Return a sheet, or the reason why there is none, for framing in our own page."""
    code = 200
    try:
        html = await sheet
    except UnknownBatchError:
        raise
    except (RequestRefusedError, RecordError) as error:
        code = error.status if isinstance(error, RequestRefusedError) else 503
        html = _NO_SHEET.format(escape(sentence(shown(str(error))))).encode()
    return HTMLResponse(html, code, headers=_FRAMED)


def _pdf(content: bytes, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type="application/pdf", headers=headers)
