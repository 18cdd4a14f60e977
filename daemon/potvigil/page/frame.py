"""What all pages share: the record, the threads that read it, what is known now, and the frame of a page."""

import asyncio
import hashlib
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from potvigil.live_reader import LivePot, LiveReader
from potvigil.model.events import Answer, Outcome
from potvigil.page.children import COMMAND
from potvigil.page.guard import RequestRefusedError, StaleFormError, read_form
from potvigil.page.sessions import SESSION_S, Visitors, sessions_file
from potvigil.page.views.now import Now, PotsOf
from potvigil.planning.read_request import Rig
from potvigil.record.errors import UnknownBatchError
from potvigil.record.requests.asking import LOOK_AGAIN_S, answer_of, is_settled
from potvigil.record.store import Store
from potvigil.wording.quantities import shown

BY = "page"
THREADS = 4
NOW_KEPT_S = 0.25
_HERE = Path(__file__).parent
_STATIC_KINDS = (".css", ".html", ".js", ".svg", ".png", ".txt", ".ico", ".webmanifest")
_SAID = {
    "kept": "The details are saved.",
    "same": "Nothing was changed.",
    "subscribed": "This phone will be notified from now on. Send it a test.",
    "unsubscribed": "That phone is no longer notified.",
    "pushed": "The test was sent: it should be on the phone by now.",
}
# A browser waits for the watch: longer than the longest sample period, and not for ever.
PATIENCE_S = 15.0
_MOST_ASKED = 100
_LARGEST_ID = 2**31
T = TypeVar("T")
RigsOf = Callable[[str], Mapping[str, Rig]]  # what a plan goes by, of settings as a run keeps them


@dataclass(frozen=True)
class PageConfig:
    """record: the database. live: what the watch leaves in memory. folder: for reports, ours alone.

    pots_of, rigs_of: read settings as a run keeps them. settings: those the page was started with, in that
    form; they count until there is a run. password: its hash, None for none. names: the page may be called
    by. is_encrypted: the page is served by TLS. authority: what vouches for its certificate (DER), to be
    trusted by phones; None for one that is none of ours. command: the program that makes reports.
    """

    record: Path
    live: Path
    pots_of: PotsOf
    rigs_of: RigsOf
    folder: Path
    settings: str | None = None
    password: str | None = None
    names: tuple[str, ...] = ()
    is_encrypted: bool = False
    authority: bytes | None = None
    templates: Path = _HERE / "templates"
    static: Path = _HERE / "static"
    command: tuple[str, ...] = COMMAND


