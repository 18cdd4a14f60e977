"""Resins and their times, shipped and one's own."""

import difflib
from functools import cache
from importlib.resources import files
from typing import Annotated, Any

import yaml

from potvigil.model.pot import Resin
from potvigil.settings.block import Block, need, sound
from potvigil.settings.outline import Outline, shown
from potvigil.settings.values import Duration, Id, Warmth, up_to


class ResinSettings(Block):
    """A resin's times. hold: under pressure until the cure is done. gel, working_time: None if unknown.

    at: the temperature the times are given for, used by the cure clock; None for plain times.
    """

    hold: Duration = need("10 h")
    gel: Annotated[Duration, up_to("hold", or_equal=True)] | None = None
    working_time: Annotated[Duration, up_to("hold", or_equal=True)] | None = None
    at: Warmth | None = None

    def core_resin(self) -> Resin:
        return Resin(
            hold_s=self.hold.si,
            gel_s=None if self.gel is None else self.gel.si,
            working_time_s=None if self.working_time is None else self.working_time.si,
            at_k=None if self.at is None else self.at.si,
        )


class CureSettings(ResinSettings):
    """The pot's usual cure. resin: of the list, whose times are used where none are given here."""

    resin: Id | None = None


def fill_in_resins(outline: Outline) -> None:
    """Fill in the times of the resin that a pot names, where the pot gives none itself."""
    assert isinstance(outline.tree, dict)
    own, pots = outline.tree.get("resins"), outline.tree.get("pots")
    resins = known_resins() | (own if isinstance(own, dict) else {})
    for pot, keys in pots.items() if isinstance(pots, dict) else ():
        cure = keys.get("cure") if isinstance(keys, dict) else None
        if not isinstance(keys, dict) or not isinstance(cure, dict) or not isinstance(cure.get("resin"), str):
            continue
        name = str(cure["resin"])
        resin = resins.get(name)
        if isinstance(resin, dict) and sound(ResinSettings, resin):
            keys["cure"] = {**resin, **cure}
        elif name not in resins:
            near = difflib.get_close_matches(name, resins, n=1) or sorted(resins)[:1]
            outline.add(
                ("pots", pot, "cure", "resin"),
                f"{shown(name)} is not in the list; did you mean {near[0]}? Own ones go under resins:",
            )
            keys["cure"] = {"hold": "10 h", **cure}  # one fault is enough


@cache
def known_resins() -> dict[str, Any]:
    known = yaml.safe_load(files("potvigil").joinpath("resins.yaml").read_text(encoding="utf-8"))
    assert isinstance(known, dict)
    return known
