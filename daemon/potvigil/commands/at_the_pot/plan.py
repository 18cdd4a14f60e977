"""The plan before a pour: one page a caster can act on."""

import argparse
import shutil
import textwrap
from collections.abc import Iterator
from datetime import datetime

from potvigil.commands.shared.common import UseError, existing_record, one_of, settings_path
from potvigil.commands.shared.pages import write_pages
from potvigil.commands.shared.plan_equipment import rigs_of
from potvigil.commands.shared.status import DONE, NO
from potvigil.history.pot_history import so_far
from potvigil.planning.plan import Feasibility
from potvigil.planning.read_request import SaidError, planned
from potvigil.planning.request import Ask
from potvigil.planning.sheet import Sheet
from potvigil.reports.checklist import checklist_html
from potvigil.settings.loading import load
from potvigil.wording.quantities import shown

_LINE = 100
_MARKS = {Feasibility.YES: "+", Feasibility.CLOSE: "~", Feasibility.NO: "!", Feasibility.UNKNOWN: "?"}


def plan_pour(args: argparse.Namespace) -> int:
    """Print the plan, and write it as a page on request; exit status 1 where it is not feasible."""
    settings = load(settings_path(args))
    pot_id = one_of(settings.pots, args.pot)
    record = settings.record_file if args.record is None else existing_record(args.record)
    given = {ask: getattr(args, ask.replace("-", "_")) for ask in Ask}
    answers = {ask: text for ask, text in given.items() if text is not None}
    now = datetime.now(settings.timezone).astimezone(settings.timezone).replace(second=0, microsecond=0)
    try:
        made = planned(
            answers, rigs_of(settings)[pot_id], now, lambda start: so_far(record, pot_id, start), _option
        )
    except SaidError as error:
        ask, fault = next(iter(error.faults.items()))
        raise UseError(f"{_option(ask)} {fault}") from None
    for line in _lines(made):
        print(line)
    if args.out is not None:
        write_pages(args, args.out, checklist_html(made))
    return NO if made.answer is Feasibility.NO else DONE


def _option(ask: Ask) -> str:
    return f"--{ask}"


def _lines(made: Sheet) -> Iterator[str]:
    width = min(shutil.get_terminal_size((_LINE, 24)).columns, _LINE)
    yield shown(made.title)
    yield from _wrapped(shown(made.under), width)
    yield made.headline
    yield ""
    for answer, text in made.short:
        yield from _wrapped(text, width, f"{_MARKS[answer]} {answer:10}", " " * 12)
    for head, lines in made.sections:
        if lines:
            yield ""
            yield head
        for line in lines:
            yield from _wrapped(line, width, "  ", "    " if line.startswith("- ") else "  ")
    yield ""
    yield "In this order"
    for number, line in enumerate(made.checklist, 1):
        yield from _wrapped(line, width, f"  [ ] {number:2} ", " " * 9)
    yield ""
    yield from _wrapped(made.foot, width)


def _wrapped(text: str, width: int, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False)
