"""The ground of the page of all records: a studio's database, read with the rights of one of its users."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar
from uuid import UUID

from potvigil.model.pot import Pot
from potvigil.page.ground import STATIC, Ground, SiteConfig
from potvigil.page.many.sight import KEPT_S, Sight
from potvigil.page.views.now import PotsOf
from potvigil.record.store import Store
from potvigil.studio.reading import StudioReader

_HERE = Path(__file__).parent
T = TypeVar("T")


@dataclass(frozen=True)
class ManyConfig(SiteConfig):
    """reader: of the studio. pots_of: reads settings as a run keeps them. sessions: where log-ins are kept.

    None: until the process ends.
    """

    reader: StudioReader
    pots_of: PotsOf
    sessions: Path | None = None
    static: tuple[Path, ...] = field(default=(STATIC, _HERE / "static"), kw_only=True)


class Seeing(Ground):
    """What the pages of all records share; nothing can be asked of a watch here."""

    is_own = False
    _kept_s = KEPT_S

    def __init__(self, config: ManyConfig) -> None:
        super().__init__(config, config.sessions, (_HERE / "templates",))
        self.reader, self._pots_of = config.reader, config.pots_of
        self._sight = Sight(config.reader, config.pots_of)

    def close(self) -> None:
        super().close()
        self.reader.close()

    def _tell(self) -> dict[str, Any]:
        return self._sight.tell()

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
