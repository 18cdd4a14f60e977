"""The page's routes, and its server.

The page writes only commands for the watch and details of closed batches; it actuates nothing.
"""

import asyncio
import logging
import signal
import socket
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import h11
import uvicorn
from starlette.applications import Starlette
from starlette.routing import Route
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from potvigil.page.frame import Frame, PageConfig
from potvigil.page.guard import LARGEST_HEAD_BYTES, Guard
from potvigil.page.printed.children import Children
from potvigil.page.printed.sheets import Printable, Sheets
from potvigil.page.routes import application, guarded
from potvigil.page.views.access import Access
from potvigil.page.views.data import Data, SiteData
from potvigil.page.views.library import Library
from potvigil.page.views.phones import PhoneViews
from potvigil.page.views.pictures import Pictures
from potvigil.page.views.plans import Plans
from potvigil.page.views.pots import Pots

# Limits for a request's head, from its first byte or the connection (TLS handshake included), and for its
# body, which a view may limit further.
HEAD_WITHIN_S, BODY_WITHIN_S = 10.0, 70.0
# How long a client may take to receive the end of a response.
_DRAIN_WITHIN_S = 10.0
_STOP_WITHIN_S = 3


class Site(Protocol):
    """What a server runs. `data.stopping` tells the streams whether to end."""

    app: ASGIApp
    data: SiteData

    def close(self) -> None: ...


class Page:
    """The page of one record."""

    data: SiteData

    def __init__(self, config: PageConfig) -> None:
        self.frame = Frame(config)
        self.data = data = Data(self.frame)
        self.app: ASGIApp = Guard(self._routes(data), config.names)

    def close(self) -> None:
        self.frame.close()

    def _routes(self, data: Data) -> Starlette:
        access, pots, library = Access(self.frame), Pots(self.frame), Library(self.frame)
        plans, phones, pictures = Plans(self.frame), PhoneViews(self.frame), Pictures(self.frame)
        config = self.frame.config
        record = Printable("", ("--record", str(config.record)), self.frame.open)
        sheets = Sheets(self.frame, Children(config.folder, config.command), lambda _: record)

        page = partial(guarded, access)
        own = [
            page("/", pots.glance),
            page("/pot/{pot}", pots.pot),
            page("/pot/{pot}/acknowledge", pots.acknowledge, "POST"),
            page("/pot/{pot}/shelve", pots.shelve, "POST"),
            page("/pot/{pot}/unshelve", pots.unshelve, "POST"),
            page("/pot/{pot}/open", pots.open, "POST"),
            page("/pot/{pot}/close", pots.close, "POST"),
            page("/plan", plans.plan),
            page("/plan/checklist", plans.checklist),
            page("/batches", library.list),
            page("/batch/{batch:int}", library.batch),
            page("/batch/{batch:int}/edit", library.edit, "POST"),
            page("/batch/{batch:int}/picture", pictures.add, "POST"),
            page("/batch/{batch:int}/picture/{name}", pictures.picture),
            page("/phones", phones.page),
            page("/phones/subscribe", phones.subscribe, "POST"),
            page("/phones/remove", phones.remove, "POST"),
            page("/phones/test", phones.test, "POST"),
            *sheets.routes(page),
            page("/api/push", phones.push_keys),
            page("/api/curve", data.curve),
            Route("/metrics", access.guarded_for_programs(data.metrics), methods=["GET"]),
            Route("/worker.js", data.worker, methods=["GET"]),
        ]
        return application(self.frame, access, data, own)


@dataclass(frozen=True)
class Tls:
    """Certificate and key of the page."""

    cert_file: Path
    key_file: Path


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._ready()


class _Loop(asyncio.SelectorEventLoop):
    """Limits the TLS handshake to the time a request's head may take."""

    async def create_server(self, *arguments: Any, **options: Any) -> asyncio.Server:
        if options.get("ssl") is not None:
            options["ssl_handshake_timeout"] = HEAD_WITHIN_S
        return await super().create_server(*arguments, **options)


class _Protocol(H11Protocol):
    """HTTP that closes slow connections (slowloris), and those still sending a body nobody reads."""

    _timer: asyncio.TimerHandle | None = None
    _in_body = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._start_timer(HEAD_WITHIN_S)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is h11.IDLE:  # its head is incomplete
            if self._timer is None:
                self._start_timer(HEAD_WITHIN_S)
        elif self.conn.their_state is not h11.SEND_BODY:
            self._cancel_timer()
        elif not self._in_body:
            self._cancel_timer()
            self._start_timer(BODY_WITHIN_S)
            self._in_body = True

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if self.conn.their_state is h11.SEND_BODY:  # answered without reading the body
            self._close_soon()

    def timeout_keep_alive_handler(self) -> None:
        super().timeout_keep_alive_handler()
        self._close_soon()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel_timer()
        super().connection_lost(exc)

    def _start_timer(self, within_s: float) -> None:
        self._timer = self.loop.call_later(within_s, self._close_soon)

    def _close_soon(self) -> None:
        self.transport.close()  # once all is sent
        self.loop.call_later(_DRAIN_WITHIN_S, self.transport.abort)

    def _cancel_timer(self) -> None:
        self._in_body = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def serve(page: Site, listening: socket.socket, tls: Tls | None, ready: Callable[[], None]) -> None:
    """Serve the page until SIGINT or SIGTERM. ready: called once it listens. Raises OSError, ssl.SSLError."""
    logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
    config = uvicorn.Config(
        page.app,
        http=_Protocol,
        ws="none",
        lifespan="off",
        loop=f"{__name__}:_Loop",
        log_config=None,
        access_log=False,
        # anybody can forge those headers
        proxy_headers=False,
        server_header=False,
        h11_max_incomplete_event_size=LARGEST_HEAD_BYTES,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=_STOP_WITHIN_S,
        ssl_certfile=None if tls is None else tls.cert_file,
        ssl_keyfile=None if tls is None else tls.key_file,
    )
    config.load()
    server = _Server(config, ready)
    page.data.stopping = lambda: server.should_exit
    # uvicorn shuts down gracefully and then raises the signal again; by then there is nothing left to do.
    before = {number: signal.signal(number, lambda *_: None) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        server.run(sockets=[listening])
    finally:
        page.close()
        for number, handler in before.items():
            signal.signal(number, handler)
