"""The plan before a pour: what the caster means to do, computed; its words are in sheet.py.

Every answer is one of four, and nothing unknown is made up.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf, log
from statistics import median

from potvigil.model.events import Interval
from potvigil.model.pot import Pot, Resin
from potvigil.model.reading import TEMPERATURE_UNKNOWN_K
from potvigil.physics.cure import halving_q_k
from potvigil.physics.fill import Compressor, Fills, adiabatic_fill_k, equalised_pa, fills
from potvigil.physics.stored_energy import stored_energy_j
from potvigil.planning.mould import Clearance, Mould, fit
from potvigil.planning.temperature_course import Course, Cured, coldest_k, cured, steady, working_time_s

# The usual time for the work by hand: from the first stir to the lid shut on a small mould, clamps and all.
# Common practice.
MIXING_S, POURING_S, LOADING_S = (
    Interval(180.0, 120.0, 300.0),
    Interval(120.0, 60.0, 300.0),
    Interval(120.0, 60.0, 240.0),
)
COLDEST_ADVISED_K = 283.15  # below 10 C many resins thicken, or stay soft: data sheets in general
# Casting resins weigh 1.0 to 1.25 kg/L, common practice; the lightest takes the most room.
LIGHTEST_KG_PER_M3 = 1000.0
_TRUSTED_FILLS = 3  # so many measured fills count more than the computed time


class NeverCuredError(ValueError):
    """The cold makes the cure longer than anybody waits: over 400 days."""


class Feasibility(StrEnum):
    YES = "yes"
    CLOSE = "close"
    NO = "no"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Pour:
    """What the caster means to do. Pressures gauge; None is unknown.

    night: temperature from the fill on. leaks_pa_per_s: of the pot's last batches, oldest first;
    leaks_now_pa_per_s: as its health report has them. fills_s: how long its last fills took.
    """

    pot: Pot
    resin: Resin
    mould: Mould | None = None
    stand_m: float = 0.0
    inside_m: tuple[float, float] | None = None  # diameter, height
    mass_kg: float | None = None
    room_k: float | None = None
    night: Course | None = None
    compressor: Compressor | None = None
    tank_pa: float | None = None
    mixing_s: Interval = MIXING_S
    pouring_s: Interval = POURING_S
    loading_s: Interval = LOADING_S
    leaks_pa_per_s: Sequence[Interval] = ()
    leak_now_pa_per_s: Interval | None = None
    fills_s: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Work:
    """From the first stir to full pressure, against the working time. filling_s, working_s: None unknown."""

    hands_s: Interval
    filling_s: Interval | None
    working_s: float | None

    @property
    def needed_s(self) -> Interval:
        """Return the total time; without the filling where that is unknown."""
        return self.hands_s if self.filling_s is None else total(self.hands_s, self.filling_s)

    @property
    def answer(self) -> Feasibility:
        if self.working_s is None:
            return Feasibility.UNKNOWN
        if self.needed_s.value > self.working_s:
            return Feasibility.NO
        if self.filling_s is None:
            return Feasibility.UNKNOWN
        return Feasibility.YES if self.needed_s.high <= self.working_s else Feasibility.CLOSE


@dataclass(frozen=True, slots=True)
class Changes:
    """What would make the work fit, each on its own. None where it does not help or is unknown.

    slower: names of resins that are slow enough, with their working time here and their hold from then on.
    asked_at_s: the working time a resin needs, at the temperature its times are given for, at_k. cooler_k: a
    room that is cold enough, with the hold there. full_tank_s: saved by it. mix_and_pour_s: what is left.
    """

    slower: tuple[tuple[str, float, float], ...]
    asked_s: float
    cooler_k: float | None
    cooler_hold_s: float | None
    full_tank_s: float | None
    mix_and_pour_s: float


@dataclass(frozen=True, slots=True)
class Plan:
    """A pour, computed; pressures gauge, None is unknown.

    gas_m3: with its 95 %. tank_alone_pa: where a full tank and one about to start its motor carry the pot.
    worst_settled_pa: where the gauge ends if the air gave off no heat in the fill. coldest_k: of the hold.
    cooling_pa: what the gauge falls through the coldest of it at most. bears_pa_per_s: the leak that takes
    the batch just down to the floor as the cure ends; 0 where cooling alone does.
    """

    pour: Pour
    fit: Clearance | None
    gas_m3: Interval
    fills: Fills | None
    tank_alone_pa: tuple[float, float] | None
    worst_settled_pa: float
    work: Work
    changes: Changes | None
    cured: Cured
    coldest_k: float | None
    cooling_pa: float | None
    bears_pa_per_s: float
    energy_j: float

    @property
    def fits(self) -> Feasibility:
        if self.fit is None:
            return Feasibility.UNKNOWN
        return (
            Feasibility.YES
            if self.fit.has_room
            else Feasibility.CLOSE
            if self.fit.goes_in
            else Feasibility.NO
        )

    @property
    def reaches(self) -> Feasibility:
        """Return whether the compressor brings the pot to its working pressure."""
        if self.fills is None:
            return Feasibility.UNKNOWN
        reached = [each.time_s is not None for each in (self.fills.full, self.fills.low, self.fills.slow)]
        return Feasibility.YES if all(reached) else Feasibility.CLOSE if any(reached) else Feasibility.NO

    @property
    def holds(self) -> Feasibility:
        """Return whether the batch can bear what the pot leaked lately."""
        now = self.pour.leak_now_pa_per_s
        seen = [now] if now is not None else list(self.pour.leaks_pa_per_s)
        if not seen:
            return Feasibility.NO if self.bears_pa_per_s <= 0.0 else Feasibility.UNKNOWN
        if all(leak.low >= self.bears_pa_per_s for leak in seen):
            return Feasibility.NO
        return Feasibility.YES if all(leak.high < self.bears_pa_per_s for leak in seen) else Feasibility.CLOSE


def worst(answers: Sequence[Feasibility]) -> Feasibility:
    """Return NO where one of them is; else the worst of the known ones."""
    order = (Feasibility.NO, Feasibility.CLOSE, Feasibility.YES, Feasibility.UNKNOWN)
    return next(each for each in order if each in answers)


def plan(pour: Pour) -> Plan:
    """Compute the plan of a pour. Raises NeverCuredError."""
    pot = _with_contents(pour)
    ambient_pa, working_pa = pot.ambient_pa, pot.working_pa
    room_k = TEMPERATURE_UNKNOWN_K if pour.room_k is None else pour.room_k
    gas_m3, sigma_m3 = pot.gas_volume_m3
    compressor, filled, alone = pour.compressor, None, None
    if compressor is not None:
        filled = fills(compressor, pour.tank_pa, gas_m3, sigma_m3, working_pa, ambient_pa, room_k)
        alone = (
            _alone(compressor, compressor.cut_out_pa, gas_m3, pot),
            _alone(compressor, compressor.cut_in_pa, gas_m3, pot),
        )
    hottest_k = adiabatic_fill_k(ambient_pa, working_pa + ambient_pa, room_k, room_k)
    work = Work(
        total(pour.mixing_s, pour.pouring_s, pour.loading_s),
        _filling_s(filled, pour.fills_s),
        working_time_s(pour.resin, pour.room_k),
    )
    course = pour.night
    done = cured(
        pour.resin if course is not None else replace(pour.resin, at_k=None), course or steady(room_k)
    )
    if inf in (done.after_s, done.late_s):
        raise NeverCuredError
    coldest = None if course is None else coldest_k(course, done.after_s)
    cooling_pa = None if coldest is None else max((working_pa + ambient_pa) * (1.0 - coldest / room_k), 0.0)
    bears = max(working_pa - (cooling_pa or 0.0) - pot.floor_pa, 0.0) / done.after_s
    return Plan(
        pour=pour,
        fit=None
        if pour.mould is None or pour.inside_m is None
        else fit(pour.mould, pour.stand_m, *pour.inside_m),
        gas_m3=Interval(gas_m3, gas_m3 - 2.0 * sigma_m3, gas_m3 + 2.0 * sigma_m3),
        fills=filled,
        tank_alone_pa=alone,
        worst_settled_pa=(working_pa + ambient_pa) * room_k / hottest_k - ambient_pa,
        work=work,
        changes=_changes(pour, work, filled) if work.answer in (Feasibility.CLOSE, Feasibility.NO) else None,
        cured=done,
        coldest_k=coldest,
        cooling_pa=cooling_pa,
        bears_pa_per_s=bears,
        energy_j=stored_energy_j(working_pa, pot.internal_volume_m3),
    )


def total(*parts: Interval) -> Interval:
    """Return the sum, with bounds as if everything went well or badly at once."""
    value, low, high = (sum(each) for each in zip(*((p.value, p.low, p.high) for p in parts), strict=True))
    return Interval(value, low, high)


def _with_contents(pour: Pour) -> Pot:
    """Return the pot with this mould in it; with its configured contents where no mould is given."""
    if pour.mould is None:
        return pour.pot
    return replace(pour.pot, contents_volume_m3=min(pour.mould.volume_m3, 0.95 * pour.pot.internal_volume_m3))


def _alone(compressor: Compressor, tank_pa: float, gas_m3: float, pot: Pot) -> float:
    joined_pa = equalised_pa(tank_pa, compressor.tank_m3, 0.0, gas_m3)  # gauge, all of them
    return min(joined_pa, pot.working_pa)


def _filling_s(filled: Fills | None, measured_s: Sequence[float]) -> Interval | None:
    """Return how long the fill takes: measured where there are enough fills, else computed."""
    if measured_s and (filled is None or len(measured_s) >= _TRUSTED_FILLS):
        return Interval(median(measured_s), min(measured_s), max(measured_s))
    if filled is None:
        return None
    times = [each.time_s for each in (filled.full, filled.low, filled.quick, filled.slow)]
    known = [each for each in times if each is not None]
    if not known or filled.slow.time_s is None:
        return None
    return Interval(sum(known[:2]) / len(known[:2]), min(known), max(known))


def _changes(pour: Pour, work: Work, filled: Fills | None) -> Changes:
    needed_s, resin = work.needed_s.high, pour.resin
    slower = []
    for name, other in pour.pot.resins.items():
        here_s = working_time_s(other, pour.room_k)
        if other != resin and here_s is not None and here_s >= needed_s:
            hold = replace(other, at_k=None) if pour.night is None else other
            hold_s = cured(hold, pour.night or steady(TEMPERATURE_UNKNOWN_K)).after_s
            if hold_s < inf:
                slower.append((name, here_s, hold_s))
    cooler_k = _slow_enough_k(resin, needed_s)
    cooler_hold_s = None if cooler_k is None else cured(resin, steady(cooler_k)).after_s
    cooler_helps = cooler_k is not None and cooler_k >= COLDEST_ADVISED_K and cooler_hold_s != inf
    full_s, low_s = (None, None) if filled is None else (filled.full.time_s, filled.low.time_s)
    return Changes(
        slower=tuple(sorted(slower, key=lambda each: each[1])),
        asked_s=needed_s * (resin.working_time_s or 0.0) / (work.working_s or 1.0),
        cooler_k=cooler_k if cooler_helps else None,
        cooler_hold_s=cooler_hold_s if cooler_helps else None,
        full_tank_s=None if full_s is None or low_s is None else low_s - full_s,
        mix_and_pour_s=(work.working_s or 0.0) - (needed_s - pour.mixing_s.high - pour.pouring_s.high),
    )


def _slow_enough_k(resin: Resin, needed_s: float) -> float | None:
    """Return the temperature at which the working time is that long, by the cure clock's rule."""
    if resin.at_k is None or resin.working_time_s is None:
        return None
    return 1.0 / (1.0 / resin.at_k + log(needed_s / resin.working_time_s) / halving_q_k(resin.at_k))
