"""Buses for driver tests: one that holds the expected exchanges, one that answers from a table."""

from collections.abc import Sequence


def write(address: int, register: int, data: list[int], answer: Exception | None = None) -> tuple:
    return ("write", address, register, data, answer)


def read(address: int, register: int, length: int, answer: list[int] | Exception) -> tuple:
    return ("read", address, register, length, answer)


class ScriptedBus:
    """Holds the expected exchanges in order; fails on any other, and on leftovers when the test ends."""

    def __init__(self, *script: tuple) -> None:
        self._script = list(script)
        self.closed = False

    def _next(self, *said: object) -> object:
        assert self._script, f"nothing more was expected, got {said}"
        *expected, answer = self._script.pop(0)
        assert list(said) == expected
        if isinstance(answer, Exception):
            raise answer
        return answer

    def write_i2c_block_data(self, address: int, register: int, data: Sequence[int]) -> None:
        self._next("write", address, register, list(data))

    def read_i2c_block_data(self, address: int, register: int, length: int) -> list[int]:
        return self._next("read", address, register, length)

    def close(self) -> None:
        self.closed = True

    def __enter__(self) -> "ScriptedBus":
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            assert not self._script, f"not asked for: {self._script}"


class TableBus:
    """Answers (address, register) from a table, writes included; an exception in the table is raised.

    A config register of an ADS1115 reads back what was written, idle.
    """

    def __init__(self, table: dict[tuple[int, int], list[int] | Exception]) -> None:
        self.table = table
        self.calls = 0
        self.closed = False

    def write_i2c_block_data(self, address: int, register: int, data: Sequence[int]) -> None:
        self.calls += 1
        if isinstance(answer := self.table.get((address, register)), Exception):
            raise answer
        self.table[address, register] = list(data)

    def read_i2c_block_data(self, address: int, register: int, length: int) -> list[int]:
        self.calls += 1
        assert not self.closed
        answer = self.table.get((address, register), OSError(121, "Remote I/O error"))
        if isinstance(answer, Exception):
            raise answer
        return answer[:length]

    def close(self) -> None:
        self.closed = True
