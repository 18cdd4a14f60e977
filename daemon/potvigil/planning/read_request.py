"""A plan from words to words: reads a request for a pour, computes the plan and words it."""

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from potvigil.model.batch_details import in_grams
from potvigil.model.events import Interval
from potvigil.model.pot import Pot
from potvigil.physics.fill import Compressor
from potvigil.planning.mould import Mould
from potvigil.planning.plan import LOADING_S, MIXING_S, POURING_S, NeverCuredError, Pour, plan
from potvigil.planning.pot_history import ROOM_K, SoFar
from potvigil.planning.request import Ask, NightLike, PourRequest
from potvigil.planning.sheet import Sheet, sheet
from potvigil.planning.temperature_course import DAY_S, Course, down_to, like, steady
from potvigil.units import MASS, PRESSURE, SIZE, TEMPERATURE, TIME, QuantityKind, clock_time, degrees

_TIME_S = (0.0, DAY_S)
_MASS_KG, _SIZE_M = (0.001, 1000.0), (0.001, 5.0)
_BEGUN = timedelta(hours=1)  # a start less than this ago means just now, not tomorrow


@dataclass(frozen=True, slots=True)
class Rig:
    """The settings that a plan uses. inside_m: diameter and height; None is unknown."""

    pot: Pot
    usual_resin: str | None = None
    inside_m: tuple[float, float] | None = None
    compressor: Compressor | None = None


class SaidError(ValueError):
    """An impossible request. faults: a line for each, to follow its name."""

    def __init__(self, faults: Mapping[Ask, str]) -> None:
        super().__init__("; ".join(f"{ask} {fault}" for ask, fault in faults.items()))
        self.faults = dict(faults)


def planned(
    said: Mapping[Ask, str],
    rig: Rig,
    now: datetime,
    so_far: Callable[[datetime], SoFar],
    called: Callable[[Ask], str] = str,
) -> Sheet:
    """Return the plan of a request, with defaults for what was not given. Raises SaidError with every fault.

    so_far: what is known of the pot before a start. called: how an option is named.
    """
    reader = _Reader(said, called, rig.pot.temperature_unit)
    start = reader.clock(Ask.START, now - _BEGUN) or now
    known = so_far(start)
    resin = reader.resin(rig.pot)
    room_k = reader.quantity(Ask.ROOM, TEMPERATURE, ROOM_K) if Ask.ROOM in said else known.room_k
    night, night_words = reader.night(room_k, start, known)
    pour = Pour(
        pot=rig.pot,
        resin=rig.pot.resin(resin),
        mould=reader.mould(),
        stand_m=reader.quantity(Ask.STAND, SIZE, _SIZE_M) or 0.0,
        inside_m=reader.inside() or rig.inside_m,
        mass_kg=reader.quantity(Ask.MASS, MASS, _MASS_KG),
        room_k=room_k,
        night=night,
        compressor=rig.compressor,
        tank_pa=reader.tank(rig.compressor),
        mixing_s=reader.takes(Ask.MIXING, MIXING_S),
        pouring_s=reader.takes(Ask.POURING, POURING_S),
        loading_s=reader.takes(Ask.LOADING, LOADING_S),
        leaks_pa_per_s=known.leaks_pa_per_s,
        leak_now_pa_per_s=known.leak_now_pa_per_s,
        fills_s=known.fills_s,
    )
    asked = PourRequest(
        resin=resin or rig.usual_resin or "the pot's usual resin",
        mould=said.get(Ask.MOULD, ""),
        mass=said.get(Ask.MASS, ""),
        start=start,
        until=reader.clock(Ask.UNTIL, start),
        night=night_words,
        called=called,
    )
    if reader.faults:
        raise SaidError(reader.faults)
    try:
        return sheet(plan(pour), asked)
    except NeverCuredError:
        cold = "does not cure within 400 days in such cold; keep the pot warmer, or check the resin's times"
        raise SaidError({Ask.RESIN: f"{asked.resin!r} {cold}"}) from None


