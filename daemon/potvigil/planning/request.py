"""What may be said of a pour that is planned, and what was said of one."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Ask(StrEnum):
    """One thing that may be said, by its name on the command line and in the page's address."""

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
    """What the night is taken for, if not like the last one: as warm as now, or falling to its coldest."""

    STEADY = "steady"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class PourRequest:
    """What the plan is called after. start: of mixing. until: when the batch is wanted, None for whenever.

    night: what is known of the coming night, in words, "" for nothing. called: how a thing that may be said
    is named where it was asked for.
    """

    resin: str
    mould: str
    mass: str
    start: datetime
    until: datetime | None
    night: str
    called: Callable[[Ask], str] = str
