"""A pin factory for driver tests: it holds the expected exchanges of each chip select."""

from collections.abc import Sequence
from typing import Any


class ScriptedPins:
    """script: chip select, bytes sent, bytes answered (or what is raised), in order; leftovers fail."""

    def __init__(self, *script: tuple[int, list[int], list[int] | Exception]) -> None:
        self.script = list(script)
        self.opened: list[ScriptedSpi] = []

    def spi(self, **arguments: Any) -> "ScriptedSpi":
        assert arguments.get("port", 0) == 0
        self.opened.append(ScriptedSpi(self, arguments["device"]))
        return self.opened[-1]

    def __enter__(self) -> "ScriptedPins":
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            assert not self.script, f"not asked for: {self.script}"


class ScriptedSpi:
    bits_per_word = 8

    def __init__(self, pins: ScriptedPins, select: int) -> None:
        self._pins = pins
        self._select = select
        self.clock_mode = 0
        self.closed = False

    def transfer(self, words: Sequence[int]) -> list[int]:
        assert not self.closed
        assert self._pins.script, f"nothing more was expected, got {list(words)}"
        select, sent, answer = self._pins.script.pop(0)
        assert (self._select, list(words)) == (select, sent)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def close(self) -> None:
        self.closed = True
