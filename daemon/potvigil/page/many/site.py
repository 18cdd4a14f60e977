"""The routes of the page of all records. It only reads, and acknowledges alarms if it has a broker."""

from functools import partial

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.types import ASGIApp

from potvigil.page.guard import Guard
from potvigil.page.many.pages import ManyPages, record_of
from potvigil.page.many.studio_ground import ManyConfig, StudioGround
from potvigil.page.printed.children import Children
from potvigil.page.printed.sheets import Printable, Sheets
from potvigil.page.routes import application, guarded
from potvigil.page.views.access import Access
from potvigil.page.views.data import SiteData


class ManyPage:
    """The page of all records."""

    def __init__(self, config: ManyConfig) -> None:
        self.ground = StudioGround(config)
        self.data = SiteData(self.ground)
        self.app: ASGIApp = Guard(self._routes(), config.names)

    def close(self) -> None:
        self.ground.close()

    def _routes(self) -> Starlette:
        access, pages, data = Access(self.ground), ManyPages(self.ground), self.data

        config = self.ground.config
        sheets = Sheets(self.ground, Children(config.folder, config.command), self._printable)

        page = partial(guarded, access)
        own = [
            page("/", pages.glance),
            page("/alarms", pages.alarms),
            page("/health", pages.health),
            page("/batches", pages.batches),
            page("/of/{record:uuid}/pot/{pot}", pages.pot),
            page("/of/{record:uuid}/pot/{pot}/acknowledge", pages.acknowledge, "POST"),
            page("/of/{record:uuid}/batch/{batch:int}", pages.batch),
            page("/of/{record:uuid}/batch/{batch:int}/picture/{name}", pages.picture),
            page("/of/{record:uuid}/api/curve", pages.curve),
            *sheets.routes(page, "/of/{record:uuid}"),
        ]
        return application(self.ground, access, data, own)

    def _printable(self, request: Request) -> Printable:
        record = record_of(request)
        arguments = ("--of", str(record), "--config", str(self.ground.config.settings))
        return Printable(f"/of/{record}", arguments, partial(self.ground.reader.opened, record))
