"""The ground of the page of all records: a studio's database, read with the rights of one of its users."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar
from uuid import UUID

from potvigil.model.pot import Pot
from potvigil.page.ground import STATIC, Ground, SiteConfig
from potvigil.page.many.broker.listener import Listener
from potvigil.page.many.sight import KEPT_S, Sight
from potvigil.page.printed.children import COMMAND
from potvigil.page.views.now import PotsOf
from potvigil.record.store import Store
from potvigil.studio.reading import StudioReader

_HERE = Path(__file__).parent
T = TypeVar("T")


@dataclass(frozen=True)
class ManyConfig(SiteConfig):
    """reader: of the studio. pots_of: reads settings as a run keeps them. settings: this page's, by which the
    program that makes reports finds the studio too.

    folder: for reports, ours alone. sessions: where log-ins are kept, None: until the process ends. listener:
    to the watches' broker, None for none; it is the page's from here on. by: in whose name the page
    acknowledges. command: the program that makes reports.
    """

    reader: StudioReader
    pots_of: PotsOf
    settings: Path
    folder: Path
    sessions: Path | None = None
    listener: Listener | None = None
    by: str = ""
    command: tuple[str, ...] = COMMAND
    static: tuple[Path, ...] = field(default=(STATIC, _HERE / "static"), kw_only=True)


class Seeing(Ground):
    """What the pages of all records share. Of a watch nothing can be asked here but to acknowledge."""

    config: ManyConfig
    is_own = False
    _cached_for_s = KEPT_S

    def __init__(self, config: ManyConfig) -> None:
        super().__init__(config, config.sessions, (_HERE / "templates",))
        self.reader, self._pots_of = config.reader, config.pots_of
        self.listener, self.by = config.listener, config.by
        may_ask = config.password is not None  # who has not logged in only reads
        self._sight = Sight(config.reader, config.pots_of, config.listener, may_ask)
        if self.listener is not None:
            self.listener.start()

    def close(self) -> None:
        super().close()
        if self.listener is not None:
            self.listener.close()
        self.reader.close()

    def _read_state(self) -> dict[str, Any]:
        return self._sight.state()

    def pots_of(self, settings_json: str) -> Mapping[str, Pot]:
        """Return the pots of settings, none where these are of a version that is not known here."""
        try:
            return self._pots_of(settings_json)
        except ValueError:  # SettingsError
            return {}

    async def read(self, record: UUID, make: Callable[[Store], T]) -> T:
        """Return what `make` reads of a record, all of one moment."""

        def read() -> T:
            with self.reader.opened(record) as store:
                return make(store)

        return await self.in_thread(read)
