"""What was read (Sample), and the same in engineering units (Reading)."""

from dataclasses import dataclass
from enum import StrEnum

TEMPERATURE_UNKNOWN_K = 293.15  # used where no thermometer answers
UNSEEN_AFTER_S = 60.0  # good readings further apart leave a gap in which the pot was not monitored
# Bounds of any time, wherever it comes from: years 1653 to 2286, and 600 years of a record. Their sums stay
# within the years a date can have.
MOST_UTC_S, MOST_T_S = 1e10, 2e10


class Quality(StrEnum):
    GOOD = "good"
    SUSPECT = "suspect"
    BAD = "bad"


class Place(StrEnum):
    """Where a thermometer sits, which decides how far its reading may be from the gas."""

    GAS = "gas"
    WALL = "wall"
    ROOM = "room"
    CONTENTS = "contents"

    __hash__ = str.__hash__  # enum's own is Python code, and these are keys many times a sample


class Sensor(StrEnum):
    TRANSDUCER = "transducer"
    THERMOMETER = "thermometer"
    BAROMETER = "barometer"


@dataclass(frozen=True, slots=True)
class Fault:
    """A read that failed: which sensor, and in one line what, where (bus, address, register) and why."""

    sensor: Sensor
    detail: str
    place: Place | None = None  # of a thermometer


@dataclass(frozen=True, slots=True)
class Sample:
    """One tick of one pot, as read. None where nothing was read; a failed read also names its fault.

    t_s: seconds on the record's time axis, which never runs backwards (boot time within one boot).
    utc_s: Unix time, None while the wall clock is not trusted.
    transducer_count, supply_count: converter counts, the mean of the tick's conversions (so not whole).
    gauge_pa, absolute_pa: only from a recorded log, which holds a pressure instead of counts.
    gas_c, wall_c, room_c, contents_c: degrees C. ambient_pa: barometer, Pa absolute.
    """

    t_s: float
    utc_s: float | None = None
    transducer_count: float | None = None
    supply_count: float | None = None
    gauge_pa: float | None = None
    absolute_pa: float | None = None
    gas_c: float | None = None
    wall_c: float | None = None
    room_c: float | None = None
    contents_c: float | None = None
    ambient_pa: float | None = None
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """A sample in engineering units. None is unknown, never 0.

    gauge_pa, absolute_pa: the pot, Pa. ambient_pa: the outside pressure used, Pa absolute.
    gas_k, wall_k, room_k, contents_k: kelvin. quality: of the pressure. fault: why the pressure is not good.
    """

    t_s: float
    utc_s: float | None
    gauge_pa: float | None
    absolute_pa: float | None
    ambient_pa: float
    gas_k: float | None
    wall_k: float | None
    room_k: float | None
    quality: Quality
    fault: str | None = None
    contents_k: float | None = None

    @property
    def temperatures(self) -> tuple[tuple[Place, float | None], ...]:
        """Every place with its temperature, K: nearest to the gas first, contents last."""
        return (
            (Place.GAS, self.gas_k),
            (Place.WALL, self.wall_k),
            (Place.ROOM, self.room_k),
            (Place.CONTENTS, self.contents_k),
        )

    @property
    def nearest(self) -> tuple[Place | None, float | None]:
        """The thermometer nearest to the gas that answers, and its temperature, K."""
        if self.gas_k is not None:
            return Place.GAS, self.gas_k
        if self.wall_k is not None:
            return Place.WALL, self.wall_k
        return (None if self.room_k is None else Place.ROOM), self.room_k

    @property
    def nearest_k(self) -> float | None:
        """Temperature, K, of the thermometer nearest to the gas; None where none answers."""
        return self.nearest[1]

    @property
    def resin_k(self) -> float | None:
        """Temperature at which the resin cures, K: the mould's, else the nearest to the gas."""
        return self.nearest_k if self.contents_k is None else self.contents_k
