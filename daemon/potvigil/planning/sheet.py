"""The plan in words, one page of them."""

from dataclasses import dataclass

from potvigil.planning.answers import short_answers
from potvigil.planning.checklist import checklist
from potvigil.planning.format import Say
from potvigil.planning.plan import Answer, Plan, worst
from potvigil.planning.reasons import reasons
from potvigil.planning.request import Asked

LOCAL_RULES = (
    "Local rules for pressure equipment and licensed inspection come first. This plan replaces no gauge, "
    "relief valve or inspection. Its figures are estimates; the ranges in brackets go by common practice."
)


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

    @property
    def overall(self) -> Answer:
        """Return the answer as a whole: no yes while something is not known."""
        if self.answer is Answer.YES and any(each is Answer.UNKNOWN for each, _ in self.short):
            return Answer.UNKNOWN
        return self.answer

    @property
    def headline(self) -> str:
        """Return it in one line."""
        match self.overall:
            case Answer.YES:
                return "It works out."
            case Answer.CLOSE:
                return "It is close."
            case Answer.NO:
                return "As it stands it does not work out."
            case Answer.UNKNOWN if self.answer is Answer.YES:
                return "Nothing known speaks against it; not all is known."
            case Answer.UNKNOWN:
                return "Too little is known to say."


def sheet(plan: Plan, asked: Asked) -> Sheet:
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
        "room not said" if room_k is None else f"room {say.degrees(room_k)}",
        asked.night,
        f"mixing from {asked.start:%H:%M}",
    ]
    return ", ".join(filter(None, what))
