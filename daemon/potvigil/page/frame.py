"""What the pages of one record share: the record, its state, and the commands to its watch."""

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from potvigil.live_reader import LivePot, LiveReader
from potvigil.model.events import Answer, Outcome
from potvigil.page.ground import Ground, SiteConfig, sentence
from potvigil.page.guard import RequestRefusedError
from potvigil.page.printed.children import COMMAND
from potvigil.page.sessions import sessions_file
from potvigil.page.views.now import Now, PotsOf
from potvigil.planning.read_request import Rig
from potvigil.record.requests.asking import LOOK_AGAIN_S, answer_of, is_settled
from potvigil.record.store import Store
from potvigil.wording.quantities import shown

NOW_KEPT_S = 0.25
# How long a browser waits for the watch to answer; longer than the longest sample period.
PATIENCE_S = 15.0
_MOST_ASKED = 100
_LARGEST_ID = 2**31
RigsOf = Callable[[str], Mapping[str, Rig]]  # parses what a plan needs from a run's settings JSON


@dataclass(frozen=True)
class PageConfig(SiteConfig):
    """record: the database. live: the watch's live file. folder: private, for reports.

    pots_of, rigs_of: parse a run's settings JSON. settings: the page's own, in that form; used until there is
    a run. command: the report program.
    """

    record: Path
    live: Path
    pots_of: PotsOf
    rigs_of: RigsOf
    folder: Path
    settings: str | None = None
    command: tuple[str, ...] = COMMAND


class Frame(Ground):
    """The ground of the pages of one record."""

    config: PageConfig
    _cached_for_s = NOW_KEPT_S

    def __init__(self, config: PageConfig) -> None:
        super().__init__(config, sessions_file(config.record))
        self._now = Now(LiveReader(config.live), self.open, config.pots_of)

    # -- state -------------------------------------------------------------------------------------

    def _read_state(self) -> dict[str, Any]:
        return self._now.state()

    async def live_of(self, pot_id: str) -> LivePot | None:
        """Return a pot's live state, None while the watch is silent."""
        return await asyncio.get_running_loop().run_in_executor(self._now_thread, self._now.live_of, pot_id)

    async def metrics(self, accept: str) -> tuple[bytes, str]:
        """Return /metrics and its media type. Raises RequestRefusedError without its library."""

        def collect() -> tuple[bytes, str]:
            try:
                from potvigil.page.metrics import exposition  # takes memory that most pages never need
            except ImportError as error:
                raise RequestRefusedError(
                    503, f"/metrics needs {error.name}; see `potvigil check`."
                ) from error
            live, is_silent, pots = self._now.heard()
            return exposition(live, is_silent, time.clock_gettime(time.CLOCK_BOOTTIME), pots, accept)

        return await asyncio.get_running_loop().run_in_executor(self._now_thread, collect)

    def open(self) -> Store:
        return Store.open_read_only(self.config.record)

    def open_to_write(self) -> Store:
        return Store.open(self.config.record, create=False)

    # -- commands to the watch -----------------------------------------------------------------------

    async def ask(self, path: str, write: Callable[[Store], range]) -> Response:
        """Write commands for the watch, and return to a page, which shows the outcome."""

        def begin() -> range:
            with self.open_to_write() as store:
                return write(store)

        return await self.settled(path, await self.in_thread(begin))

    async def settled(self, path: str, commands: range) -> Response:
        """Wait for the outcome of commands, and return to a page, which shows it."""

        def look(waited_s: float) -> bool:
            with self.open_to_write() as store:
                return is_settled(store, commands, waited_s, PATIENCE_S)

        begun_s = time.monotonic()
        while not await self.in_thread(look, time.monotonic() - begun_s):
            await asyncio.sleep(LOOK_AGAIN_S)
        return RedirectResponse(f"{path}?asked={commands.start}-{commands.stop - 1}", 303)

    async def answers(self, request: Request) -> dict[str, str | None]:
        """Return the outcome of the last commands, as the banners `said` and `fault` of a page."""
        commands = _rows(request.query_params.get("asked", ""))
        if commands is None:
            return {}

        def read() -> list[Answer]:
            with self.open() as store:
                return [answer_of(row) for row in store.asked(commands)]

        answers = await self.in_thread(read)
        banners: dict[str, str | None] = {}
        for name, is_done in (("said", True), ("fault", False)):
            lines = [each for each in answers if (each.outcome is Outcome.DONE) is is_done]
            banners[name] = " ".join(dict.fromkeys(sentence(shown(each.text)) for each in lines)) or None
        return banners


def back(path: str, said: str) -> Response:
    """Redirect to a page, which then shows the banner `said`."""
    return RedirectResponse(f"{path}?said={said}", 303)


def batch_id_of(request: Request) -> int:
    """Return the batch number in a URL. Raises RequestRefusedError."""
    return batch_in_range(request.path_params["batch"])


def batch_in_range(batch_id: int) -> int:
    """Return batch_id if a batch can have that number. Raises RequestRefusedError."""
    if batch_id >= _LARGEST_ID:
        raise RequestRefusedError(404, "There is no such batch.")
    return batch_id


def _rows(text: str) -> range | None:
    """Return the command numbers in a URL, '17-19'; None if malformed."""
    first, dash, last = text.partition("-")
    if not (dash and all(each.isascii() and each.isdecimal() and len(each) < 16 for each in (first, last))):
        return None
    rows = range(int(first), int(last) + 1)
    return rows if 0 < len(rows) <= _MOST_ASKED else None
