"""What the pages of all records share: the studio's database, read with the rights of one of its users."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar
from uuid import UUID

from potvigil.model.pot import Pot
from potvigil.page.ground import STATIC, Ground, SiteConfig
from potvigil.page.many.all_pots import CACHED_S, AllPots
from potvigil.page.many.broker.listener import Listener
from potvigil.page.printed.children import COMMAND
from potvigil.page.views.now import PotsOf
from potvigil.record.store import Store
from potvigil.studio.reading import StudioReader

_HERE = Path(__file__).parent
T = TypeVar("T")


@dataclass(frozen=True)
class ManyConfig(SiteConfig):
    """reader: of the studio. pots_of: parses a run's settings. settings: this page's file, which the report
    program reads too.

    folder: private, for reports. sessions: file of log-ins, None to keep them in memory. listener: to the
    watches' broker, None without one; the page closes it. by: the name under which the page acknowledges.
    command: the report program.
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


class StudioGround(Ground):
    """The ground of the pages of all records. The only command they can send a watch is to acknowledge."""

    config: ManyConfig
    is_own = False
    _cached_for_s = CACHED_S

    def __init__(self, config: ManyConfig) -> None:
        super().__init__(config, config.sessions, (_HERE / "templates",))
        self.reader, self._pots_of = config.reader, config.pots_of
        self.listener, self.by = config.listener, config.by
        may_ask = config.password is not None  # without a log-in the page is read-only
        self._all_pots = AllPots(config.reader, config.pots_of, config.listener, may_ask)
        if self.listener is not None:
            self.listener.start()

    def close(self) -> None:
        super().close()
        if self.listener is not None:
            self.listener.close()
        self.reader.close()

    def _read_state(self) -> dict[str, Any]:
        return self._all_pots.state()

    def pots_of(self, settings_json: str) -> Mapping[str, Pot]:
        """Return the pots of a run's settings, none if their version is unknown here."""
        try:
            return self._pots_of(settings_json)
        except ValueError:  # SettingsError
            return {}

    async def read(self, record: UUID, make: Callable[[Store], T]) -> T:
        """Run `make` on a consistent snapshot of a record."""

        def read() -> T:
            with self.reader.opened(record) as store:
                return make(store)

        return await self.in_thread(read)
