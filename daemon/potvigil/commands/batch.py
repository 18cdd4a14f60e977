"""One batch: shown, exported, reported."""

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from potvigil.commands.shared import show
from potvigil.commands.shared.common import console, record_path
from potvigil.commands.shared.open_batch import judged_so_far, settings_of
from potvigil.commands.shared.pages import write_pages
from potvigil.commands.shared.status import DONE
from potvigil.record.store import Store
from potvigil.reports import export
from potvigil.reports.batch import harmless_name, report_html
from potvigil.reports.collect import retell
from potvigil.sensing.conversion import convert
from potvigil.upkeep import atomic_file


def show_batch(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        row = store.batch(args.batch)
        settings = settings_of(store, row)
        printer = show.Printer(console(), settings)
        for event in store.events(row.id):
            printer.event(row.pot_id, row.id, event)
        summary = row.summary or judged_so_far(store, row, settings)
        if summary is not None:
            printer.summary(summary, row.id)
        printer.details(row.details, store.edits(row.id))
    return DONE


def export_batch(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        row = store.batch(args.batch)
        out = Path(f"batch-{row.id}.{args.format}") if args.out is None else args.out
        with _out_file(out) as file:
            if args.format == "csv":
                pot = settings_of(store, row).core_pots()[row.pot_id]
                samples = store.samples(row.pot_id, row.start_t_s, row.end_t_s)
                export.write_csv(file, ((sample, convert(sample, pot)) for sample in samples), pot)
            else:
                summary = row.summary or judged_so_far(store, row, settings_of(store, row))
                edits = store.edits(row.id)
                export.write_json_lines(file, store.events(row.id), summary, row.start_t_s, edits)
    if str(out) != "-":
        print(out)
    return DONE


def report(args: argparse.Namespace) -> int:
    """Write the report of a batch."""
    with Store.open_read_only(record_path(args)) as store:
        told = retell(store, args.batch)
    usual = Path(f"{harmless_name(told.row.id, told.row.label)}.html")
    write_pages(args, args.out or usual, report_html(told))
    return DONE


@contextmanager
def _out_file(path: Path) -> Iterator[TextIO]:
    if str(path) == "-":
        yield sys.stdout
    else:
        with atomic_file.whole_file(path) as file:
            yield file