class Frame:
    """The ground that the pages stand on.

    static: file names with content and version; a fixed list, so that no path can lead out of it.
    """

    def __init__(self, config: PageConfig) -> None:
        self.config = config
        self.visitors = Visitors(sessions_file(config.record), config.password)
        self.cookie = "__Host-potvigil" if config.is_encrypted else "potvigil"
        self.static = {
            file.name: (file.read_bytes(), hashlib.sha256(file.read_bytes()).hexdigest()[:12])
            for file in sorted(config.static.glob("*"))
            if file.suffix in _STATIC_KINDS
        }
        self._threads = ThreadPoolExecutor(THREADS)
        self._now = Now(LiveReader(config.live), self.open, config.pots_of)
        self._now_thread = ThreadPoolExecutor(1)
        self._telling = asyncio.Lock()
        self._told: dict[str, Any] = {}
        self._told_s = float("-inf")
        self._templates = Environment(
            loader=FileSystemLoader(config.templates),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def close(self) -> None:
        """Let the threads go."""
        self._threads.shutdown(wait=False, cancel_futures=True)
        self._now_thread.shutdown(wait=False, cancel_futures=True)

    # -- what is known -----------------------------------------------------------------------------

    async def tell(self) -> dict[str, Any]:
        """Return /api/now; put together at most once in NOW_KEPT_S, however many look."""
        async with self._telling:
            if time.monotonic() - self._told_s > NOW_KEPT_S:
                loop = asyncio.get_running_loop()
                self._told = await loop.run_in_executor(self._now_thread, self._now.tell)
                self._told_s = time.monotonic()
            return self._told

    async def live_of(self, pot_id: str) -> LivePot | None:
        """Return what the watch says of a pot, None while it is silent."""
        return await asyncio.get_running_loop().run_in_executor(self._now_thread, self._now.live_of, pot_id)

    async def metrics(self, accept: str) -> tuple[bytes, str]:
        """Return /metrics and its media type. Raises RequestRefusedError without its library."""

        def put_together() -> tuple[bytes, str]:
            try:
                from potvigil.page.metrics import exposed  # takes memory, and few ask for it
            except ImportError as error:
                raise RequestRefusedError(
                    503, f"/metrics needs {error.name}; see `potvigil check`."
                ) from error
            live, is_silent, pots = self._now.heard()
            return exposed(live, is_silent, time.clock_gettime(time.CLOCK_BOOTTIME), pots, accept)

        return await asyncio.get_running_loop().run_in_executor(self._now_thread, put_together)

    async def in_thread(self, function: Callable[..., T], *arguments: object) -> T:
        """Return what a function returns that waits for the record."""
        return await asyncio.get_running_loop().run_in_executor(self._threads, function, *arguments)

    def open(self) -> Store:
        return Store.open_read_only(self.config.record)

    def open_to_write(self) -> Store:
        return Store.open(self.config.record, create=False)

    # -- what is asked of the watch ------------------------------------------------------------------

    async def ask(self, path: str, write: Callable[[Store], range]) -> Response:
        """Write commands for the watch, and go back to a page, which says what became of them."""

        def begin() -> range:
            with self.open_to_write() as store:
                return write(store)

        return await self.settled(path, await self.in_thread(begin))

    async def settled(self, path: str, commands: range) -> Response:
        """Wait until it is known what became of commands, and go back to a page, which says it."""

        def look(waited_s: float) -> bool:
            with self.open_to_write() as store:
                return is_settled(store, commands, waited_s, PATIENCE_S)

        begun_s = time.monotonic()
        while not await self.in_thread(look, time.monotonic() - begun_s):
            await asyncio.sleep(LOOK_AGAIN_S)
        return RedirectResponse(f"{path}?asked={commands.start}-{commands.stop - 1}", 303)

    async def answers(self, request: Request) -> dict[str, str | None]:
        """Return what became of what was asked a moment ago: for the banners `said` and `fault` of a page."""
        commands = _rows(request.query_params.get("asked", ""))
        if commands is None:
            return {}

        def read() -> list[Answer]:
            with self.open() as store:
                return [answer_of(row) for row in store.asked(commands)]

        answers = await self.in_thread(read)
        told: dict[str, str | None] = {}
        for name, is_done in (("said", True), ("fault", False)):
            lines = [each for each in answers if (each.outcome is Outcome.DONE) is is_done]
            told[name] = " ".join(dict.fromkeys(sentence(shown(each.text)) for each in lines)) or None
        return told

    # -- who asks ----------------------------------------------------------------------------------

    def is_logged_in(self, request: Request) -> bool:
        if self.config.password is None:
            return True
        return self.visitors.is_logged_in(request.cookies.get(self.cookie, ""), time.time())

    def set_cookie(self, response: Response, visitor: str) -> None:
        response.set_cookie(
            self.cookie,
            visitor,
            max_age=SESSION_S,
            secure=self.config.is_encrypted,
            httponly=True,
            samesite="strict",
        )

    async def form(self, request: Request) -> dict[str, str]:
        """Return the fields of a form of ours. Raises RequestRefusedError."""
        form = await read_form(request)
        visitor = request.cookies.get(self.cookie, "")
        if not self.visitors.is_one(visitor) or not self.visitors.holds(visitor, form.pop("csrf", "")):
            raise StaleFormError(form)
        return form

    # -- what is answered --------------------------------------------------------------------------

    def render(
        self, request: Request, template: str, here: str, title: str, code: int = 200, **context: Any
    ) -> HTMLResponse:
        """Return a page; a browser without a cookie is given one."""
        visitor = request.cookies.get(self.cookie, "")
        is_new = not self.visitors.is_one(visitor)
        visitor = self.visitors.new() if is_new else visitor
        logged_in = self.is_logged_in(request)
        html = self._templates.get_template(template).render(
            title=shown(title),
            here=here,
            zone=self._told.get("zone", ""),
            workshop=self._told.get("workshop", ""),
            rehearsed=self._told.get("rehearsed"),
            pots=[pot["id"] for pot in self._told.get("pots", [])] if logged_in else [],
            csrf=self.visitors.token(visitor),
            has_password=self.config.password is not None,
            logged_in=logged_in,
            strip=self._told.get("strip") if logged_in else None,
            static=self._static_url,
            **{"said": _SAID.get(request.query_params.get("said", ""))} | context,
        )
        response = HTMLResponse(html, code)
        if is_new:
            self.set_cookie(response, visitor)
        return response

    def say(
        self, request: Request, status: int, text: str, headers: Mapping[str, str] | None = None
    ) -> Response:
        """Return one line, as a page or as JSON."""
        text = shown(text)
        if request.url.path.startswith("/api/"):
            return JSONResponse({"fault": text}, status, headers)
        heading = {404: "Not found", 403: "Not done", 422: "Not done"}.get(status, "Not possible now")
        told = {"heading": heading, "text": text, "status": status, "back": "/"}
        response = self.render(request, "message.html", "message", heading, status, **told)
        response.headers.update(headers or {})
        return response

    async def refused(self, request: Request, error: Exception) -> Response:
        if self.is_logged_in(request):
            await self.tell()
        if isinstance(error, RequestRefusedError):
            # what is still to come of such a form is not waited for
            headers = {"connection": "close"} if error.status in (408, 413) else None
            return self.say(request, error.status, error.text, headers)
        assert isinstance(error, HTTPException)
        text = {404: "There is nothing at this address."}.get(
            error.status_code, "That request is not possible here."
        )
        return self.say(request, error.status_code, text, error.headers)

    async def record_failed(self, request: Request, error: Exception) -> Response:
        if isinstance(error, UnknownBatchError):
            return self.say(request, 404, "There is no such batch, or no data for it yet.")
        return self.say(request, 503, sentence(error))

    def _static_url(self, name: str) -> str:
        known = self.static.get(name)
        return f"/static/{name}" + ("" if known is None else f"?v={known[1]}")


def back(path: str, said: str) -> Response:
    """Return the way back to a page, which then says what was done."""
    return RedirectResponse(f"{path}?said={said}", 303)


def batch_id_of(request: Request) -> int:
    """Return the batch an address names. Raises RequestRefusedError."""
    return batch_in_range(request.path_params["batch"])


def batch_in_range(batch_id: int) -> int:
    """Return a number that a batch can have. Raises RequestRefusedError."""
    if batch_id >= _LARGEST_ID:
        raise RequestRefusedError(404, "There is no such batch.")
    return batch_id


def sentence(said: Exception | str) -> str:
    text = str(said).removesuffix(".")
    return f"{text[:1].upper()}{text[1:]}."


def _rows(text: str) -> range | None:
    """Return which commands an address names, '17-19'; None for none that can be."""
    first, dash, last = text.partition("-")
    if not (dash and all(each.isascii() and each.isdecimal() and len(each) < 16 for each in (first, last))):
        return None
    rows = range(int(first), int(last) + 1)
    return rows if 0 < len(rows) <= _MOST_ASKED else None
