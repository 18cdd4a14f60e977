"""What the page's script asks for: what is known now, once or as it changes; the curves; and its files."""

import asyncio
import json
import mimetypes
import time
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import replace

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from potvigil.page.frame import Frame
from potvigil.page.ground import Ground
from potvigil.page.guard import RequestRefusedError
from potvigil.page.views.curve import LEAST_POINTS, MOST_POINTS, USUAL_POINTS, CurveQuery, curve
from potvigil.page.views.library import whole
from potvigil.page.views.now import PotsOf
from potvigil.page.views.pots import number
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store

MOST_STREAMS = 20
_SHELL = ("offline.html", "offline.js", "page.css", "icon.svg")  # what worker.js keeps
# A stream ends by itself before a request's time is up; the browser then begins anew.
STREAM_S, STREAM_REST_S, STREAM_COMMENT_S = 150.0, 1.0, 15.0


class Told:
    """What is known now, and files, of any page. stopping: whether the streams are to end."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._streams = 0
        self.stopping: Callable[[], bool] = lambda: False

    async def now(self, request: Request) -> Response:
        return JSONResponse(await self._ground.tell())

    async def events(self, request: Request) -> Response:
        if self._streams >= MOST_STREAMS:
            return JSONResponse({"fault": "Too many pages are open; ask /api/now."}, 503)
        return StreamingResponse(self._stream(), media_type="text/event-stream")

    async def authority(self, request: Request) -> Response:
        """Return the certificate a phone is to trust; it is no secret."""
        if self._ground.config.authority is None:
            raise RequestRefusedError(404, "This page has no authority of its own.")
        name = {"content-disposition": 'attachment; filename="potvigil-authority.crt"'}
        return Response(self._ground.config.authority, media_type="application/x-x509-ca-cert", headers=name)

    async def static(self, request: Request) -> Response:
        name = request.path_params["file"]
        found = self._ground.static.get(name)
        if found is None:
            raise RequestRefusedError(404, "There is nothing at this address.")
        content, version = found
        lasting = request.query_params.get("v") == version
        headers = {
            "cache-control": "public, max-age=31536000, immutable" if lasting else "no-cache",
            "etag": f'"{version}"',
        }
        if request.headers.get("if-none-match") == f'"{version}"':
            return Response(status_code=304, headers=headers)
        kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
        return Response(content, media_type=kind, headers=headers)

    async def _stream(self) -> AsyncIterator[str]:
        """Yield what is known whenever it changes, for a while."""
        self._streams += 1
        try:
            began_s = spoke_s = time.monotonic()
            last = ""
            yield "retry: 1000\n\n"
            while not self.stopping() and time.monotonic() - began_s < STREAM_S:
                told = await self._ground.tell()
                text = json.dumps(told, ensure_ascii=False, separators=(",", ":"))
                if text != last:
                    yield f"event: now\ndata: {text}\n\n"
                    last, spoke_s = text, time.monotonic()
                elif time.monotonic() - spoke_s >= STREAM_COMMENT_S:
                    yield ": still here\n\n"
                    spoke_s = time.monotonic()
                await asyncio.sleep(STREAM_REST_S)
        finally:
            self._streams -= 1


class Data(Told):
    """The same of this machine's record, and what else is known of it."""

    def __init__(self, frame: Frame) -> None:
        super().__init__(frame)
        self._frame = frame

    async def metrics(self, request: Request) -> Response:
        text, kind = await self._frame.metrics(request.headers.get("accept", ""))
        return Response(text, headers={"content-type": kind})

    async def curve(self, request: Request) -> Response:
        frame, find = self._frame, curve_of(request.query_params)

        def look() -> CurveQuery:
            with frame.open() as store:
                return find(store)

        asked = await frame.in_thread(look)
        if asked.row is None or asked.row.end_t_s is None:
            asked = replace(asked, live=await frame.live_of(asked.pot_id))

        def draw() -> bytes:
            with frame.open() as store:
                return drawn(store, frame.config.pots_of, asked)

        return Response(await frame.in_thread(draw), media_type="application/json")

    async def worker(self, request: Request) -> Response:
        """Return the page's service worker, of another version whenever what it keeps is another."""
        static = self._frame.static
        version = "-".join(static[name][1] for name in _SHELL)
        source = f'const SHELL_VERSION = "{version}";\n'.encode() + static["worker.js"][0]
        return Response(source, media_type="text/javascript", headers={"cache-control": "no-cache"})


def points_of(text: str) -> int:
    """Return of how many points a curve is asked for. Raises RequestRefusedError."""
    points = number(text, "points") or USUAL_POINTS
    return int(min(max(points, LEAST_POINTS), MOST_POINTS))


def curve_of(query: Mapping[str, str]) -> Callable[[Store], CurveQuery]:
    """Return what finds in a record the curve that an address asks for, without what is live.

    Both raise RequestRefusedError, what finds it RecordError too.
    """
    pot_id, batch = query.get("pot"), query.get("batch")
    if (pot_id is None) == (batch is None):
        raise RequestRefusedError(422, "Give pot or batch.")
    batch_id = None if batch is None else whole(batch)
    from_s, to_s = number(query.get("from", ""), "from"), number(query.get("to", ""), "to")
    points = points_of(query.get("points", ""))

    def find(store: Store) -> CurveQuery:
        row: BatchRow | None
        if batch_id is not None:
            row = store.batch(batch_id)
            found = row.pot_id
        elif pot_id in store.pots():
            found = str(pot_id)
            row = store.open_batch_of(found)
        else:
            raise RequestRefusedError(404, "There is no such pot.")
        return CurveQuery(found, row, None, from_s, to_s, points)

    return find


def drawn(store: Store, pots_of: PotsOf, asked: CurveQuery) -> bytes:
    """Return a curve as JSON. Raises RecordError."""
    told = curve(store, pots_of, asked)
    return json.dumps(told, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()
