"""The plan in words, one page of them."""

from dataclasses import dataclass

from potvigil.planning.answers import short_answers
from potvigil.planning.checklist import checklist
from potvigil.planning.format import Say
from potvigil.planning.plan import Feasibility, Plan, worst
from potvigil.planning.reasons import reasons
from potvigil.planning.request import PourRequest

LOCAL_RULES = (
    "Local rules for pressure equipment and licensed inspection come first. This plan replaces no gauge, "
    "relief valve or inspection. Its figures are estimates; the ranges in brackets go by common practice."
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page. short: answers with their mark. sections: a heading with its lines each, in order of work."""

    title: str
    under: str
    answer: Feasibility
    short: tuple[tuple[Feasibility, str], ...]
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    checklist: tuple[str, ...]
    foot: str

    @property
    def overall(self) -> Feasibility:
        """Return the overall answer: never yes while something is unknown."""
        if self.answer is Feasibility.YES and any(each is Feasibility.UNKNOWN for each, _ in self.short):
            return Feasibility.UNKNOWN
        return self.answer

    @property
    def headline(self) -> str:
        """Return the overall answer in one line."""
        match self.overall:
            case Feasibility.YES:
                return "This plan works."
            case Feasibility.CLOSE:
                return "This plan only just works."
            case Feasibility.NO:
                return "As planned, this will not work."
            case Feasibility.UNKNOWN if self.answer is Feasibility.YES:
                return "Nothing known rules it out, but not everything is known."
            case Feasibility.UNKNOWN:
                return "Too little is known to say."


def sheet(plan: Plan, asked: PourRequest) -> Sheet:
    """Return the plan as one page of words."""
    say = Say(plan, asked)
    short = tuple(short_answers(say))
    answer = worst([each for each, _ in short])
    return Sheet(
        title=f"Plan for pot {plan.pour.pot.pot_id}",
        under=_under(say),
        answer=answer,
        short=short,
        sections=tuple(reasons(say)),
        checklist=tuple(checklist(say, answer)),
        foot=LOCAL_RULES,
    )


def _under(say: Say) -> str:
    asked, room_k = say.asked, say.pour.room_k
    what = [
        asked.resin,
        asked.mass,
        asked.mould and f"mould {asked.mould}",
        "room not given" if room_k is None else f"room {say.degrees(room_k)}",
        asked.night,
        f"mixing from {asked.start:%H:%M}",
    ]
    return ", ".join(filter(None, what))
