"""The routes and error handlers that every site has."""

from collections.abc import Iterable

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import Route

from potvigil.page.ground import Ground
from potvigil.page.guard import RequestRefusedError
from potvigil.page.views.access import Access, Endpoint
from potvigil.page.views.data import SiteData
from potvigil.record.errors import RecordError


def guarded(access: Access, path: str, endpoint: Endpoint, method: str = "GET") -> Route:
    """Return a route for logged-in visitors only."""
    return Route(path, access.guarded(endpoint), methods=[method])


def application(ground: Ground, access: Access, data: SiteData, own: Iterable[Route]) -> Starlette:
    """Return an application with its own routes and the common ones."""
    return Starlette(
        routes=[
            *own,
            guarded(access, "/api/now", data.now),
            guarded(access, "/api/events", data.events),
            guarded(access, "/logout", access.log_out, "POST"),
            Route("/login", access.form, methods=["GET"]),
            Route("/login", access.log_in, methods=["POST"]),
            Route("/authority.crt", data.authority, methods=["GET"]),
            Route("/static/{file}", data.static, methods=["GET"]),
        ],
        exception_handlers={
            RequestRefusedError: ground.refused,
            HTTPException: ground.refused,
            RecordError: ground.record_failed,
        },
    )
