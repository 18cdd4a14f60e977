"""Pictures of a cast: uploaded by a phone's browser, which shrinks them first, and served."""

import asyncio
import time
from urllib.parse import quote

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from potvigil.model.batch_details import DetailError
from potvigil.model.events import Detail
from potvigil.model.who import PAGE
from potvigil.page.frame import Frame, batch_id_of
from potvigil.page.ground import sentence
from potvigil.page.guard import RequestRefusedError
from potvigil.record.requests.detail_input import given_details
from potvigil.record.store import Store
from potvigil.upkeep import pictures
from potvigil.upkeep.pictures import PictureError

LARGEST_SENT_BYTES = 4_000_000
SENT_WITHIN_S = 60.0


class Pictures:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame

    async def picture(self, request: Request) -> Response:
        batch_id, name = batch_id_of(request), str(request.path_params["name"])
        record = self._frame.config.record

        def read() -> bytes | None:
            with self._frame.open() as store:
                names = store.batch(batch_id).details.get(Detail.PICTURES, "").splitlines()
            return pictures.read(record, batch_id, name) if name in names else None

        content = await self._frame.in_thread(read)
        kind = None if content is None else pictures.kind_of(content)
        if content is None or kind is None:
            raise RequestRefusedError(404, "There is no such picture.")
        return Response(content, media_type=kind, headers={"cache-control": "private, max-age=3600"})

    async def add(self, request: Request) -> Response:
        """Store a picture sent as the raw request body, with the page's token in a header."""
        visitor = request.cookies.get(self._frame.cookie, "")
        if not self._frame.visitors.has_token(visitor, request.headers.get("x-csrf", "")):
            raise RequestRefusedError(403, "That page is out of date; reload it and try again.")
        content = await _upload(request)
        kind = pictures.kind_of(content)
        if kind is None:
            raise RequestRefusedError(415, "That is not a JPEG, PNG or WebP; choose another picture.")
        batch_id, record = batch_id_of(request), self._frame.config.record

        def write(store: Store) -> range | None:
            row = store.batch(batch_id)
            names = row.details.get(Detail.PICTURES, "").splitlines()
            name = pictures.new_name(record, batch_id, kind, names)
            texts = {Detail.PICTURES: "\n".join([*names, name])}
            details = given_details(store, row, texts, time.time())
            pictures.keep(record, batch_id, name, content)
            if row.end_t_s is None:
                return store.add_edits(row.pot_id, details, PAGE, time.time())
            store.edit(row.id, details, PAGE, time.time())
            return None

        def begin() -> range | None:
            with self._frame.open_to_write() as store:
                return write(store)

        try:
            commands = await self._frame.in_thread(begin)
        except (PictureError, DetailError) as error:
            raise RequestRefusedError(422, sentence(error)) from None
        except OSError as error:
            raise RequestRefusedError(503, f"It could not be saved ({error.strerror or error}).") from None
        if commands is not None:
            await self._frame.settled(f"/batch/{batch_id}", commands)
        return JSONResponse({"kept": True})


def shown_pictures(frame: Frame, batch_id: int, names: str) -> list[dict[str, str | None]]:
    """Return the pictures of a batch. names: one a line. Their `url` is None if the file is not here."""
    record = frame.config.record
    return [
        {
            "name": name,
            "url": f"/batch/{batch_id}/picture/{quote(name, safe='')}"
            if pictures.is_kept(record, batch_id, name)
            else None,
        }
        for name in names.splitlines()
    ]


async def _upload(request: Request) -> bytes:
    if request.headers.get("content-type", "").partition(";")[0] not in pictures.ENDINGS:
        raise RequestRefusedError(415, "Send a picture.")
    body = bytearray()
    try:
        async with asyncio.timeout(SENT_WITHIN_S):
            async for part in request.stream():
                body += part
                if len(body) > LARGEST_SENT_BYTES:
                    raise RequestRefusedError(413, "That picture is too large; choose a smaller one.")
    except TimeoutError:
        raise RequestRefusedError(408, "The picture took too long to arrive; send it again.") from None
    except ClientDisconnect:
        raise RequestRefusedError(400, "The picture arrived incomplete.") from None
    return bytes(body)
