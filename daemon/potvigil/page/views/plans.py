"""The plan before a pour: a form, the plan beneath it, and its checklist to print."""

import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from potvigil.history.pot_history import so_far
from potvigil.page.frame import Frame
from potvigil.page.ground import sentence
from potvigil.page.guard import RequestRefusedError
from potvigil.page.printed.sheets import PAPER_CSP
from potvigil.page.views.words import SIGNS, Severity, local
from potvigil.planning.plan import Feasibility
from potvigil.planning.read_request import Rig, SaidError, planned
from potvigil.planning.request import Ask, NightLike
from potvigil.planning.sheet import Sheet
from potvigil.record.errors import RecordError
from potvigil.reports.checklist import checklist_html
from potvigil.wording.quantities import shown

LONGEST = 60  # characters of a field
LEVELS = {
    Feasibility.YES: Severity.CALM,
    Feasibility.CLOSE: Severity.WARN,
    Feasibility.NO: Severity.ALARM,
    Feasibility.UNKNOWN: Severity.UNKNOWN,
}
# What each field is called, and what is said beneath it; those after the first are seldom needed.
FIELDS = {
    Ask.RESIN: ("Resin", ""),
    Ask.MOULD: ("Mould, outside", "12 x 8 x 6 cm; if round, diameter and height: 9 x 6 cm"),
    Ask.MASS: ("How much resin", "with its unit: 250 g"),
    Ask.ROOM: ("Room now", "with its unit: 18 C or 64 F; as measured if left out"),
    Ask.NIGHT: ("The night", ""),
    Ask.NIGHT_LOW: ("Coldest of the night", "with its unit: 12 C or 54 F"),
    Ask.START: ("Mixing begins", "now if left out"),
    Ask.UNTIL: ("Wanted by", "when you want the cast out"),
}
MORE_FIELDS = {
    Ask.STAND: ("Stand under the mould", "its height: 3 cm"),
    Ask.INSIDE: ("Inside of the pot", "diameter and height: 28 x 30 cm; as in the settings if left out"),
    Ask.TANK: ("Compressor's tank now", "gauge: 110 psi; anything between start and stop if left out"),
    Ask.MIXING: ("Mixing takes", "with its unit: 4 min; as usual if left out"),
    Ask.POURING: ("Pouring takes", "with its unit: 2 min; as usual if left out"),
    Ask.LOADING: ("Loading takes", "mould in, lid and clamps: 3 min; as usual if left out"),
}
NIGHTS = {
    "": "like last night, if known",
    NightLike.STEADY: "as warm as now",
    NightLike.DOWN: "down to the coldest",
}
_CLOCKS = (Ask.START, Ask.UNTIL)


@dataclass(frozen=True, slots=True)
class Planned:
    """What was asked of which pot, and what came of it: a plan, or what is wrong by field.

    rigs: the pots there are. pot_id: "" where there is none such. start: the plan's if none was said, 21:40.
    """

    rigs: Mapping[str, Rig]
    pot_id: str
    said: Mapping[Ask, str]
    start: str = ""
    sheet: Sheet | None = None
    faults: Mapping[str, str] = field(default_factory=dict)


