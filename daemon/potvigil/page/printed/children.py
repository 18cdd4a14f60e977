"""Reports and health charts, rendered by child processes, as their libraries are too large to load here.

One at a time, with a time limit; results are cached while their content would not change.
"""

import asyncio
import re
import shutil
import sys
from collections import OrderedDict
from collections.abc import Hashable, Sequence
from contextlib import suppress
from pathlib import Path

from potvigil.page.guard import RequestRefusedError

COMMAND = (*(("nice", "-n", "10") if shutil.which("nice") else ()), sys.executable, "-m", "potvigil")
WITHIN_S = 120.0
MOST_WAITING = 3
MOST_KEPT = 20


class Children:
    """Renders documents to files in a private folder."""

    def __init__(self, folder: Path, command: Sequence[str] = COMMAND) -> None:
        self._folder = folder
        self._command = command
        self._cached: OrderedDict[Hashable, Path] = OrderedDict()
        self._turn = asyncio.Lock()
        self._waiting = 0
        self._made = 0

    async def content(self, key: Hashable, arguments: Sequence[str], ending: str, keep: bool) -> bytes:
        """Run a verb with `--out FILE.html` and return the file with that ending. Raises RequestRefusedError.

        key: what the content depends on. keep: whether to cache it.
        """
        if self._waiting >= MOST_WAITING:
            raise RequestRefusedError(503, "Others are waiting for a report as well; try again in a minute.")
        self._waiting += 1
        try:
            async with self._turn:
                cached = self._cached.get(key)
                if cached is None:
                    cached = await self._make(arguments)
                    self._store(key, cached)
                data = cached.with_suffix(ending).read_bytes()
                if not keep:
                    self._drop(key)
                return data
        except OSError as error:
            raise RequestRefusedError(
                500, f"The report could not be read ({error.strerror or error})."
            ) from None
        finally:
            self._waiting -= 1

    async def _make(self, arguments: Sequence[str]) -> Path:
        self._made += 1
        out = self._folder / f"{self._made}.html"
        child = await asyncio.create_subprocess_exec(
            *(*self._command, *arguments, "--out", str(out)),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        try:
            async with asyncio.timeout(WITHIN_S):
                _, stderr = await child.communicate()
        except TimeoutError:
            raise RequestRefusedError(
                504, f"That took longer than {WITHIN_S:.0f} s and was given up."
            ) from None
        finally:
            if child.returncode is None:
                with suppress(ProcessLookupError):
                    child.kill()
                await child.wait()
        if child.returncode != 0 or not out.exists():
            raise RequestRefusedError(503, _last_line(stderr))
        return out

    def _store(self, key: Hashable, path: Path) -> None:
        self._cached[key] = path
        if len(self._cached) > MOST_KEPT:
            self._drop(next(iter(self._cached)))

    def _drop(self, key: Hashable) -> None:
        path = self._cached.pop(key)
        for ending in (".html", ".pdf"):
            path.with_suffix(ending).unlink(missing_ok=True)


def _last_line(stderr: bytes) -> str:
    """Return the error message of a failed verb, one sentence for the page."""
    lines = [line.strip() for line in stderr.decode("utf-8", "replace").splitlines() if line.strip()]
    if not lines or any("invalid choice" in line for line in lines):
        return "This version cannot make that yet."
    return re.sub(r"^potvigil: ", "", lines[-1])[:400]
