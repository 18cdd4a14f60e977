"""One batch: shown, exported, reported."""

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from potvigil.commands.shared import show
from potvigil.commands.shared.common import check_out, console, data_out, record_path
from potvigil.commands.shared.open_batch import settings_of, summary_so_far
from potvigil.commands.shared.pages import check_pages, write_pages
from potvigil.commands.shared.status import DONE
from potvigil.commands.shared.which_record import open_record
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.reports import export
from potvigil.reports.batch import file_name, report_html
from potvigil.reports.collect import collect_report
from potvigil.reports.parquet import write_parquet
from potvigil.sensing.conversion import convert
from potvigil.upkeep import atomic_file


def show_batch(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        row = store.batch(args.batch)
        settings = settings_of(store, row)
        printer = show.Printer(console(), settings)
        for event in store.events(row.id):
            printer.event(row.pot_id, row.id, event)
        summary = row.summary or summary_so_far(store, row, settings)
        if summary is not None:
            printer.summary(summary, row.id)
        printer.details(row.details, store.edits(row.id))
    return DONE


def export_batch(args: argparse.Namespace) -> int:
    with open_record(args) as record:
        store = record.store
        row = store.batch(args.batch)
        out = Path(f"batch-{row.id}.{args.format}") if args.out is None else args.out
        with _out_file(out, args) as file:
            if args.format == "jsonl":
                _write_lines(file, store, row, is_own=args.of is None)
            else:
                pot = settings_of(store, row).core_pots()[row.pot_id]
                samples = store.samples(row.pot_id, row.start_t_s, row.end_t_s)
                pairs = ((sample, convert(sample, pot)) for sample in samples)
                if args.format == "csv":
                    export.write_csv(file, pairs, pot, args.units)
                else:
                    write_parquet(file.buffer, pairs, pot, args.units)
    if str(out) != "-":
        print(out)
    return DONE


def _write_lines(file: TextIO, store: Store, row: BatchRow, *, is_own: bool) -> None:
    """Write a batch as JSON lines. is_own: not shipped, where an open batch may be too coarse to judge."""
    summary = row.summary
    if summary is None and is_own:
        summary = summary_so_far(store, row, settings_of(store, row))
    export.write_json_lines(file, store.events(row.id), summary, row.start_t_s, store.edits(row.id))


def report(args: argparse.Namespace) -> int:
    """Write the report of a batch."""
    with open_record(args) as record:
        row = record.store.batch(args.batch)
        out = args.out or Path(f"{file_name(row.id, row.label)}.html")
        check_pages(args, out)
        found = collect_report(record.store, row.id, record.picture, record.unread)
    write_pages(args, out, report_html(found))
    return DONE


@contextmanager
def _out_file(path: Path, args: argparse.Namespace) -> Iterator[TextIO]:
    if str(path) == "-":
        yield data_out()
    else:
        with atomic_file.whole_file(check_out(path, args), replace=args.replace) as file:
            yield file
