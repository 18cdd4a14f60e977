"""The addresses of the page of all records. It only reads."""

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import Route
from starlette.types import ASGIApp

from potvigil.page.guard import Guard, RequestRefusedError
from potvigil.page.many.pages import ManyPages
from potvigil.page.many.seeing import ManyConfig, Seeing
from potvigil.page.views.access import Access, Endpoint
from potvigil.page.views.data import Told
from potvigil.record.errors import RecordError


class ManyPage:
    """The page of all records."""

    def __init__(self, config: ManyConfig) -> None:
        self.seeing = Seeing(config)
        self.data = Told(self.seeing)
        self.app: ASGIApp = Guard(self._routes(), config.names)

    def close(self) -> None:
        self.seeing.close()

    def _routes(self) -> Starlette:
        access, pages, data = Access(self.seeing), ManyPages(self.seeing), self.data

        def page(path: str, endpoint: Endpoint, method: str = "GET") -> Route:
            return Route(path, access.guarded(endpoint), methods=[method])

        return Starlette(
            routes=[
                page("/", pages.glance),
                page("/alarms", pages.alarms),
                page("/health", pages.health),
                page("/batches", pages.batches),
                page("/of/{record:uuid}/pot/{pot}", pages.pot),
                page("/of/{record:uuid}/batch/{batch:int}", pages.batch),
                page("/of/{record:uuid}/batch/{batch:int}/picture/{name}", pages.picture),
                page("/of/{record:uuid}/api/curve", pages.curve),
                page("/api/now", data.now),
                page("/api/events", data.events),
                page("/logout", access.log_out, "POST"),
                Route("/login", access.form, methods=["GET"]),
                Route("/login", access.log_in, methods=["POST"]),
                Route("/authority.crt", data.authority, methods=["GET"]),
                Route("/static/{file}", data.static, methods=["GET"]),
            ],
            exception_handlers={
                RequestRefusedError: self.seeing.refused,
                HTTPException: self.seeing.refused,
                RecordError: self.seeing.record_failed,
            },
        )
