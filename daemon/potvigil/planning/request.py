"""The options of a planned pour, and the request for one."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Ask(StrEnum):
    """One option, by its name on the command line and in the page's address."""

    MOULD = "mould"
    STAND = "stand"
    INSIDE = "inside"
    MASS = "mass"
    RESIN = "resin"
    ROOM = "room"
    NIGHT = "night"
    NIGHT_LOW = "night-low"
    START = "start"
    UNTIL = "until"
    TANK = "tank"
    MIXING = "mixing"
    POURING = "pouring"
    LOADING = "loading"


class NightLike(StrEnum):
    """The night assumed, if not the last one: as warm as now, or falling to its coldest."""

    STEADY = "steady"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class PourRequest:
    """The request behind a plan. start: of mixing. until: when the batch is wanted, None for any time.

    night: what is known of the coming night, in words, "" for nothing. called: how an option is named where
    the request was made.
    """

    resin: str
    mould: str
    mass: str
    start: datetime
    until: datetime | None
    night: str
    called: Callable[[Ask], str] = str
