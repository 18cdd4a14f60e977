"""The reasons for the plan's answers: a heading with its lines each, in the order of work."""

from collections.abc import Iterator

from potvigil.model.events import Interval
from potvigil.model.pot import Supply
from potvigil.physics.bubble import diameter_growth
from potvigil.physics.cure import HALVING_K
from potvigil.physics.fill import SETTLING_S
from potvigil.physics.stored_energy import tnt_g
from potvigil.planning.format import Say, listed, litres, rough, with_range
from potvigil.planning.plan import COLDEST_ADVISED_K, LIGHTEST_KG_PER_M3
from potvigil.planning.request import Ask
from potvigil.units import PRESSURE_UNITS_PA, span
from potvigil.wording.quantities import two_digits

_FAR_FROM_GIVEN_K = 10.0  # beyond it "halves with each 10 C" is a guess
_NAMED_RESINS = 3


def reasons(say: Say) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield the sections; a line that begins with a dash is one of a list."""
    yield "Mould and pot", tuple(_mould(say))
    yield "From mixing to full pressure", tuple(_work(say))
    yield "Filling", tuple(_filling(say))
    yield "Bubbles", tuple(_bubbles(say))
    yield "The hold", tuple(_hold(say))
    yield "Energy in the pot", tuple(_energy(say))


def _mould(say: Say) -> Iterator[str]:
    gas, mould = say.plan.gas_m3, say.pour.mould
    if mould is not None:
        of = f"{litres(say.pot.internal_volume_m3)} less {litres(mould.volume_m3)} of mould"
    elif say.pot.contents_volume_m3 is not None:
        of = f"{litres(say.pot.internal_volume_m3)} less the contents in the settings"
    else:
        of = f"{litres(say.pot.internal_volume_m3)} less the usual contents of a pot"
    low, high = two_digits(gas.low * 1e3), two_digits(gas.high * 1e3)
    yield f"Air in the pot: about {litres(gas.value)} ({low} to {high}), {of}."
    if mould is not None and mould.volume_m3 > say.pot.internal_volume_m3:
        yield "This mould is larger than the whole pot: check its size."
    mass = say.pour.mass_kg
    if mass is not None and mould is not None and 0.8 * mass / LIGHTEST_KG_PER_M3 > mould.volume_m3:
        yield (
            f"{say.asked.mass} of resin is more than this whole mould could hold "
            f"({litres(mould.volume_m3)}): check both."
        )


def _work(say: Say) -> Iterator[str]:
    work, pour = say.plan.work, say.pour
    parts = [
        f"mixing {with_range(pour.mixing_s)}",
        f"pouring {with_range(pour.pouring_s)}",
        f"mould in, lid and clamps {with_range(pour.loading_s)}",
    ]
    parts.append("filling not known" if work.filling_s is None else f"filling {with_range(work.filling_s)}")
    yield f"{listed(parts)}.".capitalize()
    resin = pour.resin
    if resin.working_time_s is not None and resin.at_k is not None and pour.room_k is not None:
        yield (
            f"The settings give a working time of {rough(resin.working_time_s)} at "
            f"{say.degrees(resin.at_k)}; it doubles with each {say.degrees_apart(HALVING_K)} colder. A big "
            "cup heats itself and goes off sooner: pour it soon."
        )
        if abs(pour.room_k - resin.at_k) > _FAR_FROM_GIVEN_K:
            yield f"The room, at {say.degrees(pour.room_k)}, is far from that: follow the data sheet."
    elif resin.working_time_s is not None and resin.at_k is None:
        yield "The settings name no temperature for the working time: it is shorter in the warm."
    if say.plan.changes is not None:
        yield "Any one of these would help:"
        yield from (f"- {each}" for each in _changes(say))


def _changes(say: Say) -> Iterator[str]:
    changes, resin = say.plan.changes, say.pour.resin
    assert changes is not None
    at = "" if resin.at_k is None else f" at {say.degrees(resin.at_k)}"
    family = say.asked.resin.partition("-")[0]
    akin_first = sorted(changes.slower, key=lambda each: each[0].partition("-")[0] != family)
    names = [f"{name} ({rough(here_s)} here, hold {rough(hold_s)})" for name, here_s, hold_s in akin_first]
    known = f" In the list: {listed(names[:_NAMED_RESINS])}." if names else " The list has none."
    yield f"A slower resin, with a working time of {span(changes.asked_s)} or more{at}.{known}"
    if changes.cooler_k is not None and changes.cooler_hold_s is not None:
        yield (
            f"A cooler room: {say.degrees(changes.cooler_k)}. "
            f"The hold is then {rough(changes.cooler_hold_s)}."
        )
    elif resin.at_k is not None:
        yield f"A cooler room does not help: it would have to be below {say.degrees(COLDEST_ADVISED_K)}."
    if changes.full_tank_s is not None and changes.full_tank_s >= 5.0:
        yield f"A full tank before you mix saves about {span(changes.full_tank_s)}."
    if changes.mix_and_pour_s > 0.0:
        yield (
            f"A smaller batch: mixing and pouring must be done in {span(changes.mix_and_pour_s)} together."
        )
    else:
        yield "A smaller batch does not help: lid, clamps and filling alone may take the whole time."


def _filling(say: Say) -> Iterator[str]:
    fills, compressor, alone = say.plan.fills, say.pour.compressor, say.plan.tank_alone_pa
    working = say.pressure(say.pot.working_pa)
    if say.pour.fills_s:
        yield (
            f"The pot's last fills took {listed([span(each) for each in say.pour.fills_s])}, from the "
            "first rise to full pressure."
        )
    if fills is not None and compressor is not None and alone is not None:
        yield from _tank(say, alone)
        known = [each.time_s for each in (fills.quick, fills.low, fills.slow)]
        if None not in known:
            quick, low, slow = (each or 0.0 for each in known)
            where = "" if compressor.area_m2 is None else ", through the hose and valve of the settings"
            took = with_range(Interval(low, quick, slow))
            yield f"To {working} from a tank at its lowest: about {took}{where}."
        if compressor.area_m2 is None:
            yield (
                "Hose, regulator and valve are not included, because the settings give no effective_area: "
                "they add time."
            )
    yield from _heat(say)


def _tank(say: Say, alone: tuple[float, float]) -> Iterator[str]:
    compressor, working = say.pour.compressor, say.pressure(say.pot.working_pa)
    assert compressor is not None
    full, low = say.pressure(compressor.cut_out_pa), say.pressure(compressor.cut_in_pa)
    said = []
    for tank, reached in ((f"full at {full}", alone[0]), (f"at {low}, where the motor starts", alone[1])):
        whole = reached >= say.pot.working_pa * (1.0 - 1e-9)
        said.append(f"{tank}, to {working}" if whole else f"{tank}, only to {say.pressure(reached)}")
    yield f"The tank alone fills the pot: {'; '.join(said)}. The compressor does the rest."


def _heat(say: Say) -> Iterator[str]:
    fills, working = say.plan.fills, say.pressure(say.pot.working_pa)
    if say.pot.supply is Supply.REGULATED:
        yield "Air warms as it is let in and cools within minutes; the regulator makes up for it."
        return
    if fills is not None and fills.slow.time_s is not None:
        ends = [each.settled_pa for each in (fills.full, fills.low, fills.quick, fills.slow)]
        middle = (fills.full.settled_pa + fills.low.settled_pa) / 2.0
        to = f"about {say.pressure(middle)} ({say.figure(min(ends))} to {say.figure(max(ends))})"
    else:
        to = f"as low as {say.pressure(say.plan.worst_settled_pa)} after a very quick fill"
    yield (
        f"Air warms as it is let in. Shut the supply as soon as the gauge shows {working}, and it falls to "
        f"{to} with no leak at all."
    )
    yield (
        f"So leave the supply open, or top up, until the gauge is steady: {with_range(SETTLING_S)}. Mould "
        "and pot cool for an hour more, but only a little."
    )


def _bubbles(say: Say) -> Iterator[str]:
    ambient_pa, working_pa, floor_pa = say.pot.ambient_pa, say.pot.working_pa, say.pot.floor_pa
    across = diameter_growth(0.0, working_pa, ambient_pa)
    at_floor = diameter_growth(0.0, floor_pa, ambient_pa)
    yield (
        f"At {say.pressure(working_pa)} a bubble has {100.0 * across:.0f} % of its width, "
        f"1/{across**-3:.0f} of its volume; at the floor of {say.pressure(floor_pa)} "
        f"{100.0 * at_floor:.0f} % of its width. Pressure squeezes bubbles; it does not remove them: stir "
        "slowly, pour thin."
    )


def _hold(say: Say) -> Iterator[str]:
    done, resin, plan = say.plan.cured, say.pour.resin, say.plan
    given = "" if resin.at_k is None else f" at {say.degrees(resin.at_k)}"
    if resin.at_k is None:
        yield (
            f"{rough(resin.hold_s)} under pressure, done about {say.then(done.after_s)}; the settings name "
            "no temperature for it, so a cold night is not allowed for."
        )
    elif say.pour.night is None:
        yield (
            f"{rough(resin.hold_s)}{given}, then done about {say.then(done.after_s)}. In the cold it takes "
            f"longer: give {say.asked.called(Ask.ROOM)} and {say.asked.called(Ask.NIGHT_LOW)}."
        )
    else:
        assert done.early_s is not None and done.late_s is not None
        yield (
            f"{rough(resin.hold_s)}{given} take about {rough(done.after_s)} in this room "
            f"({rough(done.early_s)} to {rough(done.late_s)}): done about {say.then(done.after_s)} "
            f"({say.between(done.early_s, done.late_s)}). Counted from the fill, by the temperature of the "
            "air."
        )
        if plan.coldest_k is not None and plan.coldest_k < COLDEST_ADVISED_K:
            yield (
                f"Down to {say.degrees(plan.coldest_k)}: below {say.degrees(COLDEST_ADVISED_K)} many resins "
                "stay soft. See the data sheet, or warm the place where the pot stands."
            )
    if say.pot.supply is Supply.REGULATED:
        yield "A regulator feeds the pot: a leak does not show on the gauge while the compressor keeps up."
    if plan.cooling_pa is not None and plan.cooling_pa >= 0.05 * PRESSURE_UNITS_PA["psi"]:
        yield f"As the room cools the gauge falls by up to {say.pressure(plan.cooling_pa)}, with no leak."


def _energy(say: Say) -> Iterator[str]:
    joule = say.plan.energy_j
    yield (
        f"{litres(say.pot.internal_volume_m3)} at {say.pressure(say.pot.working_pa)} hold "
        f"{two_digits(joule / 1e3)} kJ, as much as {two_digits(tnt_g(joule))} g of TNT (ASME PCC-2, the "
        "whole pot counted). Only in a vessel made and rated for it, with its own relief valve and gauge. "
        "Eye and ear protection on, and nobody leaning over the lid."
    )
