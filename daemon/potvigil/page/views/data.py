"""What the page's scripts fetch: the current state, once or as a stream; the curves; static files."""

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
from potvigil.page.views.library import batch_number
from potvigil.page.views.now import PotsOf
from potvigil.page.views.pots import number
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store

MOST_STREAMS = 20
_SHELL = ("offline.html", "offline.js", "page.css", "icon.svg")  # cached by worker.js
# A stream ends before a request's time limit; the browser then reconnects.
STREAM_S, STREAM_REST_S, STREAM_COMMENT_S = 150.0, 1.0, 15.0


class SiteData:
    """The state and the static files, the same for every page. stopping: whether the streams are to end."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._streams = 0
        self.stopping: Callable[[], bool] = lambda: False

    async def now(self, request: Request) -> Response:
        return JSONResponse(await self._ground.state())

    async def events(self, request: Request) -> Response:
        if self._streams >= MOST_STREAMS:
            return JSONResponse({"fault": "Too many pages are open; ask /api/now."}, 503)
        return StreamingResponse(self._stream(), media_type="text/event-stream")

    async def authority(self, request: Request) -> Response:
        """Return the authority's certificate, for phones to trust; it is public."""
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
        """Yield the state whenever it changes, for STREAM_S at most."""
        self._streams += 1
        try:
            began_s = sent_s = time.monotonic()
            last = ""
            yield "retry: 1000\n\n"
            while not self.stopping() and time.monotonic() - began_s < STREAM_S:
                state = await self._ground.state()
                text = json.dumps(state, ensure_ascii=False, separators=(",", ":"))
                if text != last:
                    yield f"event: now\ndata: {text}\n\n"
                    last, sent_s = text, time.monotonic()
                elif time.monotonic() - sent_s >= STREAM_COMMENT_S:
                    yield ": still here\n\n"
                    sent_s = time.monotonic()
                await asyncio.sleep(STREAM_REST_S)
        finally:
            self._streams -= 1


class Data(SiteData):
    """Also the metrics and curves of this machine's record."""

    def __init__(self, frame: Frame) -> None:
        super().__init__(frame)
        self._frame = frame

    async def metrics(self, request: Request) -> Response:
        text, kind = await self._frame.metrics(request.headers.get("accept", ""))
        return Response(text, headers={"content-type": kind})

    async def curve(self, request: Request) -> Response:
        frame, find = self._frame, curve_finder(request.query_params)

        def look() -> CurveQuery:
            with frame.open() as store:
                return find(store)

        wanted = await frame.in_thread(look)
        if wanted.row is None or wanted.row.end_t_s is None:
            wanted = replace(wanted, live=await frame.live_of(wanted.pot_id))

        def draw() -> bytes:
            with frame.open() as store:
                return curve_json(store, frame.config.pots_of, wanted)

        return Response(await frame.in_thread(draw), media_type="application/json")

    async def worker(self, request: Request) -> Response:
        """Return the page's service worker; its version changes with the files it caches."""
        static = self._frame.static
        version = "-".join(static[name][1] for name in _SHELL)
        source = f'const SHELL_VERSION = "{version}";\n'.encode() + static["worker.js"][0]
        return Response(source, media_type="text/javascript", headers={"cache-control": "no-cache"})


def points_of(text: str) -> int:
    """Return how many points a curve should have. Raises RequestRefusedError."""
    points = number(text, "points") or USUAL_POINTS
    return int(min(max(points, LEAST_POINTS), MOST_POINTS))


def curve_finder(query: Mapping[str, str]) -> Callable[[Store], CurveQuery]:
    """Return a function that looks up in a record the curve a URL asks for, without live readings.

    Both raise RequestRefusedError; the function also RecordError.
    """
    pot_id, batch = query.get("pot"), query.get("batch")
    if (pot_id is None) == (batch is None):
        raise RequestRefusedError(422, "Give pot or batch.")
    batch_id = None if batch is None else batch_number(batch)
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


def curve_json(store: Store, pots_of: PotsOf, query: CurveQuery) -> bytes:
    """Return a curve as JSON. Raises RecordError."""
    points = curve(store, pots_of, query)
    return json.dumps(points, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()
