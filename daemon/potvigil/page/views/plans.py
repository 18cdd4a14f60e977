"""Planning a pour: the form, the plan below it, and the checklist to print."""

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
# Label and hint of each field; MORE_FIELDS are seldom needed and folded away.
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
    """A request and its result: the plan, or the faults by field.

    rigs: all pots. pot_id: "" if unknown. start: the plan's, 21:40, used if none was entered.
    """

    rigs: Mapping[str, Rig]
    pot_id: str
    given: Mapping[Ask, str]
    start: str = ""
    sheet: Sheet | None = None
    faults: Mapping[str, str] = field(default_factory=dict)


class Plans:
    def __init__(self, frame: Frame) -> None:
        self._frame = frame

    async def plan(self, request: Request) -> Response:
        return self._page(request, await self._frame.in_thread(self._planned, request))

    async def checklist(self, request: Request) -> Response:
        """Return the plan's checklist as a document to print, or the form again if it cannot be planned."""
        made = await self._frame.in_thread(self._planned, request)
        if made.sheet is None:
            return self._page(request, made)
        html = await self._frame.in_thread(checklist_html, made.sheet)
        return HTMLResponse(html, headers={"content-security-policy": PAPER_CSP})

    def _planned(self, request: Request) -> Planned:
        rigs, given = self._rigs(), _given(request)
        pot_id = request.query_params.get("pot") or next(iter(rigs))
        if pot_id not in rigs:
            fault = f"{pot_id[:LONGEST]!r} is not a pot in the settings; choose one"
            return Planned(rigs, "", given, faults={"pot": fault})
        too_long = {
            ask.value: f"is longer than {LONGEST} characters; write less"
            for ask, text in given.items()
            if len(text) > LONGEST
        }
        if too_long:
            return Planned(rigs, pot_id, given, faults=too_long)
        rig, record = rigs[pot_id], self._frame.config.record
        now = local(time.time(), rig.pot.tz).replace(second=0, microsecond=0)
        try:
            sheet = planned(given, rig, now, lambda start: so_far(record, pot_id, start), _quoted_label)
        except SaidError as error:
            return Planned(
                rigs, pot_id, given, faults={ask.value: fault for ask, fault in error.faults.items()}
            )
        return Planned(rigs, pot_id, given, f"{now:%H:%M}", sheet)

    def _rigs(self) -> Mapping[str, Rig]:
        """Return the pots of the watch's last run; before its first, those the page was started with."""
        config = self._frame.config
        run = None
        with suppress(RecordError), self._frame.open() as store:
            run = store.last_run()
        for settings in (None if run is None else run.settings_json, config.settings):
            with suppress(ValueError):  # settings of an earlier version that no longer parse
                if settings is not None:
                    return config.rigs_of(settings)
        raise RequestRefusedError(503, "No pot is known yet. Start the watch, or the page with --config.")

    def _page(self, request: Request, made: Planned) -> Response:
        pots = {each: each for each in made.rigs}
        more = [_field(ask, *words, made) for ask, words in MORE_FIELDS.items()]
        context = {
            "first": [
                _shown("pot", "Pot", "", made.pot_id, made.faults.get("pot"), pots),
                *(_field(ask, *words, made) for ask, words in FIELDS.items()),
            ],
            "more": more,
            "more_given": any(each["value"] or each["fault"] for each in more),
            "longest": LONGEST,
            "sheet": made.sheet,
            "levels": LEVELS,
            "signs": SIGNS,
            "printed": f"/plan/checklist?{_query(made)}",
        }
        code = 200 if made.sheet is not None else 422
        return self._frame.render(request, "plan.html", "plan", "Plan a pour", code, **context)


def _given(request: Request) -> dict[Ask, str]:
    """Return the fields that were filled in."""
    return {ask: text for ask in Ask if (text := request.query_params.get(ask, "").strip())}


def _quoted_label(ask: Ask) -> str:
    return f'"{(FIELDS | MORE_FIELDS)[ask][0]}"'


def _query(made: Planned) -> str:
    """Return the request as a URL query; the start is included so that the plan stays the same."""
    given = {ask.value: text for ask, text in made.given.items()}
    return urlencode({"pot": made.pot_id, Ask.START.value: made.start, **given})


def _field(ask: Ask, label: str, hint: str, made: Planned) -> dict[str, Any]:
    value = made.given.get(ask, "")
    options: Mapping[str, str] | None = None
    if ask is Ask.RESIN:
        rig = made.rigs[made.pot_id or next(iter(made.rigs))]
        usual = "the pot's usual one" + (f", {rig.usual_resin}" if rig.usual_resin else "")
        options = {"": usual, **{name: name for name in sorted(rig.pot.resins)}}
    elif ask is Ask.NIGHT:
        options = NIGHTS
        value = value or (NightLike.DOWN if Ask.NIGHT_LOW in made.given else "")
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
