"""What was found of one thing that the watch needs."""

from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    GOOD = "ok"
    FAULT = "FAULT"
    UNKNOWN = "?"  # cannot be known from here; the text says how it can


@dataclass(frozen=True, slots=True)
class Finding:
    """what: a word or two for it. says: how it is, and what to do where it is not well."""

    what: str
    mark: Grade
    says: str


def good(what: str, says: str) -> Finding:
    return Finding(what, Grade.GOOD, says)


def fault(what: str, says: str) -> Finding:
    return Finding(what, Grade.FAULT, says)


def unknown(what: str, says: str) -> Finding:
    return Finding(what, Grade.UNKNOWN, says)
