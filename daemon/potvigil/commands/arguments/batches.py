"""The verbs of a batch."""

import argparse
from pathlib import Path

from potvigil.commands.arguments.adding import Verbs, add_of, add_page_kinds, add_replace, add_verb
from potvigil.commands.arguments.options import DETAIL_OPTIONS, UNITS
from potvigil.commands.arguments.types import count, number
from potvigil.model.events import AlarmId, Detail, Verdict
from potvigil.record.requests.batch_query import OPEN


def add_batch_verbs(verbs: Verbs) -> None:
    _add_list(verbs)
    shown = add_verb(
        verbs,
        "show",
        "batch:show_batch",
        "show what happened in a batch and its verdict",
        "potvigil batch show 12",
        record=True,
    )
    shown.add_argument("batch", type=number, metavar="ID")
    _add_export(verbs)
    report = add_verb(
        verbs,
        "report",
        "batch:report",
        "write the report of a batch as one HTML file",
        "potvigil batch report 12 --out lens-3.html --pdf",
        record=True,
    )
    report.add_argument("batch", type=number, metavar="ID")
    report.add_argument("--out", type=Path, metavar="FILE.html", help="default batch-ID-LABEL.html here")
    add_page_kinds(report)
    add_of(report)
    for name, what, example in (
        ("label", "name a batch", 'potvigil batch label 12 "lens, green, no. 3"'),
        (
            "note",
            "add a note to a batch; batch edit --note replaces it",
            'potvigil batch note 12 "mould warmed to 30 C"',
        ),
    ):
        words = add_verb(verbs, name, "edit:edit", what, example, record=True)
        words.add_argument("batch", type=number, metavar="ID")
        words.add_argument(name, metavar="TEXT")
    edited = add_verb(
        verbs,
        "edit",
        "edit:edit",
        "set or change the details of a batch; an empty text clears one",
        'potvigil batch edit 12 --mass "250 g" --mixed-at 21:40 --picture lens.jpg',
        record=True,
    )
    edited.add_argument("batch", type=number, metavar="ID")
    _add_details(edited)
    opened = add_verb(
        verbs,
        "open",
        "edit:open_batch",
        "open a batch by hand, at mixing",
        'potvigil batch open --pot lantern --resin "clear, slow" --mixed-at 21:40',
        record=True,
    )
    opened.add_argument("--pot", metavar="ID")
    _add_details(opened)
    closed = add_verb(
        verbs,
        "close",
        "edit:close",
        "close the open batch by hand",
        "potvigil batch close --pot lantern",
        record=True,
    )
    closed.add_argument("--pot", metavar="ID")


def _add_list(verbs: Verbs) -> None:
    listing = add_verb(
        verbs,
        "list",
        "listing:batches",
        "list batches, the newest first",
        "potvigil batch list --verdict leaked --since 2026-03-01",
        record=True,
    )
    listing.add_argument("--pot", metavar="ID")
    listing.add_argument(
        "--verdict", choices=[*(each.value for each in Verdict), OPEN], help="with this verdict"
    )
    listing.add_argument("--since", metavar="DATE", help="started on this day or later: 2026-03-01")
    listing.add_argument("--until", metavar="DATE", help="started on this day or earlier")
    listing.add_argument("--find", metavar="TEXT", help="with these words in label, resin, note, ...")
    listing.add_argument(
        "--alarm", choices=[each.value for each in AlarmId], metavar="ALARM", help="with this alarm"
    )
    some = listing.add_mutually_exclusive_group()
    some.add_argument("--limit", type=count, metavar="N", help="the newest N only; usually 50")
    some.add_argument("--all", action="store_true", help="all of them")
    listing.add_argument("--json", action="store_true", help="as JSON lines, all of them")


def _add_export(verbs: Verbs) -> None:
    out = add_verb(
        verbs,
        "export",
        "batch:export_batch",
        "write a batch as CSV (to replay), Parquet or JSON lines",
        "potvigil batch export 12 --format csv",
        record=True,
    )
    out.add_argument("batch", type=number, metavar="ID")
    out.add_argument("--format", choices=("csv", "parquet", "jsonl"), default="csv")
    out.add_argument(
        "--units", choices=UNITS, help="of the pressures, not in JSON lines; default: of the settings"
    )
    out.add_argument("--out", type=Path, metavar="FILE", help="default batch-ID.FORMAT here; - for stdout")
    add_replace(out)
    add_of(out)


def _add_details(verb: argparse.ArgumentParser) -> None:
    for field, (option, what) in DETAIL_OPTIONS.items():
        if field is Detail.PICTURES:
            verb.add_argument(option, action="append", dest=field, metavar="FILE", help=what)
        else:
            verb.add_argument(option, metavar="TEXT", help=what)
