"""The plan in words: the answers in short, what they rest on, and a checklist in the order of work."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from potvigil.core.bubble import diameter_growth
from potvigil.core.cure import HALVING_K
from potvigil.core.event import Interval
from potvigil.core.fill import SETTLING_S
from potvigil.core.mould import ABOVE_M, BESIDE_M
from potvigil.core.night import age_s
from potvigil.core.plan import COLDEST_ADVISED_K, LIGHTEST_KG_PER_M3, Answer, Plan, worst
from potvigil.core.pot import Supply
from potvigil.core.stored_energy import tnt_g
from potvigil.core.words import rate, span, two_digits
from potvigil.units import PRESSURE_UNITS_PA, SECONDS_PER_HOUR, kelvin_to_celsius

LOCAL_RULES = (
    "Local rules for pressure equipment and licensed inspection come first. This plan replaces no gauge, "
    "relief valve or inspection. Its figures are estimates; the ranges in brackets go by common practice."
)
_FAR_FROM_GIVEN_K = 10.0  # beyond it "halves with each 10 C" is a guess
_NAMED_RESINS = 3


@dataclass(frozen=True, slots=True)
class Asked:
    """What the plan is called after. start: of mixing. until: when the batch is wanted, None for whenever.

    night: what is known of the coming night, in words, "" for nothing.
    """

    resin: str
    mould: str
    mass: str
    start: datetime
    until: datetime | None
    night: str
    workshop: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page. short: answers with their mark. sections: a head and its lines each, in the order of work."""

    title: str
    under: str
    answer: Answer
    short: tuple[tuple[Answer, str], ...]
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    checklist: tuple[str, ...]
    foot: str


def sheet(plan: Plan, asked: Asked) -> Sheet:
    """Return the plan as one page of words."""
    words = _Words(plan, asked)
    short = tuple(words.short())
    sections = (
        ("Mould and pot", words.mould()),
        ("Mixing until full pressure", words.work()),
        ("Filling", words.filling()),
        ("Bubbles", words.bubbles()),
        ("The hold", words.hold()),
        ("Energy in the pot", words.energy()),
    )
    return Sheet(
        title=f"Plan for pot {plan.pour.pot.pot_id}",
        under=words.under(),
        answer=worst([answer for answer, _ in short]),
        short=short,
        sections=tuple((head, tuple(lines)) for head, lines in sections),
        checklist=tuple(words.checklist()),
        foot=LOCAL_RULES,
    )


