"""The report of a batch and the health chart of a pot: within a page, as a sheet to print, and as PDF."""

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
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Printable:
    """A record whose sheets are made. root: what its addresses begin with.

    arguments: by which a verb of the command line finds the record. open: it, for whoever may read it.
    """

    root: str
    arguments: tuple[str, ...]
    open: Callable[[], Store]


class Sheets:
    """of: returns the record that an address is about."""

    def __init__(self, ground: Ground, children: Children, of: Callable[[Request], Printable]) -> None:
        self._ground, self._children, self._of = ground, children, of

    def routes(self, page: Callable[[str, Endpoint], Route], root: str = "") -> list[Route]:
        """Return the addresses. page: makes one, for those alone who are logged in."""
        batch, pot = f"{root}/batch/{{batch:int}}", f"{root}/pot/{{pot}}"
        return [
            page(f"{batch}/report", self.report),
            page(f"{batch}/report/sheet", self.report_sheet),
            page(f"{batch}/report.pdf", self.report_pdf),
            page(f"{pot}/health", self.health),
            page(f"{pot}/health/sheet", self.health_sheet),
            page(f"{pot}/health.pdf", self.health_pdf),
        ]

    # -- the page around a sheet: the strip stays while it is written, and while it is read ----------

    async def report(self, request: Request) -> Response:
        batch_id = batch_id_of(request)
        label = await self._read(request, lambda store: shown(store.batch(batch_id).label))
        path = f"{self._of(request).root}/batch/{batch_id}"
        up = [(path, label or f"Batch {batch_id}"), ("/batches", "Batches")]
        title = f"Report of {label or f'batch {batch_id}'}"
        return self._around(request, "report", title, up, f"{path}/report")

    async def health(self, request: Request) -> Response:
        pot_id = await self._pot(request)
        path = f"{self._of(request).root}/pot/{quote(pot_id, safe='')}"
        up = [(path, pot_id), ("/", "Pots")]
        return self._around(request, "health", f"Health of {pot_id}", up, f"{path}/health")

    def _around(
        self, request: Request, here: str, title: str, up: list[tuple[str, str]], path: str
    ) -> Response:
        told: dict[str, Any] = {"heading": title, "up": up, "sheet": f"{path}/sheet", "pdf": f"{path}.pdf"}
        return self._ground.render(request, "sheet.html", here, title, **told)

    # -- the sheets --------------------------------------------------------------------------------

    async def report_sheet(self, request: Request) -> Response:
        return await _framed(self._reported(request, ".html"))

    async def report_pdf(self, request: Request) -> Response:
        return _pdf(await self._reported(request, ".pdf"), f"batch-{batch_id_of(request)}.pdf")

    async def health_sheet(self, request: Request) -> Response:
        return await _framed(self._drawn(request, ".html"))

    async def health_pdf(self, request: Request) -> Response:
        return _pdf(await self._drawn(request, ".pdf"), "health.pdf")

    async def _reported(self, request: Request, ending: str) -> bytes:
        batch_id = batch_id_of(request)

        def read(store: Store) -> tuple[bool, tuple[float | None, int, float | None]]:
            row = store.batch(batch_id)
            # a record that is shipped may have the end of a batch and not yet all of its readings
            until_s = inf if row.end_t_s is None else row.end_t_s
            newest_s = store.extent(row.pot_id, row.start_t_s, until_s, 0).last_s
            return row.end_t_s is not None, (row.end_t_s, len(store.edits(batch_id)), newest_s)

        is_closed, state = await self._read(request, read)
        return await self._made(request, ("batch", "report", str(batch_id)), state, ending, kept=is_closed)

    async def _drawn(self, request: Request, ending: str) -> bytes:
        pot_id, now = await self._pot(request), time.monotonic() // HEALTH_KEPT_S
        return await self._made(request, ("pot", "health", pot_id), now, ending, kept=True)

    async def _made(
        self, request: Request, verb: tuple[str, ...], state: object, ending: str, *, kept: bool
    ) -> bytes:
        """Return what a verb writes. state: what changes where the sheet would."""
        arguments = (*verb, *self._of(request).arguments, *(["--pdf"] if ending == ".pdf" else []))
        return await self._children.made((arguments, state), arguments, ending, kept)

    # -- what is read for them ---------------------------------------------------------------------

    async def _pot(self, request: Request) -> str:
        """Return the pot an address names. Raises RequestRefusedError."""
        pot_id = str(request.path_params["pot"])
        # what a shipped record calls its pots is its Pi's say, and goes to a command line
        if pot_id.startswith("-") or pot_id not in await self._read(request, lambda store: store.pots()):
            raise RequestRefusedError(404, "There is no such pot.")
        return pot_id

    async def _read(self, request: Request, make: Callable[[Store], T]) -> T:
        def read() -> T:
            with self._of(request).open() as store:
                return make(store)

        return await self._ground.in_thread(read)


async def _framed(made: Awaitable[bytes]) -> Response:
    """Return what is made as a page in a page of ours; why it could not be made, likewise."""
    code = 200
    try:
        html = await made
    except UnknownBatchError:
        raise
    except (RequestRefusedError, RecordError) as error:
        code = error.status if isinstance(error, RequestRefusedError) else 503
        html = _NO_SHEET.format(escape(sentence(shown(str(error))))).encode()
    return HTMLResponse(html, code, headers=_FRAMED)


def _pdf(content: bytes, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type="application/pdf", headers=headers)
