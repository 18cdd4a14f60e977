"""What a leak followed, in words, and what to look at in which order."""

from collections.abc import Iterator, Sequence

from potvigil.diagnosis.cause import Cause, CauseFinding
from potvigil.diagnosis.cause_trend import TREND_SIGMAS, Night, goes_with
from potvigil.model.pot import Pot
from potvigil.units import degrees_apart, span
from potvigil.wording.quantities import TimeTeller, pressure, rate

_NAMES = {
    Cause.HOLE: "a hole (a valve not quite shut, a fitting)",
    Cause.GAP: "a fine gap (along the seal, a thread)",
    Cause.COLD: "a seal that stiffens in the cold",
    Cause.ABOVE: "something that opens only above a certain pressure",
    Cause.OTHER: "something that grew or shrank by itself",
}
_LOOK = {
    Cause.HOLE: (
        "the vent and the supply valve: shut fully, no grit on the seat",
        "the hose coupling, the gauge, the transducer and their threads",
    ),
    Cause.GAP: (
        "the seal and the lid's rim: resin, hairs, nicks; the clamps, evenly tight",
        "the threads of the fittings",
    ),
    Cause.COLD: (
        "the seal: hard, flattened, dry; how old it is",
        "the clamps: still evenly tight when the pot is cold",
    ),
    Cause.ABOVE: (
        "the relief valve: if it weeps, have it replaced; never plug it, never set it higher",
        "the clamps and the lid: it may lift",
    ),
    Cause.OTHER: ("the clamps, the hose and the valves: something may have moved",),
}
_USUAL = (Cause.GAP, Cause.HOLE, Cause.ABOVE)
_AFTER = (
    "Vent first: shut the supply, open the vent fully and confirm zero on the pot's own gauge. Then check, "
    "in this order:"
)
_SOAP = "With a few psi in the pot, soapy water bubbles where air escapes; loosen nothing under pressure."


def finding_lines(found: CauseFinding | None, when: TimeTeller, pot: Pot) -> Iterator[str]:
    """Yield what one hold shows; found None: no leak beyond doubt, or too little data."""
    if found is None:
        yield "Either no leak is certain here, or there is too little data to go on."
        return
    yield _began(found, when)
    yield _claim(found, pot)
    yield from looking_lines(found)


def looking_lines(found: CauseFinding | None) -> Iterator[str]:
    """Yield what to look at, in order; found None: nothing points to a place."""
    yield _AFTER
    kinds = _USUAL if found is None else found.possible
    for number, look in enumerate(dict.fromkeys(look for kind in kinds for look in _LOOK[kind]), start=1):
        yield f"  {number}. {look}"
    yield _SOAP


def _began(found: CauseFinding, when: TimeTeller) -> str:
    if found.onset_s is None:
        return "The leak was there from the fill on, as far as can be seen."
    into = span(max(found.onset_s.value - found.begun_s, 0.0))
    return f"It has leaked {when.since(found.onset_s)}, {into} into the hold: what happened then?"


def _claim(found: CauseFinding, pot: Pot) -> str:
    unit = pot.pressure_unit
    low, high = (rate(each, unit) for each in found.rates_pa_per_s)
    at_low, at_high = (pressure(each, unit) for each in found.gauges_pa)
    cold_low, cold_high = found.seal_ks
    match found.kind:
        case Cause.COLD if cold_low is not None and cold_high is not None and cold_low > cold_high:
            grew = found.rates_pa_per_s[1] / max(found.rates_pa_per_s[0], 1e-9) - 1.0
            by = f"grew by {100.0 * grew:.0f} %" if grew < 2.0 else "grew"
            return (
                f"It points to the seal: the leak {by}, from {low} to {high}, while the pot cooled by "
                f"{degrees_apart(cold_low - cold_high, pot.temperature_unit)}."
            )
        case Cause.GAP:
            return (
                f"It points to a fine gap, along the seal or a thread: the leak went from {high} at "
                f"{at_high} to {low} at {at_low}, as the flow through a gap does and through a hole does not."
            )
        case Cause.HOLE:
            return (
                f"It points to a hole, a valve not quite shut or a fitting: from {at_high} to {at_low} it "
                f"kept losing the same share of the air, {high} at first."
            )
        case Cause.ABOVE if found.above_pa is not None:
            return (
                f"It leaked only above about {pressure(found.above_pa, unit)}: {high} at {at_high}, and "
                "less and less below. That points to the relief valve, or to a lid that lifts."
            )
    if set(found.possible) == {Cause.GAP, Cause.COLD}:
        return (
            f"It points to the seal, to a fine gap in it or to the cold: the leak went from {high} at "
            f"{at_high} to {low} at {at_low}."
        )
    *ways, last = (_NAMES[kind] for kind in found.possible)
    return f"The cause cannot be told: {', '.join(ways)} or {last} would each explain it."


def nights_lines(nights: Sequence[Night], leaked: Sequence[int]) -> Iterator[str]:
    """Yield on which nights it leaked, and what that went with. leaked: the numbers of those batches."""
    if len(nights) < 2:
        return
    named = ", ".join(map(str, leaked[-6:]))
    earlier = f" and {len(leaked) - 6} earlier" if len(leaked) > 6 else ""
    which = f": {'batch' if len(leaked) == 1 else 'batches'} {named}{earlier}" if leaked else ""
    yield f"Overall, {len(leaked)} of {len(nights)} batches leaked beyond doubt{which}."
    cold = goes_with([(-each.coldest_k, each.leak_pa_per_s) for each in nights if each.coldest_k is not None])
    held = goes_with([(each.gauge_pa, each.leak_pa_per_s) for each in nights if each.gauge_pa is not None])
    age = goes_with([(float(each.number), each.leak_pa_per_s) for each in nights])
    if cold is not None and cold > TREND_SIGMAS:
        yield "The leak was larger on the colder nights: that points to the seal."
    if held is not None and held > TREND_SIGMAS:
        yield "The leak was larger when the pot was filled to a higher pressure."
    if age is not None and age > TREND_SIGMAS:
        yield "The leak has grown from batch to batch: something is wearing; see `potvigil pot health`."