class _Words:
    def __init__(self, plan: Plan, asked: Asked) -> None:
        self.plan, self.pour, self.pot, self.asked = plan, plan.pour, plan.pour.pot, asked
        self.unit = self.pot.pressure_unit
        filling = plan.work.filling_s
        before_s = plan.work.hands_s.value + (0.0 if filling is None else filling.value)
        self.shut = asked.start + timedelta(seconds=before_s)  # at pressure

    def under(self) -> str:
        what = [self.asked.resin, self.asked.mass, self.asked.mould and f"mould {self.asked.mould}"]
        room = "room not said" if self.pour.room_k is None else f"room {_celsius(self.pour.room_k)}"
        what += [room, self.asked.night, f"mixing from {self.asked.start:%H:%M}"]
        return ", ".join(each for each in what if each)

    # -- in short -----------------------------------------------------------------------------------

    def short(self) -> Iterator[tuple[Answer, str]]:
        yield self.plan.fits, self._fit()
        yield self.plan.work.answer, self._work()
        yield self.plan.reaches, self._reaches()
        yield self.plan.holds, self._holds()
        yield from self._until()

    def _fit(self) -> str:
        fit = self.plan.fit
        if fit is None:
            missing = "its size with --mould" if self.pour.mould is None else "the pot's inside with --inside"
            return f"Whether the mould goes in: give {missing}."
        if not fit.goes_in:
            over = [
                f"{_millimetre(-2.0 * fit.beside_m)} too wide" if fit.beside_m < 0.0 else "",
                f"{_millimetre(-fit.above_m)} too high" if fit.above_m < 0.0 else "",
            ]
            return f"The mould does not go in: {' and '.join(filter(None, over))}."
        room = f"{_millimetre(fit.beside_m)} on each side, {_millimetre(fit.above_m)} under the lid"
        if fit.has_room:
            return f"The mould goes in: {room}."
        return (
            f"The mould goes in, but tightly: {room}. Bag and gloves need {_millimetre(BESIDE_M)} and "
            f"{_millimetre(ABOVE_M)}."
        )

    def _work(self) -> str:
        work = self.plan.work
        takes = f"{_about(work.needed_s)}"
        if work.filling_s is None:
            takes += " without the filling"
        if work.working_s is None:
            why = (
                "the working time of this resin is not in the settings"
                if self.pour.resin.working_time_s is None
                else "give the room's temperature with --room"
            )
            return f"Mixing until full pressure takes {takes}; whether the resin waits so long: {why}."
        room = "" if self.pour.room_k is None else f" at {_celsius(self.pour.room_k)}"
        has = f"the resin can be worked for {_rough(work.working_s)}{room}"
        if work.answer is Answer.UNKNOWN:
            left_s = max(work.working_s - work.needed_s.high, 0.0)
            return (
                f"Mixing until the lid is shut takes {takes}; {has}. Filling may take {span(left_s)} at most."
            )
        compressor = self.pour.compressor
        if compressor is not None and compressor.area_m2 is None and not self.pour.fills_s:
            takes += ", hose and valve not counted"
        return f"Mixing until full pressure takes {takes}; {has}."

    def _reaches(self) -> str:
        fills, working = self.plan.fills, self._p(self.pot.working_pa)
        if fills is None:
            return f"Whether and when the pot reaches {working}: no compressor is in the settings."
        if self.plan.reaches is Answer.YES:
            return f"The compressor brings the pot to {working}."
        stuck = min((each for each in (fills.low, fills.full, fills.slow) if each.time_s is None),
                    key=lambda each: each.reached_pa)  # fmt: skip
        at = self._p(stuck.reached_pa)
        compressor = self.pour.compressor
        assert compressor is not None
        if compressor.cut_out_pa < self.pot.working_pa:
            return f"The pot stops at {at}: the compressor cuts out at {self._p(compressor.cut_out_pa)}."
        start = self._p(compressor.cut_in_pa)
        may = "stops" if self.plan.reaches is Answer.NO else "may stop"
        return (
            f"The pot {may} at {at}: the motor starts again only below {start}. Set it to start higher, "
            f"or drain the tank a little so that it runs."
        )

    def _holds(self) -> str:
        bears = self.plan.bears_pa_per_s
        leaks, now = self.pour.leaks_pa_per_s, self.pour.leak_now_pa_per_s
        if bears <= 0.0:
            return (
                "Cooling alone takes the gauge below the floor tonight. Fill higher, if the pot's maximum "
                "allows "
                "it, or keep the room warmer."
            )
        per_hour = bears * SECONDS_PER_HOUR / PRESSURE_UNITS_PA[self.unit]
        batch = f"This batch bears a leak of {two_digits(per_hour)} {self.unit}/h"
        if not leaks:
            return f"{batch}. What the pot leaks is not known yet."
        listed = _listed([rate(max(leak.value, 0.0), self.unit).split()[0] for leak in leaks])
        last = "batch" if len(leaks) == 1 else f"{_NUMBERS.get(len(leaks), str(len(leaks)))}"
        said = f"{batch}; the pot's last {last} leaked {listed} {self.unit}/h"
        if self.plan.holds is Answer.YES:
            return f"{said}."
        if now is not None:
            said += f", now {self._rates(now)}"
        more = "is more" if self.plan.holds is Answer.NO else "may be more"
        return f"{said}. That {more} than it bears: see to seal and valves first, or stay to top up."

    def _until(self) -> Iterator[tuple[Answer, str]]:
        done, until = self.plan.cured, self.asked.until
        if until is None:
            return
        due_s = (until - self.shut).total_seconds()
        late_s, early_s = done.late_s or done.after_s, done.early_s or done.after_s
        wanted = f"{self._when(until)}"
        if late_s <= due_s:
            yield Answer.YES, f"Cured by {wanted}."
        elif done.after_s <= due_s:
            yield (
                Answer.CLOSE,
                f"Probably cured by {wanted}; at worst it needs {_rough(late_s - due_s)} more.",
            )
        else:
            night = self.pour.night
            share = due_s if night is None else age_s(self.pour.resin, night, due_s)
            yield (
                Answer.CLOSE if early_s <= due_s else Answer.NO,
                f"Not cured by {wanted}: {100.0 * share / self.pour.resin.hold_s:.0f} % by then; it needs "
                f"{_rough(done.after_s - due_s)} more.",
            )

    # -- what it rests on ---------------------------------------------------------------------------

    def mould(self) -> Iterator[str]:
        gas, mould = self.plan.gas_m3, self.pour.mould
        if mould is not None:
            of = f"{_litres(self.pot.internal_volume_m3)} less {_litres(mould.volume_m3)} of mould"
        elif self.pot.contents_volume_m3 is not None:
            of = f"{_litres(self.pot.internal_volume_m3)} less the contents in the settings"
        else:
            of = f"{_litres(self.pot.internal_volume_m3)} less what usually stands in a pot"
        low, high = two_digits(gas.low * 1e3), two_digits(gas.high * 1e3)
        yield f"Air in the pot: about {_litres(gas.value)} ({low} to {high}), {of}."
        if mould is not None and mould.volume_m3 > self.pot.internal_volume_m3:
            yield "This mould is larger than the whole pot: check its size."
        mass = self.pour.mass_kg
        if mass is not None and mould is not None and 0.8 * mass / LIGHTEST_KG_PER_M3 > mould.volume_m3:
            yield (
                f"{self.asked.mass} of resin is more than the outside of this mould holds "
                f"({_litres(mould.volume_m3)}): check both."
            )

    def work(self) -> Iterator[str]:
        work, pour = self.plan.work, self.pour
        parts = [
            f"mixing {_range(pour.mixing_s)}",
            f"pouring {_range(pour.pouring_s)}",
            f"mould in, lid and clamps {_range(pour.loading_s)}",
        ]
        parts.append("filling not known" if work.filling_s is None else f"filling {_range(work.filling_s)}")
        yield f"{_listed(parts)}.".capitalize()
        resin = pour.resin
        if resin.working_time_s is not None and resin.at_k is not None and pour.room_k is not None:
            yield (
                f"The settings give {_rough(resin.working_time_s)} at {_celsius(resin.at_k)}; it doubles "
                "with "
                f"each {HALVING_K:.0f} C colder. A big cup warms itself and goes off sooner: pour it out "
                "soon."
            )
            if abs(pour.room_k - resin.at_k) > _FAR_FROM_GIVEN_K:
                yield f"{_celsius(pour.room_k)} is far from that: go by the data sheet."
        elif resin.working_time_s is not None and resin.at_k is None:
            yield "The settings name no temperature for the working time: in the warm it is shorter."
        if self.plan.changes is not None:
            yield "What would help, each by itself:"
            yield from (f"- {each}" for each in self._changes())

    def _changes(self) -> Iterator[str]:
        changes, resin = self.plan.changes, self.pour.resin
        assert changes is not None
        at = "" if resin.at_k is None else f" at {_celsius(resin.at_k)}"
        family = self.asked.resin.partition("-")[0]
        akin_first = sorted(changes.slower, key=lambda each: each[0].partition("-")[0] != family)
        names = [
            f"{name} ({_rough(here_s)} here, hold {_rough(hold_s)})" for name, here_s, hold_s in akin_first
        ]
        known = f" In the list: {_listed(names[:_NAMED_RESINS])}." if names else " The list has none."
        yield f"A slower resin, with a working time of {span(changes.asked_s)} or more{at}.{known}"
        if changes.cooler_k is not None and changes.cooler_hold_s is not None:
            yield (
                f"A cooler room: {_celsius(changes.cooler_k)}. The hold is then "
                f"{_rough(changes.cooler_hold_s)}."
            )
        elif resin.at_k is not None:
            yield f"A cooler room does not help: it would have to be below {_celsius(COLDEST_ADVISED_K)}."
        if changes.full_tank_s is not None and changes.full_tank_s >= 5.0:
            yield f"A full tank before you mix saves about {span(changes.full_tank_s)}."
        if changes.mix_and_pour_s > 0.0:
            yield (
                f"A smaller batch: mixing and pouring must be done in {span(changes.mix_and_pour_s)} "
                "together."
            )
        else:
            yield "A smaller batch does not help: lid, clamps and filling alone may take the whole time."

    def filling(self) -> Iterator[str]:
        fills, compressor, alone = self.plan.fills, self.pour.compressor, self.plan.tank_alone_pa
        working = self._p(self.pot.working_pa)
        if self.pour.fills_s:
            yield (
                f"The pot's last fills took {_listed([span(each) for each in self.pour.fills_s])}, first "
                "rise to "
                "full pressure."
            )
        if fills is not None and compressor is not None and alone is not None:
            yield from self._tank(alone)
            known = [each.time_s for each in (fills.quick, fills.low, fills.slow)]
            if None not in known:
                quick, low, slow = (each or 0.0 for each in known)
                where = "" if compressor.area_m2 is None else ", through the hose and valve of the settings"
                took = _range(Interval(low, quick, slow))
                yield f"To {working} from a tank at its lowest: about {took}{where}."
            if compressor.area_m2 is None:
                yield (
                    "Hose, regulator and valve are left out of this, because the settings have no "
                    "effective_area: "
                    "they make it longer."
                )
        yield from self._heat()

    def _tank(self, alone: tuple[float, float]) -> Iterator[str]:
        compressor, working = self.pour.compressor, self._p(self.pot.working_pa)
        assert compressor is not None
        full, low = self._p(compressor.cut_out_pa), self._p(compressor.cut_in_pa)
        said = []
        for tank, reached in ((f"full at {full}", alone[0]), (f"at {low}, where the motor starts", alone[1])):
            whole = reached >= self.pot.working_pa * (1.0 - 1e-9)
            said.append(f"{tank}, to {working}" if whole else f"{tank}, to {self._p(reached)} only")
        yield f"The tank alone carries the pot: {'; '.join(said)}. The compressor does the rest."

    def _heat(self) -> Iterator[str]:
        fills, working = self.plan.fills, self._p(self.pot.working_pa)
        if self.pot.supply is Supply.REGULATED:
            yield "Air warms as it is let in and cools within minutes; the regulator makes up for it."
            return
        if fills is not None and fills.slow.time_s is not None:
            ends = [each.settled_pa for each in (fills.full, fills.low, fills.quick, fills.slow)]
            middle = (fills.full.settled_pa + fills.low.settled_pa) / 2.0
            to = f"about {self._p(middle)} ({self._n(min(ends))} to {self._n(max(ends))})"
        else:
            to = f"as low as {self._p(self.plan.worst_settled_pa)} after a very quick fill"
        yield (
            f"Air warms as it is let in. Shut the supply as soon as the gauge shows {working}, and it falls "
            "to "
            f"{to} with no leak at all."
        )
        yield (
            f"So leave the supply open, or top up, until the gauge is still: {_range(SETTLING_S)}. "
            "Mould and pot cool for an hour more: that is little."
        )

    def bubbles(self) -> Iterator[str]:
        ambient_pa, working_pa, floor_pa = self.pot.ambient_pa, self.pot.working_pa, self.pot.floor_pa
        across = diameter_growth(0.0, working_pa, ambient_pa)
        at_floor = diameter_growth(0.0, floor_pa, ambient_pa)
        yield (
            f"At {self._p(working_pa)} a bubble has {100.0 * across:.0f} % of its width, "
            f"1/{across**-3:.0f} of its volume; at the floor of {self._p(floor_pa)} {100.0 * at_floor:.0f} % "
            "of its width. Pressure squeezes bubbles, it does not remove them: stir slowly, pour thin."
        )

    def hold(self) -> Iterator[str]:
        done, resin, plan = self.plan.cured, self.pour.resin, self.plan
        given = "" if resin.at_k is None else f" at {_celsius(resin.at_k)}"
        if resin.at_k is None:
            yield (
                f"{_rough(resin.hold_s)} under pressure, done about {self._then(done.after_s)}; the settings "
                "name no "
                "temperature for it, so a cold night is not counted."
            )
        elif self.pour.night is None:
            yield (
                f"{_rough(resin.hold_s)}{given}, then done about {self._then(done.after_s)}. In the cold it "
                "takes "
                "longer: give --room and --night-low."
            )
        else:
            assert done.early_s is not None and done.late_s is not None
            yield (
                f"{_rough(resin.hold_s)}{given} take about {_rough(done.after_s)} in this room "
                f"({_rough(done.early_s)} to {_rough(done.late_s)}): done about {self._then(done.after_s)} ("
                f"{self._between(done.early_s, done.late_s)}). Counted from the fill, by the temperature of "
                "the air."
            )
            if plan.coldest_k is not None and plan.coldest_k < COLDEST_ADVISED_K:
                yield (
                    f"Down to {_celsius(plan.coldest_k)}: below {_celsius(COLDEST_ADVISED_K)} many resins "
                    "stay "
                    "soft. See the data sheet, or warm the pot's place."
                )
        if self.pot.supply is Supply.REGULATED:
            yield "A regulator feeds the pot: a leak does not show on the gauge while the compressor follows."
        if plan.cooling_pa is not None and plan.cooling_pa >= 0.05 * PRESSURE_UNITS_PA["psi"]:
            yield f"As the room cools the gauge falls by up to {self._p(plan.cooling_pa)}, with no leak."

    def energy(self) -> Iterator[str]:
        joule = self.plan.energy_j
        yield (
            f"{_litres(self.pot.internal_volume_m3)} at {self._p(self.pot.working_pa)} hold "
            f"{two_digits(joule / 1e3)} kJ, as much as {two_digits(tnt_g(joule))} g of TNT (ASME PCC-2, the "
            "whole pot "
            "counted). Only in a vessel made and rated for it, with its own relief valve and gauge. Eye and "
            "ear "
            "protection on, and nobody over the lid."
        )

    # -- the checklist ------------------------------------------------------------------------------

    def checklist(self) -> Iterator[str]:
        pot, working = self.pot, self._p(self.pot.working_pa)
        if Answer.NO in (answer for answer, _ in self.short()):
            yield "First change what says no above; as it stands it does not work out."
        yield "Pot empty and open: gauge at zero, seal clean and whole, rim clean, vent and hoses free."
        yield (
            "Relief valve there, free and tried as its maker says; it opens at or below "
            f"{self._p(pot.maximum_pa)}, the "
            "maximum marked on the pot."
        )
        if self.pour.compressor is not None:
            full = self._p(self.pour.compressor.cut_out_pa)
            yield f"Compressor's tank full ({full}), regulator set to {working}."
        else:
            yield f"Regulator set to {working}."
        yield "Lid, clamps, stand, bag and mould laid ready; mould level and dry. Try mould and lid for fit."
        yield "Gloves and glasses on, room aired."
        working_s = self.plan.work.working_s
        by = (
            ""
            if working_s is None
            else f"; full pressure by {self.asked.start + timedelta(seconds=working_s):%H:%M}"
        )
        yield f"{self.asked.start:%H:%M} mix, timer on{by}."
        yield "Pour; mould into its bag and into the pot, level."
        yield (
            "Lid on. All clamps finger-tight, then evenly and crosswise in two or three rounds. Now, before "
            "there is "
            "any pressure: never touch a clamp under pressure."
        )
        yield f"Vent shut. Open the supply slowly, standing clear of the lid, to {working}."
        if pot.supply is Supply.SHUT:
            yield (
                f"Leave it on until the gauge is still ({span(SETTLING_S.high)} is enough), at "
                f"{working}. "
                "Then shut the supply at the pot."
            )
        else:
            yield f"Gauge still at {working}; the supply stays on, its regulator locked."
        yield "Listen round lid and valves. If it hisses: vent, then mend. See that the watch says holding."
        late_s = self.plan.cured.late_s or self.plan.cured.after_s
        yield (
            f"Not before {self._then(late_s)}, and not before the watch says done: supply shut, vent slowly "
            "and fully open, zero on the pot's own gauge. Only then loosen the clamps."
        )

    # -- small words --------------------------------------------------------------------------------

    def _then(self, after_s: float) -> str:
        moment = self.shut + timedelta(seconds=after_s)
        step = 60 if after_s < 5_400.0 else 600 if after_s < 43_200.0 else 1800
        return self._when(_rounded(moment, step))

    def _between(self, early_s: float, late_s: float) -> str:
        early, late = self._then(early_s), self._then(late_s)
        if early.partition(" ")[2] == late.partition(" ")[2]:
            return f"{early[:5]} to {late[:5]}"
        return f"{early} to {late}"

    def _when(self, moment: datetime) -> str:
        days = (moment.date() - self.asked.start.date()).days
        if not days:
            return f"{moment:%H:%M}"
        return f"{moment:%H:%M on %A}" if days < 7 else f"{moment:%H:%M on} {moment.day} {moment:%B}"

    def _p(self, pa: float) -> str:
        return f"{self._n(pa)} {self.unit}"

    def _n(self, pa: float) -> str:
        value = pa / PRESSURE_UNITS_PA[self.unit]
        if self.unit == "kPa":
            return f"{round(value):d}"
        return f"{value:.1f}".removesuffix(".0") if value < 10.0 else f"{value:.3g}".split(".")[0]

    def _rates(self, leak: Interval) -> str:
        low, high = (rate(max(each, 0.0), self.unit).split()[0] for each in (leak.low, leak.high))
        return f"{rate(max(leak.value, 0.0), self.unit)} ({low} to {high})"


