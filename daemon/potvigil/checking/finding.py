"""What was found of one thing that the watch needs."""

from dataclasses import dataclass
from enum import StrEnum


class Mark(StrEnum):
    GOOD = "ok"
    FAULT = "FAULT"
    UNKNOWN = "?"  # cannot be known from here; the text says how it can


@dataclass(frozen=True, slots=True)
class Finding:
    """what: a word or two for it. says: how it is, and what to do where it is not well."""

    what: str
    mark: Mark
    says: str


def good(what: str, says: str) -> Finding:
    return Finding(what, Mark.GOOD, says)


def fault(what: str, says: str) -> Finding:
    return Finding(what, Mark.FAULT, says)


def unknown(what: str, says: str) -> Finding:
    return Finding(what, Mark.UNKNOWN, says)