class _Reader:
    """Reads a request piece by piece, and keeps the faults of each. unit: of temperatures in the words."""

    def __init__(self, said: Mapping[Ask, str], called: Callable[[Ask], str], unit: str) -> None:
        self._said, self._called, self._unit = said, called, unit
        self.faults: dict[Ask, str] = {}

    def quantity(self, ask: Ask, kind: QuantityKind, within: tuple[float, float]) -> float | None:
        text = self._said.get(ask)
        if text is None:
            return None
        try:
            value = kind.read(in_grams(text) if kind is MASS else text).si
        except ValueError as error:
            self._fault(ask, f"{text!r} {error}")
            return None
        if not within[0] <= value <= within[1]:
            self._fault(ask, f"{text!r} is out of range; check number and unit")
            return None
        return value

    def clock(self, ask: Ask, after: datetime) -> datetime | None:
        """Return the next moment at which a clock shows this."""
        text = self._said.get(ask)
        if text is None:
            return None
        clock = clock_time(text)
        if clock is None:
            self._fault(ask, f"{text!r} is not a time of day; give one like 21:40")
            return None
        moment = after.replace(hour=clock.hour, minute=clock.minute)
        return moment if moment >= after else moment + timedelta(days=1)

    def resin(self, pot: Pot) -> str | None:
        name = self._said.get(Ask.RESIN)
        if name is None or name in pot.resins:
            return name
        near = difflib.get_close_matches(name, pot.resins, n=1)
        hint = f"did you mean {near[0]}" if near else f"there are {', '.join(sorted(pot.resins))}"
        self._fault(Ask.RESIN, f"{name!r} is not in the list; {hint}")
        return None

    def night(self, room_k: float | None, start: datetime, known: SoFar) -> tuple[Course | None, str]:
        """Return the temperature from the fill on, and its source."""
        kind, low = self._said.get(Ask.NIGHT), self._said.get(Ask.NIGHT_LOW)
        if kind is not None and kind not in list(NightLike):
            self._fault(
                Ask.NIGHT, f"{kind!r} is not a kind of night; give {' or '.join(NightLike)}, or leave it out"
            )
        elif kind == NightLike.STEADY and low is not None:
            other = self._called(Ask.NIGHT)
            self._fault(
                Ask.NIGHT_LOW,
                f"{low!r} is only for a night that gets colder; leave it out, or change {other}",
            )
        elif kind == NightLike.DOWN and low is None:
            self._fault(Ask.NIGHT_LOW, "is missing; give the coldest of the night, such as 12 C or 54 F")
        elif kind == NightLike.STEADY and room_k is None and Ask.ROOM not in self.faults:
            self._fault(Ask.ROOM, "is missing; a night as warm as now needs it, such as 18 C or 64 F")
        if Ask.NIGHT in self.faults or Ask.NIGHT_LOW in self.faults or Ask.ROOM in self.faults:
            return None, ""
        if low is not None:
            return self._down_to(low, room_k, start)
        if known.night is not None and kind != NightLike.STEADY:
            return like(
                *known.night
            ), f"night like the last one, down to {degrees(min(known.night[1]), self._unit)}"
        return (None, "") if room_k is None else (steady(room_k), "night assumed as warm as now")

    def mould(self) -> Mould | None:
        sizes = self._sizes(Ask.MOULD, (2, 3))
        if sizes is None:
            return None
        return Mould(sizes[0], None, sizes[1]) if len(sizes) == 2 else Mould(*sizes)

    def inside(self) -> tuple[float, float] | None:
        sizes = self._sizes(Ask.INSIDE, (2,))
        return None if sizes is None else (sizes[0], sizes[1])

    def tank(self, of: Compressor | None) -> float | None:
        if of is not None:
            return self.quantity(Ask.TANK, PRESSURE, (0.0, of.cut_out_pa))
        if Ask.TANK in self._said:
            text = self._said[Ask.TANK]
            self._fault(Ask.TANK, f"{text!r} needs a compressor; add a compressor block to the settings")
        return None

    def takes(self, ask: Ask, usual_s: Interval) -> Interval:
        value_s = self.quantity(ask, TIME, _TIME_S)
        return usual_s if value_s is None else Interval(value_s, value_s, value_s)

    def _down_to(self, low: str, room_k: float | None, start: datetime) -> tuple[Course | None, str]:
        low_k = self.quantity(Ask.NIGHT_LOW, TEMPERATURE, ROOM_K)
        if low_k is None:
            return None, ""
        room = self._called(Ask.ROOM)
        if room_k is None:
            self._fault(Ask.NIGHT_LOW, f"{low!r} needs the room's temperature now; give {room} too")
            return None, ""
        if low_k > room_k:
            self._fault(Ask.NIGHT_LOW, f"{low!r} is warmer than {room}; give the coldest of the night")
        since_midnight_s = start.hour * 3600.0 + start.minute * 60.0
        return down_to(room_k, low_k, since_midnight_s), f"tonight down to {degrees(low_k, self._unit)}"

    def _sizes(self, ask: Ask, counts: tuple[int, ...]) -> list[float] | None:
        """Read `12 x 8 x 6 cm`: a size without a unit has that of the last one."""
        text = self._said.get(ask)
        if text is None:
            return None
        due = "diameter x height" if counts == (2,) else "length x width x height, or diameter x height"
        parts = [part.strip() for part in re.split("[x×*]", text.lower())]
        unit = re.search("[a-z]+$", parts[-1])
        if len(parts) not in counts or unit is None:
            self._fault(ask, f"{text!r} is not understood; give {due} with a unit, such as 12 x 6 cm")
            return None
        sizes = []
        for part in parts:
            try:
                size_m = SIZE.read(part if re.search("[a-z]$", part) else f"{part} {unit[0]}").si
            except ValueError as error:
                self._fault(ask, f"{text!r}: {part!r} {error}")
                return None
            if not _SIZE_M[0] <= size_m <= _SIZE_M[1]:
                self._fault(ask, f"{text!r}: {part!r} is out of range; give 1 mm to 5 m")
                return None
            sizes.append(size_m)
        return sizes

    def _fault(self, ask: Ask, text: str) -> None:
        self.faults[ask] = text
