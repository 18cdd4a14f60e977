"""The plan's checklist: what to do, in the order of work."""

from collections.abc import Iterator
from datetime import timedelta

from potvigil.model.pot import Supply
from potvigil.physics.fill import SETTLING_S
from potvigil.planning.format import Say
from potvigil.planning.plan import Feasibility
from potvigil.units import span


def checklist(say: Say, answer: Feasibility) -> Iterator[str]:
    pot, working = say.pot, say.pressure(say.pot.working_pa)
    if answer is Feasibility.NO:
        yield "First change what says no above; as planned, this will not work."
    yield "Pot empty and open: gauge at zero, seal clean and whole, rim clean, vent and hoses free."
    yield (
        "Relief valve fitted, free and tested as its maker says; it opens at or below "
        f"{say.pressure(pot.maximum_pa)}, the maximum marked on the pot."
    )
    if say.pour.compressor is not None:
        full = say.pressure(say.pour.compressor.cut_out_pa)
        yield f"Compressor's tank full ({full}), regulator set to {working}."
    else:
        yield f"Regulator set to {working}."
    yield "Lid, clamps, stand, bag and mould laid ready; mould level and dry. Try mould and lid for fit."
    yield "Gloves and glasses on, room ventilated."
    working_s = say.plan.work.working_s
    by = (
        ""
        if working_s is None
        else f"; full pressure by {say.asked.start + timedelta(seconds=working_s):%H:%M}"
    )
    yield f"{say.asked.start:%H:%M} mix, timer on{by}."
    yield "Pour; mould into its bag and into the pot, level."
    yield (
        "Lid on. All clamps finger-tight, then evenly and crosswise in two or three rounds. Now, before "
        "there is any pressure: never touch a clamp under pressure."
    )
    yield f"Vent shut. Open the supply slowly, standing clear of the lid, to {working}."
    if pot.supply is Supply.SHUT:
        yield (
            f"Leave it on until the gauge is steady ({span(SETTLING_S.high)} is enough), at {working}. Then "
            "shut the supply at the pot."
        )
    else:
        yield f"Gauge steady at {working}; the supply stays on, its regulator locked."
    yield (
        "Listen around the lid and valves. If it hisses: vent, then repair. "
        "Check that the watch says settling, then holding."
    )
    late_s = say.plan.cured.late_s or say.plan.cured.after_s
    yield (
        f"Not before {say.then(late_s)}, and not before the watch says done: supply shut, vent slowly and "
        "fully open, zero on the pot's own gauge. Only then loosen the clamps."
    )