_NUMBERS = {2: "two", 3: "three"}


def _celsius(kelvin: float) -> str:
    return f"{kelvin_to_celsius(kelvin):.0f} C"


def _millimetre(metres: float) -> str:
    return f"{metres * 100.0:.0f} cm" if metres >= 0.1 else f"{metres * 1000.0:.0f} mm"


def _litres(m3: float) -> str:
    return f"{two_digits(m3 * 1e3)} L"


def _rough(seconds: float) -> str:
    """Return a span as exact as it is known: minutes up to three hours, ten minutes to ten, then hours."""
    step_s = 60.0 if seconds < 10_800.0 else 600.0 if seconds < 36_000.0 else 3600.0
    return span(seconds if seconds < 60.0 else round(seconds / step_s) * step_s)


def _range(of: Interval) -> str:
    return span(of.value) if of.low == of.high else f"{span(of.value)} ({_from_to(of)})"


def _about(of: Interval) -> str:
    return f"about {span(of.value)} ({_from_to(of)})"


def _from_to(of: Interval) -> str:
    low, high = span(of.low), span(of.high)
    if of.low < 0.5:
        return f"up to {high}"
    number, _, unit = low.partition(" ")
    return f"{number if high.endswith(unit) and ' ' not in unit else low} to {high}"


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _rounded(moment: datetime, step_s: int) -> datetime:
    into_s = (moment.minute * 60 + moment.second) % step_s
    return moment.replace(microsecond=0) + timedelta(
        seconds=(step_s - into_s) if into_s * 2 >= step_s else -into_s
    )
