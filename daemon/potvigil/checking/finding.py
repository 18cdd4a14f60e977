"""The result of one check."""

from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    GOOD = "ok"
    FAULT = "FAULT"
    UNKNOWN = "?"  # cannot be found from here; the text says how it can


@dataclass(frozen=True, slots=True)
class Finding:
    """what: the thing in a word or two. says: its state, and what to do about a fault."""

    what: str
    mark: Grade
    says: str


def good(what: str, says: str) -> Finding:
    return Finding(what, Grade.GOOD, says)


def fault(what: str, says: str) -> Finding:
    return Finding(what, Grade.FAULT, says)


def unknown(what: str, says: str) -> Finding:
    return Finding(what, Grade.UNKNOWN, says)
