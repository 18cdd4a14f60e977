"""What every page builds on: visitors, templates, static files, threads for blocking reads, cached state."""

import asyncio
import hashlib
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PrefixLoader, StrictUndefined
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from potvigil.page.guard import RequestRefusedError, StaleFormError, read_form
from potvigil.page.sessions import SESSION_S, Visitors
from potvigil.record.errors import UnknownBatchError
from potvigil.wording.quantities import shown

THREADS = 4
_HERE = Path(__file__).parent
TEMPLATES, STATIC = _HERE / "templates", _HERE / "static"
_STATIC_KINDS = (".css", ".html", ".js", ".svg", ".png", ".txt", ".ico", ".webmanifest")
_BANNERS = {
    "kept": "The details are saved.",
    "same": "Nothing was changed.",
    "subscribed": "This phone will be notified from now on. Send it a test.",
    "unsubscribed": "That phone is no longer notified.",
    "acknowledged": "Acknowledged; its watch confirms it.",
    "pushed": "The test was sent: it should be on the phone by now.",
}
T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class SiteConfig:
    """password: its hash, None for none. names: accepted host names. is_encrypted: served over TLS.

    authority: certificate (DER) of our own authority, for phones to trust; None without one. static: folders
    of static files.
    """

    password: str | None = None
    names: tuple[str, ...] = ()
    is_encrypted: bool = False
    authority: bytes | None = None
    static: tuple[Path, ...] = (STATIC,)


class Ground(ABC):
    """The base of a site's pages.

    static: content and version by file name; read in advance, so no path can lead out of it. is_own: it shows
    this machine's record, whose watch takes commands. templates: folders searched before the usual one, which
    is also available under `page/`.
    """

    is_own = True

    def __init__(self, config: SiteConfig, sessions: Path | None, templates: Sequence[Path] = ()) -> None:
        self.config = config
        self.visitors = Visitors(sessions, config.password)
        self.cookie = "__Host-potvigil" if config.is_encrypted else "potvigil"
        self.static = {
            file.name: (file.read_bytes(), hashlib.sha256(file.read_bytes()).hexdigest()[:12])
            for folder in config.static
            for file in sorted(folder.glob("*"))
            if file.suffix in _STATIC_KINDS
        }
        self._threads = ThreadPoolExecutor(THREADS)
        self._now_thread = ThreadPoolExecutor(1)
        self._lock = asyncio.Lock()
        self._cached: dict[str, Any] = {}
        self._cached_s = float("-inf")
        self._templates = Environment(
            loader=ChoiceLoader(
                [
                    FileSystemLoader([*templates, TEMPLATES]),
                    PrefixLoader({"page": FileSystemLoader(TEMPLATES)}),
                ]
            ),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def close(self) -> None:
        """Stop the threads."""
        self._threads.shutdown(wait=False, cancel_futures=True)
        self._now_thread.shutdown(wait=False, cancel_futures=True)

    # -- state -------------------------------------------------------------------------------------

    @abstractmethod
    def _read_state(self) -> dict[str, Any]:
        """Return /api/now; always called on the same thread."""

    @property
    @abstractmethod
    def _cached_for_s(self) -> float:
        """How long a cached state is served, s."""

    async def state(self) -> dict[str, Any]:
        """Return /api/now, from the cache while that is fresh."""
        async with self._lock:
            if time.monotonic() - self._cached_s > self._cached_for_s:
                loop = asyncio.get_running_loop()
                self._cached = await loop.run_in_executor(self._now_thread, self._read_state)
                self._cached_s = time.monotonic()
            return self._cached

    def drop_cached(self) -> None:
        """Make the next call of `state` read it afresh."""
        self._cached_s = float("-inf")

    async def in_thread(self, function: Callable[..., T], *arguments: object) -> T:
        """Run a blocking function on a worker thread."""
        return await asyncio.get_running_loop().run_in_executor(self._threads, function, *arguments)

    # -- visitors ----------------------------------------------------------------------------------

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
        """Return the fields of a form, its token checked. Raises RequestRefusedError."""
        form = await read_form(request)
        visitor = request.cookies.get(self.cookie, "")
        if not self.visitors.is_cookie(visitor) or not self.visitors.has_token(visitor, form.pop("csrf", "")):
            raise StaleFormError(form)
        return form

    # -- responses ---------------------------------------------------------------------------------

    def render(
        self, request: Request, template: str, here: str, title: str, code: int = 200, **context: Any
    ) -> HTMLResponse:
        """Render a page; set a cookie if the browser has none."""
        visitor = request.cookies.get(self.cookie, "")
        is_new = not self.visitors.is_cookie(visitor)
        visitor = self.visitors.new() if is_new else visitor
        logged_in = self.is_logged_in(request)
        html = self._templates.get_template(template).render(
            title=shown(title),
            here=here,
            zone=self._cached.get("zone", ""),
            workshop=self._cached.get("workshop", ""),
            rehearsed=self._cached.get("rehearsed"),
            csrf=self.visitors.token(visitor),
            has_password=self.config.password is not None,
            logged_in=logged_in,
            own=self.is_own,
            strip=self._cached.get("strip") if logged_in else None,
            notice=self._cached.get("notice") if logged_in else None,
            static=self._static_url,
            **{
                "said": _BANNERS.get(request.query_params.get("said", "")),
                "pots": [pot["id"] for pot in self._cached.get("pots", [])] if logged_in else [],
                "root": "",
                **context,
            },
        )
        response = HTMLResponse(html, code)
        if is_new:
            self.set_cookie(response, visitor)
        return response

    def message(
        self, request: Request, status: int, text: str, headers: Mapping[str, str] | None = None
    ) -> Response:
        """Return a one-line message, as a page or as JSON."""
        text = shown(text)
        if request.url.path.startswith("/api/"):
            return JSONResponse({"fault": text}, status, headers)
        heading = {404: "Not found", 403: "Not done", 422: "Not done"}.get(status, "Not possible now")
        context = {"heading": heading, "text": text, "status": status, "back": "/"}
        response = self.render(request, "message.html", "message", heading, status, **context)
        response.headers.update(headers or {})
        return response

    async def refused(self, request: Request, error: Exception) -> Response:
        if self.is_logged_in(request):
            await self.state()
        if isinstance(error, RequestRefusedError):
            # do not wait for the rest of the body
            headers = {"connection": "close"} if error.status in (408, 413) else None
            return self.message(request, error.status, error.text, headers)
        assert isinstance(error, HTTPException)
        text = {404: "There is nothing at this address."}.get(
            error.status_code, "That request is not possible here."
        )
        return self.message(request, error.status_code, text, error.headers)

    async def record_failed(self, request: Request, error: Exception) -> Response:
        if isinstance(error, UnknownBatchError):
            return self.message(request, 404, "There is no such batch, or no data for it yet.")
        return self.message(request, 503, sentence(error))

    def _static_url(self, name: str) -> str:
        known = self.static.get(name)
        return f"/static/{name}" + ("" if known is None else f"?v={known[1]}")


def sentence(words: Exception | str) -> str:
    text = str(words).removesuffix(".")
    return f"{text[:1].upper()}{text[1:]}."
