"""The verdict on a batch, in one line."""

from dataclasses import dataclass

from potvigil.model.events import Verdict
from potvigil.units import span

# Too long unmonitored to judge: more than an hour at a stretch, or a tenth of the hold in all.
LONGEST_GAP_S, GAP_SHARE = 3600.0, 0.1


@dataclass(frozen=True, slots=True)
class Facts:
    """What the verdict rests on; times in s, points in time counted from the start of the batch.

    end_s: vent or last sample. vented: the pressure was let out. hold_s: what the cure needs. gelled: before
    the vent; gel_known: the gel time is known. floor_crossed_s: when it fell below the floor before the cure
    was done. unseen_s, longest_gap_s: time without a good reading before that. above_maximum: over-pressure
    was raised.
    """

    end_s: float
    vented: bool
    pressurised: bool
    hold_s: float
    gelled: bool
    floor_crossed_s: float | None
    leak_established: bool
    unseen_s: float
    longest_gap_s: float
    above_maximum: bool = False
    gel_known: bool = True


def judge(facts: Facts) -> tuple[Verdict, str]:
    """Return the verdict and its reason in words, which always mentions a pressure above the maximum."""
    verdict, reason = _judge(facts)
    return verdict, f"{reason}; it had gone above the marked maximum" if facts.above_maximum else reason


def _judge(facts: Facts) -> tuple[Verdict, str]:
    if not facts.pressurised:
        return Verdict.INCOMPLETE, "the pot never reached pressure"
    if facts.floor_crossed_s is not None:
        return (
            Verdict.FELL_BELOW_FLOOR,
            f"below the floor {span(facts.floor_crossed_s)} into a cure of {span(facts.hold_s)}",
        )
    if facts.vented and not facts.gelled:
        by_when = "before the resin had gelled" if facts.gel_known else "before the end of the hold"
        return Verdict.VENTED_EARLY, f"vented after {span(facts.end_s)}, {by_when}"
    if facts.longest_gap_s > LONGEST_GAP_S or facts.unseen_s > GAP_SHARE * facts.hold_s:
        whole, longest = span(facts.unseen_s), span(facts.longest_gap_s)
        return (
            Verdict.INCOMPLETE,
            f"no good reading for {whole}" + ("" if longest == whole else f", the longest gap {longest}"),
        )
    if not facts.vented and facts.end_s < facts.hold_s:
        return (
            Verdict.INCOMPLETE,
            f"the record ends {span(facts.hold_s - facts.end_s)} before the cure is done",
        )
    if facts.leak_established:
        return (
            Verdict.LEAKED,
            "air was lost, but the pressure stayed above the floor until it no longer mattered",
        )
    if facts.end_s < facts.hold_s:
        return (
            Verdict.HELD,
            f"pressure held; vented {span(facts.hold_s - facts.end_s)} before the end of the hold, after gel",
        )
    return Verdict.HELD, "pressure held until the cure was done"