class Plans:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame

    async def plan(self, request: Request) -> Response:
        return self._page(request, await self._frame.in_thread(self._planned, request))

    async def checklist(self, request: Request) -> Response:
        """Return the plan as one document to print; what cannot be planned goes back to the form."""
        made = await self._frame.in_thread(self._planned, request)
        if made.sheet is None:
            return self._page(request, made)
        html = await self._frame.in_thread(checklist_html, made.sheet)
        return HTMLResponse(html, headers={"content-security-policy": PAPER_CSP})

    def _planned(self, request: Request) -> Planned:
        rigs, said = self._rigs(), _said(request)
        pot_id = request.query_params.get("pot") or next(iter(rigs))
        if pot_id not in rigs:
            fault = f"{pot_id[:LONGEST]!r} is not a pot in the settings; choose one"
            return Planned(rigs, "", said, faults={"pot": fault})
        too_long = {
            ask.value: f"is longer than {LONGEST} characters; write less"
            for ask, text in said.items()
            if len(text) > LONGEST
        }
        if too_long:
            return Planned(rigs, pot_id, said, faults=too_long)
        rig, record = rigs[pot_id], self._frame.config.record
        now = local(time.time(), rig.pot.tz).replace(second=0, microsecond=0)
        try:
            sheet = planned(said, rig, now, lambda start: so_far(record, pot_id, start), _called)
        except SaidError as error:
            return Planned(
                rigs, pot_id, said, faults={ask.value: fault for ask, fault in error.faults.items()}
            )
        return Planned(rigs, pot_id, said, f"{now:%H:%M}", sheet)

    def _rigs(self) -> Mapping[str, Rig]:
        """Return the pots of the settings the watch last began with; before it did, those of the page."""
        config = self._frame.config
        run = None
        with suppress(RecordError), self._frame.open() as store:
            run = store.last_run()
        for settings in (None if run is None else run.settings_json, config.settings):
            with suppress(ValueError):  # settings of an earlier version that are none any more
                if settings is not None:
                    return config.rigs_of(settings)
        raise RequestRefusedError(503, "No pot is known yet. Start the watch, or the page with --config.")

    def _page(self, request: Request, made: Planned) -> Response:
        pots = {each: each for each in made.rigs}
        more = [_field(ask, *words, made) for ask, words in MORE_FIELDS.items()]
        told = {
            "first": [
                _shown("pot", "Pot", "", made.pot_id, made.faults.get("pot"), pots),
                *(_field(ask, *words, made) for ask, words in FIELDS.items()),
            ],
            "more": more,
            "more_said": any(each["value"] or each["fault"] for each in more),
            "longest": LONGEST,
            "sheet": made.sheet,
            "levels": LEVELS,
            "signs": SIGNS,
            "printed": f"/plan/checklist?{_query(made)}",
        }
        code = 200 if made.sheet is not None else 422
        return self._frame.render(request, "plan.html", "plan", "Plan a pour", code, **told)


def _said(request: Request) -> dict[Ask, str]:
    """Return what was written into the fields; a field left empty is not said."""
    return {ask: text for ask in Ask if (text := request.query_params.get(ask, "").strip())}


def _called(ask: Ask) -> str:
    return f'"{(FIELDS | MORE_FIELDS)[ask][0]}"'


def _query(made: Planned) -> str:
    """Return the same question for an address, its start said so that it stays the same plan."""
    said = {ask.value: text for ask, text in made.said.items()}
    return urlencode({"pot": made.pot_id, Ask.START.value: made.start, **said})


def _field(ask: Ask, label: str, hint: str, made: Planned) -> dict[str, Any]:
    value = made.said.get(ask, "")
    options: Mapping[str, str] | None = None
    if ask is Ask.RESIN:
        rig = made.rigs[made.pot_id or next(iter(made.rigs))]
        usual = "the pot's usual one" + (f", {rig.usual_resin}" if rig.usual_resin else "")
        options = {"": usual, **{name: name for name in sorted(rig.pot.resins)}}
    elif ask is Ask.NIGHT:
        options = NIGHTS
        value = value or (NightLike.DOWN if Ask.NIGHT_LOW in made.said else "")
    return _shown(ask, label, hint, value, made.faults.get(ask), options)


def _shown(
    name: str, label: str, hint: str, value: str, fault: str | None, options: Mapping[str, str] | None
) -> dict[str, Any]:
    return {
        "name": str(name),
        "label": label,
        "hint": hint,
        "value": shown(value[:LONGEST]),
        "fault": "" if fault is None else shown(sentence(fault)),
        "options": options,
        "kind": "time" if name in _CLOCKS else "text",
    }
