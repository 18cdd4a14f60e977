"""The plan's answers in short, each with its mark."""

from collections.abc import Iterator

from potvigil.planning.format import Say, about, listed, millimetre, rough
from potvigil.planning.mould import ABOVE_M, BESIDE_M
from potvigil.planning.plan import Feasibility
from potvigil.planning.request import Ask
from potvigil.planning.temperature_course import age_s
from potvigil.units import PRESSURE_UNITS_PA, SECONDS_PER_HOUR, span
from potvigil.wording.quantities import rate, two_digits

_NUMBERS = {2: "two", 3: "three"}


def short_answers(say: Say) -> Iterator[tuple[Feasibility, str]]:
    yield say.plan.fits, _fit(say)
    yield say.plan.work.answer, _work(say)
    yield say.plan.reaches, _reaches(say)
    yield say.plan.holds, _holds(say)
    yield from _until(say)


def _fit(say: Say) -> str:
    fit = say.plan.fit
    if fit is None:
        missing = Ask.MOULD if say.pour.mould is None else Ask.INSIDE
        return f"Whether the mould fits is unknown: give {say.asked.called(missing)}."
    if not fit.goes_in:
        over = [
            f"{millimetre(-2.0 * fit.beside_m)} too wide" if fit.beside_m < 0.0 else "",
            f"{millimetre(-fit.above_m)} too high" if fit.above_m < 0.0 else "",
        ]
        return f"The mould does not fit: {' and '.join(filter(None, over))}."
    room = f"{millimetre(fit.beside_m)} on each side, {millimetre(fit.above_m)} under the lid"
    if fit.has_room:
        return f"The mould fits: {room}."
    return (
        f"The mould fits, but only just: {room}. Bag and gloves need {millimetre(BESIDE_M)} and "
        f"{millimetre(ABOVE_M)}."
    )


def _work(say: Say) -> str:
    work = say.plan.work
    takes = f"{about(work.needed_s)}"
    if work.filling_s is None:
        takes += " without the filling"
    if work.working_s is None:
        why = (
            "the working time of this resin is not in the settings"
            if say.pour.resin.working_time_s is None
            else f"give {say.asked.called(Ask.ROOM)}"
        )
        return f"From mixing to full pressure takes {takes}; whether the resin allows that is unknown: {why}."
    room = "" if say.pour.room_k is None else f" at {say.degrees(say.pour.room_k)}"
    has = f"the resin can be worked for {rough(work.working_s)}{room}"
    if work.answer is Feasibility.UNKNOWN:
        left_s = max(work.working_s - work.needed_s.high, 0.0)
        return (
            f"From mixing to shutting the lid takes {takes}; {has}. Filling may take {span(left_s)} at most."
        )
    compressor = say.pour.compressor
    if compressor is not None and compressor.area_m2 is None and not say.pour.fills_s:
        takes += ", hose and valve not counted"
    return f"From mixing to full pressure takes {takes}; {has}."


def _reaches(say: Say) -> str:
    fills, working = say.plan.fills, say.pressure(say.pot.working_pa)
    if fills is None:
        return f"Whether and when the pot reaches {working} is unknown: no compressor is in the settings."
    if say.plan.reaches is Feasibility.YES:
        return f"The compressor brings the pot to {working}."
    stuck = min((each for each in (fills.low, fills.full, fills.slow) if each.time_s is None),
                key=lambda each: each.reached_pa)  # fmt: skip
    at = say.pressure(stuck.reached_pa)
    compressor = say.pour.compressor
    assert compressor is not None
    if compressor.cut_out_pa < say.pot.working_pa:
        return f"The pot stops at {at}: the compressor cuts out at {say.pressure(compressor.cut_out_pa)}."
    start = say.pressure(compressor.cut_in_pa)
    may = "stops" if say.plan.reaches is Feasibility.NO else "may stop"
    return (
        f"The pot {may} at {at}: the motor starts again only below {start}. Set it to start higher, or "
        "drain the tank a little so that it runs."
    )


def _holds(say: Say) -> str:
    bears = say.plan.bears_pa_per_s
    leaks, now = say.pour.leaks_pa_per_s, say.pour.leak_now_pa_per_s
    if bears <= 0.0:
        return (
            "Cooling alone takes the gauge below the floor tonight. Fill higher, if the pot's maximum "
            "allows it, or keep the room warmer."
        )
    per_hour = bears * SECONDS_PER_HOUR / PRESSURE_UNITS_PA[say.unit]
    batch = f"This batch tolerates a leak of {two_digits(per_hour)} {say.unit}/h"
    if not leaks:
        return f"{batch}. The pot's own leak is not known yet."
    rates = listed([rate(max(leak.value, 0.0), say.unit).split()[0] for leak in leaks])
    last = "batch" if len(leaks) == 1 else f"{_NUMBERS.get(len(leaks), str(len(leaks)))}"
    said = f"{batch}; the pot's last {last} leaked {rates} {say.unit}/h"
    if say.plan.holds is Feasibility.YES:
        return f"{said}."
    if now is not None:
        said += f", now {say.rates(now)}"
    more = "is more" if say.plan.holds is Feasibility.NO else "may be more"
    return f"{said}. That {more} than it tolerates: service the seal and valves first, or stay to top up."


def _until(say: Say) -> Iterator[tuple[Feasibility, str]]:
    done, until = say.plan.cured, say.asked.until
    if until is None:
        return
    due_s = (until - say.shut).total_seconds()
    late_s, early_s = done.late_s or done.after_s, done.early_s or done.after_s
    wanted = f"{say.when(until)}"
    if late_s <= due_s:
        yield Feasibility.YES, f"Cured by {wanted}."
    elif done.after_s <= due_s:
        yield (
            Feasibility.CLOSE,
            f"Probably cured by {wanted}; at worst it needs {rough(late_s - due_s)} more.",
        )
    else:
        night = say.pour.night
        share = max(due_s, 0.0) if night is None else age_s(say.pour.resin, night, due_s)
        yield (
            Feasibility.CLOSE if early_s <= due_s else Feasibility.NO,
            f"Not cured by {wanted}: {100.0 * share / say.pour.resin.hold_s:.0f} % by then; it needs "
            f"{rough(done.after_s - due_s)} more.",
        )
