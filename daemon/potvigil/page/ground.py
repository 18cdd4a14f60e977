"""What any page stands on: its visitors, its templates and files, threads that wait for what it reads."""

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
_SAID = {
    "kept": "The details are saved.",
    "same": "Nothing was changed.",
    "subscribed": "This phone will be notified from now on. Send it a test.",
    "unsubscribed": "That phone is no longer notified.",
    "acknowledged": "Acknowledged: its watch says so.",
    "pushed": "The test was sent: it should be on the phone by now.",
}
T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class SiteConfig:
    """password: its hash, None for none. names: the page may be called by. is_encrypted: it is served by TLS.

    authority: what vouches for its certificate (DER), to be trusted by phones; None for one that is none of
    ours. static: folders of its files.
    """

    password: str | None = None
    names: tuple[str, ...] = ()
    is_encrypted: bool = False
    authority: bytes | None = None
    static: tuple[Path, ...] = (STATIC,)


class Ground(ABC):
    """The ground that the pages stand on.

    static: file names with content and version; a fixed list, so that no path can lead out of it. is_own: it
    is of this machine's record, where something can be asked of the watch. templates: folders that go before
    the usual one, which is found there under `page/` too.
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
        """Let the threads go."""
        self._threads.shutdown(wait=False, cancel_futures=True)
        self._now_thread.shutdown(wait=False, cancel_futures=True)

    # -- what is known -----------------------------------------------------------------------------

    @abstractmethod
    def _read_state(self) -> dict[str, Any]:
        """Return /api/now; called by one thread alone."""

    @property
    @abstractmethod
    def _cached_for_s(self) -> float:
        """For how long what was told serves the next who look, s."""

    async def state(self) -> dict[str, Any]:
        """Return /api/now; put together but now and then, however many look."""
        async with self._lock:
            if time.monotonic() - self._cached_s > self._cached_for_s:
                loop = asyncio.get_running_loop()
                self._cached = await loop.run_in_executor(self._now_thread, self._read_state)
                self._cached_s = time.monotonic()
            return self._cached

    def drop_cached(self) -> None:
        """Let whoever looks next be told what is so from now on."""
        self._cached_s = float("-inf")

    async def in_thread(self, function: Callable[..., T], *arguments: object) -> T:
        """Return what a function returns that waits for the record."""
        return await asyncio.get_running_loop().run_in_executor(self._threads, function, *arguments)

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
                "said": _SAID.get(request.query_params.get("said", "")),
                "pots": [pot["id"] for pot in self._cached.get("pots", [])] if logged_in else [],
                "root": "",
                **context,
            },
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
            await self.state()
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


def sentence(said: Exception | str) -> str:
    text = str(said).removesuffix(".")
    return f"{text[:1].upper()}{text[1:]}."
